//! Protections: what physics raises which flag, on both sides of the limit, and what holds.

use packside_profiles::model::Severity;
use packside_profiles::{Class, Role, StateKind};

use crate::stage::{Stage, rack, stack};

const QUIET: &str = "[inverter]\nfrom = \"1s\"\n";

fn with(event: &str) -> Stage {
    let mut stage = stack(&format!("{QUIET}[[event]]\nat = \"20s\"\n{event}\n"));
    stage.at(30.5);
    stage
}

fn limit(role: Role, pick: impl Fn(&packside_profiles::model::Limits) -> Option<f64>) -> f64 {
    let profile = stack("").profile;
    let points = profile.points.iter().filter(|p| p.role == role);
    points.into_iter().find_map(|p| pick(&p.limits)).unwrap()
}

fn check(event: &str, class: Class, raised: bool) {
    let stage = with(event);
    let flags = &stage.world.truth().units[0].flags;
    assert_eq!(stage.has(class), raised, "{event}: {flags:?}");
}

// Kind: derived (a little beyond and a little within each limit of the invented map)
#[test]
fn protections_act_beyond_their_limits_and_not_within() {
    let high = limit(Role::CellVoltage, |l| l.alarm_above);
    let low = limit(Role::CellVoltage, |l| l.alarm_below);
    let warm = limit(Role::CellTemperature, |l| l.alarm_above);
    let cold = limit(Role::CellTemperature, |l| l.alarm_below);
    let leaky = limit(Role::Insulation, |l| l.alarm_below);
    let cell = |volts: f64| format!("volts = {volts:.4}");
    let sensor = |celsius: f64| format!("celsius = {celsius:.2}");
    let earth = |kohm: f64| format!("insulation_kohm = {kohm:.1}");
    check(&cell(high + 0.005), Class::CellOverVoltage, true);
    check(&cell(low - 0.005), Class::CellUnderVoltage, true);
    check(&cell(low + 0.5), Class::CellUnderVoltage, false);
    check(&sensor(warm + 0.5), Class::OverTemperature, true);
    check(&sensor(20.0), Class::OverTemperature, false);
    check(&sensor(cold - 0.5), Class::UnderTemperature, true);
    check(&sensor(20.0), Class::UnderTemperature, false);
    check(&earth(leaky - 1.0), Class::InsulationLow, true);
    check(&earth(leaky * 20.0), Class::InsulationLow, false);
}

/// Whether the alarm (not the warning) of a class is up.
fn alarms(stage: &Stage, class: Class) -> bool {
    use packside_profiles::model::Severity::Alarm;
    let up = stage.world.truth().units[0].flags.clone();
    let of_class = stage.flags_of(class);
    let flags = stage.profile.flags.iter();
    flags
        .filter(|f| f.severity == Alarm && of_class.contains(&f.id))
        .any(|f| up.contains(&f.id))
}

// Kind: derived (just within each alarm limit: at most the warning is up)
#[test]
fn protections_just_within_an_alarm_limit_only_warn() {
    let high = limit(Role::CellVoltage, |l| l.alarm_above);
    let low = limit(Role::CellVoltage, |l| l.alarm_below);
    let leaky = limit(Role::Insulation, |l| l.alarm_below);
    let stage = with(&format!("volts = {:.4}", high - 0.005));
    assert!(!alarms(&stage, Class::CellOverVoltage));
    let stage = with(&format!("volts = {:.4}", low + 0.005));
    assert!(!alarms(&stage, Class::CellUnderVoltage));
    let stage = with(&format!("insulation_kohm = {:.1}", leaky + 1.0));
    assert!(!alarms(&stage, Class::InsulationLow));
}

// Kind: derived (a real fault opens the switches, whatever the inverter says)
#[test]
fn real_faults_open_the_switches_of_a_running_stack() {
    for (event, class) in [
        ("module = 1\ncell = 14\nvolts = 3.9", Class::CellOverVoltage),
        (
            "module = 1\ncell = 14\nvolts = 1.9",
            Class::CellBelowMinimum,
        ),
        ("module = 1\ncell = 14\nlost = true", Class::SensorFault),
        ("module = 1\nsensor = 3\nlost = true", Class::SensorFault),
        ("insulation_kohm = 12", Class::InsulationLow),
        ("raise = \"modules-unheard\"", Class::InternalCommunication),
        ("raise = \"switch-wrong\"", Class::SwitchFault),
        ("raise = \"pre-charge-failed\"", Class::PrechargeFailed),
    ] {
        let stage = with(event);
        assert!(stage.has(class), "{event}");
        assert_eq!(stage.state(), StateKind::Fault, "{event}");
        assert!(stage.has(Class::SwitchesOpen), "{event}");
        assert!(!stage.has(Class::InverterSilent), "{event}");
    }
}

// Kind: derived (conditions keep it from running and are no fault)
#[test]
fn conditions_keep_the_stack_waiting_without_a_fault() {
    for (event, class, state) in [
        ("celsius = -25", Class::UnderTemperature, StateKind::Waiting),
        ("raise = \"door-open\"", Class::DoorOpen, StateKind::Waiting),
        (
            "raise = \"off-button\"",
            Class::OffButton,
            StateKind::Waiting,
        ),
        (
            "raise = \"maintenance\"",
            Class::Maintenance,
            StateKind::Maintenance,
        ),
    ] {
        let stage = with(event);
        assert!(stage.has(class), "{event}");
        assert_eq!(stage.state(), state, "{event}");
    }
}

// Kind: derived (the spread limit of the map, judged at rest: no current flows)
#[test]
fn imbalance_comes_from_one_cell_apart_and_holds_until_a_power_cycle() {
    let events = "[[event]]\nat = \"20s\"\nmodule = 1\ncell = 7\nvolts = 2.9\n\
                  [[event]]\nat = \"25s\"\nmodule = 1\ncell = 7\nvolts = 3.266\n\
                  [[event]]\nat = \"40s\"\nrestart = true\n";
    let mut stage = stack(&format!("{QUIET}{events}"));
    stage.at(22.0);
    assert!(alarms(&stage, Class::CellImbalance));
    stage.at(38.0);
    assert!(alarms(&stage, Class::CellImbalance), "does not hold");
    stage.at(60.0);
    assert!(
        !alarms(&stage, Class::CellImbalance),
        "survives the restart"
    );
}

// Kind: derived (a flag that clears by itself falls with its cause; the stored word remembers)
#[test]
fn insulation_alarm_falls_with_its_cause_and_over_voltage_stays_stored() {
    let events = "[[event]]\nat = \"20s\"\ninsulation_kohm = 12\n[[event]]\nat = \"30s\"\ninsulation_kohm = 2500\n\
                  [[event]]\nat = \"50s\"\nmodule = 1\ncell = 1\nvolts = 3.9\n\
                  [[event]]\nat = \"55s\"\nmodule = 1\ncell = 1\nvolts = 3.26\n";
    let mut stage = stack(&format!("{QUIET}{events}"));
    stage.at(25.0);
    assert!(alarms(&stage, Class::InsulationLow));
    stage.at(35.0);
    assert!(!alarms(&stage, Class::InsulationLow));
    stage.at(62.0);
    assert!(!alarms(&stage, Class::CellOverVoltage));
    let flags = &stage.world.truth().units[0].flags;
    assert!(flags.contains(&"stored-cell-high".to_owned()), "{flags:?}");
}

// Kind: derived (a unit that does not say what it sees: the values still show it)
#[test]
fn suppressed_flag_stays_down_while_the_value_tells() {
    let mut stage = Stage::shipped("hv-cell-low-no-flag");
    stage.at(90.0);
    assert!(!stage.has(Class::CellUnderVoltage) && !stage.has(Class::CellImbalance));
    let lowest = stage.number(1, Role::CellVoltageMin).unwrap();
    assert!((lowest - 2.62).abs() < 0.002, "{lowest}");
}

// Kind: derived (rank of the map: the silent inverter is hidden by anything else)
#[test]
fn one_current_code_shows_the_first_in_rank_and_hides_the_inverter() {
    let mut stage = rack("[[event]]\nat = \"100s\"\nsensor = 2\nlost = true\n");
    let value = |stage: &Stage, class: Class| {
        let flag = stage.profile.flags.iter().find(|f| f.class == class);
        f64::from(u32::try_from(flag.unwrap().values[0]).unwrap())
    };
    stage.at(95.0);
    let silent = value(&stage, Class::InverterSilent);
    // This question feeds the supervision; what is shown is from the last refresh.
    assert_eq!(stage.number(1, Role::FaultCode), Some(silent));
    stage.at(200.0);
    assert!(stage.has(Class::InverterSilent) && stage.has(Class::SensorFault));
    let sensor = value(&stage, Class::SensorFault);
    assert_eq!(stage.number(1, Role::FaultCode), Some(sensor));
}

/// Roots that no unit knows of: only who looks at its numbers does.
const UNSEEN_BY_THE_UNIT: [(&str, &str); 3] = [
    ("hv-pack-voltage-frozen", "sensor-fault"),
    ("hv-pack-voltage-open", "sensor-fault"),
    ("hv-sensor-frozen", "sensor-fault"),
];

// Kind: derived (each scenario that expects a root has it in truth, unless the unit hides it, is slow
//       or cannot know)
#[test]
fn shipped_scenarios_really_contain_the_roots_that_they_expect() {
    for (name, _) in packside_simulator::Scenario::shipped() {
        let scenario = packside_simulator::Scenario::find(name).unwrap();
        for expect in &scenario.expects {
            let mut stage = Stage::shipped(name);
            stage.at(expect.at.as_secs_f64());
            let flags: Vec<String> = stage
                .world
                .truth()
                .units
                .iter()
                .flat_map(|u| u.flags.clone())
                .collect();
            for root in &expect.roots {
                let class = Class::ALL.iter().find(|c| c.id() == *root).unwrap();
                let ids = stage.flags_of(*class);
                let slow = &scenario.control.protections;
                let hidden = UNSEEN_BY_THE_UNIT.contains(&(name, root))
                    || ids.iter().all(|id| scenario.stack.suppress.contains(id))
                    || slow.iter().any(|p| p.class == *class && !p.delay.is_zero());
                assert!(
                    hidden || ids.iter().any(|id| flags.contains(id)),
                    "{name}: {root} not in {flags:?}"
                );
            }
            // The other way round: where only the inverter is awaited, nothing else is wrong.
            if expect.verdict == ["awaiting-inverter"] || expect.verdict == ["normal"] {
                let other = flags.iter().find(|id| {
                    let flag = stage.profile.flag(id).unwrap();
                    let is_now = stage.flags_of(flag.class).contains(id);
                    let is_alarm = is_now && flag.severity == Severity::Alarm;
                    is_alarm && !flag.class.is_status() && flag.class != Class::InverterSilent
                });
                assert_eq!(other, None, "{name}");
            }
        }
    }
}
