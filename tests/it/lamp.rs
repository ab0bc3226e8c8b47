//! Lamps as they are read in the end: those of every shipped scenario through a camera, the command's
//! answers, the terminal it leaves behind, and any text that may be thrown at its readers.

use std::fmt::Write as _;
use std::process::{Command, Output};
use std::time::Duration;

use packside::lamp::{patterns, rank, read_any_film, read_any_text, read_trace};
use packside_simulator::{Scenario, World};
use serde_json::Value;

use super::adversary::Dice;

/// Fractions and noise from the seeded dice of the adversary.
trait Chance {
    fn even(&mut self) -> f64;
    fn normal(&mut self) -> f64;
    fn pick(&mut self, bound: usize) -> usize;
}

impl Chance for Dice {
    fn even(&mut self) -> f64 {
        f64::from((self.next() >> 32) as u32) / f64::from(u32::MAX)
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.even().max(1e-12).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.even()).cos()
    }

    fn pick(&mut self, bound: usize) -> usize {
        self.below(bound as u64) as usize
    }
}

/// Samples every lamp for 7.2 s at 30 per second; nothing for a lamp whose pattern changes meanwhile.
///
/// Kind: invented (noise a tenth of the swing, drift half of it, as the figures of the bench have it)
fn film(
    world: &mut World,
    lamps: &[String],
    from: Duration,
    dice: &mut Dice,
) -> Vec<(String, String, String)> {
    world.advance(from);
    let before: Vec<String> = lamps.iter().map(|lamp| world.lamp_pattern(lamp)).collect();
    let mut traces = vec![String::from("seconds,level\n"); lamps.len()];
    let mut changed = vec![false; lamps.len()];
    for sample in 0..216u32 {
        let at = f64::from(sample) / 30.0;
        world.advance(from + Duration::from_secs_f64(at));
        // A pattern may come and go within one film.
        for ((lamp, pattern), changed) in lamps.iter().zip(&before).zip(&mut changed) {
            *changed |= world.lamp_pattern(lamp) != *pattern;
        }
        for (lamp, trace) in lamps.iter().zip(&mut traces) {
            // A camera exposes for longer than a cycle of dimming, and by the light there is.
            let lit = f64::from(u8::from(world.lamp_level(lamp) > 0.0));
            let level = 40.0 + 60.0 * (lit + 0.1 * dice.normal() + 0.5 * at / 7.2);
            let _ = writeln!(trace, "{at:.4},{level:.3}");
        }
    }
    let films = lamps.iter().zip(before).zip(traces).zip(changed);
    films
        .filter(|(_, changed)| !changed)
        .map(|(((lamp, pattern), trace), _)| (lamp.clone(), pattern, trace))
        .collect()
}

#[test]
fn lamps_of_every_scenario_are_read_right_through_a_camera() {
    let (mut read, mut changing) = (0, 0);
    let mut wrong = Vec::new();
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        let profile = packside_profiles::find(&scenario.profile, None)
            .unwrap()
            .profile;
        let known = patterns(Some(&profile));
        let lamps: Vec<String> = profile.lamps.iter().map(|lamp| lamp.id.clone()).collect();
        let mut dice = Dice(scenario.seed);
        let mut world = World::new(&scenario, &profile, scenario.seed);
        let mut moments: Vec<Duration> = scenario.expects.iter().map(|expect| expect.at).collect();
        moments.extend([Duration::from_secs(1), scenario.look_at]);
        moments.sort();
        moments.dedup();
        moments.retain(|at| at.as_secs() < 3600);
        let mut free = Duration::ZERO;
        for at in moments {
            // A film takes 7.2 s; the next one begins after it.
            let at = at.max(free);
            free = at + Duration::from_secs(8);
            let films = film(&mut world, &lamps, at, &mut dice);
            changing += lamps.len() - films.len();
            for (lamp, pattern, trace) in films {
                let ranking = rank(&read_trace(&trace).unwrap(), &known);
                let first = ranking.first().map_or("none", |first| first.id.as_str());
                // Brightness alone cannot tell steady light from darkness.
                let steady = |id: &str| id == "on" || id == "off";
                if first != pattern && !(steady(first) && steady(&pattern)) {
                    wrong.push(format!(
                        "{name} at {at:?}: {lamp} shows {pattern}, read as {first}"
                    ));
                }
                read += 1;
            }
        }
    }
    println!("{read} films of lamps read, {changing} left out because the pattern changed");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(read > 60, "{read}");
}

fn lamp(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_packside"))
        .arg("lamp")
        .args(arguments)
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let output = lamp(&[arguments, &["--format", "json"]].concat());
    serde_json::from_slice(&output.stdout).unwrap()
}

// Kind: invented (the lamp table of the shipped map)
#[test]
fn description_gives_pattern_meaning_worth_and_next_step() {
    let output = lamp(&["--seen", "blinking", "--profile", "generic-hv-stack"]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0));
    let words: Vec<&str> = text.split_whitespace().collect();
    let words = words.join(" ");
    for part in [
        "BLINKING (recognised",
        "####....####....",
        "IEC 60073: normal",
        "an alarm is up",
        "the inverter is silent",
        "the lamp does not decide",
        "This alone does not prove the unit sound",
    ] {
        assert!(words.contains(part), "{part} is missing in\n{text}");
    }
    let last = text.lines().last().unwrap();
    assert_eq!(
        last,
        "next: packside check --serial PORT --profile generic-hv-stack --lamp fault=blinking"
    );
    let widest = text.lines().map(|line| line.chars().count()).max();
    assert!(widest <= Some(100), "{widest:?} columns");
}

#[test]
fn description_without_a_profile_has_no_meaning_and_weighs_nothing() {
    let output = lamp(&["--seen", "steady"]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("it weighs nothing"), "{text}");
    assert!(text.contains("No maker is bound by it"), "{text}");
    assert_eq!(
        json(&["--seen", "steady"])["meanings"],
        Value::Array(Vec::new())
    );
}

// Kind: invented (the lamp table of the shipped map)
#[test]
fn several_lamps_are_one_code() {
    let both = [
        "--seen",
        "power: double flash",
        "--seen",
        "fault: dark",
        "--profile",
        "generic-hv-stack",
    ];
    let object = json(&both);
    assert_eq!(object["meanings"][0]["code"], "maintenance");
    assert_eq!(object["meanings"].as_array().unwrap().len(), 1);
    assert_eq!(object["meanings"][0]["if_also"]["charge"], "off");
    assert_eq!(object["lamps"].as_array().unwrap().len(), 2);
    // Together they fit no code, each alone does.
    let against = [
        "--seen",
        "power: double flash",
        "--seen",
        "fault: blinking",
        "--profile",
        "generic-hv-stack",
    ];
    assert_eq!(json(&against)["meanings"], Value::Array(Vec::new()));
}

// Kind: derived (on 0.2 off 1.0 repeats every 1.2 s)
#[test]
fn json_of_a_description_carries_the_promised_fields() {
    let object = json(&["--seen", "on 0.2 off 1.0"]);
    assert_eq!(object["schema"], "packside.lamp/1");
    assert_eq!(object["patterns"][0]["id"], "single-flash");
    assert!(object["patterns"][0]["probability"].as_f64().unwrap() > 0.9);
    assert_eq!(object["enough"], true);
    assert_eq!(object["period_s"], 1.2);
    assert_eq!(object["rate_band"], Value::Null);
    assert_eq!(
        object["edges"][1],
        serde_json::json!({ "at_s": 0.2, "lit": false })
    );
    assert_eq!(object["changed"], Value::Null);
}

// Kind: invented (a lamp that begins to blink after 3 s, filmed at 30 per second)
#[test]
fn film_of_ten_minutes_is_read_as_one_of_ten_seconds() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("brightness.csv");
    // Kind: invented (a camera of 30 samples/s; a lamp 7 % too fast, as an RC clock is)
    let cycle_ms = [200.0, 200.0, 200.0, 200.0, 200.0, 1000.0];
    let period_ms: f64 = cycle_ms.iter().sum();
    let lit = |at_ms: f64| {
        let mut rest = (at_ms * 1.07) % period_ms;
        let place = cycle_ms.iter().position(|time| {
            rest -= time;
            rest < 0.0
        });
        place.is_some_and(|place| place % 2 == 0)
    };
    let sample = |n: u32| {
        let seconds = f64::from(n) / 30.0;
        let level = if lit(seconds * 1000.0) { 200 } else { 40 };
        format!("{seconds:.4},{level}\n")
    };
    let text: String = (0..600 * 30).map(sample).collect();
    std::fs::write(&path, text).unwrap();
    let found = json(&["--trace", path.to_str().unwrap()]);
    assert_eq!(found["recognised"], "triple-flash");
    assert_eq!(found["enough"], true);
}

#[test]
fn trace_of_a_change_says_so_and_does_not_suffice() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("film.csv");
    let mut text = String::new();
    for sample in 0..270 {
        let at = f64::from(sample) / 30.0;
        let lit = at > 3.0 && (at - 3.0) % 0.4 < 0.2;
        let _ = writeln!(text, "{at:.4};{}", if lit { 0.9 } else { 0.1 });
    }
    std::fs::write(&file, text).unwrap();
    let trace = ["--trace", file.to_str().unwrap()];
    let object = json(&trace);
    assert_eq!(object["changed"]["before"], "off");
    assert_eq!(object["changed"]["after"], "blinking");
    assert!((object["changed"]["at_s"].as_f64().unwrap() - 3.0).abs() < 0.1);
    assert_eq!(object["recognised"], "blinking");
    let output = lamp(&trace);
    assert_eq!(output.status.code(), Some(6));
    assert!(
        String::from_utf8_lossy(&output.stdout).contains("off until 3.0 s, blinking from then on")
    );
}

#[test]
fn err_lamp_says_what_is_expected() {
    let cases: [(&[&str], i32, &str); 7] = [
        (
            &[],
            2,
            "no terminal to tap on: expected --seen TEXT, --film FILE or --trace FILE",
        ),
        (
            &["--seen", "green"],
            2,
            "--seen: expected \"on 0.2 off 1.0\"",
        ),
        (&["--seen", "power: steady"], 2, "expected --profile"),
        (
            &["--seen", "powr: steady", "--profile", "generic-hv-stack"],
            2,
            "expected one of power, fault, charge",
        ),
        (
            &["--seen", "steady", "--seen", "dark"],
            2,
            "expected every lamp once",
        ),
        (&["--trace", "no such file"], 4, "cannot be read"),
        (&["--seen", "steady", "--profile", "nothing"], 4, "nothing"),
    ];
    for (arguments, exit, part) in cases {
        let output = lamp(arguments);
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(stderr.contains(part), "{arguments:?}: {stderr}");
        assert_eq!(output.status.code(), Some(exit), "{arguments:?}");
    }
}

/// Text that resembles what the readers expect, then damaged.
fn any_text(dice: &mut Dice) -> String {
    const PIECES: [&str; 30] = [
        "on",
        "off",
        " ",
        " ",
        " ",
        "0.2",
        "1.0",
        "200ms",
        "ms",
        "s",
        ",",
        ";",
        "\n",
        "\n",
        "\t",
        "3 flashes",
        "pause",
        "steady",
        "seconds,level",
        "#",
        "1e308",
        "-1e12",
        "nan",
        "inf",
        "\u{feff}",
        "é",
        "twice",
        "slow",
        "\0",
        "9",
    ];
    let mut text = String::new();
    match dice.pick(8) {
        // Mostly a trace, seldom long enough to be read.
        0 => {
            let mut at = 0.0;
            for _ in 0..dice.pick(26) {
                at += dice.even() * if dice.pick(20) == 0 { -0.1 } else { 0.1 };
                let level = dice.normal() * 10f64.powi(dice.pick(13) as i32);
                let _ = writeln!(text, "{at},{level}");
            }
        }
        _ => {
            for _ in 0..dice.pick(14) {
                text.push_str(PIECES[dice.pick(PIECES.len())]);
            }
        }
    }
    if dice.pick(3) == 0 && !text.is_empty() {
        let mut letters: Vec<char> = text.chars().collect();
        let at = dice.pick(letters.len());
        letters[at] = char::from_u32((dice.next() & 0x7ff) as u32).unwrap_or('?');
        text = letters.into_iter().collect();
    }
    text
}

// Kind: invented (seeded; the same entry as fuzz/fuzz_targets/lamp_text.rs)
#[test]
fn any_text_is_read_or_refused_and_never_panics() {
    const SEED: u64 = 0x001a_3b5c;
    const TEXTS: u64 = 30_000;
    let mut understood = 0;
    for number in 0..TEXTS {
        let text = any_text(&mut Dice(SEED + number));
        let read = std::panic::catch_unwind(|| read_any_text(&text));
        assert!(read.is_ok(), "panic at seed {:#x}: {text:?}", SEED + number);
        understood += u32::from(read.unwrap());
    }
    println!("{TEXTS} texts from seed {SEED:#x}, {understood} understood");
    assert!(
        understood > 100,
        "the texts must reach beyond the first check: {understood}"
    );
}

/// Columns and rows of the small films made here.
const SIDES: (usize, usize) = (96, 64);

/// A film of a patchy grey wall with two red and green spots of 5 pixels; the hand moves it a little.
fn small_film(lit: impl Fn(usize, f64) -> bool, per_s: usize, seconds: usize) -> Vec<u8> {
    let (width, height) = SIDES;
    let mut film = format!("YUV4MPEG2 W{width} H{height} F{per_s}:1 C444\n").into_bytes();
    let spots = [(24usize, 20usize, 110u8, 200u8), (70, 40, 90, 60)];
    for frame in 0..per_s * seconds {
        let seconds = frame as f64 / per_s as f64;
        let moved = (2.0 * (seconds * 3.0).sin()).round() as isize;
        let mut planes = [Vec::new(), Vec::new(), Vec::new()];
        for y in 0..height {
            for x in 0..width {
                let on_wall = x as isize + moved;
                let patch = ((on_wall / 9 + 7 * (y as isize / 8)) * 37).rem_euclid(60) as u8;
                let mut pixel = [60 + patch, 128, 128];
                for (spot, (left, top, blue, red)) in spots.into_iter().enumerate() {
                    let inside = (left as isize..left as isize + 5).contains(&on_wall);
                    if inside && (top..top + 5).contains(&y) && lit(spot, seconds * 1000.0) {
                        pixel = [210, blue, red];
                    }
                }
                for (plane, sample) in planes.iter_mut().zip(pixel) {
                    plane.push(sample);
                }
            }
        }
        film.extend(b"FRAME\n");
        film.extend(planes.concat());
    }
    film
}

/// Whether a cycle of on and off times is lit.
fn is_lit(cycle: &[f64], at_ms: f64) -> bool {
    let mut rest = at_ms % cycle.iter().sum::<f64>();
    let place = cycle.iter().position(|time| {
        rest -= time;
        rest < 0.0
    });
    place.is_some_and(|place| place % 2 == 0)
}

// Kind: derived (CiA 303-3 times for one lamp, five flashes for the other; places and colours as drawn)
#[test]
fn film_gives_each_lamp_its_place_colour_and_pattern() {
    let mut five = [200.0; 10];
    five[9] = 1000.0;
    let lit =
        |spot: usize, at: f64| is_lit(if spot == 0 { &[200.0, 200.0] } else { &five }, at + 70.0);
    let folder = tempfile::tempdir().unwrap();
    let (film, still) = (
        folder.path().join("film.y4m"),
        folder.path().join("seen.png"),
    );
    std::fs::write(&film, small_film(lit, 30, 8)).unwrap();
    let (film, still) = (film.to_str().unwrap(), still.to_str().unwrap());
    let found = json(&[
        "--film",
        film,
        "--picture",
        still,
        "--profile",
        "generic-hv-stack",
    ]);
    let lamps = found["lamps"].as_array().unwrap();
    assert_eq!(lamps.len(), 2, "{found:#}");
    let at = |left: u64| {
        let is_there = |lamp: &&Value| lamp["place"]["left"].as_u64().unwrap().abs_diff(left) <= 6;
        lamps.iter().find(is_there).unwrap()
    };
    assert_eq!(at(24)["recognised"], "blinking");
    assert_eq!(at(24)["place"]["colour"], "red");
    assert_eq!(at(70)["unnamed"]["flashes"], 5);
    assert_eq!(at(70)["recognised"], Value::Null);
    assert_eq!(at(70)["place"]["colour"], "green");
    assert!(std::fs::read(still).unwrap().starts_with(b"\x89PNG"));
}

// Kind: invented (half of a film, and one that never changes)
#[test]
fn err_film_says_what_is_wrong_and_a_still_wall_is_not_called_dark() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("film.y4m");
    let mut film = small_film(|_, _| false, 10, 4);
    std::fs::write(&path, &film).unwrap();
    let output = lamp(&["--film", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(6));
    assert!(String::from_utf8_lossy(&output.stdout).contains("NO PLACE BLINKS"));
    film.truncate(film.len() - 5);
    std::fs::write(&path, &film).unwrap();
    let output = lamp(&["--film", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(4));
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(
        stderr.contains("frame 40: expected 18432 bytes, found 18427"),
        "{stderr}"
    );
}

// Kind: invented (seeded; the same entry as fuzz/fuzz_targets/lamp_film.rs)
#[test]
fn any_bytes_are_a_film_or_refused_and_never_panic() {
    const SEED: u64 = 0x00f1_1a5e;
    let heading = [
        "YUV4MPEG2",
        " W16",
        " H16",
        " W8192",
        " H99999",
        " F30:1",
        " F0:0",
        " C444",
        " Cmono",
        "\n",
        "FRAME",
        "FRAME\n",
        " ",
    ];
    let mut read = 0;
    for number in 0..400 {
        let mut dice = Dice(SEED + number);
        let mut film = b"YUV4MPEG2 W16 H32 F30:1 Cmono\n".to_vec();
        if dice.pick(2) == 0 {
            film.clear();
            for _ in 0..dice.pick(12) {
                film.extend(heading[dice.pick(heading.len())].bytes());
            }
        }
        for _ in 0..dice.pick(60) {
            film.extend(b"FRAME\n");
            let level = dice.next() as u8;
            film.extend((0..512u64).map(|at| level.wrapping_mul(at as u8 | 1)));
        }
        if dice.pick(3) == 0 {
            film.truncate(film.len().saturating_sub(dice.pick(300)));
        }
        let outcome = std::panic::catch_unwind(|| read_any_film(&film));
        assert!(outcome.is_ok(), "panic at seed {:#x}", SEED + number);
        read += u32::from(outcome.unwrap());
    }
    assert!(read > 20, "the films must reach beyond the heading: {read}");
}

#[cfg(unix)]
mod terminal {
    //! The command on a pseudo-terminal: whatever ends it, the terminal is as before.

    use std::process::{Child, Command, Stdio};

    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio_serial::{SerialPort as _, SerialStream};

    struct Terminal {
        master: SerialStream,
        // Kept open: without it the master reads an error once the child is gone.
        slave: SerialStream,
    }

    impl Terminal {
        fn open() -> Self {
            let (master, mut slave) = SerialStream::pair().unwrap();
            slave.set_exclusive(false).unwrap();
            let terminal = Self { master, slave };
            // A new pair is raw; a shell would hand over a terminal that is not.
            terminal.stty(&["sane"]);
            terminal
        }

        fn path(&self) -> String {
            self.slave.name().unwrap()
        }

        fn file(&self) -> std::fs::File {
            std::fs::File::options()
                .read(true)
                .write(true)
                .open(self.path())
                .unwrap()
        }

        fn stty(&self, arguments: &[&str]) -> String {
            let output = Command::new("stty")
                .args(arguments)
                .stdin(self.file())
                .output()
                .unwrap();
            assert!(output.status.success(), "{output:?}");
            String::from_utf8(output.stdout).unwrap()
        }

        fn start(&self) -> Child {
            Command::new(env!("CARGO_BIN_EXE_packside"))
                .args(["lamp", "--format", "json"])
                .stdin(Stdio::from(self.file()))
                .stdout(Stdio::piped())
                .stderr(Stdio::from(self.file()))
                .spawn()
                .unwrap()
        }

        async fn wait_for(&mut self, part: &str) {
            let mut text = String::new();
            let mut bytes = [0; 256];
            while !text.contains(part) {
                let read = self.master.read(&mut bytes).await.unwrap();
                text.push_str(&String::from_utf8_lossy(&bytes[..read]));
            }
        }
    }

    /// Starts the command, ends it in one way, and compares the terminal before and after.
    fn check(end: impl AsyncFnOnce(&mut Terminal, &Child), exit: i32) -> String {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(async {
            let mut terminal = Terminal::open();
            let before = terminal.stty(&["-g"]);
            let child = terminal.start();
            terminal.wait_for("waiting for the first tap").await;
            assert_ne!(terminal.stty(&["-g"]), before, "keys must come one by one");
            end(&mut terminal, &child).await;
            let output = child.wait_with_output().unwrap();
            assert_eq!(output.status.code(), Some(exit), "{output:?}");
            assert_eq!(
                terminal.stty(&["-g"]),
                before,
                "the terminal must be as before"
            );
            String::from_utf8(output.stdout).unwrap()
        })
    }

    #[test]
    fn enter_gives_the_answer_and_the_terminal_back() {
        let text = check(
            async |terminal, _| terminal.master.write_all(b"s\r").await.unwrap(),
            0,
        );
        assert!(text.contains("\"recognised\":\"on\""), "{text}");
    }

    #[test]
    fn ctrl_c_before_anything_is_recognised_ends_with_130_and_the_terminal_back() {
        let text = check(
            async |terminal, _| terminal.master.write_all(b"\x03").await.unwrap(),
            130,
        );
        assert_eq!(text, "");
    }

    #[test]
    fn request_to_terminate_gives_the_terminal_back() {
        let end = async |_: &mut Terminal, child: &Child| {
            let id = child.id().to_string();
            assert!(Command::new("kill").arg(id).status().unwrap().success());
        };
        check(end, 143);
    }
}
