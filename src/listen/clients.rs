//! How many clients ask on a line, by their rhythm.
//!
//! Input: when each request was heard. Output: how many clients that takes at least, and why.
//!
//! Does not: tell apart two clients that keep one rhythm; then it says one, and that this is the
//! least.
//!
//! # Why rhythm
//! One client asks on one clock: everything it asks comes at its period or a whole multiple of it.
//! Requests whose steady periods are no whole multiples of each other come from two clocks. And one
//! client waits for its answer before it asks on: another request that comes sooner than any answer
//! could is somebody else's.

use std::time::Duration;

use crate::statistics::median;

/// Requests of one kind that are needed before their rhythm says anything.
const ENOUGH: usize = 6;
/// Gaps kept of each kind.
pub(super) const GAPS: usize = 64;

/// How many clients at least, and why.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Clients {
    /// At least so many.
    pub count: u8,
    /// What shows that it is more than one.
    pub why: Option<String>,
    /// Requests that came before the one before could be answered.
    pub hasty: u32,
}

/// The rhythm of one kind of request.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rhythm {
    /// Median of the gaps.
    pub(super) period: Duration,
    /// Median distance of the gaps from it.
    pub(super) jitter: Duration,
}

/// Rhythm of a kind from its gaps, where they suffice.
pub(super) fn rhythm(gaps: &[Duration]) -> Option<Rhythm> {
    let period = median(gaps.to_vec(), Duration::cmp).filter(|_| gaps.len() + 1 >= ENOUGH)?;
    let jitter = median(
        gaps.iter().map(|gap| gap.abs_diff(period)).collect(),
        Duration::cmp,
    )?;
    Some(Rhythm { period, jitter })
}

/// Counts clients from the rhythms of all kinds of requests. `hasty` of `requests` came too soon.
pub(super) fn count(rhythms: &[(String, Rhythm)], hasty: u32, requests: u64) -> Clients {
    if requests == 0 {
        return Clients::default();
    }
    let mut clients = Clients {
        count: 1,
        why: None,
        hasty,
    };
    let steady: Vec<_> = rhythms.iter().filter(|(_, r)| is_steady(r)).collect();
    let pair = steady.iter().enumerate().find_map(|(index, one)| {
        let others = steady.iter().skip(index + 1);
        let other = others.into_iter().find(|other| differ(&one.1, &other.1))?;
        Some((one, other))
    });
    if let Some(((one, a), (other, b))) = pair {
        clients.count = 2;
        clients.why = Some(format!(
            "{one} comes every {:.2} s and {other} every {:.2} s: two clocks",
            a.period.as_secs_f64(),
            b.period.as_secs_f64()
        ));
    } else if hasty >= 3 && u64::from(hasty) * 100 >= requests {
        clients.count = 2;
        clients.why = Some(format!(
            "{hasty} times somebody asked before the question before could be answered"
        ));
    }
    clients
}

/// Whether gaps scatter so little that a period can be named.
fn is_steady(rhythm: &Rhythm) -> bool {
    rhythm.period > Duration::ZERO && rhythm.jitter * 12 <= rhythm.period
}

/// Whether neither period is a whole multiple of the other, beyond what they scatter.
fn differ(a: &Rhythm, b: &Rhythm) -> bool {
    let (short, long) = if a.period < b.period { (a, b) } else { (b, a) };
    let ratio = long.period.as_secs_f64() / short.period.as_secs_f64();
    let times = ratio.round().max(1.0);
    let scatter = |r: &Rhythm| r.jitter.as_secs_f64() / r.period.as_secs_f64();
    let allowed = times * (0.04 + 3.0 * scatter(short)) + 3.0 * ratio * scatter(long);
    // Far multiples prove nothing.
    times <= 6.0 && (ratio - times).abs() > allowed
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steady(name: &str, millis: u64, jitter: u64) -> (String, Rhythm) {
        let rhythm = Rhythm {
            period: Duration::from_millis(millis),
            jitter: Duration::from_millis(jitter),
        };
        (name.to_owned(), rhythm)
    }

    // Kind: invented
    #[test]
    fn whole_multiples_are_one_client_and_others_are_two() {
        let one = [
            steady("a", 1000, 10),
            steady("b", 1005, 15),
            steady("c", 5000, 20),
        ];
        assert_eq!(count(&one, 0, 100).count, 1);
        let two = [steady("a", 1000, 10), steady("b", 1700, 20)];
        let clients = count(&two, 0, 100);
        assert_eq!(clients.count, 2);
        assert_eq!(
            clients.why.as_deref(),
            Some("a comes every 1.00 s and b every 1.70 s: two clocks")
        );
        let unsteady = [steady("a", 1000, 300), steady("b", 1700, 20)];
        assert_eq!(count(&unsteady, 0, 100).count, 1);
        assert_eq!(count(&[], 3, 100).count, 2);
        assert_eq!(count(&[], 2, 100).count, 1);
        assert_eq!(count(&[], 0, 0).count, 0);
    }

    #[test]
    fn rhythm_needs_enough_gaps() {
        let gaps = [Duration::from_secs(1); 4];
        assert_eq!(rhythm(&gaps), None);
        let gaps = [Duration::from_secs(1); 5];
        assert_eq!(rhythm(&gaps).unwrap().period, Duration::from_secs(1));
    }
}
