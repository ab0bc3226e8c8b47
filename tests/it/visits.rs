//! Recordings of simulated visits in virtual time, for the tests of the report.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use packside::event::{AnswerValue, Consent, Event, StepAnswer, What};
use packside::judge::judge;
use packside::link::{Asking, Wake};
use packside::poll::{Cost, Look, LookWant};
use packside::recording::{Entry, Header, ProfileText, Recorder, Shown, Start};
use packside::simulated::open_simulated;
use packside::wire::{Ask, Question};
use packside_profiles::model::Table;
use packside_profiles::{Known, Profile};
use packside_simulator::Scenario;

/// How a visit is to go.
pub(crate) struct Plan<'a> {
    /// The scenario, as a file would hold it.
    pub(crate) scenario: &'a str,
    /// Wall clock at its beginning.
    pub(crate) utc: &'a str,
    /// The short block is asked every second until then.
    pub(crate) seconds: u64,
    /// Moments of full looks with a verdict, seconds.
    pub(crate) looks: &'a [u64],
    /// Whether everything is read every second, instead of the short block.
    pub(crate) all: bool,
    /// Entries at a second of the session.
    pub(crate) more: Vec<(u64, What)>,
}

/// A scenario of a sound stack whose inverter comes after a minute.
pub(crate) fn stack(seed: u64, current: f64, more: &str) -> String {
    // Kind: invented.
    format!(
        "format = 1\nname = \"visit\"\ntitle = \"A visit\"\nprofile = \"generic-hv-stack\"\nseed = {seed}\nlook_at = \"90s\"\n\
         [stack]\nmodules = 5\nsoc = 55\ntemperature = 21\nfirmware = \"2.4\"\n[inverter]\nfrom = \"70s\"\nevery = \"5s\"\n\
         current = {current:.1}\n{more}\n[[expect]]\nat = \"90s\"\nverdict = [\"normal\"]\n"
    )
}

pub(crate) fn answer(step: &str, question: &str, value: &str, note: Option<&str>) -> What {
    What::Answer(StepAnswer {
        step: step.into(),
        question: question.into(),
        value: AnswerValue::untyped(value),
        note: note.map(Into::into),
    })
}

pub(crate) fn sighting(lamp: &str, pattern: &str) -> What {
    What::Sighting {
        lamp: lamp.into(),
        pattern: pattern.into(),
    }
}

/// Makes the recording; it is sealed at the end.
pub(crate) fn record(path: &Path, plan: &Plan) {
    let scenario = Scenario::load(plan.scenario, "visit").unwrap();
    let found = packside_profiles::find(&scenario.profile, None).unwrap();
    let profile = found.profile;
    let header = Header {
        tool: env!("CARGO_PKG_VERSION").to_owned(),
        profile: Some(ProfileText {
            id: profile.profile.id.clone(),
            sha256: "0".repeat(64),
            text: found.text,
        }),
        simulated_seed: Some(scenario.seed),
    };
    let _ = std::fs::remove_file(path);
    let mut recorder = Recorder::create(path, &header).unwrap();
    let start = Start {
        utc: plan.utc.to_owned(),
        offset_minutes: 60,
    };
    recorder.session(&start).unwrap();
    let recorder = Arc::new(Mutex::new(recorder));
    let tape = Arc::new(Mutex::new(Vec::<Event>::new()));
    let mut quiet = open_simulated(&scenario, &profile, Duration::ZERO, None);
    let (to_file, to_tape) = (recorder.clone(), tape.clone());
    quiet.record_to(Box::new(move |event| {
        to_file
            .lock()
            .unwrap()
            .entry(&Entry::Event(event.clone()))
            .unwrap();
        to_tape.lock().unwrap().push(event.clone());
    }));
    let proof = quiet
        .prove(
            &Wake::of(Some(&profile), &Known::default(), &[]),
            Duration::ZERO,
            Consent::BOTH,
        )
        .unwrap();
    let functions = profile.answering.functions.clone();
    let mut asking = quiet.ask(proof, &functions).map_err(|back| back.1).unwrap();
    for second in 0..plan.seconds {
        for (_, what) in plan.more.iter().filter(|(at, _)| *at == second) {
            let event = Event {
                at: asking.now(),
                what: what.clone(),
            };
            recorder
                .lock()
                .unwrap()
                .entry(&Entry::Event(event.clone()))
                .unwrap();
            tape.lock().unwrap().push(event);
        }
        // Not at whole seconds, where the inverter talks: two clocks without any drift would collide
        // every time.
        let _ = asking.idle(Duration::from_millis(second * 1000 + 400));
        if plan.looks.contains(&second) {
            look(&mut asking, &profile);
            show(&recorder, &tape.lock().unwrap(), &profile);
        } else if plan.all {
            look(&mut asking, &profile);
        } else {
            let ask = short(&profile);
            let _ = asking.ask(ask, Duration::from_millis(600));
        }
    }
    recorder.lock().unwrap().seal().unwrap();
}

/// State, alarms, voltages, current and extremes in one question.
fn short(profile: &Profile) -> Ask {
    Ask {
        unit: profile.answering.unit,
        question: Question::Read {
            table: Table::Input,
            address: 0,
            count: 28,
        },
    }
}

fn look(asking: &mut Asking, profile: &Profile) {
    let cost = Cost {
        line: asking.line(),
        answer_time: Duration::from_millis(profile.answering.answer_time_ms.into()),
    };
    let mut look = Look::new(
        Arc::new(profile.clone()),
        profile.answering.unit,
        false,
        cost,
    );
    loop {
        match look.next(asking.now()) {
            LookWant::Done => return,
            LookWant::WaitUntil(at) => asking.idle(at).unwrap(),
            LookWant::Ask(ask) => {
                let exchange = asking.ask(ask, Duration::from_millis(600)).unwrap();
                look.take(&exchange);
            }
        }
    }
}

/// Judges and records what a screen would have shown.
fn show(recorder: &Arc<Mutex<Recorder>>, tape: &[Event], profile: &Profile) {
    let judgement = judge(tape, Some(profile), None);
    let mut recorder = recorder.lock().unwrap();
    if let Some(serial) = &judgement.identity.serial {
        recorder
            .entry(&Entry::Unit(serial.as_str().into()))
            .unwrap();
    }
    let shown = Shown::of(&judgement, packside::words::summary(&judgement));
    recorder.entry(&Entry::Shown(shown)).unwrap();
}
