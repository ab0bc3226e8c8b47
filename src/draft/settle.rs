//! What a person at the unit knows of a draft: which question gains most, and what an answer excludes.
//!
//! Input: a draft, the words that its registers held last, answers. Output: questions with what they gain, and of
//! each point the readings that are left. Does not: ask anybody, or change a draft.
//!
//! # Why an answer excludes and never corrects
//! A person reads another meter, at another moment. What lies far from it cannot be meant, what lies near it may. Where
//! nothing is near, draft and answer contradict each other, and both are shown.

use packside_profiles::model::{Footing, Key, Point, Positive, Profile, Witness};
use packside_profiles::{Known, Layout, Role};

use super::ways::{Held, Way, between, number, possible, ways};
use crate::physics::{Images, Shift};

/// Most questions that are put.
pub const MOST_QUESTIONS: usize = 5;

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Question {
    /// Amperes on the inverter's screen, charging above zero.
    Amperes,
    /// Volts of the battery on the inverter's screen.
    Volts,
    /// Which voltage is dead while the switches are open.
    DeadVoltage,
    /// State of charge on a screen, %.
    Charge,
    /// Temperature of the room, degC.
    Room,
    /// Minutes since the unit was powered up.
    PoweredUp,
}

impl Question {
    /// All of them; of two that gain the same, the first is asked first.
    pub const ALL: [Self; 6] = [
        Self::Amperes,
        Self::Volts,
        Self::DeadVoltage,
        Self::Charge,
        Self::Room,
        Self::PoweredUp,
    ];

    /// Stable name, also in answers files.
    pub fn id(self) -> &'static str {
        match self {
            Self::Amperes => "amperes",
            Self::Volts => "volts",
            Self::DeadVoltage => "dead-voltage",
            Self::Charge => "charge",
            Self::Room => "room",
            Self::PoweredUp => "powered-up",
        }
    }

    /// Roles about which it tells something.
    fn roles(self) -> &'static [Role] {
        match self {
            Self::Amperes => &[Role::PackCurrent, Role::PackPower],
            Self::Volts => &[Role::PackVoltage, Role::TerminalVoltage],
            Self::DeadVoltage => &[Role::TerminalVoltage],
            Self::Charge => &[Role::Soc],
            Self::Room => &[
                Role::CellTemperature,
                Role::CellTemperatureMax,
                Role::CellTemperatureMin,
            ],
            Self::PoweredUp => &[Role::Uptime],
        }
    }
}

/// An answer.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// To a question about a number.
    Number(Question, f64),
    /// The id of the point that is dead while the switches are open.
    Dead(String),
}

/// How an answer and a point go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bearing {
    /// One reading is left, and the answer is near its number.
    Shown,
    /// One reading is left, since the others are excluded.
    Left,
    /// Some are excluded, several are left.
    Fewer,
    /// No reading is near the answer.
    Contradicted,
}

/// What became of a point.
#[derive(Debug, Clone, PartialEq)]
pub struct Settled {
    /// Index of the point.
    pub point: usize,
    /// What settled it; none where the place of another point did.
    pub by: Option<Question>,
    /// How.
    pub bearing: Bearing,
    /// The way in which the draft has it.
    pub old: Way,
    /// The ways that are left, the best first; where it is contradicted, as before.
    pub left: Vec<Way>,
    /// What the first of them reads, in the unit of its role.
    pub reads: Option<f64>,
}

impl Settled {
    /// Keys still in doubt: those in which the ways differ, and those about which no way says anything.
    pub fn open(&self, point: &Point) -> Vec<Key> {
        let before = point.draft.as_ref().map_or(&[][..], |draft| &draft.open);
        let told = [
            Key::Role,
            Key::Type,
            Key::Order,
            Key::Scale,
            Key::Offset,
            Key::Positive,
        ];
        let had = ways(point);
        // Where it begins no way says, so that none says how wide it is either.
        let is_placed = !before.contains(&Key::Address);
        let is_told = |key: &Key| {
            told.contains(key) && between(&had).contains(key) && (is_placed || *key != Key::Type)
        };
        // What stands as nothing in particular is what all of its rivals are, if each of them is something.
        let named = self.left.first().map(|way| way.role);
        let rivals = point.draft.iter().flat_map(|draft| &draft.rivals);
        let mut roles = rivals.map(|rival| rival.role.unwrap_or(point.role));
        let is_named = point.role == Role::Other
            && named != Some(Role::Other)
            && roles.all(|role| role != Role::Other);
        let mut open = between(&self.left);
        for key in before {
            let is_width =
                matches!(key, Key::Type | Key::Address) && self.needs_one_register(point);
            if *key == Key::Role && is_named || is_width {
                continue;
            }
            if !is_told(key) && !open.contains(key) {
                open.push(*key);
            }
        }
        open
    }

    /// Whether what was learnt leaves nothing in doubt but whether the word beside it belongs to it, and its steps say that
    /// it does not: nobody takes two registers for steps of 0.1 V or 0.1 A (common practice), as one holds 3,276.
    fn needs_one_register(&self, point: &Point) -> bool {
        let evidence = point.draft.iter().flat_map(|draft| &draft.evidence);
        let is_learnt = evidence.map(|one| one.by).any(|by| by == Witness::Line);
        let is_coarse = |way: &Way| {
            let role = matches!(
                way.role,
                Role::PackCurrent | Role::PackVoltage | Role::TerminalVoltage
            );
            role && way.reading.width() == Some(1) && way.reading.scale >= 0.1
        };
        is_learnt && self.left.len() == 1 && self.left.iter().all(is_coarse)
    }

    /// How well the point is known now.
    pub fn grade(&self, point: &Point) -> Footing {
        let open = self.open(point);
        let is_as_before = self.left.first() == Some(&self.old);
        let beyond = |key: &Key| !between(&self.left).contains(key);
        let before = point.draft.as_ref().map_or(&[][..], |draft| &draft.open);
        match (open.is_empty(), self.bearing) {
            // Of what no way tells, none of them need be right.
            (false, _) if self.left.len() < 2 || open.iter().any(beyond) => Footing::Open,
            (false, _) => Footing::Narrowed,
            (true, Bearing::Left) if is_as_before => Footing::AsDocumentSays,
            // A number near an answer shows its decade, not what it is the number of.
            (true, _) if before.contains(&Key::Role) => Footing::AsDocumentSays,
            (true, _) => Footing::Checked,
        }
    }
}

/// The words that a draft itself says its registers held last.
pub fn held(profile: &Profile) -> Held {
    let mut all = Held::new();
    for point in &profile.points {
        let evidence = point.draft.iter().flat_map(|draft| &draft.evidence);
        let words = evidence
            .map(|one| &one.words)
            .rfind(|words| !words.is_empty());
        if let Some(words) = words {
            all.insert(point.id.clone(), words.clone());
        }
    }
    all
}

/// The words that registers held last in images, where a draft lies there.
pub fn held_in(profile: &Profile, images: &Images, shift: Shift) -> Held {
    let layout = Layout::new(profile, &Known::default());
    let mut all = Held::new();
    for (index, point) in profile.points.iter().enumerate() {
        let first = layout.instances.iter().find(|one| one.point == index);
        let first = first.and_then(|one| shift.of(one.table, one.address));
        let registers = (0..point.width()).map(|further| first?.plus(further));
        let rows = registers.map(|register| images.row(register?));
        let Some(rows) = rows.collect::<Option<Vec<_>>>() else {
            continue;
        };
        let last = (0..images.count()).rev().find_map(|image| {
            let words = rows.iter().map(|row| row.get(image).copied().flatten());
            words.collect::<Option<Vec<u16>>>()
        });
        if let Some(words) = last.filter(|words| words.len() <= MOST_WORDS) {
            all.insert(point.id.clone(), words);
        }
    }
    all
}

/// Texts are longer than this, and no answer is about them.
const MOST_WORDS: usize = 4;

/// The questions that gain something, most gain first, with the ids of the points that they are about.
pub fn questions(profile: &Profile, held: &Held) -> Vec<(Question, Vec<String>)> {
    let mut found: Vec<(usize, Question, Vec<String>)> = Vec::new();
    for question in Question::ALL {
        let mut gain = 0;
        let mut ids = Vec::new();
        for point in &profile.points {
            let all = possible(profile, point);
            let about = |way: &Way| question.roles().contains(&way.role);
            let is_read = question == Question::DeadVoltage || held.contains_key(&point.id);
            let is_told = question != Question::Volts || tells_apart(point, &all, held);
            if is_read && is_told && all.len() > 1 && all.iter().any(about) {
                gain += all.len() - 1;
                ids.push(point.id.clone());
            }
        }
        if gain > 0 {
            found.push((gain, question, ids));
        }
    }
    found.sort_by_key(|(gain, ..)| std::cmp::Reverse(*gain));
    found.truncate(MOST_QUESTIONS);
    found
        .into_iter()
        .map(|(_, question, ids)| (question, ids))
        .collect()
}

/// Whether the ways of a point read different numbers.
fn tells_apart(point: &Point, ways: &[Way], held: &Held) -> bool {
    let mut numbers = ways.iter().filter_map(|way| number(point, way, held));
    let first = numbers.next().unwrap_or_default();
    numbers.any(|other| (other - first).abs() > 0.2 * first.abs())
}

/// What answers leave of every point that they are about.
pub fn settle(profile: &Profile, held: &Held, told: &[Told]) -> Vec<Settled> {
    let seen = told.iter().find_map(|answer| match answer {
        Told::Number(Question::Volts, volts) => Some(*volts),
        _ => None,
    });
    let is_alone = seen.is_some_and(|volts| is_stack_alone(profile, held, volts));
    let volts = seen.or_else(|| volts(profile, held));
    let mut all: Vec<Settled> = Vec::new();
    for (index, point) in profile.points.iter().enumerate() {
        let before = possible(profile, point);
        let Some(old) = ways(point).first().copied() else {
            continue;
        };
        for answer in told {
            let known = all.iter().position(|one| one.point == index);
            let before = match known.and_then(|at| all.get(at)) {
                Some(one) => one.left.clone(),
                None => before.clone(),
            };
            let weighed = weigh(point, &before, held, answer, (volts, is_alone));
            let Some((bearing, left, question)) = weighed else {
                continue;
            };
            let reads = left.first().and_then(|way| number(point, way, held));
            let settled = Settled {
                point: index,
                by: Some(question),
                bearing,
                old,
                left,
                reads,
            };
            match known.and_then(|at| all.get_mut(at)) {
                Some(one) => *one = settled,
                None => all.push(settled),
            }
        }
    }
    exclude(profile, held, &mut all);
    collide(&mut all);
    all
}

/// What only exclusion leaves may be something else, except of the two voltages of a pack.
fn doubted(mut left: Vec<Way>) -> Vec<Way> {
    let is_stack = |way: &Way| matches!(way.role, Role::PackVoltage | Role::TerminalVoltage);
    if let [only] = left.as_slice()
        && !is_stack(only)
        && only.role != Role::Other
    {
        let role = Role::Other;
        left.push(Way { role, ..*only });
    }
    left
}

/// Where two points came to a role that stands once, neither is it for certain.
fn collide(all: &mut [Settled]) {
    let sure = |one: &Settled| -> Option<Role> {
        let role = one.left.first()?.role;
        let is_sure = one.left.iter().all(|way| way.role == role);
        let counts = one.bearing != Bearing::Contradicted && !role.may_stand_twice();
        (is_sure && counts).then_some(role)
    };
    let roles: Vec<Option<Role>> = all.iter().map(sure).collect();
    for (place, one) in all.iter_mut().enumerate() {
        let Some(role) = roles.get(place).copied().flatten() else {
            continue;
        };
        if roles.iter().filter(|other| **other == Some(role)).count() < 2 {
            continue;
        }
        if let Some(first) = one.left.first().copied() {
            let role = Role::Other;
            one.left.push(Way { role, ..first });
            one.bearing = Bearing::Fewer;
        }
    }
}

/// Whether no more points than the two voltages of a stack have a reading near the volts of the screen.
fn is_stack_alone(profile: &Profile, held: &Held, volts: f64) -> bool {
    let is_near = |point: &&Point| {
        let ways = possible(profile, point);
        let mut read = ways
            .iter()
            .filter(|way| Question::Volts.roles().contains(&way.role));
        read.any(|way| {
            let reads = number(point, way, held);
            reads.is_some_and(|reads| fits(Question::Volts, way, reads, volts, None))
        })
    };
    profile.points.iter().filter(is_near).count() <= 2
}

/// The voltage of the pack, where all that may be it agree.
fn volts(profile: &Profile, held: &Held) -> Option<f64> {
    let is_pack = |way: &Way| matches!(way.role, Role::PackVoltage | Role::TerminalVoltage);
    let mut all = profile.points.iter().flat_map(|point| {
        let ways = possible(profile, point);
        let read = ways.into_iter().filter(is_pack);
        read.filter_map(|way| number(point, &way, held))
            .collect::<Vec<_>>()
    });
    let first = all.next()?;
    all.all(|other| (other - first).abs() < 0.05 * first)
        .then_some(first)
}

/// What one answer leaves of one point; nothing where it says nothing of it.
fn weigh(
    point: &Point,
    before: &[Way],
    held: &Held,
    answer: &Told,
    (volts, is_alone): (Option<f64>, bool),
) -> Option<(Bearing, Vec<Way>, Question)> {
    let (question, asked) = match answer {
        Told::Number(question, number) => (*question, Some(*number)),
        Told::Dead(_) => (Question::DeadVoltage, None),
    };
    let about = |way: &&Way| question.roles().contains(&way.role);
    if !before.iter().any(|way| about(&way)) {
        return None;
    }
    if let (Told::Dead(id), None) = (answer, asked) {
        let is_dead = point.id == *id;
        let left: Vec<Way> = before
            .iter()
            .filter(|way| (way.role == Role::TerminalVoltage) == is_dead)
            .copied()
            .collect();
        return judged(before, left, Bearing::Left, question);
    }
    let asked = asked?;
    held.get(&point.id)?;
    let is_near =
        |way: &Way| number(point, way, held).is_some_and(|n| fits(question, way, n, asked, volts));
    // The voltages of modules would stand beside that of their stack, and more than two of them.
    let is_stack = question == Question::Volts
        && is_alone
        && before.iter().any(|way| about(&way) && is_near(way));
    let mut left: Vec<Way> = before
        .iter()
        .filter(|way| match way.role {
            Role::ModuleVoltage if is_stack => false,
            // A wider one than what was read says nothing.
            _ => !about(way) || number(point, way, held).is_none() || is_near(way),
        })
        .copied()
        .collect();
    // What is near the answer stands before what it says nothing of, and what was not read near to it shows nothing.
    left.sort_by_key(|way| (!about(&way), number(point, way, held).is_none()));
    if left
        .first()
        .is_some_and(|way| number(point, way, held).is_none())
    {
        left.clear();
    }
    // Power is amperes of another place times volts of another moment: near it is much.
    let is_new_power = |way: &Way| way.role == Role::PackPower && way.role != point.role;
    // What is left only because the answer is about something else may be anything.
    let is_rest = left.first().is_some_and(|way| {
        way.role != point.role
            && left
                .iter()
                .all(|other| !about(&other) && other.role == way.role)
    });
    if left.len() == 1 && left.iter().all(is_new_power) {
        left = doubted(left);
    } else if is_rest && let Some(first) = left.first().copied() {
        let role = Role::Other;
        left.push(Way { role, ..first });
    }
    let is_shown = left.iter().all(|way| about(&way)) && question != Question::Room;
    let bearing = if is_shown {
        Bearing::Shown
    } else {
        Bearing::Left
    };
    judged(before, left, bearing, question)
}

fn judged(
    before: &[Way],
    left: Vec<Way>,
    one: Bearing,
    question: Question,
) -> Option<(Bearing, Vec<Way>, Question)> {
    match left.len() {
        0 => Some((Bearing::Contradicted, before.to_vec(), question)),
        1 if before.len() > 1 || one == Bearing::Shown => Some((one, left, question)),
        n if n < before.len() => Some((Bearing::Fewer, left, question)),
        _ => None,
    }
}

/// Whether what a way reads may be what a person sees.
// Kind of all tolerances: common practice (another meter, another moment, a screen without decimals)
fn fits(question: Question, way: &Way, reads: f64, asked: f64, volts: Option<f64>) -> bool {
    match question {
        Question::Amperes => {
            let charging = match way.reading.positive {
                Some(Positive::Discharge) => -reads,
                _ => reads,
            };
            if way.role == Role::PackCurrent {
                return (charging - asked).abs() <= (0.2 * asked.abs()).max(1.0);
            }
            // At the inverter or at the battery, with losses between.
            let is_size = volts.is_none_or(|volts| {
                let watts = volts * asked;
                (charging - watts).abs() <= 0.2 * watts.abs() + volts
            });
            // Between a battery of 24 V and one of 1500 V.
            let is_possible = (20.0..2_000.0).contains(&(charging / asked));
            is_size && is_possible
        }
        // Between the pack and the inverter, and from one moment to the next, a few volts of a hundred.
        Question::Volts => (reads - asked).abs() <= (0.03 * asked).max(1.0),
        Question::Charge => (reads - asked).abs() <= 3.0,
        // Under load cells are warmer than their room, in the morning colder.
        Question::Room => (asked - 8.0..=asked + 20.0).contains(&reads),
        Question::PoweredUp => (reads / 60.0 - asked).abs() <= 2.0 + 0.2 * asked,
        Question::DeadVoltage => false,
    }
}

/// Where a point was settled to a role that stands once, the others are not it.
fn exclude(profile: &Profile, held: &Held, all: &mut Vec<Settled>) {
    for _ in 0..profile.points.len() {
        let taken: Vec<(usize, Role)> = all
            .iter()
            .filter(|one| one.bearing != Bearing::Contradicted && !one.left.is_empty())
            .filter_map(|one| {
                let role = one.left.first()?.role;
                let is_sure = one.left.iter().all(|way| way.role == role);
                (is_sure && !role.may_stand_twice()).then_some((one.point, role))
            })
            .collect();
        let mut is_new = false;
        for (index, point) in profile.points.iter().enumerate() {
            let known = all.iter().position(|one| one.point == index);
            let before = match known.and_then(|at| all.get(at)) {
                Some(one) => one.left.clone(),
                None => possible(profile, point),
            };
            let is_taken = |way: &Way| {
                taken
                    .iter()
                    .any(|(by, role)| *by != index && *role == way.role)
            };
            let left: Vec<Way> = before
                .iter()
                .filter(|way| !is_taken(way))
                .copied()
                .collect();
            if left.len() == before.len() || left.is_empty() {
                continue;
            }
            let left = doubted(left);
            if left.len() == before.len() {
                continue;
            }
            is_new = true;
            let bearing = if left.len() == 1 {
                Bearing::Left
            } else {
                Bearing::Fewer
            };
            let reads = left.first().and_then(|way| number(point, way, held));
            let Some(old) = ways(point).first().copied() else {
                continue;
            };
            let settled = Settled {
                point: index,
                by: None,
                bearing,
                old,
                left,
                reads,
            };
            match known.and_then(|at| all.get_mut(at)) {
                Some(one) => {
                    *one = Settled {
                        by: one.by,
                        ..settled
                    };
                }
                None => all.push(settled),
            }
        }
        if !is_new {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use packside_profiles::as_written;

    use super::*;

    const HEAD: &str = r#"
format = 3
[draft]
made = "learn"
[profile]
id = "mine"
title = "mine"
document = "none"
revision = "1"
author = "a test"
date = "2026-12-01"
verified_on_hardware = false
[answering]
line = "9600-8N1"
unit = 1
answer_time_ms = 100
time_out_ms = 1000
functions = [4]
[inverter]
port = "unknown"
fed_by = "unknown"
silence_s = 60
[unit]
switch = "contactor"
terminals_without_inverter = "live"
self_test_s = 10
cells_per_module = 16
chemistry = "unknown"
rest_current = 1.0
[[span]]
table = "input"
from = 0
to = 20
"#;

    fn drafted(points: &str) -> Profile {
        as_written(&format!("{HEAD}{points}"), "test")
            .unwrap_or_else(|problems| panic!("{problems}"))
    }

    const CURRENT: &str = r#"
[[point]]
id = "unknown"
role = "other"
table = "input"
address = 3
type = "i16"
scale = 0.1
[point.draft]
grade = "narrowed"
open = ["role", "scale", "positive"]
[[point.draft.evidence]]
by = "line"
words = [65412]
[[point.draft.rival]]
role = "pack_current"
[[point.draft.rival]]
role = "pack_current"
scale = 0.01
[[point.draft.rival]]
role = "pack_power"
scale = 1
"#;

    // Kind: derived (65412 is -124: -12.4 A at 0.1, discharging; the screen rounds)
    #[test]
    fn amperes_of_the_screen_settle_role_decade_and_direction() {
        let profile = drafted(CURRENT);
        let held = held(&profile);
        assert_eq!(questions(&profile, &held)[0].0, Question::Amperes);
        let told = [Told::Number(Question::Amperes, -12.0)];
        let all = settle(&profile, &held, &told);
        let one = &all[0];
        assert_eq!(
            (all.len(), one.left.len(), one.bearing),
            (1, 1, Bearing::Shown),
            "{one:?}"
        );
        let way = one.left[0];
        assert_eq!((way.role, way.reading.scale), (Role::PackCurrent, 0.1));
        assert_eq!(way.reading.positive, Some(Positive::Charge));
        let open = one.open(&profile.points[0]);
        // What it is the number of one answer does not show.
        let grade = one.grade(&profile.points[0]);
        assert_eq!((open.len(), grade), (0, Footing::AsDocumentSays));
        // The other way round the same number means the other direction.
        let told = [Told::Number(Question::Amperes, 12.0)];
        let all = settle(&profile, &held, &told);
        assert_eq!(all[0].left[0].reading.positive, Some(Positive::Discharge));
    }

    // Kind: invented
    #[test]
    fn what_is_far_from_every_reading_contradicts_and_changes_nothing() {
        let profile = drafted(CURRENT);
        let all = settle(
            &profile,
            &held(&profile),
            &[Told::Number(Question::Amperes, 700.0)],
        );
        assert_eq!(all[0].bearing, Bearing::Contradicted);
        assert!(all[0].left.len() > 2, "{all:?}");
    }

    // Kind: invented
    #[test]
    fn the_dead_voltage_is_that_of_the_terminals_and_the_other_that_of_the_pack() {
        let voltage = |id: &str, address: u16| {
            format!(
                "[[point]]\nid = \"{id}\"\nrole = \"other\"\ntable = \"input\"\naddress = {address}\ntype = \"u16\"\nscale = 0.1\n\
                 [point.draft]\ngrade = \"narrowed\"\nopen = [\"role\"]\n[[point.draft.rival]]\nrole = \"pack_voltage\"\n\
                 [[point.draft.rival]]\nrole = \"terminal_voltage\"\n"
            )
        };
        let profile = drafted(&format!("{}{}", voltage("one", 1), voltage("two", 2)));
        let told = [Told::Dead("two".to_owned())];
        let all = settle(&profile, &Held::new(), &told);
        let roles: Vec<(usize, Role)> = all
            .iter()
            .map(|one| (one.point, one.left[0].role))
            .collect();
        assert_eq!(roles, [(0, Role::PackVoltage), (1, Role::TerminalVoltage)]);
        assert!(all.iter().all(|one| one.left.len() == 1));
    }

    // Kind: derived (4953 is 49.53 V or 495.3 V; a wider number begins with the same word and was not read)
    #[test]
    fn volts_of_the_screen_settle_the_decade_and_nothing_that_they_do_not_tell() {
        let point = |more: &str| {
            drafted(&format!(
                "[[point]]\nid = \"volts\"\nrole = \"other\"\ntable = \"input\"\naddress = 4\ntype = \"u16\"\nscale = 0.1\nunit = \"V\"\n\
                 [point.draft]\ngrade = \"narrowed\"\nopen = [\"role\", \"scale\"{more}\n\
                 [[point.draft.evidence]]\nby = \"line\"\nwords = [4953]\n[[point.draft.rival]]\nrole = \"pack_voltage\"\n\
                 [[point.draft.rival]]\nrole = \"pack_voltage\"\nscale = 0.01\n"
            ))
        };
        let told = [Told::Number(Question::Volts, 49.0)];
        let profile = point("]");
        let kept = held(&profile);
        assert_eq!(questions(&profile, &kept)[0].0, Question::Volts);
        let all = settle(&profile, &kept, &told);
        let way = all[0].left[0];
        assert_eq!(
            (all[0].left.len(), way.role, way.reading.scale),
            (1, Role::PackVoltage, 0.01)
        );
        // Where it begins stays open, and with it how wide it is.
        let profile = point(", \"type\", \"address\"]");
        let all = settle(&profile, &held(&profile), &told);
        let open = all[0].open(&profile.points[0]);
        assert_eq!(open, [Key::Type, Key::Address]);
        assert_eq!(all[0].grade(&profile.points[0]), Footing::Open);
    }

    // Kind: derived (ten modules of 98.77 V have the digits of their stack: three registers would hold either, two hold 987.7 V)
    #[test]
    fn volts_of_the_screen_leave_no_module_where_only_the_stack_reads_near_them() {
        let points = |count: u16| {
            let point = |at: u16| {
                format!(
                    "[[point]]\nid = \"volts_{at}\"\nrole = \"other\"\ntable = \"input\"\naddress = {at}\ntype = \"u16\"\nscale = 0.1\n\
                     unit = \"V\"\n[point.draft]\ngrade = \"narrowed\"\nopen = [\"role\", \"scale\"]\n[[point.draft.evidence]]\nby = \"line\"\n\
                     words = [9877]\n[[point.draft.rival]]\nrole = \"pack_voltage\"\n[[point.draft.rival]]\nrole = \"module_voltage\"\n\
                     [[point.draft.rival]]\nrole = \"module_voltage\"\nscale = 0.01\n"
                )
            };
            drafted(&(1..=count).map(point).collect::<String>())
        };
        let left = |profile: &Profile| {
            let told = [Told::Number(Question::Volts, 985.0)];
            let all = settle(profile, &held(profile), &told);
            all.first()
                .map(|one| one.left.iter().map(|way| way.role).collect::<Vec<_>>())
        };
        assert_eq!(left(&points(1)), Some(vec![Role::PackVoltage]));
        let three = left(&points(3)).unwrap_or(vec![Role::ModuleVoltage]);
        assert!(three.contains(&Role::ModuleVoltage), "{three:?}");
    }

    // Kind: invented
    #[test]
    fn a_room_excludes_and_proves_nothing() {
        let profile = drafted(
            "[[point]]\nid = \"warm\"\nrole = \"cell_temperature_max\"\ntable = \"input\"\naddress = 5\ntype = \"i16\"\nscale = 1\n\
             offset = -40\nunit = \"degC\"\n[point.draft]\ngrade = \"narrowed\"\nopen = [\"offset\"]\n\
             [[point.draft.evidence]]\nby = \"unit\"\nwords = [63]\n[[point.draft.rival]]\noffset = 0\n",
        );
        let all = settle(
            &profile,
            &held(&profile),
            &[Told::Number(Question::Room, 20.0)],
        );
        assert_eq!((all[0].left.len(), all[0].bearing), (1, Bearing::Left));
        assert_eq!(all[0].grade(&profile.points[0]), Footing::AsDocumentSays);
    }
}
