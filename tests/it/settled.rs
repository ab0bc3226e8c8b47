//! Random drafts and random answers: nothing panics, an answer excludes and invents nothing, and what it makes certain is
//! near to what was said.
//!
//! Kind of every draft and answer: invented, from a seed. `PACKSIDE_SEEDS=100000` runs on.

use packside::draft::{Bearing, Question, Told, Way, held, number, questions, settle, ways};
use packside_profiles::model::{Footing, Point, Positive, Profile};
use packside_profiles::{Role, as_written};

use crate::tool::{packside, stderr};

/// Numbers that look random and come again with the seed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, sides: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % sides
    }

    fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[self.below(of.len())]
    }
}

/// The head of a learnt draft.
const HEAD: &str = include_str!("../data/own/learnt-head.toml");

const ROLES: [&str; 13] = [
    "pack_voltage",
    "terminal_voltage",
    "pack_current",
    "pack_power",
    "soc",
    "cell_voltage_max",
    "cell_voltage_min",
    "cell_temperature_max",
    "cell_temperature_min",
    "module_voltage",
    "uptime",
    "own_heartbeat",
    "other",
];
const TYPES: [&str; 5] = ["u16", "i16", "u32", "i32", "f32"];
const SCALES: [&str; 7] = ["10", "1", "0.1", "0.01", "0.001", "0.0001", "-0.1"];
const OFFSETS: [&str; 5] = ["0", "-40", "-273.15", "-1000", "-3000"];
const WORDS: [&str; 12] = [
    "0", "1", "124", "250", "331", "2981", "3310", "4953", "32768", "52800", "65412", "65535",
];
const OPEN: [&str; 7] = [
    "role", "scale", "positive", "type", "address", "offset", "order",
];

/// A point with words, keys in doubt and rivals.
fn point(dice: &mut Dice, index: usize) -> String {
    let role = dice.one(&ROLES);
    let mut text = format!(
        "[[point]]\nid = \"p{index}\"\nrole = \"{role}\"\ntable = \"input\"\naddress = {}\ntype = \"{}\"\nscale = {}\noffset = {}\n",
        index * 2,
        dice.one(&TYPES),
        dice.one(&SCALES),
        dice.one(&OFFSETS),
    );
    if dice.below(3) == 0 {
        text += &format!("positive = \"{}\"\n", dice.one(&["charge", "discharge"]));
    }
    let open: Vec<&str> = OPEN.into_iter().filter(|_| dice.below(3) == 0).collect();
    let grade = match open.len() {
        0 => "checked",
        _ => dice.one(&["narrowed", "open"]),
    };
    text += &format!("[point.draft]\ngrade = \"{grade}\"\nopen = {open:?}\n");
    let words: Vec<&str> = (0..=dice.below(2)).map(|_| dice.one(&WORDS)).collect();
    let words = words.join(", ");
    text += &format!("[[point.draft.evidence]]\nby = \"line\"\nwords = [{words}]\n");
    for _ in 0..dice.below(5) {
        text += "[[point.draft.rival]]\n";
        for key in &open {
            text += &match (*key, dice.below(3)) {
                (_, 0) => String::new(),
                ("role", _) => format!("role = \"{}\"\n", dice.one(&ROLES)),
                ("scale", _) => format!("scale = {}\n", dice.one(&SCALES)),
                ("offset", _) => format!("offset = {}\n", dice.one(&OFFSETS)),
                ("type", _) => format!("type = \"{}\"\n", dice.one(&TYPES)),
                ("positive", _) => {
                    format!("positive = \"{}\"\n", dice.one(&["charge", "discharge"]))
                }
                _ => String::new(),
            };
        }
    }
    text
}

/// A draft of up to seven points; those with which it would not load are left out.
fn draft(dice: &mut Dice) -> String {
    let mut text = HEAD.to_owned();
    for index in 0..=dice.below(7) {
        for _ in 0..8 {
            let with = format!("{text}{}", point(dice, index));
            if as_written(&with, "draft").is_ok() {
                text = with;
                break;
            }
        }
    }
    text
}

const NUMBERS: [f64; 10] = [-500.0, -12.4, 0.0, 0.5, 21.0, 33.0, 49.5, 67.0, 331.0, 1e9];

fn answers(dice: &mut Dice) -> Vec<Told> {
    let mut all = Vec::new();
    for question in Question::ALL {
        match (dice.below(3), question) {
            (0, _) => {}
            (_, Question::DeadVoltage) => all.push(Told::Dead(format!("p{}", dice.below(7)))),
            _ => all.push(Told::Number(question, NUMBERS[dice.below(NUMBERS.len())])),
        }
    }
    all
}

/// Whether what a way reads is far from what was said, by a measure that no meter excuses.
fn is_far(way: &Way, reads: f64, question: Question, said: f64) -> bool {
    let apart = |reads: f64| (reads - said).abs();
    match (question, way.role) {
        (Question::Amperes, Role::PackCurrent) => {
            let charging = if way.reading.positive == Some(Positive::Discharge) {
                -reads
            } else {
                reads
            };
            apart(charging) > 1.0 + 0.25 * said.abs()
        }
        (Question::Volts, Role::PackVoltage | Role::TerminalVoltage) => {
            apart(reads) > 1.0 + 0.05 * said.abs()
        }
        (Question::Charge, Role::Soc) => apart(reads) > 5.0,
        (Question::PoweredUp, Role::Uptime) => apart(reads / 60.0) > 5.0 + 0.3 * said.abs(),
        _ => false,
    }
}

fn holds(profile: &Profile, told: &[Told]) {
    let held = held(profile);
    assert!(questions(profile, &held).len() <= 5);
    let all = settle(profile, &held, told);
    let mut certain: Vec<Role> = Vec::new();
    for one in &all {
        let point: &Point = &profile.points[one.point];
        let before = ways(point);
        let known = |way: &Way| before.contains(way) || way.role == Role::Other;
        assert!(
            one.left.iter().all(known),
            "{} became what nothing said: {one:?}",
            point.id
        );
        let grade = one.grade(point);
        if one.bearing == Bearing::Contradicted || grade != Footing::Checked {
            continue;
        }
        assert_eq!(
            (one.left.len(), one.open(point).len()),
            (1, 0),
            "{}: {one:?}",
            point.id
        );
        let way = &one.left[0];
        for answer in told {
            let Told::Number(question, said) = answer else {
                continue;
            };
            let reads = number(point, way, &held);
            let is_far = reads.is_some_and(|reads| is_far(way, reads, *question, *said));
            assert!(
                !is_far,
                "{} is certain and reads {reads:?}, far from {answer:?}: {one:?}",
                point.id
            );
        }
        if !way.role.may_stand_twice() {
            assert!(
                !certain.contains(&way.role),
                "{} stands twice for certain: {all:?}",
                way.role.id()
            );
            certain.push(way.role);
        }
    }
}

#[test]
fn any_answer_to_any_draft_excludes_and_makes_nothing_certain_that_is_far() {
    let seeds = std::env::var("PACKSIDE_SEEDS").ok();
    let seeds = seeds.map_or(1_000, |text| text.parse().unwrap());
    let (mut loaded, mut settled) = (0, 0);
    for seed in 0..seeds {
        println!("seed {seed}");
        let mut dice = Dice(seed);
        let Ok(profile) = as_written(&draft(&mut dice), "draft") else {
            continue;
        };
        loaded += u64::from(profile.points.len() > 1);
        let told = answers(&mut dice);
        settled += settle(&profile, &held(&profile), &told).len();
        holds(&profile, &told);
    }
    assert!(loaded * 10 >= seeds, "only {loaded} of {seeds} drafts load");
    assert!(
        settled as u64 * 2 >= loaded,
        "{settled} points settled in {loaded} drafts"
    );
}

#[test]
fn answer_and_why_end_well_on_any_draft_and_leave_one_that_loads() {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("settled");
    std::fs::create_dir_all(&folder).unwrap();
    let (path, file) = (folder.join("draft.toml"), folder.join("answers.toml"));
    let names = [&path, &file].map(|path| path.to_str().unwrap().to_owned());
    let [draft_name, answers_name] = [names[0].as_str(), names[1].as_str()];
    let mut tried = 0;
    for seed in 0..400 {
        let mut dice = Dice(seed);
        let text = draft(&mut dice);
        let Ok(profile) = as_written(&text, "draft") else {
            continue;
        };
        std::fs::write(&path, &text).unwrap();
        let asked = questions(&profile, &held(&profile));
        let mut said = "format = 1\n[answers]\n".to_owned();
        for answer in answers(&mut dice) {
            if let Told::Number(question, number) = answer
                && asked.iter().any(|(one, _)| *one == question)
            {
                said += &format!("{} = {}\n", question.id(), number.clamp(-40.0, 60.0));
            }
        }
        std::fs::write(&file, said).unwrap();
        let runs: [&[&str]; 3] = [
            &["profile", "why", draft_name, "p0"],
            &[
                "profile",
                "answer",
                draft_name,
                "--answers",
                answers_name,
                "--accept",
            ],
            &["profile", "why", draft_name, "input:0"],
        ];
        for run in runs {
            let done = packside(run);
            let told = stderr(&done);
            assert!(
                !told.contains("panicked") && done.status.code() != Some(101),
                "seed {seed}: {run:?}: {told}"
            );
        }
        let after = std::fs::read_to_string(&path).unwrap();
        if let Err(problems) = as_written(&after, "after") {
            panic!("seed {seed}: the answered draft does not load: {problems}\n{after}");
        }
        tried += 1;
        if tried == 25 {
            return;
        }
    }
    panic!("only {tried} of 400 drafts load");
}
