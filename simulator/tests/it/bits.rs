//! The line bit by bit, seen from outside: other settings, swapped wires, noise, others that talk.

use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::Table;
use packside_simulator::uart::{Idle, Settings, Tty, receive, transmit};
use packside_simulator::{Arrival, Scenario, World};
use proptest::prelude::*;

use crate::stage::{Stage, crc, profile, read, rtu, s};

const INVERTER: &str = "[inverter]\nfrom = \"5s\"\nevery = \"5s\"\n";

/// The high-voltage stack with tables of the newest format.
fn stack(rest: &str) -> Stage {
    let name = "generic-hv-stack";
    let head = "format = 3\nname = \"test\"\ntitle = \"invented\"\n";
    let text = format!("{head}profile = \"{name}\"\nlook_at = \"1s\"\n{rest}");
    let scenario = Scenario::load(&text, "test.toml").unwrap_or_else(|e| panic!("{e}"));
    Stage::of(profile(name), scenario)
}

fn answers(stage: &mut Stage) -> bool {
    let (table, address) = stage.place(Role::State);
    stage.ask(1, &read(table, address, 1)).is_some()
}

fn joined(arrivals: &[Arrival]) -> Vec<u8> {
    arrivals.iter().flat_map(|a| a.bytes.clone()).collect()
}

/// Everything that is on the line until a time.
fn heard(stage: &mut Stage, until: f64) -> Vec<u8> {
    joined(&stage.world.advance_all(s(until)))
}

/// The same bytes through the bit level by itself.
fn through(sent: &[u8], from: &str, to: &str, swapped: bool) -> Vec<u8> {
    let line = |text: &str| -> Settings {
        text.parse::<packside_profiles::LineSettings>()
            .unwrap()
            .into()
    };
    let to = Settings {
        swapped,
        ..line(to)
    };
    let wave = transmit(sent, &line(from), 1_000_000_000);
    let heard = receive(&wave, &to, Idle::Floating);
    let tty = if to.parity == packside_profiles::Parity::None {
        Tty::Unchecked
    } else {
        Tty::Zeroed
    };
    tty.read(&heard)
}

// Kind: derived (a unit drops what it does not understand; 8N1 and 8N2 differ in a stop bit that
// nobody checks; crystals 3 % apart are within what the standard's vectors bear, 8 % are not)
#[test]
fn unit_answers_only_who_it_understands() {
    let check = |tool: &str, line: &str, expected: bool| {
        let mut stage = stack(&format!("[line]\n{line}\n"));
        stage.world.set_tool(tool.parse().unwrap());
        stage.at(10.0);
        assert_eq!(answers(&mut stage), expected, "{tool} to {line}");
    };
    check("9600-8E1", "", true);
    check("9600-8E2", "", true);
    check("9600-8N1", "", false);
    check("9600-8O1", "", false);
    check("4800-8E1", "", false);
    check("19200-8E1", "", false);
    check("115200-8E1", "", false);
    check("9600-8N2", "unit = \"9600-8N1\"", true);
    check("9600-8E1", "unit_ppm = 30000", true);
    check("9600-8E1", "unit_ppm = -30000", true);
    check("9600-8E1", "unit_ppm = 80000", false);
    check("9600-8E1", "unit_swapped = true", false);
    check("9600-8E1", "tool_swapped = true", false);
    check(
        "9600-8E1",
        "unit_swapped = true\ntool_swapped = true\nidle = \"floating\"",
        true,
    );
}

// Kind: derived (what a listener at other settings hears is what the bit level makes of each frame)
#[test]
fn listener_with_other_settings_hears_what_the_bits_make_of_it() {
    for (tool, swapped) in [
        ("19200-8E1", false),
        ("4800-8E1", false),
        ("2400-8N1", false),
        ("9600-8N1", false),
        ("9600-8O1", false),
        ("9600-8E1", true),
        ("9600-8N1", true),
        ("115200-8N1", false),
    ] {
        let line = format!("[line]\nidle = \"floating\"\ntool_swapped = {swapped}\n");
        let mut plain = stack(INVERTER);
        let clean = heard(&mut plain, 6.0);
        let mut stage = stack(&format!("{INVERTER}{line}"));
        stage.world.set_tool(tool.parse().unwrap());
        let came = heard(&mut stage, 6.0);
        // Write, its echo as an answer (8 bytes each), state asked (8) and answered (7).
        assert_eq!(clean.len(), 31);
        let frames = [&clean[..8], &clean[8..16], &clean[16..24], &clean[24..]];
        let expected: Vec<u8> = frames
            .iter()
            .flat_map(|frame| through(frame, "9600-8E1", tool, swapped))
            .collect();
        assert_eq!(came, expected, "{tool} swapped {swapped}");
        // Without a parity to check the values are right, as the vectors of the bit level say.
        assert_eq!(came == clean, tool == "9600-8N1" && !swapped, "{tool}");
    }
}

// Kind: derived (where the idle pair is biased, a swapped listener hears 7F, FE and FF in bursts)
#[test]
fn swapped_listener_on_a_biased_pair_hears_bursts_and_no_frame() {
    let mut stage = stack(&format!("{INVERTER}[line]\ntool_swapped = true\n"));
    stage.world.set_tty(Tty::Unchecked);
    let came = heard(&mut stage, 30.0);
    let rich = |bytes: &[u8]| {
        let ones = bytes.iter().map(|byte| byte.count_ones()).sum::<u32>();
        ones as usize * 10 / bytes.len()
    };
    let clean = heard(&mut stack(INVERTER), 30.0);
    assert!(came.len() > 50, "{}", came.len());
    assert!(rich(&came) > 50 && rich(&clean) < 30, "{came:02x?}");
}

// Kind:   published
// Source: reflections last microseconds against 52 us or more per bit: at 19200 baud and less, and
//         under 100 m, a missing terminator matters about nothing; long and fast lines need it
#[test]
fn missing_terminators_matter_only_on_long_and_fast_lines() {
    let check = |speed: &str, length: u32, terminators: u8, expected: bool| {
        let mut stage = stack(&format!(
            "[line]\nlength_m = {length}\nterminators = {terminators}\n"
        ));
        stage.world.set_line(speed.parse().unwrap());
        stage.at(10.0);
        let which = format!("{speed}, {length} m, {terminators} terminators");
        assert_eq!(answers(&mut stage), expected, "{which}");
    };
    check("9600-8E1", 100, 0, true);
    check("19200-8E1", 100, 0, true);
    check("9600-8E1", 1000, 1, true);
    check("115200-8E1", 10, 0, true);
    check("115200-8E1", 1000, 2, true);
    check("115200-8E1", 1000, 0, false);
    // One too many throws back as well, less and for a shorter time.
    check("19200-8E1", 1000, 3, true);
    check("115200-8E1", 100, 3, true);
    check("115200-8E1", 800, 3, false);
}

// Kind:   published
// Source: the same: long stubs matter about nothing at usual rates
#[test]
fn long_branches_matter_only_on_fast_lines() {
    let check = |speed: &str, metres: u32, expected: bool| {
        let mut stage = stack(&format!("[line]\nstubs_m = {metres}\n"));
        stage.world.set_line(speed.parse().unwrap());
        stage.at(10.0);
        assert_eq!(answers(&mut stage), expected, "{speed}, {metres} m");
    };
    check("9600-8E1", 300, true);
    check("19200-8E1", 300, true);
    check("115200-8E1", 30, true);
    check("115200-8E1", 300, false);
}

// Kind:   common practice
// Source: USB adapters hold short packets back for up to 16 ms
#[test]
fn adapter_that_holds_back_gives_whole_pieces_at_its_own_times() {
    let mut stage = stack("[line]\nhold_back = \"16ms\"\n");
    stage.at(10.0);
    stage
        .world
        .send(s(10.0), &rtu(1, &read(Table::Input, 64, 100)));
    let came = stage.world.advance_all(s(12.0));
    let frame = joined(&came);
    assert_eq!((frame.len(), crc(&frame)), (205, 0));
    let mut prompt = stack("");
    prompt.at(10.0);
    prompt
        .world
        .send(s(10.0), &rtu(1, &read(Table::Input, 64, 100)));
    let at_once = prompt.world.advance_all(s(12.0));
    assert!(came.len() < at_once.len(), "{} pieces", came.len());
    let late = came.last().unwrap().at - at_once.last().unwrap().at;
    assert!(late <= Duration::from_millis(16), "{late:?}");
    let on_time = came.iter().filter(|a| a.at.as_nanos() % 16_000_000 == 0);
    assert_eq!(
        on_time.count(),
        came.len(),
        "9600 baud never fills a packet in 16 ms"
    );
}

/// Share of 200 questions that are answered whole, from 20 s on.
fn share(rest: &str, table: Table, from: u16, count: u16) -> f64 {
    let mut stage = stack(rest);
    stage.at(20.0);
    let question = read(table, from, count);
    let good = (0..200)
        .filter(|_| stage.ask(1, &question).is_some())
        .count();
    f64::from(u32::try_from(good).unwrap()) / 200.0
}

// Kind: derived (spikes come at a rate, so a frame ten times as long is hit more often; without
// them every question is answered)
#[test]
fn damage_by_noise_grows_with_the_length_of_the_frame() {
    let noise = "[[noise]]\nper_second = 8\nwidth_us = 80\n";
    let clean = share("", Table::Input, 0, 1);
    let (short, long) = (
        share(noise, Table::Input, 0, 1),
        share(noise, Table::Input, 64, 100),
    );
    assert!((clean - 1.0).abs() < f64::EPSILON, "{clean}");
    assert!(short > 0.6 && short < 1.0, "{short}");
    assert!(
        long < short - 0.3,
        "{long} of long ones, {short} of short ones"
    );
}

// Kind: derived (noise that follows the inverter's power is not there while no current flows)
#[test]
fn noise_that_follows_the_inverter_comes_with_its_current() {
    let noise = "[[noise]]\nper_second = 30\nwidth_us = 100\nfollows = \"inverter-power\"\n";
    let idle = share(&format!("{INVERTER}{noise}"), Table::Input, 0, 1);
    let busy = format!("{INVERTER}current = 12.5\n{noise}");
    let busy = share(&busy, Table::Input, 0, 1);
    assert!(idle > busy + 0.2, "{idle} without power, {busy} with it");
}

// Kind: derived (a spike in a silence is a byte out of nothing)
#[test]
fn noise_on_a_silent_line_is_heard_as_bytes() {
    let mut stage = stack("[[noise]]\nper_second = 5\nwidth_us = 100\n");
    let came = heard(&mut stage, 20.0);
    assert!(came.len() > 20, "{}", came.len());
    let mut quiet = stack("");
    assert!(heard(&mut quiet, 20.0).is_empty());
}

// Kind: invented (the first characters suffer, now and then, more often under power)
#[test]
fn missing_common_wire_damages_some_exchanges() {
    let line = "[line]\ncommon_wire = false\nidle = \"floating\"\n";
    let still = share(&format!("{INVERTER}{line}"), Table::Input, 0, 1);
    let power = format!("{INVERTER}current = 12.5\n{line}");
    let power = share(&power, Table::Input, 0, 1);
    assert!(still > 0.75 && still < 1.0, "{still}");
    assert!(power < still - 0.1, "{power} under power, {still} without");
}

// Kind: derived (two that do not listen first talk into each other sooner or later)
#[test]
fn second_client_that_does_not_listen_collides_with_us() {
    let second = "[second_client]\nevery = \"500ms\"\nregisters = 40\n";
    let alone = share("", Table::Input, 0, 20);
    let both = share(second, Table::Input, 0, 20);
    assert!((alone - 1.0).abs() < f64::EPSILON);
    assert!(both < 0.9, "{both}");
    let mut stage = stack(second);
    let came = heard(&mut stage, 2.0);
    assert_eq!(crc(&came[..8]), 0, "its question is heard");
    let end = 8 + 5 + usize::from(came[10]);
    assert_eq!(crc(&came[8..end]), 0, "and the answer to it");
}

// Kind: derived (with one answer time they collide, with another both answers are whole)
#[test]
fn two_units_with_one_address_collide_or_answer_in_turn() {
    let mut same = stack("[neighbour]\naddress = 1\nsoc = 20\n");
    same.at(10.0);
    let question = read(Table::Input, 64, 10);
    assert_eq!(same.ask(1, &question), None);
    let mut slow = stack("[neighbour]\naddress = 1\nsoc = 20\nanswer_time = \"400ms\"\n");
    slow.at(10.0);
    slow.world.send(s(10.0), &rtu(1, &question));
    let came = heard(&mut slow, 12.0);
    assert_eq!(came.len(), 50);
    assert_eq!((crc(&came[..25]), crc(&came[25..])), (0, 0));
    assert_ne!(came[..25], came[25..]);
}

// Kind: invented (an inverter that asks another battery leaves ours unheard)
#[test]
fn inverter_that_asks_another_battery_does_not_feed_ours() {
    let other = "polls = [2]\n[neighbour]\naddress = 2\n";
    let mut stage = stack(&format!("{INVERTER}{other}"));
    let came = heard(&mut stage, 6.0);
    assert_eq!((came[0], came.len()), (2, 31), "the other one answers");
    stage.at(120.0);
    assert!(stage.has(packside_profiles::Class::InverterSilent));
}

// Kind: derived (3 tries of 2 questions in a round, each given up after the profile's time-out)
#[test]
fn inverter_repeats_what_a_dead_unit_does_not_answer() {
    let plan = "every = \"30s\"\nretries = 2\n";
    let dead = "[[mischief]]\nkind = \"no-answer\"\n";
    let inverter = format!("[inverter]\nfrom = \"5s\"\n{plan}{dead}");
    let came = heard(&mut stack(&inverter), 30.0);
    assert_eq!(came.len(), 6 * 8);
    assert_eq!(came[..8], came[8..16]);
    let alive = format!("[inverter]\nfrom = \"5s\"\n{plan}");
    assert_eq!(heard(&mut stack(&alive), 30.0).len(), 31);
}

// Kind: invented (text of another protocol comes as it is said)
#[test]
fn chatter_is_heard_as_text() {
    let mut stage = stack("[chatter]\ntext = \"hello;1\\r\\n\"\nevery = \"2s\"\nfrom = \"1s\"\n");
    assert_eq!(heard(&mut stage, 4.0), b"hello;1\r\nhello;1\r\n");
}

/// Scenarios of format 2.
fn of_the_line() -> impl Iterator<Item = &'static str> {
    Scenario::shipped()
        .iter()
        .filter(|(_, text)| text.contains("format = 2"))
        .map(|(name, _)| *name)
}

/// All that is heard while a client asks, with its times and the state at the end (FNV-1a).
fn fingerprint(name: &str, seed: u64, step: Duration) -> u64 {
    let scenario = Scenario::find(name).unwrap();
    let mut world = World::new(&scenario, &profile(&scenario.profile), seed);
    let mut hash = 0xcbf2_9ce4_8422_2325u64;
    let mut take = |bytes: &[u8]| {
        for byte in bytes {
            hash = (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    };
    for turn in 0u32..60 {
        let begins = Duration::from_millis(500) * turn + Duration::from_millis(130);
        world.send(begins, &rtu(1, &read(Table::Input, 0, 20)));
        let mut now = begins;
        while now < begins + Duration::from_millis(480) {
            now += step;
            for arrival in world.advance_all(now) {
                take(&arrival.at.as_nanos().to_be_bytes());
                take(&arrival.bytes);
            }
        }
    }
    take(world.state_line().as_bytes());
    hash
}

#[test]
fn same_seed_gives_identical_bytes_times_and_state_on_every_line() {
    let whole = Duration::from_millis(480);
    for name in of_the_line() {
        let first = fingerprint(name, 7, whole);
        assert_eq!(first, fingerprint(name, 7, whole), "{name}");
        assert_eq!(
            first,
            fingerprint(name, 7, Duration::from_millis(16)),
            "{name} in small steps"
        );
        if name.contains("noise") {
            assert_ne!(first, fingerprint(name, 8, whole), "{name}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    // Whatever a client sends, at whatever settings: no panic, and nothing waits without bound.
    #[test]
    fn line_with_any_bytes_of_any_client_stays_alive(
        which in 0usize..20,
        tool in prop::sample::select(vec!["9600-8E1", "9600-8N1", "1200-8O2", "115200-8N1", "300-8E1"]),
        pieces in prop::collection::vec((0u32..4, 0u64..300, prop::collection::vec(any::<u8>(), 0..80)), 0..30),
        seed: u64,
    ) {
        let name = of_the_line().nth(which).unwrap();
        let scenario = Scenario::find(name).unwrap();
        let mut world = World::new(&scenario, &profile(&scenario.profile), seed);
        world.set_tool(tool.parse().unwrap());
        let mut now = s(10.0);
        world.advance(now);
        for (client, wait, bytes) in pieces {
            world.send_from(client, now, &bytes);
            now += Duration::from_millis(wait);
            for arrival in world.advance_all(now) {
                prop_assert!(arrival.at <= now && arrival.bytes.len() <= 600);
            }
        }
        world.advance_all(now + s(40.0));
        prop_assert!(world.state_line().starts_with("simulated hv-"));
    }
}
