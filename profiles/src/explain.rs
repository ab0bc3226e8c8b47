//! Says in words what a flag, point, lamp or lamp code of a profile means and what to do about it.
//!
//! Input: a profile and what was asked for. Output: plain text of at most 100 columns.
//!
//! Does not: judge a unit. What a flag means *for the verdict* is told by its class alone, so the
//! text can never promise more than the judge keeps.
//!
//! # Invariants
//! - Nothing but a class that may follow from a silent inverter is ever described as explained by it.

use std::fmt::Write as _;

use crate::lookup::near_matches;
use crate::meaning::{Class, Role};
use crate::model::{Base, Count, Flag, Gap, Lamp, LampCode, Point, Profile, Severity, Span};
pub use crate::words::{base_name, kind_name, table};
use crate::words::{clears, lies_in, severity};

/// Something in a profile that can be explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Subject<'p> {
    /// A bit or code.
    Flag(&'p Flag),
    /// Something that can be read.
    Point(&'p Point),
    /// One lamp.
    Lamp(&'p Lamp),
    /// What several lamps say together.
    LampCode(&'p LampCode),
}

/// Nothing in the profile has this id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{profile}: expected the id of a flag, point, lamp or lamp code, found \"{what}\"{}", meant(.near))]
pub struct UnknownSubject {
    /// Profile id.
    pub profile: String,
    /// What was asked for.
    pub what: String,
    /// Ids that are close to it.
    pub near: Vec<String>,
}

fn meant(near: &[String]) -> String {
    if near.is_empty() {
        String::new()
    } else {
        format!("; did you mean {}?", near.join(" or "))
    }
}

/// Everything that bears this id. A flag and a lamp code may share one.
///
/// # Errors
/// Where nothing bears it.
pub fn subjects<'p>(profile: &'p Profile, what: &str) -> Result<Vec<Subject<'p>>, UnknownSubject> {
    let mut found: Vec<Subject<'p>> = Vec::new();
    found.extend(profile.flag(what).map(Subject::Flag));
    found.extend(profile.point(what).map(Subject::Point));
    found.extend(profile.lamp(what).map(Subject::Lamp));
    found.extend(profile.lamp_code(what).map(Subject::LampCode));
    if !found.is_empty() {
        return Ok(found);
    }
    let flags = profile.flags.iter().map(|flag| flag.id.as_str());
    let points = profile.points.iter().map(|point| point.id.as_str());
    let lamps = profile.lamps.iter().map(|lamp| lamp.id.as_str());
    let codes = profile.lamp_codes.iter().map(|code| code.id.as_str());
    let near = near_matches(what, flags.chain(points).chain(lamps).chain(codes));
    Err(UnknownSubject {
        profile: profile.profile.id.clone(),
        what: what.to_owned(),
        near: near.into_iter().map(str::to_owned).collect(),
    })
}

/// Explains whatever bears this id, as text.
///
/// # Errors
/// Where nothing bears it.
pub fn explain(profile: &Profile, what: &str) -> Result<String, UnknownSubject> {
    let texts: Vec<String> = subjects(profile, what)?
        .into_iter()
        .map(|subject| match subject {
            Subject::Flag(flag) => explain_flag(profile, flag),
            Subject::Point(point) => explain_point(profile, point),
            Subject::Lamp(lamp) => explain_lamp(profile, lamp),
            Subject::LampCode(code) => explain_code(profile, code),
        })
        .collect();
    Ok(texts.join("\n"))
}

fn explain_flag(profile: &Profile, flag: &Flag) -> String {
    let mut page = Page::new(&format!("flag {} of {}", flag.id, profile.profile.id));
    page.line("meaning", &flag.meaning.clean());
    page.line("verdict", consequence(profile, flag));
    page.line(
        "severity",
        &format!("{} (class {})", severity(flag.severity), flag.class),
    );
    page.line("stands in", &place_of_flag(profile, flag));
    page.line("lies in", lies_in(flag.lies_in));
    page.line("do first", &flag.to_do.clean());
    page.line("clears", clears(flag.clears));
    page.line("brings along", &flag.brings.join(", "));
    page.line("brought by", &brought_by(profile, flag));
    page.line("hides", &hidden_by(profile, flag));
    page.line("lamps", &lamps_of_flag(profile, flag));
    if !flag.class.is_status() {
        page.line("caution", CAUTION);
    }
    page.text
}

const CAUTION: &str = "read and record everything before anything is switched off, restarted or reset. The unit holds \
                       hazardous voltage even when switched off: qualified persons, the maker's manual";

/// What the flag means for the verdict, by its class alone.
pub fn consequence(profile: &Profile, flag: &Flag) -> &'static str {
    let role = profile.point(&flag.point).map(|point| point.role);
    if flag.class == Class::InverterSilent {
        return "waiting for the inverter, or inverter lost, only if nothing else at all is wrong; a real fault can \
                stand beside it";
    }
    if flag.class.is_status() {
        return if flag.class.may_follow_inverter_silence() {
            "a consequence of something else; a silent inverter is one possible reason among others"
        } else {
            "a consequence of something else; a silent inverter never explains it"
        };
    }
    match (role, flag.severity) {
        (Some(Role::LatchedWord), _) => {
            "it was up at some time since the memory was cleared; a silent inverter never explains it"
        }
        (_, Severity::Alarm) if flag.class.is_condition() => {
            "not ready, a condition or an operator's action, if every other root is one too and all cells are \
             readable and above their absolute minimum; a silent inverter never explains it"
        }
        (_, Severity::Alarm) => "fault; a silent inverter never explains it",
        _ => "no fault by itself, but to be looked at; a silent inverter never explains it",
    }
}

fn place_of_flag(profile: &Profile, flag: &Flag) -> String {
    let place = profile
        .point(&flag.point)
        .map(|point| address(profile, point))
        .unwrap_or_default();
    match flag.bit {
        Some(bit) => format!(
            "{}, bit {bit}, meant when {} ({place})",
            flag.point, flag.active
        ),
        None => {
            let values: Vec<String> = flag.values.iter().map(u64::to_string).collect();
            format!("{} = {} ({place})", flag.point, values.join(" or "))
        }
    }
}

fn brought_by(profile: &Profile, flag: &Flag) -> String {
    let by: Vec<&str> = profile
        .flags
        .iter()
        .filter(|other| other.brings.contains(&flag.id))
        .map(|other| other.id.as_str())
        .collect();
    by.join(", ")
}

/// Flags that cannot be seen while this one is shown.
fn hidden_by(profile: &Profile, flag: &Flag) -> String {
    let hides = profile
        .point(&flag.point)
        .is_some_and(|point| point.hides_others);
    let Some(rank) = flag.rank.filter(|_| hides) else {
        return String::new();
    };
    let below: Vec<&str> = profile
        .flags_of(&flag.point)
        .filter(|other| other.rank.is_some_and(|r| r > rank))
        .map(|other| other.id.as_str())
        .collect();
    if below.is_empty() {
        "nothing: it is shown only when no other code is up".to_owned()
    } else {
        below.join(", ")
    }
}

fn lamps_of_flag(profile: &Profile, flag: &Flag) -> String {
    let alarm = flag.severity == Severity::Alarm
        && !flag.class.is_status()
        && flag.class != Class::InverterSilent;
    let active = profile
        .point(&flag.point)
        .is_some_and(|p| p.role != Role::LatchedWord);
    let shows =
        |code: &&LampCode| code.flags.contains(&flag.id) || (code.any_alarm && alarm && active);
    profile
        .lamp_codes
        .iter()
        .find(shows)
        .map(pattern)
        .unwrap_or_default()
}

fn explain_point(profile: &Profile, point: &Point) -> String {
    let mut page = Page::new(&format!("point {} of {}", point.id, profile.profile.id));
    page.line("name", &point.name.clean());
    page.line("role", point.role.id());
    page.line("stands in", &address(profile, point));
    page.line("repeats", &repetition(profile, point));
    page.line("type", &value_rule(point));
    page.line("limits", &limits(point));
    page.line("not judged", &unjudged(profile, point));
    if let Some(when) = &point.valid_when {
        page.line("valid when", &format!("{} is {:?}", when.point, when.is));
    }
    if point.hides_others {
        page.line(
            "beware",
            "names the most important fault only; what ranks lower counts as not read",
        );
    }
    if point.rotates {
        page.line(
            "beware",
            "shows one fault after another, so it must be read several times",
        );
    }
    if point.required {
        page.line("needed", "no clean verdict without it");
    }
    for value in &point.values {
        let state = value
            .state
            .map(|state| format!(" ({state})"))
            .unwrap_or_default();
        page.line(
            &format!("value {}", value.is),
            &format!("{}{state}", value.name.clean()),
        );
    }
    for flag in profile.flags_of(&point.id) {
        let label = match flag.bit {
            Some(bit) => format!("bit {bit}"),
            None => format!(
                "value {}",
                flag.values
                    .iter()
                    .map(u64::to_string)
                    .collect::<Vec<_>>()
                    .join(", ")
            ),
        };
        page.line(&label, &format!("{}: {}", flag.id, flag.meaning.clean()));
    }
    page.text
}

fn explain_lamp(profile: &Profile, lamp: &Lamp) -> String {
    let mut page = Page::new(&format!("lamp {} of {}", lamp.id, profile.profile.id));
    page.line("colour", &lamp.colour.clean());
    page.line("place", &lamp.place.clean());
    page.line("beware", DARK);
    for code in profile
        .lamp_codes
        .iter()
        .filter(|code| code.lamps.contains_key(&lamp.id))
    {
        let shown = code.lamps.get(&lamp.id).map_or("", String::as_str);
        page.line(shown, &format!("{}: {}", code.id, code.meaning.clean()));
    }
    page.text
}

const DARK: &str =
    "a dark lamp never means that the unit is sound, and never that it carries no voltage";

fn explain_code(profile: &Profile, code: &LampCode) -> String {
    let mut page = Page::new(&format!("lamp code {} of {}", code.id, profile.profile.id));
    page.line("lamps", &pattern(code));
    page.line("meaning", &code.meaning.clean());
    let mut when = code.flags.clone();
    if code.any_alarm {
        when.push("any alarm".to_owned());
    }
    when.extend(code.states.iter().map(|state| format!("state {state}")));
    page.line("shown when", &when.join(", "));
    let same: Vec<&str> = profile
        .lamp_codes
        .iter()
        .filter(|other| other.id != code.id && other.lamps == code.lamps)
        .map(|other| other.id.as_str())
        .collect();
    page.line("same picture", &same.join(", "));
    if !same.is_empty() {
        page.line(
            "beware",
            "the lamps alone cannot tell these apart; only the registers can",
        );
    }
    page.text
}

fn pattern(code: &LampCode) -> String {
    let lamps: Vec<String> = code
        .lamps
        .iter()
        .map(|(lamp, pattern)| format!("{lamp} {pattern}"))
        .collect();
    lamps.join(", ")
}

/// The register map as one page: spans, then every point with its place, type, unit and role.
pub fn overview(profile: &Profile) -> String {
    heading(profile) + "\n" + &point_table(profile)
}

fn heading(profile: &Profile) -> String {
    let head = &profile.profile;
    let answering = &profile.answering;
    let functions: Vec<String> = answering
        .functions
        .iter()
        .map(|code| format!("{code:02X}"))
        .collect();
    let mut page = Page::new(&format!("{}: {}", head.id, head.title.clean()));
    page.line(
        "document",
        &format!(
            "{}, revision {}",
            head.document.clean(),
            head.revision.clean()
        ),
    );
    let verified = if head.verified_on_hardware {
        "yes"
    } else {
        "no, never compared with a real unit"
    };
    page.line("on hardware", verified);
    page.line("firmware", &firmware_range(profile));
    page.line("notes", &head.notes.clean());
    page.line(
        "line",
        &format!(
            "{}, unit address {}, functions {} (hex)",
            answering.line,
            answering.unit,
            functions.join(" ")
        ),
    );
    let pause = answering.pause_ms.filter(|ms| *ms > 0);
    let pause = pause.map_or_else(String::new, |ms| format!(", {ms} ms between two questions"));
    page.line(
        "answers",
        &format!(
            "after {} ms, at the latest {} ms{pause}",
            answering.answer_time_ms, answering.time_out_ms
        ),
    );
    if let Some(cell) = profile
        .cell
        .as_ref()
        .filter(|c| !c.charge_reduced.is_empty())
    {
        let of = |[celsius, amps]: &[f64; 2]| format!("{amps} A at {celsius} °C");
        let curve: Vec<String> = cell.charge_reduced.iter().map(of).collect();
        page.line("reduced charge", &curve.join(", "));
    }
    let inverter = &profile.inverter;
    page.line(
        "inverter",
        &format!("silent after {} s; {}", inverter.silence_s, fed_by(profile)),
    );
    let lost = &profile.clears_when_read;
    let readable = profile.spans.iter().filter(|span| !lost.contains(span));
    page.line("may be read", &ranges(readable));
    page.line("never read", &ranges(lost));
    page.text
}

fn ranges<'s>(spans: impl IntoIterator<Item = &'s Span>) -> String {
    spans.into_iter().map(span).collect::<Vec<_>>().join(", ")
}

fn point_table(profile: &Profile) -> String {
    let mut text = format!(
        "  {:<22} {:<18} {:<7} {:<5} role\n",
        "point", "registers, from 0", "type", "unit"
    );
    for point in &profile.points {
        let needed = if point.required { " *" } else { "" };
        let place = format!(
            "{}{}",
            address(profile, point),
            short_repeat(profile, point)
        );
        let kind = kind_name(point.kind);
        let _ = writeln!(
            text,
            "  {:<22} {place:<18} {kind:<7} {:<5} {}{needed}",
            point.id,
            point.unit.clean(),
            point.role
        );
    }
    let _ = writeln!(
        text,
        "\n  * needed for a clean verdict. {} points, {} flags, {} lamp codes.",
        profile.points.len(),
        profile.flags.len(),
        profile.lamp_codes.len()
    );
    text
}

fn firmware_range(profile: &Profile) -> String {
    match (
        &profile.profile.firmware_from,
        &profile.profile.firmware_below,
    ) {
        (Some(from), Some(below)) => format!("from {from}, below {below}"),
        (Some(from), None) => format!("from {from}"),
        (None, Some(below)) => format!("below {below}"),
        (None, None) => String::new(),
    }
}

fn fed_by(profile: &Profile) -> &'static str {
    use crate::model::FedBy;
    match profile.inverter.fed_by {
        FedBy::AnyRequest => "any valid question feeds it, ours as well: asking may wake the unit",
        FedBy::ReadsOf => {
            "reads of certain registers feed it, ours as well: asking may wake the unit"
        }
        FedBy::Writes => "only what the inverter writes feeds it, not our reads",
        FedBy::OtherPort => "only another socket feeds it, not our reads",
        FedBy::Unknown => "what feeds it is not known: asking may wake the unit",
    }
}

/// A range as printed.
fn span(span: &Span) -> String {
    format!(
        "{} {}{}-{}",
        table(span.table),
        base(span.base),
        span.from,
        span.to
    )
}

fn base(base: Base) -> String {
    match base {
        Base::Absolute => String::new(),
        Base::Model(id) => format!("model {id} + "),
    }
}

/// Registers of the first instance, `input 64` or `holding 4-11`.
pub fn address(profile: &Profile, point: &Point) -> String {
    let group = point.group.as_ref().and_then(|id| profile.group(id));
    let start = group.and_then(|group| group.start(0)).unwrap_or_default();
    let first = u64::from(point.address) + start;
    let last = first + u64::from(point.width().max(1)) - 1;
    let origin = base(group.map_or(point.base, |group| group.base));
    let table = profile.table_of(point).map_or("?", table);
    if first == last {
        format!("{table} {origin}{first}")
    } else {
        format!("{table} {origin}{first}-{last}")
    }
}

fn short_repeat(profile: &Profile, point: &Point) -> String {
    let group = point
        .group
        .as_ref()
        .and_then(|id| profile.group(id))
        .map(|g| times(&g.count));
    let own = point.repeat.as_ref().map(|r| times(&r.count));
    group
        .into_iter()
        .chain(own)
        .map(|n| format!(" x{n}"))
        .collect()
}

fn times(count: &Count) -> String {
    match count {
        Count::Fixed(n) => n.to_string(),
        Count::Each(_) | Count::Named(_) => "n".to_owned(),
    }
}

fn repetition(profile: &Profile, point: &Point) -> String {
    let mut parts = Vec::new();
    if let Some(group) = point.group.as_ref().and_then(|id| profile.group(id)) {
        let every = match group.starts.as_slice() {
            [] => format!("every {} registers", group.stride),
            starts => format!("at {}", listed(starts)),
        };
        parts.push(format!(
            "{} {} times, {every}, at most {}",
            group.id,
            spelled(&group.count),
            group.at_most
        ));
    }
    if let Some(repeat) = &point.repeat {
        parts.push(format!(
            "{} {} times, every {} registers",
            repeat.name.clean(),
            spelled(&repeat.count),
            repeat.stride
        ));
    }
    parts.join("; ")
}

fn spelled(count: &Count) -> String {
    match count {
        Count::Fixed(n) => n.to_string(),
        Count::Each(counts) => listed(counts),
        Count::Named(name) => format!("({name})"),
    }
}

/// Numbers one after the other, `40278, 40310`.
fn listed(numbers: &[u16]) -> String {
    let numbers: Vec<String> = numbers.iter().map(u16::to_string).collect();
    numbers.join(", ")
}

fn value_rule(point: &Point) -> String {
    let mut text = kind_name(point.kind).to_owned();
    if let Some([from, to]) = point.bits {
        let _ = write!(text, ", bits {from} to {to}");
    }
    let (scale, offset) = (point.scale.value(), point.offset.value());
    if (scale - 1.0).abs() > f64::EPSILON || offset != 0.0 {
        let _ = write!(text, ", raw x {scale}");
    }
    if offset != 0.0 {
        let _ = write!(text, " + {offset}");
    }
    if let Some(other) = &point.scale_point {
        let _ = write!(text, ", x 10 to the power of {other}");
    }
    if !point.unit.is_empty() {
        let _ = write!(text, ", in {}", point.unit.clean());
    }
    for raw in &point.not_available {
        let _ = write!(text, ", 0x{raw:x} = not available");
    }
    for raw in &point.rail {
        let _ = write!(text, ", 0x{raw:x} = sensor off scale");
    }
    text
}

/// The ends at which the map gives no limit, and what judges there in its place.
fn unjudged(profile: &Profile, point: &Point) -> String {
    let ends = profile.gaps.iter().filter_map(|gap| match gap {
        Gap::Limit {
            point: index,
            above,
            floor,
        } if profile.points.get(*index).is_some_and(|p| p.id == point.id) => {
            let end = if *above { "above" } else { "below" };
            Some(match floor {
                Some(limit) => format!(
                    "{end}: the map gives no limit, {limit} is what the chemistry bears at all"
                ),
                None => format!("{end}: the map gives no limit"),
            })
        }
        _ => None,
    });
    ends.collect::<Vec<_>>().join(", ")
}

fn limits(point: &Point) -> String {
    let limits = &point.limits;
    let named = [
        ("alarm below", limits.alarm_below),
        ("warning below", limits.warn_below),
        ("warning above", limits.warn_above),
        ("alarm above", limits.alarm_above),
        ("spread at rest", limits.spread),
    ];
    let mut parts: Vec<String> = named
        .into_iter()
        .filter_map(|(name, value)| value.map(|v| format!("{name} {v}")))
        .collect();
    if let Some([lowest, highest]) = limits.possible {
        parts.push(format!("impossible outside {lowest} to {highest}"));
    }
    parts.join(", ")
}

/// A heading and labelled lines, wrapped at 100 columns; empty entries are left out.
struct Page {
    text: String,
}

const COLUMNS: usize = 100;
const LABEL: usize = 15;

impl Page {
    fn new(heading: &str) -> Self {
        Self {
            text: format!("{heading}\n"),
        }
    }

    fn line(&mut self, label: &str, content: &str) {
        if content.trim().is_empty() {
            return;
        }
        let mut line = format!("  {label:<w$}", w = LABEL - 2);
        let mut fresh = true;
        for word in content.split_whitespace() {
            if !fresh && line.chars().count() + 1 + word.chars().count() > COLUMNS {
                let _ = writeln!(self.text, "{line}");
                line = " ".repeat(LABEL);
                fresh = true;
            }
            if !fresh || !line.ends_with(' ') {
                line.push(' ');
            }
            line.push_str(word);
            fresh = false;
        }
        let _ = writeln!(self.text, "{line}");
    }
}
