//! What `watch` tells: a line per change, JSON, or a view that updates in place; the last verdict at
//! the end.
//!
//! Everything follows from the events and the judgements given, so that a recording gives the very
//! same words. JSON, one object per line: `start`; per round first its `change`s (`about` is one of
//! `verdict`, `state`, `finding`, `link`), then `look` with verdict and numbers; last `end` with
//! `result`, an object as `check` gives it. `time` is local with its offset (RFC 3339), null where no wall clock
//! is known.
//!
//! Does not: judge.

use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::time::Duration;

use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp, ZonedDateTime as Zoned};
use packside_profiles::{Profile, Role};

use super::super::out;
use super::super::reach::LoadedProfile;
use super::super::record::Saved;
use crate::event::{Event, LinkFacts, What};
use crate::facts::{Finding, Judgement, Reading};
use crate::show::json::watch::{Line, Number};
use crate::show::json::{self, Check};
use crate::show::screen;
use crate::words;

/// Changes shown in the view.
const RECENT: usize = 12;
/// Packs and their numbers shown in the view.
const ROWS: usize = 28;
/// Values kept of a number, and how long.
const KEPT: usize = 32;
const WINDOW: Duration = Duration::from_secs(120);

/// Something that is otherwise than it was.
struct WatchChange {
    at: Duration,
    about: &'static str,
    id: &'static str,
    text: String,
}

fn print(line: &Line) {
    out::result(&json::line(line));
}

/// Tells a session.
pub(super) struct Teller<'a> {
    loaded: &'a LoadedProfile,
    as_json: bool,
    colour: bool,
    /// Updates in place instead of printing lines.
    pub(super) in_place: bool,
    /// Local time less UTC.
    offset: Offset,
    /// The wall clock as last noted, and when.
    clock: Option<(Duration, Timestamp)>,
    /// The last judgement told.
    pub(super) last: Option<Judgement>,
    facts: Option<LinkFacts>,
    was_asking: bool,
    /// How often the link was lost since something came over it.
    losses: u32,
    recent: VecDeque<String>,
    numbers: BTreeMap<(u8, usize), VecDeque<(Duration, f64)>>,
    drawn: usize,
}

impl<'a> Teller<'a> {
    /// `offset_minutes` is local time less UTC.
    pub(super) fn new(
        loaded: &'a LoadedProfile,
        as_json: bool,
        colour: bool,
        in_place: bool,
        offset_minutes: i32,
    ) -> Self {
        let offset = Offset::from_seconds(offset_minutes.saturating_mul(60));
        Self {
            loaded,
            as_json,
            colour,
            in_place,
            offset: offset.unwrap_or(Offset::UTC),
            clock: None,
            last: None,
            facts: None,
            was_asking: false,
            losses: 0,
            recent: VecDeque::new(),
            numbers: BTreeMap::new(),
            drawn: 0,
        }
    }

    /// Takes what happened since the last time, and what all of it means.
    pub(super) fn take(&mut self, events: &[Event], judgement: Judgement) {
        let mut changes = self.link_changes(events);
        if self.last.is_none() {
            self.begin();
        }
        changes.extend(changes_between(self.last.as_ref(), &judgement));
        for change in changes {
            self.tell(&change);
        }
        for (key, number) in numbers(&judgement) {
            let kept = self.numbers.entry(key).or_default();
            kept.push_back((judgement.moment, number));
            let is_old = |(at, _): &(Duration, f64)| *at + WINDOW < judgement.moment;
            while kept.len() > KEPT || kept.front().is_some_and(is_old) {
                kept.pop_front();
            }
        }
        if self.as_json {
            self.look_object(&judgement);
        } else if self.in_place {
            let view = self.view(&judgement);
            self.drawn = out::redraw(&view, self.drawn);
        }
        self.last = Some(judgement);
    }

    /// The register map.
    pub(super) fn profile(&self) -> &'a Profile {
        &self.loaded.profile
    }

    /// The end: the last verdict in full, and the next command.
    pub(super) fn end(&mut self, saved: Option<&Saved>, command: &str) {
        let Some(last) = &self.last else { return };
        let (profile, facts) = (&self.loaded.profile, self.facts.as_ref());
        if self.as_json {
            let map = (profile, self.loaded.sha256.as_str());
            let mut result = Check::of(last, Some(map), facts);
            result.saved = saved.map(|saved| packside_profiles::shown(&saved.path));
            let time = self.stamp(last.moment);
            return print(&Line::end(last.moment, time, result));
        }
        if self.in_place {
            out::redraw("", self.drawn);
            let recent = self.recent.iter().map(String::as_str);
            out::result(&recent.collect::<String>());
        }
        let name = saved.map(Saved::name);
        let around = screen::Around {
            colour: self.colour,
            kept: name.as_deref(),
            command,
        };
        let screen = screen::glance(last, Some(profile), facts, &around);
        out::result(&format!("\n{screen}"));
    }

    fn begin(&self) {
        let map = &self.loaded.profile.profile.id;
        if self.as_json {
            let facts = self.facts.as_ref();
            let link = facts.map(|facts| (facts, screen::link_text(facts)));
            print(&Line::start(map, &self.loaded.sha256, link));
        } else if !self.in_place {
            let link = self.facts.as_ref().map(screen::link_text);
            let link = link.unwrap_or_default();
            let text = format!("{link} · map {map} · a line for each change");
            let mut head = String::new();
            screen::wrap(&mut head, &text, "WATCHING ", "    ");
            out::result(&head);
        }
    }

    /// What the link did, and the clock beside it.
    fn link_changes(&mut self, events: &[Event]) -> Vec<WatchChange> {
        let mut changes = Vec::new();
        for event in events {
            let (id, text) = match &event.what {
                What::Opened(facts) => {
                    self.facts = Some(facts.clone());
                    continue;
                }
                What::Clock(utc) => {
                    self.clock = utc.parse().ok().map(|utc| (event.at, utc));
                    continue;
                }
                // Lost again without a byte between is no news.
                What::Lost { why } => {
                    self.losses += 1;
                    if self.losses > 1 {
                        continue;
                    }
                    ("lost", format!("link lost: {}", why.clean()))
                }
                What::Back if self.losses == 1 => ("back", "link is back".to_owned()),
                What::In(_) if self.losses > 0 => {
                    let losses = std::mem::take(&mut self.losses);
                    if losses == 1 {
                        continue;
                    }
                    (
                        "back",
                        format!("link is back, after it was lost {losses} times"),
                    )
                }
                // That the link is lost was said.
                What::Listening(_) if self.losses > 0 => continue,
                What::Listening(true) if self.was_asking => (
                    "listening",
                    "not asking any more, only listening".to_owned(),
                ),
                What::Listening(false) if self.last.is_some() => {
                    ("asking", "asking again".to_owned())
                }
                _ => continue,
            };
            changes.push(WatchChange {
                at: event.at,
                about: "link",
                id,
                text,
            });
        }
        let asks = events.iter().rev().find_map(|event| match event.what {
            What::Listening(listens) => Some(!listens),
            _ => None,
        });
        self.was_asking = asks.unwrap_or(self.was_asking);
        changes
    }

    /// Local time of a moment, where the wall clock is known.
    fn local(&self, at: Duration) -> Option<Zoned> {
        let (noted, utc) = self.clock?;
        let since = SignedDuration::try_from(at).ok()? - SignedDuration::try_from(noted).ok()?;
        let utc = utc.checked_add(since).ok()?;
        Some(utc.to_zoned_datetime(TimeZone::fixed(self.offset)))
    }

    /// The same by RFC 3339.
    fn stamp(&self, at: Duration) -> Option<String> {
        let local = self.local(at)?;
        Some(local.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string())
    }

    fn tell(&mut self, change: &WatchChange) {
        if self.as_json {
            let time = self.stamp(change.at);
            let WatchChange {
                at,
                about,
                id,
                text,
            } = change;
            return print(&Line::change(*at, time, about, id, text));
        }
        let time = self.local(change.at).map_or_else(
            || format!("{:>6.0} s", change.at.as_secs_f64()),
            |local| local.strftime("%H:%M:%S").to_string(),
        );
        let lead = format!("{time}  {:<8} ", change.about);
        let mut text = String::new();
        let rest = " ".repeat(lead.chars().count());
        screen::wrap(&mut text, &change.text, &lead, &rest);
        if !self.in_place {
            return out::result(&text);
        }
        self.recent.push_back(text);
        let surplus = self.recent.len().saturating_sub(RECENT);
        self.recent.drain(..surplus);
    }

    fn look_object(&self, judgement: &Judgement) {
        let number = |((unit, row), value): ((u8, usize), f64)| {
            let (name, value_unit, ..) = FOLLOWED.get(row)?;
            Some(Number {
                unit,
                name,
                value,
                value_unit,
            })
        };
        let numbers = numbers(judgement).into_iter().filter_map(number);
        let time = self.stamp(judgement.moment);
        print(&Line::look(judgement, time, numbers.collect()));
    }

    /// Verdict, next step, numbers, changes.
    fn view(&self, judgement: &Judgement) -> String {
        let mut out = String::new();
        let link = self.facts.as_ref().map(screen::link_text);
        let seconds = judgement.moment.as_secs();
        let _ = writeln!(
            out,
            "WATCHING {}:{:02}:{:02}  {} · only reading · q ends\n",
            seconds / 3600,
            seconds / 60 % 60,
            seconds % 60,
            link.unwrap_or_default()
        );
        screen::headline(&mut out, "", judgement, self.colour);
        if let Some(next) = judgement.verdict.next.first() {
            screen::wrap(
                &mut out,
                &words::next_step(judgement, next),
                "  next: ",
                "  ",
            );
        }
        for member in &judgement.identity.members {
            let state = member
                .state
                .as_ref()
                .map_or("not read", |state| &state.name);
            let _ = writeln!(out, "\n  address {:<3} state {state}", member.unit);
            let mine = self
                .numbers
                .iter()
                .filter(|((unit, _), _)| *unit == member.unit);
            for ((_, row), values) in mine {
                let _ = writeln!(out, "{}", number_line(*row, values, judgement.moment));
            }
        }
        let mut lines: Vec<&str> = out.lines().take(ROWS).collect();
        lines.extend(["", "What changed, newest first"]);
        lines.extend(self.recent.iter().rev().flat_map(|change| change.lines()));
        lines.join("\n")
    }
}

/// A number that is followed: name, unit, digits; which of the readings of a role it is.
type FollowedRow = (&'static str, &'static str, usize, Role, Pick);

/// All of them, in the order of the view.
const FOLLOWED: [FollowedRow; 9] = [
    ("pack", "V", 1, Role::PackVoltage, Pick::First),
    ("terminals", "V", 1, Role::TerminalVoltage, Pick::First),
    ("current", "A", 1, Role::PackCurrent, Pick::First),
    ("charge", "%", 1, Role::Soc, Pick::First),
    ("lowest cell", "V", 3, Role::CellVoltage, Pick::Lowest),
    ("highest cell", "V", 3, Role::CellVoltage, Pick::Highest),
    ("coldest", "°C", 1, Role::CellTemperature, Pick::Lowest),
    ("warmest", "°C", 1, Role::CellTemperature, Pick::Highest),
    ("inverter heard", "s ago", 0, Role::InverterAge, Pick::First),
];

/// Which of several readings.
#[derive(Clone, Copy)]
enum Pick {
    First,
    Lowest,
    Highest,
}

/// The good numbers of each pack, by unit address and row.
fn numbers(judgement: &Judgement) -> Vec<((u8, usize), f64)> {
    let mut all = Vec::new();
    for member in &judgement.identity.members {
        for (row, (.., role, pick)) in FOLLOWED.iter().enumerate() {
            let mine = judgement.readings.iter();
            let mine = mine.filter(|r| r.unit == member.unit && r.role == *role);
            let mut values = mine.filter_map(Reading::number);
            let value = match pick {
                Pick::First => values.next(),
                Pick::Lowest => values.min_by(f64::total_cmp),
                Pick::Highest => values.max_by(f64::total_cmp),
            };
            all.extend(value.map(|value| ((member.unit, row), value)));
        }
    }
    all
}

/// One number: now, its course, and by how much it went where.
fn number_line(row: usize, values: &VecDeque<(Duration, f64)>, now: Duration) -> String {
    let (Some((name, unit, digits, ..)), Some((at, value))) =
        (FOLLOWED.get(row).copied(), values.back().copied())
    else {
        return String::new();
    };
    let since = values.front().map_or(at, |(first, _)| *first);
    let step = value - values.front().map_or(value, |(_, first)| *first);
    let course = course(values);
    let shown = format!("{value:.digits$} {unit}");
    let span = at.saturating_sub(since).as_secs();
    let moved = if span == 0 {
        String::new()
    } else {
        format!("{step:+.digits$} in {span} s")
    };
    let old = if at < now { "  not read this time" } else { "" };
    format!(
        "    {name:<15} {shown:>12}  {course:<width$}  {moved}{old}",
        width = KEPT
    )
}

/// The course of a number between its own lowest and highest value.
fn course(values: &VecDeque<(Duration, f64)>) -> String {
    const HEIGHTS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let all = || values.iter().map(|(_, value)| *value);
    let low = all().min_by(f64::total_cmp).unwrap_or_default();
    let high = all().max_by(f64::total_cmp).unwrap_or_default();
    let height = |value: f64| {
        if high <= low {
            return '─';
        }
        let eighth = ((value - low) / (high - low) * 8.0).floor();
        let place = (0..7).take_while(|n| f64::from(*n) < eighth).count();
        HEIGHTS.get(place).copied().unwrap_or('█')
    };
    all().map(height).collect()
}

/// As much of an event of a recording as is told: that bytes came, but not which.
pub(super) fn without_bytes(event: Event) -> Option<Event> {
    let what = match event.what {
        What::In(_) => What::In(Vec::new()),
        What::Out(_) | What::Asked { .. } | What::DeadlinePassed { .. } => return None,
        what => what,
    };
    Some(Event { at: event.at, what })
}

/// What two judgements differ in, most important first.
fn changes_between(before: Option<&Judgement>, now: &Judgement) -> Vec<WatchChange> {
    let mut changes = Vec::new();
    let mut add = |about, id, text| {
        changes.push(WatchChange {
            at: now.moment,
            about,
            id,
            text,
        });
    };
    let verdict = &now.verdict;
    let same = |before: &Judgement| {
        before.verdict.kind == verdict.kind && before.verdict.headline.is_like(&verdict.headline)
    };
    if !before.is_some_and(same) {
        let text = format!("{}  {}", screen::title(verdict.kind), words::summary(now));
        add("verdict", verdict.kind.id(), text);
    }
    for unit in before.map_or_else(Vec::new, |before| restarted(before, now)) {
        let text = format!("address {unit}: started anew, its uptime went back");
        add("state", "restarted", text);
    }
    for member in &now.identity.members {
        let Some(state) = &member.state else {
            continue;
        };
        let earlier = before.and_then(|before| {
            let member = before
                .identity
                .members
                .iter()
                .find(|m| m.unit == member.unit)?;
            member.state.as_ref()
        });
        match earlier {
            Some(earlier) if earlier.code == state.code => {}
            Some(earlier) => {
                let text = format!("address {}: {} → {}", member.unit, earlier.name, state.name);
                add("state", state.kind.id(), text);
            }
            None => add(
                "state",
                state.kind.id(),
                format!("address {}: {}", member.unit, state.name),
            ),
        }
    }
    let none = Vec::new();
    let earlier = before.map_or(&none, |before| &before.findings);
    let is_rack = now.identity.members.len() > 1;
    let mut tell = |word, judgement: &Judgement, finding: &Finding| {
        let unit = match is_rack {
            true => format!("address {}, ", finding.unit),
            false => String::new(),
        };
        let text = words::of_finding(judgement, finding);
        let text = format!("{word} {unit}{}: {text}", finding.id);
        add("finding", finding.id, text);
    };
    missing_in(&now.findings, earlier).for_each(|finding| tell("NEW", now, finding));
    let before = before.unwrap_or(now);
    missing_in(earlier, &now.findings).for_each(|f| tell("gone, it was", before, f));
    changes
}

/// Units whose uptime went back.
fn restarted(before: &Judgement, now: &Judgement) -> Vec<u8> {
    let uptimes = |judgement: &Judgement| -> Vec<(u8, f64)> {
        let readings = judgement.readings.iter();
        let uptimes = readings.filter(|reading| reading.role == Role::Uptime);
        uptimes
            .filter_map(|r| Some((r.unit, r.number()?)))
            .collect()
    };
    let earlier = uptimes(before);
    let went_back = |(unit, now): &(u8, f64)| {
        let before = earlier.iter().find(|(other, _)| other == unit);
        before.is_some_and(|(_, before)| now < before)
    };
    let mut units = uptimes(now);
    units.retain(went_back);
    units.into_iter().map(|(unit, _)| unit).collect()
}

/// Those findings that have no like among the others.
fn missing_in<'f>(
    findings: &'f [Finding],
    others: &'f [Finding],
) -> impl Iterator<Item = &'f Finding> {
    findings
        .iter()
        .filter(move |finding| !others.iter().any(|other| other.key() == finding.key()))
}
