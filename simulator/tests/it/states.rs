//! States, switches, terminals and lamps over time.

use std::time::Duration;

use packside_profiles::{Class, Role, StateKind};

use crate::stage::{Stage, rack, s, stack};

/// States with the moments at which they begin, looked at every tenth of a second.
fn states(stage: &mut Stage, to: f64) -> Vec<(f64, StateKind)> {
    let mut seen: Vec<(f64, StateKind)> = Vec::new();
    let mut tenths = 0u32;
    while f64::from(tenths) / 10.0 <= to {
        let now = f64::from(tenths) / 10.0;
        stage.at(now);
        if seen.last().map(|last| last.1) != Some(stage.state()) {
            seen.push((now, stage.state()));
        }
        tenths += 1;
    }
    seen
}

// Kind: invented (8 s self-test of the map; terminals dead: it waits for ever)
#[test]
fn stack_without_inverter_tests_itself_and_waits() {
    assert_eq!(
        states(&mut stack(""), 200.0),
        [(0.0, StateKind::SelfTest), (8.0, StateKind::Waiting)]
    );
}

// Kind: derived (first sign of life within 0.1 s after 20 s; pre-charge lasts the middle of 0.2 to
//         2.0 s, 1.1 s, in steps of 0.1 s; 12.5 A are above the 1 A that count as rest)
#[test]
fn stack_with_inverter_precharges_and_closes() {
    let mut stage = stack("[inverter]\nfrom = \"20s\"\ncurrent = 12.5\n");
    let seen = states(&mut stage, 40.0);
    let kinds: Vec<StateKind> = seen.iter().map(|(_, state)| *state).collect();
    use StateKind::{Precharge, Running, SelfTest, Standby, Waiting};
    assert_eq!(kinds, [SelfTest, Waiting, Precharge, Standby, Running]);
    assert!((20.0..20.4).contains(&seen[2].0), "{seen:?}");
    let precharge = seen[3].0 - seen[2].0;
    assert!((1.0..=1.2).contains(&precharge), "{seen:?}");
}

// Kind: derived (16 cells in parallel packs, live at once: the state follows the self-test of 4 s)
#[test]
fn rack_without_inverter_is_live_after_its_self_test() {
    let mut stage = rack("");
    assert_eq!(
        states(&mut stage, 60.0),
        [(0.0, StateKind::SelfTest), (4.0, StateKind::Standby)]
    );
    let pack = stage.number(1, Role::PackVoltage).unwrap();
    let terminals = stage.number(1, Role::TerminalVoltage).unwrap();
    assert!((pack - terminals).abs() < 0.05, "{pack} {terminals}");
}

// Kind: derived (900 s without a request of the map; nothing then answers, nothing shines)
#[test]
fn lonely_rack_switches_itself_off_and_a_restart_wakes_it() {
    let mut stage = rack("[[event]]\nat = \"950s\"\nrestart = true\n");
    stage.at(899.0);
    assert_ne!(stage.state(), StateKind::Off);
    stage.at(901.0);
    assert_eq!(stage.state(), StateKind::Off);
    let lamps = stage.profile.lamps.clone();
    assert!(
        lamps
            .iter()
            .all(|lamp| stage.world.lamp_pattern(&lamp.id) == "off")
    );
    let (table, address) = stage.place(Role::State);
    assert_eq!(stage.ask(1, &crate::stage::read(table, address, 1)), None);
    stage.at(956.0);
    assert!(
        stage
            .ask(1, &crate::stage::read(table, address, 1))
            .is_some()
    );
}

// Kind: derived (dead while waiting, at pack voltage when closed; after the switches open about
//         3 % are left when the decay time of 60 s is over)
#[test]
fn terminals_follow_the_switches_and_decay() {
    let mut stage = stack("[inverter]\nfrom = \"20s\"\nuntil = \"40s\"\n");
    stage.at(15.0);
    assert_eq!(stage.number(1, Role::TerminalVoltage), Some(0.0));
    stage.at(32.0); // between two rounds of the inverter
    let pack = stage.number(1, Role::PackVoltage).unwrap();
    let closed = stage.number(1, Role::TerminalVoltage).unwrap();
    assert!((pack - closed).abs() < 0.2, "{pack} {closed}");
    // The last words are at 35 s, the switches open at 80 s.
    stage.at(82.0);
    assert_eq!(stage.state(), StateKind::Waiting);
    let fresh = stage.number(1, Role::TerminalVoltage).unwrap();
    assert!(fresh > 0.8 * pack, "{fresh} of {pack}");
    stage.at(141.0);
    let old = stage.number(1, Role::TerminalVoltage).unwrap();
    assert!(old < 0.05 * pack, "{old} of {pack}");
}

// Kind: derived (switches word of the map is 3 when closed)
#[test]
fn switches_and_limits_open_with_the_inverter_silent() {
    let mut stage = stack("[inverter]\nfrom = \"20s\"\n");
    stage.at(15.0);
    assert_eq!(stage.number(1, Role::Switches), Some(0.0));
    assert_eq!(stage.number(1, Role::ChargeLimit), Some(0.0));
    stage.at(32.0); // between two rounds of the inverter
    assert_eq!(stage.number(1, Role::Switches), Some(3.0));
    assert!(stage.number(1, Role::ChargeLimit).unwrap() > 0.0);
}

// Kind: derived (nothing "follows" from a silent inverter before its flag is up)
#[test]
fn statuses_do_not_come_before_the_flag_that_brings_them() {
    let mut stage = stack("");
    stage.at(44.0);
    assert!(stage.world.truth().units[0].flags.is_empty());
    stage.at(46.0);
    for class in [
        Class::InverterSilent,
        Class::SwitchesOpen,
        Class::LimitsZero,
    ] {
        assert!(stage.has(class), "{class:?}");
    }
}

fn shines(stage: &mut Stage, lamp: &str, from_ms: u64, for_ms: u64) -> Vec<bool> {
    let times = (from_ms..from_ms + for_ms).step_by(100);
    let mut seen = Vec::new();
    for ms in times {
        stage.world.advance(Duration::from_millis(ms));
        seen.push(stage.world.lamp(lamp));
    }
    seen
}

// Kind:   published
// Source: CiA 303-3, blinking is 200 ms on, 200 ms off, as quoted in public code
// Note:   which lamp blinks when is the invented map's
#[test]
fn lamp_of_waiting_stack_and_of_real_fault_blink_alike() {
    let blinking = [true, true, false, false].repeat(5);
    for name in ["hv-waiting", "hv-fault-behind-lamp"] {
        let mut stage = Stage::shipped(name);
        assert!(
            shines(&mut stage, "fault", 20_000, 2_000)
                .iter()
                .all(|on| !on)
        );
        assert_eq!(
            shines(&mut stage, "fault", 90_000, 2_000),
            blinking,
            "{name}"
        );
        assert_eq!(stage.world.lamp_pattern("fault"), "blinking");
    }
}

// Kind: invented (the lamp codes of the map)
#[test]
fn lamps_tell_self_test_waiting_and_running_apart() {
    let mut stage = stack("[inverter]\nfrom = \"20s\"\ncurrent = 10\n");
    let mut pattern = |at: f64, lamp: &str| stage.at(at).world.lamp_pattern(lamp);
    assert_eq!(pattern(2.0, "power"), "flickering");
    assert_eq!(pattern(15.0, "power"), "single-flash");
    assert_eq!(pattern(30.0, "charge"), "slow-breath");
    assert_eq!(pattern(30.0, "fault"), "off");
}

// Kind: derived (12.5 A into the battery for 60 s of a capacity of 1 Ah is a fifth of it)
#[test]
fn charge_current_raises_the_state_of_charge() {
    let plan = "[stack]\ncapacity_ah = 1\nsoc = 40\n[inverter]\nfrom = \"10s\"\ncurrent = 12.5\n";
    let mut stage = stack(plan);
    stage.at(22.0); // between two rounds of the inverter
    let before = stage.number(1, Role::Soc).unwrap();
    let began = stage.world.now();
    stage.world.advance(began + s(60.0));
    let after = stage.number(1, Role::Soc).unwrap();
    assert!(
        (19.0..=23.0).contains(&(after - before)),
        "{before} {after}"
    );
}

// Kind: derived (uptime and heartbeat begin anew; what only a service tool clears stays)
#[test]
fn restart_begins_uptime_and_heartbeat_anew_and_keeps_stored_faults() {
    let plan = "[[event]]\nat = \"20s\"\nraise = \"fuse-open\"\n[[event]]\nat = \"30s\"\nlower = \"fuse-open\"\n\
                [[event]]\nat = \"40s\"\nrestart = true\n";
    let mut stage = stack(plan);
    stage.at(35.0);
    assert_eq!(stage.state(), StateKind::Fault);
    stage.at(45.0);
    assert!(stage.number(1, Role::Uptime).unwrap() <= 6.0);
    stage.at(60.0);
    assert!(stage.has(Class::FuseOpen));
    assert_eq!(stage.state(), StateKind::Fault);
}
