//! Roots in the order in which they matter, how sure each is, and what becomes of the part.
//!
//! Input: the findings of one member. Output: the same, ordered and completed. Every root stays
//! listed: nothing here removes one.
//!
//! # Never a claim while an isolating step is open
//! A part goes back only where the reason lies in it and nothing is left that would tell it from its
//! surroundings: its flag came back after a restart, and no other root points elsewhere.

use packside_profiles::Class;
use packside_profiles::model::{LiesIn, Severity};

use super::cautions::is_heat;
use super::notices::notice;
use crate::facts::fact::{Compared, Deed, Fact, Follows, Pair, Remark};
use crate::facts::judgement::{Certainty, Disposition, Finding, Source};

/// Orders and completes the findings of one member; `is_certain` is whether this is the unit of the map for
/// certain, `is_empty_only` whether low cells are those of a pack that is empty and no more.
pub(crate) fn settle(findings: &mut Vec<Finding>, is_certain: bool, is_empty_only: bool) {
    let confirmed: Vec<(Class, bool)> = findings
        .iter()
        .filter(|f| f.is_root_alarm())
        .filter_map(|f| Some((f.class?, f.source == Source::Measured)))
        .collect();
    let elsewhere = findings
        .iter()
        .any(|f| f.is_root_alarm() && !matches!(f.lies_in, LiesIn::Module | LiesIn::ControlUnit));
    let place = |f: &Finding| f.place.module;
    let never_charge = has(findings, Class::CellBelowMinimum);
    let odd_cells = has(findings, Class::CellImbalance) || has(findings, Class::CellResistance);
    let low_cell_in: Vec<Option<u16>> = findings
        .iter()
        .filter(|f| f.root && f.class.is_some_and(is_low_cell))
        .map(place)
        .collect();
    for finding in findings.iter_mut().filter(|f| f.root) {
        let both =
            |class| confirmed.contains(&(class, true)) && confirmed.contains(&(class, false));
        finding.sure = if !is_certain || finding.severity != Severity::Alarm {
            Certainty::Open
        } else if finding.class.is_some_and(both)
            // What a rule takes for likely by itself stays so.
            || (finding.source == Source::Measured && finding.sure == Certainty::Proven)
        {
            Certainty::Proven
        } else {
            Certainty::Likely
        };
        if finding.is_root_alarm() {
            let hot_and_low = finding.class == Some(Class::OverTemperature)
                && place(finding).is_some()
                && low_cell_in.contains(&place(finding));
            let is_low = finding.class.is_some_and(is_low_cell);
            // A cell that cannot be read is treated like one below its minimum (FIELD).
            let unread = matches!(finding.to_do.deed, Deed::SenseWire { .. });
            finding.disposition = Some(if hot_and_low || unread || (never_charge && is_low) {
                Disposition::Quarantine
            } else if is_heat(finding) {
                Disposition::StayAway
            } else if (odd_cells || !is_empty_only)
                && finding.class == Some(Class::CellUnderVoltage)
            {
                // Charging lifts a low pack; a single low cell it only hides.
                Disposition::IsolateAndLookAgain
            } else {
                disposition(finding, elsewhere)
            });
        }
    }
    // Low cells beside an imbalance are what makes it, and no mere condition.
    findings.sort_by_key(|f| {
        let makes_it = (odd_cells || !is_empty_only) && f.class == Some(Class::CellUnderVoltage);
        (
            !f.is_root_alarm(),
            std::cmp::Reverse(f.severity),
            !makes_it && f.class.is_some_and(Class::is_condition),
            // One low cell makes the spread; where all are low, the pack is empty.
            if makes_it || is_of_extremes(f) {
                rank(Class::CellImbalance) - 1
            } else {
                f.class.map_or(u8::MAX, rank)
            },
            f.source != Source::Flag,
        )
    });
    transport(findings);
}

/// What answers of two units show together is told, and is a fault of neither.
pub(crate) fn of_neither(findings: &mut [Finding]) {
    for finding in findings.iter_mut().filter(|f| f.fact.compares_answers()) {
        finding.root = false;
        finding.severity = finding.severity.min(Severity::Warning);
    }
}

/// Extremes that are not those of the cells: a cell beyond its limit comes before them.
fn is_of_extremes(finding: &Finding) -> bool {
    let pair = match &finding.fact {
        Fact::Compared(Compared::DoesNotAddUp { pair, .. }) => *pair,
        _ => return false,
    };
    matches!(pair, Pair::HighestCell | Pair::LowestCell)
}

/// Whether a root of this class is among them.
fn has(findings: &[Finding], class: Class) -> bool {
    findings
        .iter()
        .any(|f| f.is_root_alarm() && f.class == Some(class))
}

/// A cell, or what follows from one, that is low.
fn is_low_cell(class: Class) -> bool {
    matches!(
        class,
        Class::CellBelowMinimum
            | Class::CellUnderVoltage
            | Class::CellImbalance
            | Class::PackUnderVoltage
            | Class::LowCharge
    )
}

fn disposition(finding: &Finding, roots_elsewhere: bool) -> Disposition {
    if finding.class == Some(Class::CellBelowMinimum) {
        return Disposition::Quarantine;
    }
    if finding.class == Some(Class::InsulationLow) {
        return Disposition::IsolateAndLookAgain;
    }
    if finding.class.is_some_and(Class::is_condition) {
        return Disposition::CorrectOnSite;
    }
    match finding.lies_in {
        LiesIn::Connection | LiesIn::Operator => Disposition::CorrectOnSite,
        LiesIn::Module | LiesIn::ControlUnit if finding.returned && !roots_elsewhere => {
            Disposition::Claim
        }
        _ => Disposition::IsolateAndLookAgain,
    }
}

/// What brings others along comes first; among equals the gravest.
fn rank(class: Class) -> u8 {
    use Class as C;
    match class {
        C::ShortCircuit => 0,
        C::CellBelowMinimum => 1,
        C::InternalCommunication => 2,
        C::ControlUnitFault => 3,
        C::ConfigurationFault => 4,
        C::FuseOpen => 5,
        C::SwitchFault => 6,
        C::PrechargeFailed => 7,
        C::InsulationLow => 8,
        C::ChargingOutside => 9,
        C::OverTemperature => 9,
        C::CellResistance => 10,
        C::SensorFault => 10,
        C::CellOverVoltage => 11,
        C::OverCurrent => 12,
        C::PackOverVoltage => 13,
        C::CellImbalance => 15,
        C::TemperatureImbalance => 16,
        C::LowCharge => 17,
        C::CellUnderVoltage => 18,
        C::PackUnderVoltage => 19,
        _ => 20,
    }
}

/// Beside a cell fault: a suspect lithium battery does not travel as ordinary goods.
// Kind:   published
// Source: UN Model Regulations, special provision 376 (damaged or defective lithium batteries)
fn transport(findings: &mut Vec<Finding>) {
    let suspect = |f: &&Finding| {
        f.is_root_alarm()
            && matches!(
                f.class,
                Some(
                    Class::CellBelowMinimum
                        | Class::CellOverVoltage
                        | Class::CellUnderVoltage
                        | Class::CellImbalance
                        | Class::CellResistance
                        | Class::OverTemperature
                        | Class::ShortCircuit
                )
            )
    };
    let first = findings.iter().find(suspect);
    let Some((first, because)) = first.and_then(|first| Some((first, first.class?))) else {
        return;
    };
    let mut found = notice(first.unit, Remark::NoOrdinaryTransport { because });
    found.severity = Severity::Warning;
    found.follows_from = Some(Follows::Finding(because));
    found.place = first.place;
    findings.push(found);
}

#[cfg(test)]
mod tests {
    use super::super::shared::finding;
    use super::*;
    use crate::facts::fact::Measured;
    use packside_profiles::Place;

    fn root(class: Class, lies_in: LiesIn, source: Source, returned: bool) -> Finding {
        Finding {
            lies_in,
            source,
            returned,
            ..finding(
                class,
                Severity::Alarm,
                1,
                Place::default(),
                Measured::TerminalsLive { volts: 0.0 },
            )
        }
    }

    fn dispositions(mut findings: Vec<Finding>) -> Vec<(&'static str, Option<Disposition>)> {
        settle(&mut findings, true, true);
        findings
            .iter()
            .filter(|f| f.is_root_alarm())
            .map(|f| (f.id, f.disposition))
            .collect()
    }

    // Kind: common practice
    #[test]
    fn claim_only_where_it_came_back_and_nothing_points_elsewhere() {
        let apart = |returned| root(Class::CellImbalance, LiesIn::Module, Source::Flag, returned);
        assert_eq!(
            dispositions(vec![apart(false)]),
            [("cell-imbalance", Some(Disposition::IsolateAndLookAgain))]
        );
        assert_eq!(
            dispositions(vec![apart(true)]),
            [("cell-imbalance", Some(Disposition::Claim))]
        );
        let insulation = root(
            Class::InsulationLow,
            LiesIn::InverterSide,
            Source::Flag,
            true,
        );
        let both = dispositions(vec![apart(true), insulation]);
        assert_eq!(
            both,
            [
                ("insulation-low", Some(Disposition::IsolateAndLookAgain)),
                ("cell-imbalance", Some(Disposition::IsolateAndLookAgain)),
            ]
        );
    }

    #[test]
    fn empty_pack_comes_before_its_low_cells_and_a_low_cell_before_the_spread_it_makes() {
        let of = |class| root(class, LiesIn::Module, Source::Measured, false);
        let order = |classes: &[Class]| -> Vec<&str> {
            let all = classes.iter().map(|class| of(*class)).collect();
            dispositions(all).into_iter().map(|(id, _)| id).collect()
        };
        let (low, empty, apart) = (
            Class::CellUnderVoltage,
            Class::LowCharge,
            Class::CellImbalance,
        );
        assert_eq!(order(&[low, empty]), ["low-charge", "cell-under-voltage"]);
        assert_eq!(order(&[apart, low])[0], "cell-under-voltage");
    }

    #[test]
    fn cell_below_its_minimum_is_set_apart_comes_first_and_does_not_travel() {
        let mut findings = vec![
            root(Class::CellUnderVoltage, LiesIn::Module, Source::Flag, true),
            root(
                Class::CellBelowMinimum,
                LiesIn::Module,
                Source::Measured,
                true,
            ),
        ];
        // Two samples said so.
        findings[1].sure = Certainty::Proven;
        settle(&mut findings, true, true);
        assert_eq!(findings[0].id, "cell-below-minimum");
        assert_eq!(findings[0].disposition, Some(Disposition::Quarantine));
        assert_eq!(findings[0].sure, Certainty::Proven);
        assert_eq!(findings[1].sure, Certainty::Likely);
        assert_eq!(findings.last().map(|f| f.id), Some("no-ordinary-transport"));
    }
}
