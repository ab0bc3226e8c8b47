//! Who answers: whether this is the unit that the profile describes, and one unit only.
//!
//! Input: readings and samples of one address. Output: doubts. Does not: judge what was read.

use packside_profiles::model::Profile;
use packside_profiles::{Role, Value};

use super::shared::{Shared, value_text};
use crate::event::LinkFacts;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::{Doubt, Mismatch, TwoUnits, Unasked};
use crate::facts::judgement::{Reading, ReadingQuality};

/// So many second answers are no accident of somebody else's traffic.
const ANSWERED_TWICE: u32 = 2;

/// Whether this is the unit that the profile describes.
#[derive(Default)]
pub(super) struct Recognition {
    /// What keeps a clean verdict out.
    pub(super) doubts: Vec<Doubt>,
    /// A value that proves the map was read, and is another one.
    pub(super) is_another_map: bool,
}

pub(super) fn recognition(readings: &[Reading], shared: &Shared<'_>) -> Recognition {
    use packside_profiles::model::Scalar;
    let profile = shared.profile;
    let by_gateway = shared.facts().is_some_and(LinkFacts::is_gateway);
    let mut doubts = Vec::new();
    let mut is_another_map = false;
    for rule in &profile.recognise {
        let reading = readings.iter().find(|r| r.point == rule.point);
        let found = reading.and_then(|r| r.value.as_ref().map(|v| (r, v)));
        let fits = match (&rule.equals, found) {
            (Scalar::Number(n), Some((r, _))) => {
                r.raw.is_some_and(|raw| i128::from(raw) == i128::from(*n))
            }
            (Scalar::Text(t), Some((_, Value::Text(text)))) => {
                text.as_given().starts_with(t.as_given())
            }
            _ => false,
        };
        let unasked =
            reading.is_some_and(|r| r.quality == ReadingQuality::NeverAsked) && !shared.we_asked();
        if unasked {
            let map = profile.profile.id.clone();
            let what = Unasked::Mark { map };
            doubts.push(Doubt::NotAsked { what });
        } else if !fits {
            is_another_map |= found.is_some();
            let mismatch = Mismatch::Mark {
                map: profile.profile.id.clone(),
                point: rule.point.clone(),
                seen: found.map(|(_, value)| value.clone()),
                expected: rule.equals.clone(),
                by_gateway,
            };
            doubts.push(Doubt::NotRecognised { mismatch });
        }
    }
    let firmware = readings
        .iter()
        .find(|r| r.role == Role::Firmware)
        .and_then(|r| r.value.as_ref())
        .map(value_text);
    let head = &profile.profile;
    if let Some(firmware) = firmware {
        let below = head
            .firmware_from
            .as_ref()
            .is_some_and(|from| version(&firmware) < version(from));
        let above = head
            .firmware_below
            .as_ref()
            .is_some_and(|limit| version(&firmware) >= version(limit));
        if below || above {
            let mismatch = Mismatch::Firmware {
                read: firmware,
                from: head.firmware_from.clone(),
                below: head.firmware_below.clone(),
            };
            doubts.push(Doubt::NotRecognised { mismatch });
        }
    }
    Recognition {
        doubts,
        is_another_map,
    }
}

/// Dotted numbers, compared part by part.
pub(crate) fn version(text: &str) -> Vec<u32> {
    text.split(|c: char| !c.is_ascii_digit())
        .filter(|part| !part.is_empty())
        .filter_map(|p| p.parse().ok())
        .collect()
}

/// Signs that two units answer at this address, or that another house does.
pub(super) fn two_units(
    evidence: &UnitMemory,
    shared: &Shared<'_>,
    profile: &Profile,
) -> Vec<Doubt> {
    let mut doubts = identity_changes(evidence, profile);
    doubts.extend(uptime_jumps(evidence));
    let twice = shared.seen.twice.get(&evidence.unit).copied();
    let contradicted = shared.seen.contradicted.get(&evidence.unit).copied();
    let twice = twice.filter(|times| *times >= ANSWERED_TWICE);
    if let Some(times) = contradicted.or(twice) {
        let unit = evidence.unit;
        let sign = TwoUnits::AnsweredTwice { times, unit };
        doubts.push(Doubt::TwoUnits { sign });
    }
    doubts
}

/// Serial numbers that change. Modules may have been exchanged while the unit was off: theirs count since
/// its last restart; its own always counts.
fn identity_changes(evidence: &UnitMemory, profile: &Profile) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    for (instance, _, track) in evidence.each(profile) {
        let texts = track.texts();
        if texts.len() > 1 {
            let name = instance.name(profile);
            let texts = texts.to_vec();
            let sign = TwoUnits::Identity { name, texts };
            doubts.push(Doubt::TwoUnits { sign });
        }
    }
    doubts
}

/// Uptime that jumps back and forth: a restart only goes back, a clock never runs ahead. Or once, so far that neither
/// a restart nor an old answer explains it.
fn uptime_jumps(evidence: &UnitMemory) -> Option<Doubt> {
    let uptime = &evidence.uptime;
    let sign = match (uptime.back, uptime.ahead, uptime.leap) {
        (Some(back), Some(ahead), _) => TwoUnits::Uptime { back, ahead },
        (_, _, Some((from, to))) => TwoUnits::UptimeLeaps { from, to },
        _ => return None,
    };
    Some(Doubt::TwoUnits { sign })
}
