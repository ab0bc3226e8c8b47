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

/// The step of a pipeline passes while every verdict is as it was shown, and fails with what changed.
#[cfg(unix)]
#[test]
fn pipeline_fails_on_a_changed_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let step = |words: &[&std::ffi::OsStr]| {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/pipeline/judge-again");
        let done = std::process::Command::new(script)
            .args(words)
            .env("PACKSIDE", env!("CARGO_BIN_EXE_packside"))
            .current_dir(folder.path())
            .output()
            .unwrap();
        (
            done.status.code(),
            String::from_utf8_lossy(&done.stdout).into_owned(),
        )
    };
    let visits = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/visits");
    let kept = folder.path().join("kept");
    std::fs::create_dir(&kept).unwrap();
    let name = "sound-waits-for-inverter.visit.jsonl";
    std::fs::copy(format!("{visits}/{name}"), kept.join(name)).unwrap();
    let (exit, said) = step(&[kept.as_os_str()]);
    assert_eq!(exit, Some(0), "{said}");
    assert!(
        said.ends_with("judge-again: every verdict as shown\n"),
        "{said}"
    );
    // Kind: derived (another map sees another unit in the same bytes)
    let (exit, said) = step(&[kept.as_os_str(), "generic-lv-rack".as_ref()]);
    assert_eq!(exit, Some(7), "{said}");
    assert!(said.ends_with("judge-again: a verdict changed\n"), "{said}");
    let xml = std::fs::read_to_string(folder.path().join("verdicts.xml")).unwrap();
    assert!(xml.contains("<failure type=\"verdict\""), "{xml}");
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

/// Two searches at once on this one thread, each behind a gateway of its own: both find who is there.
#[test]
fn two_gateways_are_searched_on_one_thread() {
    use packside::drive::find as run;
    use packside::event::Consent;
    use packside::find::{Found, Volley, Who, prior, who};
    use packside::link::{Notice, OpenOptions, Opening, Target, Wake, side_by_side};
    use packside::wire::{Ask, Framing};
    use packside_profiles::Known;
    use std::time::Duration;

    let maps = ["generic-hv-stack", "generic-lv-rack"];
    let profiles = maps.map(|id| packside_profiles::find(id, None).unwrap().profile);
    let scenarios = [("hv-running", maps[0]), ("rack-packs-unlike", maps[1])];
    let served = scenarios.map(|(scenario, _)| served(scenario));
    let question = who::probes(&profiles)[0].question;
    let searched = served.iter().map(|served| async {
        let target = Target::gateway(&served.reach, Framing::Tcp).unwrap();
        let say = std::sync::Arc::new(|_: &Notice| {});
        let opening = Opening::new(target, OpenOptions::default(), say).awaited();
        let quiet = opening.open().await.unwrap();
        let wake = Wake::of(None, &Known::default(), &[]);
        let proof = quiet.prove(&wake, Duration::ZERO, Consent::BOTH).unwrap();
        let mut asking = quiet.ask(proof, &run::FUNCTIONS).map_err(drop).unwrap();
        let mut volley = Volley::new(&[1, 2, 3], question, true);
        run::volley_async(&mut asking, &mut volley, |_| {})
            .await
            .unwrap();
        let alike = volley.alike().swap_remove(0);
        let found = Found {
            line: prior::lines().next().unwrap().0,
            unit: alike.units[0],
            refused: alike.first_refusal,
            answer_time: alike.answer_time,
            ask: Ask {
                unit: alike.units[0],
                question,
            },
            also_lines: Vec::new(),
            also_at: Vec::new(),
        };
        let mut who = Who::new(&found, &profiles);
        run::identify_async(&mut asking, &mut who).await.unwrap();
        who.identity().profile().map(str::to_owned)
    });
    let named = side_by_side(searched).unwrap();
    assert_eq!(named, scenarios.map(|(_, map)| Some(map.to_owned())));
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
