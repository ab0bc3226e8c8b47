//! The control unit's habits and protections in time, and the inverter's, each at the moments that
//! its own rule gives.
//!
//! Kind of all set-ups: invented; of the expected moments: derived from them.

use packside_profiles::{Class, Role, StateKind};
use packside_simulator::Scenario;

use crate::stage::{Stage, read};
use packside_profiles::model::Table;

fn on_map(map: &str, rest: &str) -> Stage {
    let text = format!(
        "format = 3\nname = \"test\"\ntitle = \"invented\"\nprofile = \"{map}\"\nlook_at = \"1s\"\n{rest}"
    );
    let scenario = Scenario::load(&text, "test.toml").unwrap_or_else(|e| panic!("{e}"));
    let profile = scenario
        .load_map(None)
        .unwrap_or_else(|e| panic!("{e}"))
        .profile;
    Stage::of(profile, scenario)
}

fn hv(rest: &str) -> Stage {
    on_map("generic-hv-stack", rest)
}

fn event(at: u32, what: &str) -> String {
    format!("[[event]]\nat = \"{at}s\"\n{what}\n")
}

/// Times at which a flag of a class rises or falls, to a tenth of a second.
fn changes(stage: &mut Stage, class: Class, until: u32) -> Vec<(u32, bool)> {
    let mut changes = Vec::new();
    for tenth in 0..until * 10 {
        stage.at(f64::from(tenth) / 10.0);
        let up = stage.has(class);
        if up != changes.last().is_some_and(|(_, up)| *up) {
            changes.push((tenth / 10, up));
        }
    }
    changes
}

fn protection(class: &str, rest: &str) -> String {
    format!("[[control.protection]]\nclass = \"{class}\"\n{rest}\n")
}

#[test]
fn protection_rises_after_its_delay_and_a_short_excursion_does_not_count() {
    let plan = protection("over-temperature", "delay = \"10s\"");
    let short = event(20, "celsius = 61") + &event(25, "celsius = 25");
    let long = event(60, "celsius = 61") + &event(90, "celsius = 25");
    let seen = changes(
        &mut hv(&(plan + &short + &long)),
        Class::OverTemperature,
        120,
    );
    assert_eq!(seen, [(70, true), (90, false)]);
}

#[test]
fn protection_falls_only_behind_its_hysteresis() {
    // The map's limits: warning above 50, alarm above 58; the flags of both go the same way.
    let plan = protection("over-temperature", "hysteresis = 5.0");
    let way = event(20, "celsius = 61") + &event(40, "celsius = 46") + &event(60, "celsius = 44");
    let seen = changes(&mut hv(&(plan + &way)), Class::OverTemperature, 80);
    assert_eq!(seen, [(20, true), (60, false)]);
}

#[test]
fn protection_that_latches_goes_by_power_cycle_or_is_tried_again() {
    let way = event(20, "celsius = 61") + &event(40, "celsius = 25");
    let latched = protection("over-temperature", "clears = \"power-cycle\"");
    let restart = event(100, "restart = true");
    let seen = changes(
        &mut hv(&(latched.clone() + &way + &restart)),
        Class::OverTemperature,
        130,
    );
    assert_eq!(seen, [(20, true), (100, false)]);
    let retry = latched + "retry = \"30s\"\n";
    let seen = changes(&mut hv(&(retry + &way)), Class::OverTemperature, 90);
    assert_eq!(seen, [(20, true), (50, false)], "30 s after it rose");
}

#[test]
fn service_clears_what_a_restart_leaves() {
    let way = event(20, "raise = \"short-circuit\"")
        + &event(21, "lower = \"short-circuit\"")
        + &event(40, "restart = true")
        + &event(60, "button = \"service\"");
    let seen = changes(&mut hv(&way), Class::ShortCircuit, 80);
    assert_eq!(seen, [(20, true), (60, false)]);
}

#[test]
fn derating_halves_the_current_half_way_between_warning_and_alarm() {
    let inverter = "[inverter]\nevery = \"10s\"\ncurrent = 40\n".to_owned();
    let mut stage = hv(&(inverter + &event(20, "celsius = 54")));
    // Warning above 50, alarm above 58: at 54 half of 50 A is left.
    stage.at(62.0);
    assert!(stage.has(Class::Derating));
    let limit = stage.number(1, Role::ChargeLimit).unwrap();
    let current = stage.number(1, Role::PackCurrent).unwrap();
    assert!((limit - 25.0).abs() < 0.2, "{limit}");
    assert!((current - 25.0).abs() < 0.2, "{current}");
}

#[test]
fn unconfigured_unit_refuses_measured_values_only() {
    let mut stage =
        hv(&("[control]\nunconfigured = 2\n".to_owned() + &event(60, "configured = true")));
    stage.at(30.0);
    assert_eq!(stage.ask(1, &read(Table::Input, 0, 1)), Some(vec![0x84, 2]));
    assert!(
        stage
            .ask(1, &read(Table::Holding, 0, 1))
            .is_some_and(|pdu| pdu[0] == 3)
    );
    stage.at(61.0);
    assert!(
        stage
            .ask(1, &read(Table::Input, 0, 1))
            .is_some_and(|pdu| pdu[0] == 4)
    );
}

#[test]
fn unit_hangs_on_a_function_and_comes_back_by_itself_or_by_a_restart() {
    let question = read(Table::Input, 9, 1);
    let mut stage = hv("[control]\nhangs_on = [43]\nhangs_for = \"20s\"\n");
    stage.at(10.0);
    assert_eq!(stage.ask(1, &[43, 14, 1, 0]), None);
    stage.at(20.0);
    assert_eq!(stage.ask(1, &question), None);
    stage.at(31.0);
    assert!(stage.ask(1, &question).is_some());

    let mut stage = hv(&("[control]\nhangs_on = [17]\n".to_owned() + &event(60, "restart = true")));
    stage.at(10.0);
    assert_eq!(stage.ask(1, &[17]), None);
    stage.at(50.0);
    assert_eq!(stage.ask(1, &question), None);
    stage.at(61.0);
    assert!(stage.ask(1, &question).is_some());
    // What it merely does not understand it refuses, as the specification says.
    assert_eq!(hv("").at(1.0).ask(1, &[17]), Some(vec![0x91, 1]));
}

#[test]
fn point_says_what_it_is_told_instead_or_besides() {
    let way = event(20, "says = { point = \"state\", raw = 42 }")
        + &event(
            20,
            "says = { point = \"alarm_2\", raw = 0x8000, besides = true }",
        );
    let mut stage = hv(&way);
    stage.at(60.0);
    assert_eq!(stage.number(1, Role::State), Some(42.0));
    let words = stage.registers(1, Table::Input, 2, 1);
    assert_eq!(words[0] & 0x8000, 0x8000);
    assert_ne!(words[0] & 0x7fff, 0, "what is the case stands beside it");
}

#[test]
fn unit_switches_itself_off_when_lonely_and_a_button_wakes_it() {
    let rest = "[map.unit]\nauto_off_s = 60\n".to_owned() + &event(120, "button = \"on\"");
    let mut stage = hv(&rest);
    stage.at(59.0);
    assert!(stage.ask(1, &read(Table::Input, 0, 1)).is_some());
    stage.at(70.0);
    assert_eq!(stage.state(), StateKind::Off);
    assert_eq!(stage.ask(1, &read(Table::Input, 0, 1)), None);
    stage.at(124.0);
    assert_eq!(stage.state(), StateKind::SelfTest);
    assert!(stage.number(1, Role::Uptime).unwrap() < 6.0);
}

#[test]
fn black_start_gives_an_inverter_that_lives_on_the_battery_its_supply() {
    let inverter = "[inverter]\nevery = \"1s\"\nstarts_from_battery = \"20s\"\n";
    // Without it each waits for the other.
    let mut stuck = hv(inverter);
    stuck.at(300.0);
    assert!(!stuck.world.inverter_talks());
    assert_eq!(stuck.state(), StateKind::Waiting);
    let rest = format!(
        "{inverter}[map.unit]\nblack_start = true\n{}",
        event(30, "button = \"black-start\"")
    );
    let mut started = hv(&rest);
    started.at(45.0);
    assert_eq!(started.state(), StateKind::Standby);
    assert!(!started.world.inverter_talks(), "it is still booting");
    started.at(120.0);
    assert!(started.world.inverter_talks());
    assert_eq!(
        started.state(),
        StateKind::Standby,
        "the minute of the black start is over"
    );
}

#[test]
fn inverter_on_another_wire_than_the_unit_expects_feeds_nothing() {
    let can = "[map.inverter]\nport = \"can\"\nfed_by = \"other-port\"\n";
    let silent = |inverter: &str| {
        let mut stage = hv(&format!("{can}[inverter]\nevery = \"2s\"\n{inverter}"));
        stage.at(120.0);
        stage.has(Class::InverterSilent)
    };
    assert!(!silent(""), "on CAN, where the unit expects it");
    assert!(silent("port = \"this-bus\"\n"));
    assert!(silent("port = \"other-rs485\"\n"));
}

#[test]
fn inverter_behind_a_cut_cable_talks_and_is_not_heard() {
    let rest = "[inverter]\nevery = \"2s\"\n".to_owned() + &event(60, "inverter_cable = false");
    let mut stage = hv(&rest);
    stage.at(110.0);
    assert!(stage.world.inverter_talks() && stage.has(Class::InverterSilent));
    assert!(
        stage
            .world
            .state_line()
            .ends_with("talks, its cable is cut")
    );
}

// Kind: derived (its error, from the time that the world was told; a unit that hangs keeps its
//       clock standing, and switching it off and on does not set it)
#[test]
fn clock_of_the_unit_goes_on_with_its_error_and_stands_while_it_hangs() {
    let plan = "[control]\nclock_error_s = -2220.0\n";
    let way = event(40, "restart = true") + &event(60, "frozen = true");
    let mut stage = hv(&(plan.to_owned() + &way));
    let noon = 1_800_000_000.0;
    stage.at(0.0).world.set_unix_time(crate::stage::s(noon));
    for (now, since) in [(30.0, 30.0), (50.0, 50.0), (90.0, 60.0)] {
        let shown = stage.at(now).number(1, Role::UnitClock).unwrap();
        let right = noon + since - 2220.0;
        assert!(
            (right - 2.0..=right + 3.0).contains(&shown),
            "{now}: {shown} {right}"
        );
    }
}
