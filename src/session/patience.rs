//! What a unit's late answers say about how long to wait for it.
//!
//! Does not: decide which question an answer belongs to ([`crate::ask`] does); it never takes a late answer
//! for one to a later question, it only waits longer for the next one.

use std::time::Duration;

use crate::ask::{Exchange, Outcome, Silence, StrayKind};

/// Longest wait that is learned.
const LONGEST: Duration = Duration::from_secs(10);

/// How slow a unit was seen to be.
#[derive(Debug, Default)]
pub(super) struct Patience {
    /// When the last question was asked that ended without an answer; none where a later one was answered.
    unanswered: Option<Duration>,
    /// A question is open.
    is_open: bool,
    /// End of the last exchange.
    ended_at: Duration,
    /// The longest time after which something came that was waited for no more.
    slowest: Duration,
    /// Questions in a row in vain.
    in_vain: u32,
    /// A question was answered, if only by a refusal.
    has_answered: bool,
}

impl Patience {
    /// A question is asked.
    pub(super) fn asks(&mut self) {
        self.is_open = true;
    }

    /// Bytes came: between two questions they can only be late.
    pub(super) fn hears(&mut self, at: Duration) {
        if !self.is_open {
            self.is_late(at);
        }
    }

    /// A question has ended.
    pub(super) fn take(&mut self, exchange: &Exchange) {
        self.is_open = false;
        self.ended_at = exchange.ended_at;
        let mut newest = exchange.strays.iter().rev();
        if let Some(late) = newest.find(|stray| stray.kind == StrayKind::Late) {
            self.is_late(late.at);
        }
        self.in_vain = match exchange.outcome {
            Outcome::TimedOut(_) | Outcome::LinkLost => self.in_vain.saturating_add(1),
            _ => 0,
        };
        self.has_answered |= matches!(
            exchange.outcome,
            Outcome::Answered(_) | Outcome::Exception(_)
        );
        self.unanswered = match exchange.outcome {
            Outcome::TimedOut(Silence::Nothing | Silence::OnlyNotOurs) => Some(exchange.asked_at),
            _ => None,
        };
    }

    fn is_late(&mut self, at: Duration) {
        if let Some(asked_at) = self.unanswered {
            self.slowest = self.slowest.max(at.saturating_sub(asked_at));
        }
    }

    /// How long to wait at least: a quarter more than the slowest answer took.
    pub(super) fn needed(&self) -> Duration {
        (self.slowest + self.slowest / 4).min(LONGEST)
    }

    /// Whether anybody ever answered in time.
    pub(super) fn has_answered(&self) -> bool {
        self.has_answered
    }

    /// Questions in a row in vain.
    pub(super) fn in_vain(&self) -> u32 {
        self.in_vain
    }

    /// End of the last exchange.
    pub(super) fn ended_at(&self) -> Duration {
        self.ended_at
    }
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::Table;

    use super::*;
    use crate::ask::Stray;
    use crate::wire::{Ask, Question};

    fn exchange(asked_ms: u64, ended_ms: u64, outcome: Outcome, late_ms: Option<u64>) -> Exchange {
        let ms = Duration::from_millis;
        Exchange {
            number: 1,
            ask: Ask {
                unit: 1,
                question: Question::Read {
                    table: Table::Input,
                    address: 0,
                    count: 1,
                },
            },
            asked_at: ms(asked_ms),
            sent_at: Some(ms(asked_ms)),
            ended_at: ms(ended_ms),
            first_byte_at: None,
            outcome,
            strays: late_ms
                .into_iter()
                .map(|at| Stray {
                    at: ms(at),
                    kind: StrayKind::Late,
                    bytes: vec![1],
                })
                .collect(),
            fence: false,
        }
    }

    // Kind: derived
    // Note: asked at 0, given up at 600, heard at 900: 900 ms and a quarter is 1125 ms
    #[test]
    fn late_answer_makes_the_next_wait_longer() {
        let mut patience = Patience::default();
        let nothing = || Outcome::TimedOut(Silence::Nothing);
        patience.take(&exchange(0, 600, nothing(), None));
        patience.take(&exchange(600, 1200, nothing(), Some(900)));
        assert_eq!(patience.needed(), Duration::from_millis(1125));
        // Between two questions as well, and only after one without an answer.
        patience.hears(Duration::from_millis(1900));
        assert_eq!(patience.needed(), Duration::from_millis(1625));
        patience.asks();
        patience.hears(Duration::from_millis(9000));
        patience.take(&exchange(2000, 2030, Outcome::Exception(2), None));
        patience.hears(Duration::from_millis(9000));
        assert_eq!(patience.needed(), Duration::from_millis(1625));
        patience.take(&exchange(0, 600, nothing(), Some(0)));
        patience.hears(Duration::from_secs(60));
        assert_eq!(patience.needed(), LONGEST);
    }
}
