//! A case that grows event by event gives what the same events give read back from their store, whatever
//! is asked of it in between; and no order of events makes it panic or hold much.
//!
//! Kind of all events: invented (the shipped scenarios, and seeded noise).

use std::sync::Arc;
use std::time::Duration;

use packside::event::Event;
use packside::facts::{Judgement, ReadingQuality, VerdictKind};
use packside::judge::{Case, any_events, judge};
use packside::recording::Events;
use packside::simulated::rehearsal::Rehearsal;
use packside_profiles::model::Profile;
use packside_simulator::Scenario;

/// Cuts of each scenario: `PACKSIDE_CUTS=200` for the long run.
fn cuts() -> usize {
    let given = std::env::var("PACKSIDE_CUTS").ok();
    given.map_or(8, |text| text.parse().unwrap())
}

/// Numbers that look random and are the same for the same seed.
pub(crate) fn numbers(mut seed: u64) -> impl FnMut() -> u64 {
    move || {
        seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (seed ^ (seed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }
}

/// Two looks with a pause between.
fn session(scenario: &Scenario, profile: &Profile) -> Vec<Event> {
    let mut rehearsal = Rehearsal::open(scenario, profile, scenario.look_at, None);
    let first = rehearsal.look().last().map_or(Duration::ZERO, |e| e.at);
    rehearsal.wait(first + Duration::from_secs(20));
    rehearsal.look().to_vec()
}

/// Judges at every cut what grew until then, and the same from the store.
fn compare(name: &str, events: &[Event], profile: &Arc<Profile>, mut cuts: Vec<usize>) {
    cuts.sort_unstable();
    let packed: Events = events.iter().cloned().collect();
    let mut grown = Case::new(Some(Arc::clone(profile)));
    let (mut pushed, last) = (0, cuts.last().copied().unwrap_or_default());
    for cut in cuts {
        for event in &events[pushed..cut] {
            grown.push(event);
        }
        pushed = cut;
        let at = grown.moment();
        let shown: Judgement = grown.verdict(at);
        assert_eq!(shown, grown.verdict(at), "{name}, cut {cut}: asked twice");
        let read = Case::of(Some(Arc::clone(profile)), packed.iter().take(cut));
        assert_eq!(shown, read.verdict(at), "{name}, cut {cut}: from the store");
        if pushed == last {
            let folded = judge(&events[..cut], Some(profile), None);
            assert_eq!(shown, folded, "{name}, cut {cut}: judged at once");
        }
    }
}

#[test]
fn grown_case_is_what_its_events_give_at_every_cut() {
    let mut compared = 0;
    for (number, (name, text)) in (0u64..).zip(Scenario::shipped()) {
        let scenario = Scenario::load(text, name).unwrap();
        let profile = scenario.load_map(None).unwrap().profile;
        let events = session(&scenario, &profile);
        if events.is_empty() {
            continue;
        }
        let mut next = numbers(number);
        let cut = |_| 1 + usize::try_from(next() % events.len() as u64).unwrap();
        let cuts: Vec<usize> = (0..cuts()).map(cut).collect();
        compared += cuts.len();
        compare(name, &events, &Arc::new(profile), cuts);
    }
    println!("{compared} cuts compared");
    assert!(compared > 0);
}

/// Events of one look at a scenario, with its map.
fn one_look(name: &str) -> (Vec<Event>, Arc<Profile>) {
    let scenario = Scenario::find(name).unwrap();
    let profile = scenario.load_map(None).unwrap().profile;
    let mut rehearsal = Rehearsal::open(&scenario, &profile, scenario.look_at, None);
    (rehearsal.look().to_vec(), Arc::new(profile))
}

/// A case with these events as sessions one after the other.
fn sessions(profile: &Arc<Profile>, all: &[&[Event]]) -> Case {
    let mut case = Case::new(Some(Arc::clone(profile)));
    for (number, events) in all.iter().enumerate() {
        if number > 0 {
            case.begin_session();
        }
        events.iter().for_each(|event| case.push(event));
    }
    case
}

#[test]
fn nothing_read_in_an_earlier_session_is_good_in_the_next() {
    let (events, profile) = one_look("hv-waiting");
    let now = sessions(&profile, &[&events]);
    let good = |judgement: &Judgement| {
        let readings = judgement.readings.iter();
        readings
            .filter(|r| r.quality == ReadingQuality::Good)
            .count()
    };
    assert!(good(&now.verdict(now.moment())) > 50);
    let later = sessions(&profile, &[&events, &[]]);
    let judgement = later.verdict(Duration::from_secs(1));
    assert_eq!(good(&judgement), 0);
    assert_eq!(judgement.verdict.kind, VerdictKind::Undecided);
    assert!(
        judgement
            .readings
            .iter()
            .all(|reading| reading.age.is_none())
    );
}

#[test]
fn same_unit_in_a_second_session_is_judged_as_in_the_first() {
    for name in ["hv-waiting", "hv-cold", "rack-waiting"] {
        let (events, profile) = one_look(name);
        let once = sessions(&profile, &[&events]);
        let twice = sessions(&profile, &[&events, &events]);
        let kind = |case: &Case| case.verdict(case.moment()).verdict.kind;
        assert_eq!(kind(&once), kind(&twice), "{name}");
    }
}

#[test]
fn alarm_of_an_earlier_session_is_not_forgotten_and_another_unit_is_noticed() {
    let (fault, profile) = one_look("hv-insulation-low-behind-switches");
    let (waits, _) = one_look("hv-waiting");
    let case = sessions(&profile, &[&fault, &waits]);
    let judgement = case.verdict(case.moment());
    assert!(
        !matches!(
            judgement.verdict.kind,
            VerdictKind::Normal | VerdictKind::AwaitingInverter
        ),
        "{:?}",
        judgement.verdict
    );
}

/// The fuzz entry point, from seeds: events in any order, times that go back, any bytes.
#[test]
fn any_events_hold_the_bounds_and_panic_nowhere() {
    // `PACKSIDE_SEEDS=100000` for the long run.
    let seeds = std::env::var("PACKSIDE_SEEDS").ok();
    let seeds = seeds.map_or(60, |text| text.parse().unwrap());
    for seed in 0..seeds {
        let mut next = numbers(seed);
        let length = 200 + next() % 4000;
        let data: Vec<u8> = (0..length).map(|_| (next() & 0xff) as u8).collect();
        any_events(&data);
    }
}
