//! What stands in the registers, read over the wire and decoded by the profile.

use packside_profiles::model::Table;
use packside_profiles::{Role, Value};

use crate::stage::{Stage, read, rtu, s, stack};

const FIVE: &str = "[stack]\nmodules = 5\nsoc = 55\nspread_mv = 4\n";

// Kind:   derived
// Source: PyBaMM 26.10.1.1, set "Prada2013": 3.2674 V half-way between 50 and 60 %; spread of 4 mV
//         either way, rounded to the millivolt of the map
#[test]
fn cell_voltages_at_rest_lie_around_the_open_circuit_voltage() {
    let mut stage = stack(FIVE);
    stage.at(10.0);
    let cells = stage.read_all(1, Role::CellVoltage);
    assert_eq!(cells.len(), 150);
    assert_eq!(cells[0].0, "cell_voltage[1.1]");
    for (name, value) in &cells {
        let Some(Value::Number(volts)) = value else {
            panic!("{name}: {value:?}")
        };
        assert!((volts - 3.2674).abs() <= 0.0046, "{name}: {volts}");
    }
    let distinct: std::collections::BTreeSet<String> =
        cells.iter().map(|(_, v)| format!("{v:?}")).collect();
    assert!(distinct.len() > 3, "no spread: {distinct:?}");
}

// Kind: derived (sums; each value is rounded once, cells to 1 mV, modules and pack to 0.1 V)
#[test]
fn voltages_add_up() {
    let mut stage = stack(FIVE);
    stage.at(10.0);
    let sum = |values: Vec<Option<f64>>| values.into_iter().flatten().sum::<f64>();
    let cells = sum(stage.numbers(1, Role::CellVoltage));
    let modules = stage.numbers(1, Role::ModuleVoltage);
    assert_eq!(modules.len(), 5);
    let modules = sum(modules);
    let pack = stage.number(1, Role::PackVoltage).unwrap();
    assert!((cells - modules).abs() < 0.4, "{cells} {modules}");
    assert!((pack - modules).abs() < 0.4, "{pack} {modules}");
}

// Kind: derived (a lost cell or sensor has no value; its neighbours have)
#[test]
fn lost_cell_and_sensor_are_not_available() {
    let plan = "[[event]]\nat = \"1s\"\nmodule = 1\ncell = 3\nlost = true\n\
                [[event]]\nat = \"1s\"\nmodule = 1\nsensor = 2\nlost = true\n";
    let mut stage = stack(plan);
    stage.at(10.0);
    let cells = stage.numbers(1, Role::CellVoltage);
    assert!(cells[2].is_none() && cells[1].is_some() && cells[3].is_some());
    let sensors = stage.numbers(1, Role::CellTemperature);
    assert!(sensors[1].is_none() && sensors[0].is_some());
}

// Kind: derived (bits of the words = active flags of the truth, for every word of the map)
#[test]
fn words_say_what_is_really_the_case() {
    let mut stage = Stage::shipped("hv-fault-behind-lamp");
    stage.at(90.0);
    let truth = stage.world.truth().units[0].flags.clone();
    assert!(truth.len() > 3, "{truth:?}");
    let mut shown = Vec::new();
    for role in [Role::AlarmWord, Role::WarningWord, Role::LatchedWord] {
        for (name, value) in stage.read_all(1, role) {
            let Some(Value::Bits(word)) = value else {
                panic!("{name}: {value:?}")
            };
            let flags = stage.profile.flags.iter().filter(|f| f.point == name);
            let up = flags.filter(|f| {
                f.bit
                    .is_some_and(|b| (word >> b & 1 == 1) == (f.active == 1))
            });
            shown.extend(up.map(|f| f.id.clone()));
        }
    }
    shown.sort();
    assert_eq!(shown, truth);
}

// Kind: derived (identity says that it is simulated; modules are numbered)
#[test]
fn identity_says_that_it_is_simulated() {
    let mut stage = stack(FIVE);
    let text = |value: &Option<Value>| match value {
        Some(Value::Text(text)) => text.clean().into_owned(),
        other => panic!("{other:?}"),
    };
    assert!(text(&stage.read_all(1, Role::Serial)[0].1).starts_with("SIM"));
    let serials: Vec<String> = stage
        .read_all(1, Role::ModuleSerial)
        .iter()
        .map(|(_, v)| text(v))
        .collect();
    let distinct: std::collections::BTreeSet<&String> = serials.iter().collect();
    assert_eq!((serials.len(), distinct.len()), (5, 5), "{serials:?}");
}

// Kind: derived (once a second at most, by one; uptime in whole seconds)
#[test]
fn own_heartbeat_and_uptime_move() {
    let mut stage = stack("");
    stage.at(20.0);
    let before = stage.number(1, Role::OwnHeartbeat).unwrap();
    let uptime = stage.number(1, Role::Uptime).unwrap();
    assert!((19.0..=20.0).contains(&uptime), "{uptime}");
    let began = stage.world.now();
    stage.world.advance(began + s(10.0));
    let after = stage.number(1, Role::OwnHeartbeat).unwrap();
    assert!((9.0..=11.0).contains(&(after - before)), "{before} {after}");
}

/// Exception code of an answer.
fn refused(stage: &mut Stage, pdu: &[u8]) -> Option<u8> {
    let answer = stage.ask(1, pdu).expect("no answer");
    (answer[0] == pdu[0] | 0x80).then(|| answer[1])
}

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.3 and 7: 01 function, 02 address, 03 quantity; the
//         order of checks is that of figures 11 to 14. Spans are the invented map's
#[test]
fn exceptions_are_those_of_the_specification() {
    let mut stage = stack(FIVE);
    stage.at(10.0);
    let span = stage
        .profile
        .spans
        .iter()
        .find(|x| x.table == Table::Input)
        .unwrap()
        .clone();
    let last = span.to;
    assert_eq!(refused(&mut stage, &read(Table::Input, span.from, 1)), None);
    assert_eq!(refused(&mut stage, &read(Table::Input, last, 1)), None);
    assert_eq!(refused(&mut stage, &read(Table::Input, last, 2)), Some(2));
    assert_eq!(refused(&mut stage, &read(Table::Input, 0xffff, 1)), Some(2));
    assert_eq!(
        refused(&mut stage, &read(Table::Input, 0xffff, 125)),
        Some(2)
    );
    assert_eq!(
        refused(&mut stage, &read(Table::Input, span.from, 0)),
        Some(3)
    );
    assert_eq!(
        refused(&mut stage, &read(Table::Input, span.from, 126)),
        Some(3)
    );
    assert_eq!(refused(&mut stage, &read(Table::Coil, 0, 1)), Some(1));
    assert_eq!(refused(&mut stage, &[5, 0, 0, 0xff, 0]), Some(1));
    assert_eq!(refused(&mut stage, &[0x11]), Some(1));
    assert_eq!(refused(&mut stage, &[0x2b, 0x0e, 1, 0]), Some(1));
}

// Kind: derived (every register of every span answers, those without a point with 0)
#[test]
fn every_register_of_every_span_answers_and_those_without_a_point_are_zero() {
    let mut stage = stack(FIVE);
    stage.at(10.0);
    let known = packside_profiles::Known {
        counts: [("module_count".to_owned(), 5)].into(),
        ..Default::default()
    };
    let layout = packside_profiles::Layout::new(&stage.profile, &known);
    for span in stage.profile.spans.clone() {
        for from in (span.from..=span.to).step_by(100) {
            let count = (span.to - from + 1).min(100);
            let words = stage.registers(1, span.table, from, count);
            for (address, word) in (from..).zip(words) {
                let covered = layout.instances.iter().any(|i| {
                    i.table == span.table && (i.address..i.address + i.registers).contains(&address)
                });
                assert!(covered || word == 0, "{:?} {address}: {word}", span.table);
            }
        }
    }
}

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.8: 00 gives back, 0B to 0F count; 04, 01 and 0A,
//         which change a unit, are not understood
#[test]
fn diagnostics_echo_and_count_and_change_nothing() {
    let mut stage = stack("");
    stage.at(10.0);
    assert_eq!(
        stage.ask(1, &[8, 0, 0, 0xa5, 0x37]).unwrap(),
        [8, 0, 0, 0xa5, 0x37]
    );
    let mut count = |sub: u8| {
        let answer = stage.ask(1, &[8, 0, sub, 0, 0]).unwrap();
        assert_eq!(answer[..3], [8, 0, sub]);
        u16::from_be_bytes([answer[3], answer[4]])
    };
    assert_eq!((count(0x0b), count(0x0e), count(0x0d)), (2, 3, 0));
    for sub in [0x01, 0x04, 0x0a] {
        assert_eq!(refused(&mut stage, &[8, 0, sub, 0, 0]), Some(1));
    }
    assert_eq!(stage.ask(1, &[8, 0, 0x0d, 0, 0]).unwrap()[4], 3);
}

// Kind: derived (a register that clears when read: full once, then empty; others are untouched)
#[test]
fn log_that_clears_when_read_is_empty_the_second_time() {
    let mut stage = stack("");
    stage.at(10.0);
    let span = stage.profile.clears_when_read[0].clone();
    let count = span.to - span.from + 1;
    let first = stage.registers(1, span.table, span.from, count);
    let second = stage.registers(1, span.table, span.from, count);
    assert!(first.iter().any(|word| *word != 0), "{first:?}");
    assert!(second.iter().all(|word| *word == 0), "{second:?}");
}

// Kind:   published
// Source: Modbus over Serial Line V1.02, 2.2 and 2.4.1: nobody answers a broadcast, a foreign
//         address or a frame whose CRC does not fit
#[test]
fn broadcast_foreign_address_and_damaged_frame_are_not_answered() {
    let mut stage = stack("");
    stage.at(10.0);
    let (table, address) = stage.place(Role::State);
    let question = read(table, address, 1);
    assert_eq!(stage.ask(0, &question), None);
    assert_eq!(stage.ask(2, &question), None);
    let mut damaged = rtu(1, &question);
    damaged[3] ^= 0x10;
    let began = stage.world.now();
    stage.world.send(began, &damaged);
    assert_eq!(stage.world.advance(began + s(3.0)), []);
    assert!(stage.ask(1, &question).is_some());
}
