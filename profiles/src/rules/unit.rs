//! Rules about the unit as a whole: inverter link, members, windows, lamps, steps of a visit.

use std::ops::Range;

use super::{STANDARD_PATTERNS, flag_named, unknown};
use crate::load::Draft;
use crate::meaning::{Class, Role};
use crate::model::FedBy;
use crate::problem::{Collector, Grade};

/// Roles that tell without a flag whether the inverter is heard.
const INVERTER_SIGNS: &[Role] = &[
    Role::InverterFlag,
    Role::InverterAge,
    Role::InverterHeartbeat,
];

/// The supervision can be seen, is that of the inverter, and says what feeds it.
pub(super) fn inverter(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let Some(item) = &draft.inverter else { return };
    let inverter = &item.value;
    match inverter.flag.as_ref().map(|id| (id, flag_named(draft, id))) {
        Some((id, None)) => unknown(
            item.at("flag"),
            "inverter.flag".to_owned(),
            "flag",
            id,
            problems,
        ),
        Some((id, Some(flag))) if flag.class != Class::InverterSilent => {
            problems.add(
                item.at("flag"),
                format!(
                    "inverter.flag: expected a flag of class inverter-silent, \"{id}\" is {}",
                    flag.class
                ),
                "internal communication is not the inverter",
            );
        }
        None if !draft
            .points
            .iter()
            .any(|p| INVERTER_SIGNS.contains(&p.value.role)) =>
        {
            problems.add(item.at("flag"), "inverter.flag: expected a flag, or a point that shows the inverter's life, found neither", "add flag = \"...\", or a point with role inverter_flag, inverter_age or inverter_heartbeat");
            problems.only(Grade::Gap);
        }
        _ => {}
    }
    if inverter.fed_by == FedBy::Unknown && !draft.is_blank("inverter.fed_by") {
        problems.add(
            item.at("fed_by"),
            "inverter.fed_by: unknown, so every question is asked on your word only, and after it nothing is said of \
             the inverter",
            "how to find it out: docs/maps.md, \"What the unit takes for its inverter\"; else leave it",
        );
        problems.only(Grade::Note);
    }
    if inverter.fed_by == FedBy::ReadsOf && inverter.reads_of.is_empty() {
        problems.add(
            item.at("fed_by"),
            "inverter.reads_of: expected the ranges that count, found none",
            "add reads_of = [{ table = \"input\", from = 0, to = 9 }]",
        );
    }
    for span in inverter.reads_of.iter().filter(|span| span.from > span.to) {
        problems.add(
            item.at("reads_of"),
            format!(
                "inverter.reads_of: expected from <= to, found {} > {}",
                span.from, span.to
            ),
            "exchange them",
        );
    }
    if inverter.silence_s == 0 {
        problems.add(
            item.at("silence_s"),
            "inverter.silence_s: expected seconds, found 0",
            "give the silence time",
        );
    }
}

/// Packs at consecutive addresses stay inside the addresses there are.
pub(super) fn members(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    let (Some(item), Some(answering)) = (&draft.members, &draft.answering) else {
        return;
    };
    let last = u16::from(answering.value.unit) + u16::from(item.value.at_most).saturating_sub(1);
    if item.value.at_most == 0 || last > 247 {
        problems.add(
            item.at("at_most"),
            format!(
                "members.at_most: expected unit addresses from {} up to 247, found {} of them",
                answering.value.unit, item.value.at_most
            ),
            "give the most packs there can be",
        );
    }
    let most = [
        ("join_within_v", item.value.join_within_v, MOST_APART_V),
        (
            "join_within_percent",
            item.value.join_within_percent,
            MOST_APART_PERCENT,
        ),
    ];
    for (key, value, most) in most {
        if let Some(value) = value.filter(|value| !(0.0..=most).contains(value)) {
            problems.add(
                item.at(key),
                format!("members.{key}: expected 0 to {most}, found {value}"),
                "give what the maker's document allows before packs are joined",
            );
        }
    }
}

/// No maker lets packs of extra-low voltage join that are further apart, V and % points.
// Kind: invented (far beyond any sensible value)
const MOST_APART_V: f64 = 5.0;
const MOST_APART_PERCENT: f64 = 50.0;

/// Numbers of the unit's picture that come in pairs stand in order.
pub(super) fn picture(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    if let Some(item) = &draft.unit {
        if let Some([shortest, longest]) = item.value.precharge_s
            && !(0.0 < shortest && shortest <= longest)
        {
            problems.add(
                item.at("precharge_s"),
                format!(
                    "unit.precharge_s: expected [shortest, longest], found [{shortest}, {longest}]"
                ),
                "exchange them",
            );
        }
        if item.value.cells_per_module == 0 {
            problems.add(
                item.at("cells_per_module"),
                "unit.cells_per_module: expected 1 or more, found 0",
                "count the cells in series",
            );
        }
    }
    if let Some(item) = &draft.cell {
        let cell = &item.value;
        if cell.never_charge_below <= 0.0 {
            problems.add(
                item.at("never_charge_below"),
                format!(
                    "cell.never_charge_below: expected more than 0 V, found {}",
                    cell.never_charge_below
                ),
                "give the maker's absolute minimum of a cell",
            );
        }
        in_order(
            item.at("charge_from_c"),
            "cell.charge_from_c",
            cell.charge_from_c,
            cell.charge_to_c,
            problems,
        );
        reduced(&item.at("charge_reduced"), &cell.charge_reduced, problems);
        let lowest = draft
            .points
            .iter()
            .filter(|p| matches!(p.value.role, Role::CellVoltage | Role::CellVoltageMin));
        for point in lowest.filter(|p| {
            p.value
                .limits
                .alarm_below
                .is_some_and(|v| v < cell.never_charge_below)
        }) {
            problems.add(
                point.at("limits"),
                format!("point \"{}\", limits.alarm_below: expected at least cell.never_charge_below = {}", point.value.id, cell.never_charge_below),
                "the alarm comes before the absolute minimum",
            );
        }
    }
}

/// The curve of a reduced charge: temperatures rise, currents are none or more.
fn reduced(at: &Range<usize>, curve: &[[f64; 2]], problems: &mut Collector<'_>) {
    let rises = curve.windows(2).all(|pair| match pair {
        [[from, _], [to, _]] => from < to,
        _ => true,
    });
    let is_sound = curve
        .iter()
        .all(|[_, amps]| amps.is_finite() && *amps >= 0.0);
    if curve.len() == 1 || !rises || !is_sound {
        problems.add(
            at.clone(),
            "cell.charge_reduced: expected two or more [°C, A] with rising temperatures and no current below 0".to_owned(),
            "copy the curve of the maker's document, coldest first, or leave it out",
        );
    }
}

fn in_order(at: Range<usize>, place: &str, from: f64, to: f64, problems: &mut Collector<'_>) {
    if from > to {
        problems.add(
            at,
            format!("{place}: expected the lower end of the window, found {from} above {to}"),
            "exchange them",
        );
    }
}

/// Windows of temperature and firmware have a lower and an upper end.
pub(super) fn windows(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.storage_windows {
        in_order(
            item.at("from_c"),
            "storage_window.from_c",
            item.value.from_c,
            item.value.to_c,
            problems,
        );
    }
    if let Some(item) = &draft.ambient {
        in_order(
            item.at("from_c"),
            "ambient.from_c",
            item.value.from_c,
            item.value.to_c,
            problems,
        );
    }
    let Some(head) = &draft.head else { return };
    for (key, version) in [
        ("firmware_from", &head.value.firmware_from),
        ("firmware_below", &head.value.firmware_below),
    ] {
        if let Some(text) = version.as_ref().filter(|text| numbers(text).is_none()) {
            problems.add(
                head.at(key),
                format!("profile.{key}: expected numbers with dots, found \"{text}\""),
                "write it as 2.0",
            );
        }
    }
    let ends = head
        .value
        .firmware_from
        .as_deref()
        .and_then(numbers)
        .zip(head.value.firmware_below.as_deref().and_then(numbers));
    if ends.is_some_and(|(from, below)| from >= below) {
        problems.add(
            head.at("firmware_below"),
            "profile.firmware_below: expected a later edition than firmware_from",
            "the first edition it is not for any more",
        );
    }
}

/// A firmware edition as numbers.
fn numbers(text: &str) -> Option<Vec<u32>> {
    text.split('.').map(|part| part.parse().ok()).collect()
}

/// A pattern is on and off in turn, and does not take the name of a standard one.
pub(super) fn lamp_patterns(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.lamp_patterns {
        let cycle = &item.value.cycle_ms;
        if cycle.is_empty() || cycle.len() % 2 == 1 || cycle.contains(&0) {
            problems.add(
                item.at("cycle_ms"),
                format!("lamp_pattern \"{}\", cycle_ms: expected on and off times in turn, none of them 0, found {cycle:?}", item.value.id),
                "an even number of milliseconds",
            );
        }
        if STANDARD_PATTERNS.contains(&item.value.id.as_str()) {
            problems.add(
                item.at("id"),
                format!(
                    "lamp_pattern \"{}\": this name belongs to CiA 303-3",
                    item.value.id
                ),
                "give it a name of its own",
            );
        }
    }
}

/// A lamp code names lamps, patterns and flags that exist, and says when it is shown.
pub(super) fn lamp_codes(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in &draft.lamp_codes {
        let code = &item.value;
        let place = |key: &str| format!("lamp_code \"{}\", {key}", code.id);
        for (lamp, pattern) in &code.lamps {
            if !draft.lamps.iter().any(|l| l.value.id == *lamp) {
                unknown(item.at("lamps"), place("lamps"), "lamp", lamp, problems);
            }
            let own = draft.lamp_patterns.iter().any(|p| p.value.id == *pattern);
            if !own && !STANDARD_PATTERNS.contains(&pattern.as_str()) {
                unknown(
                    item.at("lamps"),
                    place("lamps"),
                    "lamp_pattern",
                    pattern,
                    problems,
                );
            }
        }
        for flag in code
            .flags
            .iter()
            .filter(|id| flag_named(draft, id).is_none())
        {
            unknown(item.at("flags"), place("flags"), "flag", flag, problems);
        }
        if code.lamps.is_empty() {
            problems.add(
                item.at("lamps"),
                format!(
                    "{}: expected a lamp and its pattern, found none",
                    place("lamps")
                ),
                "add lamps = { fault = \"on\" }",
            );
        }
        if code.flags.is_empty() && code.states.is_empty() && !code.any_alarm {
            problems.add(
                item.at("id"),
                format!("lamp_code \"{}\": expected flags, states or any_alarm, found none: it is never shown", code.id),
                "say when the unit shows it",
            );
        }
    }
}

/// Moments of a visit at which a step may stand.
const MOMENTS: &[&str] = &["before-power", "power-up", "with-inverter", "after"];

/// A step of a visit stands at a moment there is.
pub(super) fn manual_steps(draft: &Draft<'_>, problems: &mut Collector<'_>) {
    for item in draft
        .manual_steps
        .iter()
        .filter(|item| !MOMENTS.contains(&item.value.when.as_str()))
    {
        problems.add(
            item.at("when"),
            format!(
                "manual_step \"{}\", when: expected one of {}, found \"{}\"",
                item.value.id,
                MOMENTS.join(", "),
                item.value.when
            ),
            "choose one of them",
        );
    }
}
