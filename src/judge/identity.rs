//! Who answers: whether this is the unit that the profile describes, and one unit only.
//!
//! Input: readings and samples of one address. Output: doubts. Does not: judge what was read.

use std::time::Duration;

use packside_profiles::model::Profile;
use packside_profiles::{Foreign, Role, Value};

use super::inverter::rebooted_at;
use super::member::{Shared, value_text};
use crate::evidence::samples::{MemberEvidence, Seen};
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

pub(super) fn recognition(readings: &[Reading], profile: &Profile, we_asked: bool) -> Recognition {
    use packside_profiles::model::Scalar;
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
        let unasked = reading.is_some_and(|r| r.quality == ReadingQuality::NeverAsked) && !we_asked;
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
    evidence: &MemberEvidence,
    shared: &Shared<'_>,
    profile: &Profile,
) -> Vec<Doubt> {
    let mut doubts = identity_changes(evidence, profile);
    doubts.extend(uptime_jumps(evidence, profile));
    let twice = shared.answered_twice.get(&evidence.unit).copied();
    if let Some(times) = twice.filter(|times| *times >= ANSWERED_TWICE) {
        let unit = evidence.unit;
        let sign = TwoUnits::AnsweredTwice { times, unit };
        doubts.push(Doubt::TwoUnits { sign });
    }
    doubts
}

/// Serial numbers that change. Modules may have been exchanged while the unit was off: theirs count since
/// its last restart; its own always counts.
fn identity_changes(evidence: &MemberEvidence, profile: &Profile) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    let restarted = rebooted_at(evidence, profile).unwrap_or_default();
    for (instance, point, samples) in evidence.each(profile) {
        let from = match point.role {
            Role::Serial => Duration::ZERO,
            Role::ModuleSerial => restarted,
            _ => continue,
        };
        let mut texts: Vec<Foreign> = Vec::new();
        for sample in samples.iter().filter(|sample| sample.at >= from) {
            let Seen::Decoded(decoded) = &sample.what else {
                continue;
            };
            let Some(Value::Text(text)) = &decoded.value else {
                continue;
            };
            if !texts.contains(text) {
                texts.push(text.clone());
            }
        }
        if texts.len() > 1 {
            let name = instance.name.clone();
            let sign = TwoUnits::Identity { name, texts };
            doubts.push(Doubt::TwoUnits { sign });
        }
    }
    doubts
}

/// Uptime that jumps back and forth: a restart only goes back, a clock never runs ahead.
fn uptime_jumps(evidence: &MemberEvidence, profile: &Profile) -> Option<Doubt> {
    let uptime = evidence.series(profile, Role::Uptime);
    let steps = || uptime.iter().zip(uptime.iter().skip(1));
    let back = steps().find(|(a, b)| b.1 + JUMP_S < a.1)?;
    let ahead = steps().find(|(a, b)| {
        let passed = b.0.saturating_sub(a.0);
        passed <= MINUTE && b.1 - a.1 > passed.as_secs_f64() + JUMP_S
    })?;
    let sign = TwoUnits::Uptime {
        back: (back.0.1, back.1.1),
        ahead: (ahead.0.1, ahead.1.1),
    };
    Some(Doubt::TwoUnits { sign })
}

/// No uptime runs ahead of the clock by more than this, s.
const JUMP_S: f64 = 5.0;
/// Across longer gaps this computer's own clock may have stood still.
const MINUTE: Duration = Duration::from_secs(60);
