//! Careless maps, made from the good ones: keys dropped, swapped between items, scaled by decades. None may
//! turn a fault that can be seen into a clean verdict.
//!
//! What is judged are recorded looks at faulty units. A map that reads elsewhere finds points that were never
//! asked: that keeps a verdict open, as it should.
//!
//! `PACKSIDE_MUTANTS=2000 cargo test --test it mutants -- --nocapture` makes so many of each map and prints the
//! share that `profile check` names.
//!
//! Kind of all expectations: invented (the maps and the units).

use packside::event::Event;
use packside::facts::VerdictKind;
use packside::judge::judge;
use packside::simulated::rehearsal::look;
use packside_profiles::{check, load, shipped};
use packside_simulator::Scenario;

/// Faults that a number, a flag or both show.
const FAULTY: &[&str] = &[
    "hv-cell-below-minimum-no-flag",
    "hv-cell-high-no-flag",
    "hv-fault-behind-lamp",
    "hv-insulation-low-behind-switches",
    "hv-internal-communication",
    "hv-too-hot",
    "hv-sense-wire-broken",
    "rack-sense-wire-broken",
    "rack-transistors-shorted",
    "rack-hidden-fault",
];

/// A generator of its own: the same mutants on every machine.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 >> 33).unwrap_or(0) % sides.max(1)
    }
}

/// Key and value of a line, where it is one.
fn parts(line: &str) -> Option<(&str, &str)> {
    let (key, value) = line.split_once(" = ")?;
    key.chars()
        .all(|c| c.is_ascii_lowercase() || c == '_')
        .then_some((key, value))
}

/// One slip of a hand, and what it was.
fn mutant(text: &str, dice: &mut Dice) -> (String, String) {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let keyed: Vec<usize> = (0..lines.len())
        .filter(|at| parts(&lines[*at]).is_some())
        .collect();
    let at = keyed[dice.roll(keyed.len())];
    let line = lines[at].clone();
    let (key, _) = parts(&line).unwrap();
    let what = match dice.roll(3) {
        0 => {
            lines.remove(at);
            format!("line {}: dropped {line}", at + 1)
        }
        1 => {
            let same: Vec<usize> = keyed
                .iter()
                .copied()
                .filter(|other| *other != at && parts(&lines[*other]).unwrap().0 == key)
                .collect();
            if same.is_empty() {
                return mutant(text, dice);
            }
            let other = same[dice.roll(same.len())];
            lines.swap(at, other);
            format!("lines {} and {}: swapped {line}", at + 1, other + 1)
        }
        _ => match scaled(&line, dice) {
            Some(new) => {
                let what = format!("line {}: {line} became {new}", at + 1);
                lines[at] = new;
                what
            }
            None => return mutant(text, dice),
        },
    };
    (lines.join("\n"), what)
}

/// A line with one of its numbers times a power of ten, or its sign turned, or one key of a table dropped.
fn scaled(line: &str, dice: &mut Dice) -> Option<String> {
    if line.contains('"') {
        return None;
    }
    let (key, value) = line.split_once(" = ")?;
    let words: Vec<&str> = value.split(' ').collect();
    let plain = |word: &str| {
        word.trim_end_matches([',', ']', '}'])
            .trim_start_matches('[')
            .to_owned()
    };
    let numbers: Vec<usize> = (0..words.len())
        .filter(|at| plain(words[*at]).parse::<f64>().is_ok())
        .collect();
    if numbers.is_empty() {
        return None;
    }
    let at = numbers[dice.roll(numbers.len())];
    let number = plain(words[at]);
    const FACTORS: [f64; 7] = [0.001, 0.01, 0.1, 10.0, 100.0, 1000.0, -1.0];
    let new = number.parse::<f64>().ok()? * FACTORS[dice.roll(FACTORS.len())];
    let mut words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
    words[at] = words[at].replacen(&number, &format!("{new}"), 1);
    Some(format!("{key} = {}", words.join(" ")))
}

fn recorded() -> Vec<(&'static str, String, Vec<Event>)> {
    let looks = FAULTY.iter().map(|name| {
        let scenario = Scenario::find(name).unwrap();
        let profile = scenario.load_map(None).unwrap().profile;
        let events = look(&scenario, &profile, scenario.look_at, None);
        let kind = judge(&events, Some(&profile), None).verdict.kind;
        assert_eq!(kind, VerdictKind::Fault, "{name}");
        (*name, scenario.profile.clone(), events)
    });
    looks.collect()
}

fn is_clean(kind: VerdictKind) -> bool {
    matches!(
        kind,
        VerdictKind::Normal
            | VerdictKind::NotReady
            | VerdictKind::AwaitingInverter
            | VerdictKind::InverterLost
    )
}

#[test]
fn careless_map_turns_no_fault_into_a_clean_verdict() {
    let many = std::env::var("PACKSIDE_MUTANTS").ok();
    let many: usize = many.and_then(|n| n.parse().ok()).unwrap_or(60);
    let recorded = recorded();
    let (mut made, mut named, mut used, mut judged) = (0, 0, 0, 0);
    let mut hidden: Vec<String> = Vec::new();
    for (id, text) in shipped() {
        let looks: Vec<_> = recorded.iter().filter(|(_, map, _)| map == id).collect();
        if looks.is_empty() {
            continue;
        }
        let mut dice = Dice(0x9e37_79b9_7f4a_7c15);
        for _ in 0..many {
            let (careless, what) = mutant(text, &mut dice);
            made += 1;
            named += usize::from(!check(&careless, id).problems.list.is_empty());
            let Ok(profile) = load(&careless, id) else {
                continue;
            };
            used += 1;
            for (name, _, events) in &looks {
                judged += 1;
                let kind = judge(events, Some(&profile), None).verdict.kind;
                if is_clean(kind) {
                    hidden.push(format!("{id}, {name}: {} after {what}", kind.id()));
                }
            }
        }
    }
    println!(
        "{made} mutants: profile check names {named} ({:.1} %), {used} can be used, {judged} looks judged, {} hide a fault",
        100.0 * named as f64 / made as f64,
        hidden.len()
    );
    assert!(made >= 100, "{made}");
    assert!(hidden.is_empty(), "{hidden:#?}");
}
