//! The programs of `examples/` against the simulator, served over TCP on this computer.
//!
//! Kind of all units here: invented.

use std::sync::Mutex;

use packside_simulator::serve::Place;

use super::find_served::{Served, anywhere};

#[path = "../../examples/many_gateways.rs"]
#[expect(dead_code, reason = "its main is not called")]
mod many_gateways;
#[path = "../../examples/one_look.rs"]
#[expect(dead_code, reason = "its main is not called")]
mod one_look;

fn served(scenario: &str) -> Served {
    let place = Place::Tcp(anywhere());
    Served::start(scenario, &place)
}

fn words<'w>(words: &'w [&'w str]) -> impl Iterator<Item = String> + 'w {
    words.iter().map(|word| (*word).to_owned())
}

#[test]
fn one_look_prints_the_verdict_and_its_line() {
    let served = served("hv-fault-behind-lamp");
    let mut out = Vec::new();
    one_look::run(words(&["generic-hv-stack", &served.reach]), &mut out).unwrap();
    let out = String::from_utf8(out).unwrap();
    assert!(
        out.starts_with("fault: Insulation to earth too low"),
        "{out}"
    );
    assert_eq!(out.lines().count(), 1, "{out}");
}

/// Three units at once on this one thread: each gets the verdict of its own scenario.
#[test]
fn many_gateways_are_watched_on_one_thread() {
    let scenarios = [
        ("hv-fault-behind-lamp", "fault"),
        ("hv-waiting", "awaiting-inverter"),
        ("hv-running", "normal"),
    ];
    let served = scenarios.map(|(scenario, _)| served(scenario));
    let reaches = served.each_ref().map(|served| served.reach.as_str());
    let all: Vec<&str> = ["generic-hv-stack", "20"]
        .into_iter()
        .chain(reaches)
        .collect();
    let out = Mutex::new(Vec::new());
    many_gateways::run(words(&all), &out).unwrap();
    let out = String::from_utf8(out.into_inner().unwrap()).unwrap();
    for (reach, (_, verdict)) in reaches.iter().zip(scenarios) {
        let last = out.lines().rfind(|line| line.starts_with(reach));
        let begins = format!("{reach} {verdict}: ");
        assert!(
            last.is_some_and(|line| line.starts_with(&begins)),
            "{reach} {verdict}\n{out}"
        );
    }
}

#[test]
fn port_link_and_session_may_move_to_another_thread() {
    fn may_move<T: Send>() {}
    may_move::<packside::session::Session>();
    may_move::<packside::drive::Link>();
    may_move::<Box<dyn packside::link::Port>>();
}

/// A call that blocks on a link that must be awaited says so instead of hanging.
#[test]
fn blocking_call_on_an_awaited_link_is_an_error() {
    use packside::link::{LinkTrouble, Notice, OpenOptions, Opening, Target, side_by_side};
    use packside::wire::Framing;
    let served = served("hv-running");
    let target = Target::gateway(&served.reach, Framing::Tcp).unwrap();
    let opening = Opening::new(
        target,
        OpenOptions::default(),
        std::sync::Arc::new(|_: &Notice| {}),
    );
    let opening = opening.awaited();
    let waited = side_by_side([async {
        let mut quiet = opening.open().await.unwrap();
        let until = quiet.now() + std::time::Duration::from_secs(60);
        quiet.listen(until)
    }]);
    assert_eq!(waited.unwrap(), [Err(LinkTrouble::MustBeAwaited)]);
}
