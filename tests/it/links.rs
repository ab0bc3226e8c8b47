//! `check` on every scenario over every link that fits: what must follow, what is given.
//!
//! In virtual time over all of them, and in real time (when asked for) for ten over a
//! pseudo-terminal, Modbus TCP and RTU over TCP. The table is printed with `--nocapture`.
//!
//! Kind of all expectations: invented (the scenarios), judged by FIELD practice.
//!
//! # What counts as right
//! On the link that a scenario is written for: its verdict, its causes and exactly its roots. On
//! another one less may be known, so `undecided` and `bus-problem` are right there too; any other
//! statement about the battery is wrong, and so is a root that is none of the scenario's.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use packside_simulator::serve::{Options, Place, Server};
use packside_simulator::{Expect, MischiefKind, Scenario, Way};
use serde_json::Value;

use super::scenarios::{disagreement, surplus_root};
use super::tool::packside;

/// How a scenario is looked at.
const WAYS: [(&str, Way, &[&str]); 3] = [
    ("line", Way::Serial, &[]),
    ("tcp", Way::Tcp, &["--framing", "tcp"]),
    ("rtu-over-tcp", Way::RtuOverTcp, &["--framing", "rtu"]),
];

/// Right on links other than the scenario's own, where something else is to be seen: scenario, link,
/// verdict.
const OTHER_THERE: &[(&str, &str, &str)] = &[
    // A gateway takes the first answer to its question and throws the late one away: all that ever
    // arrives is of the quicker unit, and is about that one, by its serial number.
    ("hv-two-units-in-turn", "tcp", "awaiting-inverter"),
];

/// Ten that are looked at in real time: one of each kind.
const IN_REAL_TIME: [&str; 10] = [
    "hv-waiting",
    "hv-fault-behind-lamp",
    "hv-running",
    "hv-cell-low-no-flag",
    "hv-cold",
    "hv-inverter-lost",
    "hv-unknown-alarm-bit",
    "hv-no-answer",
    "hv-inverter-on-can-silent",
    "rack-hidden-fault",
];

/// Longest time that a look takes in real time.
const PATIENCE: Duration = Duration::from_secs(120);

#[derive(Debug, PartialEq, Eq)]
enum Mark {
    Right,
    /// Less is said than could be known on another link.
    Less,
    Wrong,
}

struct Row {
    text: String,
    mark: Mark,
}

/// Whether a scenario means anything on a link.
fn fits(scenario: &Scenario, way: Way) -> bool {
    let of_the_adapter = scenario.line.hold_back.is_some()
        || scenario.events.iter().any(|event| event.adapter.is_some())
        || scenario
            .mischief
            .iter()
            .any(|rule| rule.kind == MischiefKind::Echo);
    // A gateway is set up as its units are, whatever their map says.
    let of_the_adapter = of_the_adapter || scenario.line.unit.is_some();
    match way {
        Way::Serial => scenario.gateway.is_none(),
        Way::Tcp => !of_the_adapter,
        // What a gateway does of itself it does where it knows questions.
        Way::RtuOverTcp => !of_the_adapter && scenario.gateway.is_none(),
    }
}

fn row(
    scenario: &Scenario,
    link: &'static str,
    is_own: bool,
    expect: &Expect,
    arguments: &[&str],
) -> Row {
    let output = packside(arguments);
    let object: Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|_| {
        let why = String::from_utf8_lossy(&output.stderr);
        panic!("no JSON from {arguments:?}: {why}")
    });
    let kind = object["verdict"]["kind"].as_str().unwrap_or("none");
    let disagrees = disagreement(&object, expect);
    let says_less = matches!(kind, "undecided" | "bus-problem");
    let is_other_there = OTHER_THERE.contains(&(scenario.name.as_str(), link, kind));
    let mark = if disagrees.is_none() || is_other_there {
        Mark::Right
    } else if !is_own && says_less && surplus_root(&object, expect).is_none() {
        Mark::Less
    } else {
        Mark::Wrong
    };
    let given = disagrees.unwrap_or_else(|| kind.to_owned());
    let word = match mark {
        Mark::Right => "right",
        Mark::Less => "less",
        Mark::Wrong => "WRONG",
    };
    let text = format!(
        "{:<40} {link:<12} {:>6.0} s  {:<34} {given:<18} {word}",
        scenario.name,
        expect.at.as_secs_f64(),
        expect.verdict.join(" or ")
    );
    Row { text, mark }
}

/// Prints the table and its sums; gives what is wrong.
fn print(rows: &[Row]) -> Vec<&str> {
    println!(
        "{:<40} {:<12} {:>8}  {:<34} {:<18} ",
        "scenario", "link", "at", "must follow", "is given"
    );
    for row in rows {
        println!("{}", row.text);
    }
    let count = |mark: Mark| rows.iter().filter(|row| row.mark == mark).count();
    println!(
        "{} looks: {} right, {} less, {} wrong",
        rows.len(),
        count(Mark::Right),
        count(Mark::Less),
        count(Mark::Wrong)
    );
    let wrong = rows.iter().filter(|row| row.mark == Mark::Wrong);
    wrong.map(|row| row.text.as_str()).collect()
}

#[test]
fn every_scenario_over_every_link_that_fits_is_right_or_says_less() {
    let mut rows = Vec::new();
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        for (link, way, more) in WAYS {
            if !fits(&scenario, way) {
                continue;
            }
            for expect in &scenario.expects {
                let at = expect.at.as_secs_f64().to_string();
                let mut arguments = vec!["check", "--simulated", name, "--look-at", &at];
                arguments.extend(more);
                arguments.extend(["--format", "json"]);
                rows.push(row(
                    &scenario,
                    link,
                    way == scenario.way(),
                    expect,
                    &arguments,
                ));
            }
        }
    }
    let wrong = print(&rows);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// One look in real time: serves the scenario on a thread, and looks at it from outside.
fn in_real_time(scenario: &Scenario, link: &'static str, place: &Place, anyway: bool) -> Row {
    let map = scenario.load_map(None).unwrap();
    let expect = scenario.expects.last().unwrap();
    // Serial lines are listened to first.
    let listens = if place.way() == Way::Tcp { 0 } else { 6 };
    let options = Options {
        start_at: expect.at.saturating_sub(Duration::from_secs(listens)),
        ..Options::of(scenario)
    };
    let mut server = Server::open(scenario, &map.profile, place, &options).unwrap();
    let reach = server.reach().to_owned();
    let until = options.start_at + PATIENCE;
    let ended = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&ended);
    let serving = std::thread::spawn(move || {
        server.run(|site| !seen.load(Ordering::Relaxed) && site.world().now() < until)
    });
    let mut arguments = vec!["check", "--profile", &scenario.profile, "--format", "json"];
    match place.way() {
        Way::Serial => arguments.extend(["--serial", &reach]),
        Way::Tcp => arguments.extend(["--gateway", &reach]),
        Way::RtuOverTcp => arguments.extend(["--gateway", &reach, "--framing", "rtu"]),
    }
    // The rack takes any question for its inverter: only the user's word lets the tool ask.
    if anyway || scenario.profile.ends_with("rack") {
        arguments.push("--may-wake");
    }
    if anyway {
        arguments.extend(["--beside-others", "--listen-first", "1"]);
    }
    // On a real line the tool does not ask where somebody else is heard asking: it judges what it
    // overhears. An inverter that reads the state alone leaves twenty needed points unasked, so that
    // no listening, however long, can settle more. (A simulated link lets the tool ask: nobody can be
    // disturbed.)
    let knows_all = place.way() == scenario.way() && !is_shared(scenario, place);
    let row = row(scenario, link, knows_all, expect, &arguments);
    ended.store(true, Ordering::Relaxed);
    serving.join().unwrap().unwrap();
    row
}

/// Whether somebody else is heard asking there.
fn is_shared(scenario: &Scenario, place: &Place) -> bool {
    place.way() != Way::Tcp && scenario.inverter.is_some()
}

// Its maps are files of the tool, so only scenarios that change nothing in them can be looked at
// from outside.
#[test]
#[ignore = "a few minutes of real time; ./tests/run --long"]
fn ten_scenarios_in_real_time_over_pty_and_sockets_are_right_or_say_less() {
    let local = || "127.0.0.1:0".to_owned();
    let places = [
        ("pty", Place::Pty),
        ("tcp", Place::Tcp(local())),
        ("rtu-over-tcp", Place::RtuOverTcp(local())),
    ];
    let scenarios = IN_REAL_TIME.map(|name| Scenario::find(name).unwrap());
    let mut looks = Vec::new();
    for scenario in &scenarios {
        for (link, place) in &places {
            looks.push((scenario, *link, place, false));
            // Where the line is shared, once more on the user's word.
            if is_shared(scenario, place) {
                looks.push((scenario, "asking anyway", place, true));
            }
        }
    }
    let mut rows = Vec::new();
    for some in looks.chunks(15) {
        std::thread::scope(|scope| {
            let look = |(scenario, link, place, anyway)| {
                scope.spawn(move || in_real_time(scenario, link, place, anyway))
            };
            let running: Vec<_> = some.iter().copied().map(look).collect();
            rows.extend(running.into_iter().map(|look| look.join().unwrap()));
        });
    }
    let wrong = print(&rows);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
