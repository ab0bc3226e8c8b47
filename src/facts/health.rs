//! What the counts of a line show: what share of the answers is damaged, and what it goes with.
//!
//! Input: a [`Health`]. Output: the sights it gives. A share is never told without its Wilson interval; two
//! shares count as different only where their intervals do not overlap. Does not: count, or weigh causes.

use super::sight::{HowMany, Others, Sight, Sights, Text};
use crate::evidence::health::Counted;
pub use crate::evidence::health::Health;

/// Fewer damaged answers one after another are no row.
const ROW: u32 = 3;

/// Damage that may strike any byte of an answer strikes its first three alone no more often than this.
// Kind: derived (three bytes of an answer of at least thirty; short ones are few in a look)
const FIRST_BY_CHANCE: f64 = 0.1;

/// What is expected less often than this by chance counts as no chance.
const RARE: f64 = 0.05;

impl Health {
    /// Whether the line does badly enough to say so.
    pub fn is_bad(&self) -> bool {
        self.damages() || self.late.hits >= 2 || self.busy >= 2 || self.text >= 2
    }

    /// Whether answers came damaged more often than by accident.
    pub(crate) fn damages(&self) -> bool {
        self.damaged.hits >= 2
    }

    /// In which direction the damage lies, by what the unit counted.
    fn direction(&self, sights: &mut Sights) {
        let Some(counted) = self.counted else {
            return;
        };
        let Counted {
            questions, heard, ..
        } = counted;
        if heard < questions {
            sights.note(Sight::UnitMissed { questions, heard });
        } else if heard == questions && counted.damaged > 0 {
            let damaged = counted.damaged;
            sights.note(Sight::UnitHeardAll { questions, damaged });
        }
        if let Some(errors) = counted.errors.filter(|errors| *errors > 0) {
            sights.note(Sight::UnitCountsErrors { errors });
        }
    }

    /// Whether a row as long as the longest would hardly come about if damage struck each answer alike.
    fn row_is_no_accident(&self) -> bool {
        let share = f64::from(self.damaged.hits) / f64::from(self.damaged.tries.max(1));
        let row = i32::try_from(self.longest_row).unwrap_or(i32::MAX);
        f64::from(self.damaged.tries) * share.powi(row) < RARE
    }

    /// What the damaged answers themselves show.
    pub(crate) fn of_content(&self, sights: &mut Sights) {
        let answers = self.repeated;
        sights.note_if(answers > 0, Sight::SameDamage { answers });
    }

    /// What it shows.
    pub(crate) fn sights(&self, sights: &mut Sights) {
        let answers = HowMany::Among(self.damaged);
        // What runs into an answer that comes late is damaged by that.
        sights.note_if(
            self.damaged.hits > self.late.hits,
            Sight::Damaged { answers },
        );
        if self.long.exceeds(self.short) {
            sights.note(Sight::GrowsWithLength {
                long: self.long,
                short: self.short,
            });
        }
        if self.first_bytes.hits >= 2 && self.first_bytes.interval().0 > FIRST_BY_CHANCE {
            let answers = self.first_bytes;
            sights.note(Sight::FirstBytes { answers });
        }
        self.of_content(sights);
        if self.longest_row >= ROW && self.row_is_no_accident() {
            let row = self.longest_row;
            sights.note(Sight::Bursts { row });
        }
        if self.with_current.exceeds(self.without_current) {
            sights.note(Sight::FollowsPower {
                with: self.with_current,
                without: self.without_current,
            });
        }
        self.direction(sights);
        self.beside_damage(sights);
    }

    /// What came between our questions and their answers, or instead of them.
    fn beside_damage(&self, sights: &mut Sights) {
        if self.crossed > 0 {
            let heard = Others::Crossed(self.crossed);
            sights.note(Sight::Foreign { heard });
            // Collisions need somebody who asks meanwhile; one that destroys both questions is rare.
            let answers = self.damaged.hits;
            sights.note_if(
                answers > self.crossed + 1,
                Sight::MoreThanCrossed { answers },
            );
        }
        if self.late.hits > 0 {
            let answers = self.late;
            sights.note(match sights.gateway {
                true => Sight::LateByGateway { answers },
                false => Sight::Late {
                    answers: HowMany::Among(answers),
                },
            });
        }
        let came = Text::Questions(self.text);
        sights.note_if(self.text > 0, Sight::Text { came });
        let answers = Some(self.busy);
        sights.note_if(self.busy > 0, Sight::Busy { answers });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::share::Share;

    // Kind: derived
    #[test]
    fn row_counts_only_where_chance_would_hardly_make_it() {
        let health = |hits, tries, longest_row| Health {
            damaged: Share { hits, tries },
            longest_row,
            ..Health::default()
        };
        // 35 x (17/35)^3 = 4.0; 40 x (4/40)^4 = 0.004
        assert!(!health(17, 35, 3).row_is_no_accident());
        assert!(health(4, 40, 4).row_is_no_accident());
    }

    // Kind: derived
    #[test]
    fn share_without_tries_says_nothing_and_shares_differ_only_without_overlap() {
        assert_eq!(Share::default().interval(), (0.0, 1.0));
        let share = |hits, tries| Share { hits, tries };
        assert!(share(9, 10).exceeds(share(0, 30)));
        assert!(!share(2, 4).exceeds(share(0, 3)));
        assert!(!share(1, 1).exceeds(Share::default()));
    }
}
