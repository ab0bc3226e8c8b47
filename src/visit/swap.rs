//! Whether a fault follows a module to another position, or stays where it was.
//!
//! Input: the judgements before and after modules were swapped. Output: an id and words. Which module
//! is where now, their serial numbers say, never a person's memory.
//!
//! Does not: allow a swap (a profile does), or judge the unit.

use crate::event::FollowedEnd;
use crate::facts::{Finding, Identity, Judgement};

/// What a swap showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Swapped {
    /// Where the fault is now.
    pub end: FollowedEnd,
    /// In words.
    pub words: String,
}

/// Unit address and position of a module.
type Position = (u8, u16);

/// Compares both.
pub fn compare(before: &Judgement, after: &Judgement) -> Swapped {
    let not_yet = |words: String| Swapped {
        end: FollowedEnd::NotYet,
        words,
    };
    let root = before.findings.iter().find_map(|finding| {
        let at = finding.root.then(|| position(finding)).flatten()?;
        Some((finding, at))
    });
    let Some((root, at)) = root else {
        return not_yet(
            "the fault before was not one of a single module: swapping modules shows nothing"
                .to_owned(),
        );
    };
    let Some(serial) = serial_at(&before.identity, at) else {
        return not_yet(format!(
            "the serial number of {} was not read before the swap",
            name(at)
        ));
    };
    let now_at: Vec<Position> = positions(&after.identity)
        .into_iter()
        .filter(|(_, known)| *known == serial)
        .map(|(position, _)| position)
        .collect();
    let [now_at] = now_at.as_slice() else {
        return not_yet(format!(
            "the module {serial} was not found at one position after the swap"
        ));
    };
    if *now_at == at {
        return not_yet(format!(
            "{} is still the module {serial}: nothing was swapped there",
            name(at)
        ));
    }
    let is_same = |finding: &&Finding| finding.id == root.id;
    let now: Vec<Position> = after
        .findings
        .iter()
        .filter(is_same)
        .filter_map(position)
        .collect();
    concluded(root.id, &serial, (at, *now_at), &now)
}

/// What it means that a fault of a module shows at these positions now, the module having gone from
/// one to another.
fn concluded(
    id: &str,
    serial: &str,
    (from, to): (Position, Position),
    now: &[Position],
) -> Swapped {
    let (end, words) = match (now.contains(&to), now.contains(&from)) {
        (true, false) => (
            FollowedEnd::FollowedModule,
            format!(
                "{id} followed the module {serial} from {} to {}: it lies in the module",
                name(from),
                name(to)
            ),
        ),
        (false, true) => (
            FollowedEnd::StayedAtPosition,
            format!(
                "{id} stayed at {} with another module: it lies in the wiring, the connector or the control unit",
                name(from)
            ),
        ),
        (true, true) => (
            FollowedEnd::NotYet,
            format!("{id} shows at both positions now: look at the connectors that were moved"),
        ),
        (false, false) if now.is_empty() => (
            FollowedEnd::Gone,
            format!(
                "{id} is gone after the swap: a connector that sits better now may hide it, look again after some hours"
            ),
        ),
        (false, false) => (
            FollowedEnd::NotYet,
            format!("{id} shows somewhere else now"),
        ),
    };
    Swapped { end, words }
}

/// Where a finding lies, if it is about one module.
fn position(finding: &Finding) -> Option<Position> {
    Some((finding.unit, finding.place.module?))
}

fn name((_, module): Position) -> String {
    format!("position {module}")
}

fn serial_at(identity: &Identity, at: Position) -> Option<String> {
    let found = positions(identity).into_iter().find(|(p, _)| *p == at);
    found.map(|(_, serial)| serial)
}

/// Serial numbers by position; only of the first address, whose modules are listed.
fn positions(identity: &Identity) -> Vec<(Position, String)> {
    let unit = identity.members.first().map_or(1, |member| member.unit);
    let modules = identity.modules.iter();
    modules
        .filter_map(|module| Some(((unit, module.position), module.serial.clone()?)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{Event, What};
    use crate::facts::ModuleIdentity;
    use crate::judge::judge;
    use std::time::Duration;

    /// A judgement with modules of these serial numbers, and a root at these positions.
    fn judged(serials: &[&str], roots: &[u16]) -> Judgement {
        let nothing = Event {
            at: Duration::ZERO,
            what: What::Back,
        };
        let mut judgement = judge(&[nothing], None, None);
        let module = |(position, serial): (u16, &&str)| ModuleIdentity {
            position,
            serial: (!serial.is_empty()).then(|| (*serial).to_owned()),
            firmware: None,
        };
        judgement.identity.modules = (1..).zip(serials).map(module).collect();
        judgement.findings = roots.iter().map(|module| finding(*module)).collect();
        judgement
    }

    fn finding(module: u16) -> Finding {
        use crate::facts::fact::{Measured, PointIndex, Remedy, Spot};
        use packside_profiles::model::{Clears, LiesIn, Severity};
        use packside_profiles::{Class, Place};
        let at = Spot {
            point: PointIndex(0),
            place: Place::default(),
        };
        Finding {
            fact: Measured::UnreadableSensor { at, raw: None }.into(),
            id: Class::SensorFault.id(),
            class: Some(Class::SensorFault),
            severity: Severity::Alarm,
            source: crate::facts::Source::Measured,
            root: true,
            follows_from: None,
            lies_in: LiesIn::Module,
            clears: Some(Clears::BySelf),
            unit: 1,
            place: Place {
                module: Some(module),
                item: Some(4),
            },
            to_do: Remedy::default(),
            since: None,
            returned: false,
            sure: crate::facts::Certainty::Likely,
            disposition: None,
        }
    }

    fn check(before: (&[&str], &[u16]), after: (&[&str], &[u16]), end: FollowedEnd, says: &str) {
        let found = compare(&judged(before.0, before.1), &judged(after.0, after.1));
        assert_eq!(found.end, end, "{}", found.words);
        assert!(found.words.contains(says), "{}", found.words);
    }

    // Kind: invented
    const BEFORE: [&str; 3] = ["M-1", "M-2", "M-3"];
    const SWAPPED: [&str; 3] = ["M-1", "M-3", "M-2"];

    #[test]
    fn fault_that_moves_with_the_serial_number_follows_the_module() {
        let says = "followed the module M-2 from position 2 to position 3";
        check(
            (&BEFORE, &[2]),
            (&SWAPPED, &[3]),
            FollowedEnd::FollowedModule,
            says,
        );
    }

    #[test]
    fn fault_that_stays_with_another_serial_number_lies_at_the_position() {
        let says = "stayed at position 2";
        check(
            (&BEFORE, &[2]),
            (&SWAPPED, &[2]),
            FollowedEnd::StayedAtPosition,
            says,
        );
    }

    #[test]
    fn fault_that_is_gone_is_no_proof() {
        check(
            (&BEFORE, &[2]),
            (&SWAPPED, &[]),
            FollowedEnd::Gone,
            "may hide it",
        );
    }

    #[test]
    fn nothing_is_concluded_where_nothing_was_swapped_read_or_told() {
        check(
            (&BEFORE, &[2]),
            (&BEFORE, &[2]),
            FollowedEnd::NotYet,
            "nothing was swapped",
        );
        check(
            (&BEFORE, &[]),
            (&SWAPPED, &[]),
            FollowedEnd::NotYet,
            "not one of a single module",
        );
        check(
            (&["M-1", ""], &[2]),
            (&SWAPPED, &[2]),
            FollowedEnd::NotYet,
            "was not read",
        );
        check(
            (&BEFORE, &[2]),
            (&["M-1", "", ""], &[2]),
            FollowedEnd::NotYet,
            "was not found",
        );
        check(
            (&BEFORE, &[2]),
            (&SWAPPED, &[2, 3]),
            FollowedEnd::NotYet,
            "both positions",
        );
        check(
            (&BEFORE, &[2]),
            (&SWAPPED, &[1]),
            FollowedEnd::NotYet,
            "somewhere else",
        );
    }
}
