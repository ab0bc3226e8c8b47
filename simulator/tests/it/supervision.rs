//! How the unit decides that its inverter is silent: every way in which it can be fed.

use std::time::Duration;

use packside_profiles::model::{Base, FedBy, InverterPort, Profile, Span, Table};
use packside_profiles::{Class, Role};

use crate::stage::{Stage, profile, rack, read, rtu, s, scenario, stack};

const HV: &str = "generic-hv-stack";

/// Whether the unit takes its inverter for silent although a client sends this every 10 s.
fn silent_despite(profile: Profile, pdu: &[u8]) -> bool {
    let mut stage = Stage::of(profile, scenario(HV, ""));
    for ten in 1..=9 {
        stage.at(f64::from(ten) * 10.0);
        stage.ask(1, pdu);
    }
    stage.has(Class::InverterSilent)
}

fn fed_by(fed_by: FedBy) -> Profile {
    let mut profile = profile(HV);
    profile.inverter.fed_by = fed_by;
    profile
}

fn write(address: u16) -> Vec<u8> {
    let [high, low] = address.to_be_bytes();
    vec![6, high, low, 0, 7]
}

fn write_many(address: u16) -> Vec<u8> {
    let [high, low] = address.to_be_bytes();
    vec![16, high, low, 0, 1, 2, 0, 7]
}

// Kind: derived (what the profile format says of each way)
#[test]
fn supervision_fed_by_writes_hears_writes_and_no_reads() {
    let (table, address) = stack("").place(Role::State);
    assert!(silent_despite(
        fed_by(FedBy::Writes),
        &read(table, address, 1)
    ));
    assert!(silent_despite(fed_by(FedBy::Writes), &[8, 0, 0, 0, 1]));
    assert!(!silent_despite(fed_by(FedBy::Writes), &write(0)));
    assert!(!silent_despite(fed_by(FedBy::Writes), &write_many(0)));
}

// Kind: derived (as above)
#[test]
fn supervision_fed_by_any_request_hears_every_question() {
    let (table, address) = stack("").place(Role::State);
    assert!(!silent_despite(
        fed_by(FedBy::AnyRequest),
        &read(table, address, 1)
    ));
    assert!(!silent_despite(fed_by(FedBy::AnyRequest), &[8, 0, 0, 0, 1]));
}

// Kind: derived (as above; the unknown is taken for the worse)
#[test]
fn supervision_fed_by_something_unknown_hears_every_question() {
    let (table, address) = stack("").place(Role::State);
    assert!(!silent_despite(
        fed_by(FedBy::Unknown),
        &read(table, address, 1)
    ));
}

// Kind: derived (as above)
#[test]
fn supervision_fed_by_reads_of_a_range_hears_only_reads_that_touch_it() {
    let mut picky = fed_by(FedBy::ReadsOf);
    picky.inverter.reads_of = vec![Span {
        table: Table::Input,
        from: 10,
        to: 12,
        base: Base::Absolute,
    }];
    let silent = |pdu: &[u8]| silent_despite(picky.clone(), pdu);
    assert!(!silent(&read(Table::Input, 11, 1)), "inside");
    assert!(!silent(&read(Table::Input, 8, 3)), "across its start");
    assert!(!silent(&read(Table::Input, 12, 4)), "across its end");
    assert!(silent(&read(Table::Input, 5, 5)), "up to just below");
    assert!(silent(&read(Table::Input, 13, 5)), "from just above");
    assert!(silent(&read(Table::Holding, 11, 1)), "another table");
    assert!(silent(&write(11)), "a write");
}

// Kind: derived (as above)
#[test]
fn supervision_fed_by_another_port_hears_nothing_of_this_one() {
    let (table, address) = stack("").place(Role::State);
    assert!(silent_despite(
        fed_by(FedBy::OtherPort),
        &read(table, address, 1)
    ));
    assert!(silent_despite(fed_by(FedBy::OtherPort), &write(0)));
}

// Kind: derived (an inverter on another wire feeds the unit, and nobody here hears it)
#[test]
fn supervision_with_the_inverter_on_another_wire_is_fed_without_a_byte_here() {
    let mut profile = fed_by(FedBy::OtherPort);
    profile.inverter.port = InverterPort::Can;
    let plan = scenario(HV, "[inverter]\nfrom = \"5s\"\n");
    let mut stage = Stage::of(profile, plan);
    assert_eq!(stage.world.advance(s(90.0)), []);
    assert!(!stage.has(Class::InverterSilent));
}

/// First time at which the inverter counts as silent, looked at every tenth of a second.
fn rises(stage: &mut Stage, from: f64, to: f64) -> Option<Duration> {
    let mut now = s(from);
    while now <= s(to) {
        stage.world.advance(now);
        if stage.has(Class::InverterSilent) {
            return Some(now);
        }
        now += Duration::from_millis(100);
    }
    None
}

// Kind: invented (45 s and 90 s of the maps, 60 s as common practice has it; counted from power-up)
#[test]
fn silence_time_of_profile_and_scenario_is_kept_from_power_up() {
    assert_eq!(rises(&mut stack(""), 0.0, 60.0), Some(s(45.0)));
    let sixty = "[stack]\nsilence = \"60s\"\n";
    assert_eq!(rises(&mut stack(sixty), 0.0, 70.0), Some(s(60.0)));
    assert_eq!(rises(&mut rack(""), 0.0, 100.0), Some(s(90.0)));
}

// Kind: derived (last round at 55 s + 45 s silence; a round on the line takes less than 0.2 s)
#[test]
fn silence_after_the_inverter_was_heard_counts_from_its_last_words() {
    let mut stage = stack("[inverter]\nfrom = \"5s\"\nevery = \"5s\"\nuntil = \"58s\"\n");
    let rise = rises(&mut stage, 0.0, 150.0).expect("never silent");
    assert!((s(100.0)..s(100.3)).contains(&rise), "{rise:?}");
    assert_eq!(stage.number(1, Role::InverterEverHeard), Some(1.0));
    let age = stage.number(1, Role::InverterAge).unwrap();
    assert!((44.0..=46.0).contains(&age), "{age}");
}

// Kind: derived (never heard: no age, and never is 0)
#[test]
fn inverter_never_heard_has_no_age() {
    let mut stage = stack("");
    stage.at(60.0);
    assert_eq!(stage.number(1, Role::InverterEverHeard), Some(0.0));
    assert_eq!(stage.number(1, Role::InverterAge), None);
}

// Kind: derived (the flag falls with the next sign of life)
#[test]
fn inverter_that_comes_late_puts_the_flag_down() {
    let mut stage = stack("[[event]]\nat = \"70s\"\ninverter = true\n");
    stage.at(69.0);
    assert!(stage.has(Class::InverterSilent));
    stage.at(80.0);
    assert!(!stage.has(Class::InverterSilent));
    assert!(stage.world.inverter_talks());
}

// Kind: derived (function 06 to the point with the role of its heartbeat, then the state; RTU)
#[test]
fn inverter_on_this_line_is_audible_to_everybody() {
    let mut stage = stack("[inverter]\nfrom = \"5s\"\nevery = \"5s\"\n");
    let (_, heartbeat) = stage.place(Role::InverterHeartbeat);
    let (_, state) = stage.place(Role::State);
    let heard: Vec<_> = stage.world.advance_all(s(6.0));
    assert!(heard.iter().all(|arrival| arrival.client.is_none()));
    let bytes: Vec<u8> = heard.into_iter().flat_map(|a| a.bytes).collect();
    let [h1, h2] = heartbeat.to_be_bytes();
    let [s1, s2] = state.to_be_bytes();
    let counter = bytes[4..6].to_vec();
    let written = rtu(1, &[6, h1, h2, counter[0], counter[1]]);
    // Question and answer of a write are the same bytes.
    let asked = rtu(1, &[4, s1, s2, 0, 1]);
    let start = [written.clone(), written, asked].concat();
    assert_eq!(bytes[..start.len()], start, "{bytes:02x?}");
    assert_eq!(bytes.len(), start.len() + 7);
}

// Kind: derived (a hung control unit takes no sign of life)
#[test]
fn frozen_unit_answers_and_nothing_in_it_moves() {
    let mut stage = stack("[[event]]\nat = \"20s\"\nfrozen = true\n");
    stage.at(25.0);
    let before = (
        stage.number(1, Role::OwnHeartbeat),
        stage.number(1, Role::Uptime),
    );
    stage.at(85.0);
    let after = (
        stage.number(1, Role::OwnHeartbeat),
        stage.number(1, Role::Uptime),
    );
    assert_eq!(before, after);
    assert!(
        before
            .1
            .is_some_and(|uptime| (19.0..=21.0).contains(&uptime))
    );
}
