//! The steps of the shipped maps, answers, and resuming.

use std::time::Duration;

use packside_profiles::StateKind;

use super::*;

fn profile(name: &str) -> Profile {
    packside_profiles::find(name, None).unwrap().profile
}

fn answer(step: &str, value: &str) -> StepAnswer {
    StepAnswer {
        step: step.into(),
        question: "invented".into(),
        value: AnswerValue::untyped(value),
        note: None,
    }
}

/// Answers every step with the value given for its kind.
fn walk(visit: &mut Visit<'_>, mut value: impl FnMut(&VisitStep) -> String) -> Vec<String> {
    let mut walked = Vec::new();
    while let Some(step) = visit.next().cloned() {
        assert!(walked.len() < 100, "the visit does not end");
        walked.push(step.id.clone());
        let mut given = answer(&step.id, &value(&step));
        if let Some(why) = visit.held_back(&step) {
            given.value = AnswerValue::HeldBack;
            given.note = Some(why.into());
        }
        visit.take(given);
    }
    walked
}

fn all_well(step: &VisitStep) -> String {
    match &step.kind {
        AnswerKind::Measured(_) => "pass-so-far",
        AnswerKind::Storage => "fit-to-install",
        AnswerKind::Number { lowest: -40.0, .. } => "21 degC",
        AnswerKind::Number { .. } => "10 x",
        _ => "yes",
    }
    .to_owned()
}

// Kind: invented (the order from door to door)
#[test]
fn steps_go_from_door_to_door_and_ask_nothing_twice() {
    for name in ["generic-hv-stack", "generic-lv-rack"] {
        let profile = profile(name);
        let steps = steps(&profile);
        let parts: Vec<Part> = steps.iter().map(|step| step.part).collect();
        assert!(parts.is_sorted(), "{name}: {parts:?}");
        let mut ids: Vec<&str> = steps.iter().map(|step| step.id.as_str()).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), steps.len(), "{name}");
        for own in &profile.manual_steps {
            let mine = steps.iter().find(|step| step.id == own.id).unwrap();
            assert_eq!(mine.text, own.text.clean(), "the profile's words win");
        }
        for step in steps
            .iter()
            .filter(|step| step.needs == packside_profiles::model::Needs::LiveDc)
        {
            assert!(
                step.caution.is_some(),
                "{name}: {} without a caution",
                step.id
            );
        }
    }
}

#[test]
fn visit_where_all_is_well_leaves_nothing_open() {
    let profile = profile("generic-hv-stack");
    let mut visit = Visit::new(&profile);
    let walked = walk(&mut visit, all_well);
    assert!(
        !walked.contains(&"power-cycle".to_owned()),
        "only after a fault"
    );
    assert!(visit.open().is_empty(), "{:?}", visit.open());
}

#[test]
fn fault_brings_the_power_cycle_and_stays_open() {
    let profile = profile("generic-hv-stack");
    let mut visit = Visit::new(&profile);
    let walked = walk(&mut visit, |step| match step.id.as_str() {
        "power-up-alone" => "fault".to_owned(),
        "earth" => "no".to_owned(),
        "ambient-temperature" => "60 degC".to_owned(),
        _ => all_well(step),
    });
    assert!(walked.contains(&"power-cycle".to_owned()));
    let open: Vec<&str> = visit
        .open()
        .iter()
        .map(|(step, _)| step.id.as_str())
        .collect();
    assert_eq!(open, ["ambient-temperature", "earth", "power-up-alone"]);
}

#[test]
fn visit_resumed_from_its_recording_goes_on_where_it_stopped() {
    let profile = profile("generic-hv-stack");
    let events: Vec<Event> = ["who", "where", "sound-outside"]
        .into_iter()
        .map(|step| Event {
            at: Duration::ZERO,
            what: What::Answer(answer(step, "yes")),
        })
        .collect();
    let mut visit = Visit::new(&profile);
    visit.resume(&events);
    assert_eq!(visit.next().unwrap().id, "site");
    assert!(visit.back());
    assert_eq!(visit.next().unwrap().id, "sound-outside");
}

fn check(step: &str, typed: &str, expected: Result<&str, &str>) {
    let profile = profile("generic-hv-stack");
    let steps = steps(&profile);
    let step = steps.iter().find(|known| known.id == step).unwrap();
    let found = understand(step, &typed.into()).map(|value| value.text().clean().into_owned());
    assert_eq!(
        found.as_deref().map_err(String::as_str),
        expected,
        "{typed:?}"
    );
}

#[test]
fn typed_answers_are_understood_or_say_what_was_expected() {
    check("site", " Y ", Ok("yes"));
    check("site", "no", Ok("no"));
    check("site", "maybe", Err("expected y or n, found \"maybe\""));
    check("ambient-temperature", "21,5 degC", Ok("21.5 degC"));
    check(
        "ambient-temperature",
        "warm",
        Err("expected a number from -40 to 70 (degC), found \"warm\""),
    );
    check(
        "ambient-temperature",
        "NaN",
        Err("expected a number from -40 to 70 (degC), found \"NaN\""),
    );
    check("plugged", "2", Ok("instead-of-inverter"));
    check("plugged", "service", Ok("service"));
    check(
        "plugged",
        "0",
        Err("expected 1 to 3 or one of service, instead-of-inverter, across-the-pair, found \"0\""),
    );
    check("who", "  ", Err("expected a few words, found nothing"));
}

#[test]
fn answers_file_gives_values_notes_skips_and_photos() {
    let profile = profile("generic-hv-stack");
    let text = "format = 1\n[answers]\nsite = true\nambient-temperature = 21\n\
                earth = { answer = \"no\", note = \"clamp missing\" }\npolarity = { skip = \"locked\" }\n\
                [photos]\nnameplates = [\"a.jpg\"]\n";
    let read = answers::read(text, "answers.toml", &steps(&profile)).unwrap();
    let of = |step: &str| read.answers[step].clone();
    assert_eq!(of("site"), (AnswerValue::InOrder, None));
    assert_eq!(
        of("ambient-temperature"),
        (AnswerValue::Number(21.0, "degC".into()), None)
    );
    assert_eq!(
        of("earth"),
        (AnswerValue::NotInOrder, Some("clamp missing".into()))
    );
    assert_eq!(
        of("polarity"),
        (AnswerValue::LeftOut, Some("locked".into()))
    );
    assert_eq!(read.photos["nameplates"], ["a.jpg"]);
}

#[test]
fn err_answers_file_names_all_its_mistakes() {
    let profile = profile("generic-hv-stack");
    let text = "format = 2\n[answers]\nsite = \"maybe\"\nsight = \"yes\"\n\
                power-up-alone = { answer = \"pass\" }\nearth = { skipp = \"x\" }\n";
    let mistakes = answers::read(text, "answers.toml", &steps(&profile)).unwrap_err();
    let lines: Vec<&str> = mistakes.lines().collect();
    assert_eq!(lines[0], "answers.toml: format: expected 1, found 2");
    for expected in [
        "line 3, site: expected y or n, found \"maybe\"",
        "line 4, sight: expected the name of a step, found \"sight\"",
        "line 5, power-up-alone: expected skip only: the tool finds this out by itself",
        "line 6, earth: expected answer, note or skip, found \"skipp\"",
    ] {
        assert!(lines.contains(&expected), "{mistakes}");
    }
}

// Kind: derived (times given, bounds by subtraction)
#[test]
fn precharge_is_bounded_by_the_reads_around_it_or_said_not_to_be_seen() {
    let at = |states: &[(u64, StateKind)]| {
        let states: Vec<_> = states
            .iter()
            .map(|(ms, kind)| (Duration::from_millis(*ms), *kind))
            .collect();
        power_up::precharge(&states)
    };
    assert_eq!(
        at(&[
            (0, StateKind::Waiting),
            (200, StateKind::Precharge),
            (600, StateKind::Precharge),
            (800, StateKind::Standby)
        ]),
        "pre-charge observed, it took 0.4 to 0.8 s"
    );
    assert_eq!(
        at(&[(0, StateKind::Waiting), (900, StateKind::Running)]),
        "pre-charge not observed: the unit went into service between two reads 0.9 s apart"
    );
    assert_eq!(
        at(&[(0, StateKind::Running)]),
        "pre-charge not observed: the unit was in service already"
    );
    assert_eq!(
        at(&[(0, StateKind::Waiting)]),
        "pre-charge not observed: the unit did not go into service"
    );
}

#[test]
fn unit_with_an_open_fault_is_not_put_into_service() {
    let profile = profile("generic-hv-stack");
    let mut visit = Visit::new(&profile);
    let held = |visit: &Visit<'_>, id: &str| {
        let step = visit.steps().iter().find(|step| step.id == id).unwrap();
        visit.held_back(step).is_some()
    };
    assert!(!held(&visit, "inverter-on") && !held(&visit, "load-test"));
    visit.keep(answer("power-up-alone", "fault"));
    assert!(held(&visit, "inverter-on") && held(&visit, "with-inverter"));
    assert!(held(&visit, "load-test") && !held(&visit, "power-cycle"));
    visit.keep(answer("power-cycle", "pass-so-far"));
    assert!(!held(&visit, "inverter-on"), "a clean power cycle lifts it");
    // A step that ended with a fault can be repeated itself.
    let mut visit = Visit::new(&profile);
    visit.keep(answer("with-inverter", "fault"));
    assert!(held(&visit, "load-test") && !held(&visit, "with-inverter"));
}

#[test]
fn clean_power_cycle_leads_back_to_what_the_fault_held_back() {
    let profile = profile("generic-hv-stack");
    let mut visit = Visit::new(&profile);
    let walked = walk(&mut visit, |step| match step.id.as_str() {
        "power-up-alone" => "fault".to_owned(),
        _ => all_well(step),
    });
    let of = |walked: &[String], id: &str| walked.iter().filter(|step| *step == id).count();
    assert_eq!(of(&walked, "with-inverter"), 2, "left out, then asked");
    assert_eq!(of(&walked, "power-cycle"), 1);
    assert_eq!(of(&walked, "monitoring"), 1);
    let last: Vec<&str> = walked.iter().rev().take(2).map(String::as_str).collect();
    assert_eq!(last, ["handed-over", "monitoring"]);
    assert!(
        visit
            .open()
            .iter()
            .all(|(step, _)| step.id == "power-up-alone")
    );
}

#[test]
fn what_stopped_a_visit_is_answered_again_first() {
    let profile = profile("generic-hv-stack");
    let said = |step: &str, value: &str| Event {
        at: Duration::ZERO,
        what: What::Answer(answer(step, value)),
    };
    let mut visit = Visit::new(&profile);
    visit.resume(&[said("who", "A. Invented"), said("polarity", "no")]);
    assert_eq!(visit.stop().unwrap().0.id, "polarity");
    assert_eq!(visit.next().unwrap().id, "polarity");
    visit.take(answer("polarity", "yes"));
    assert!(visit.stop().is_none());
    let mut visit = Visit::new(&profile);
    visit.resume(&[said("storage", Fitness::Quarantine.id())]);
    assert_eq!(visit.next().unwrap().id, "stored-charge");
}

#[test]
fn printed_answers_file_can_be_filled_in_and_read() {
    for name in ["generic-hv-stack", "generic-lv-rack"] {
        let steps = steps(&profile(name));
        let template = answers::template(&steps);
        assert_eq!(
            answers::read(&template, "answers.toml", &steps)
                .unwrap()
                .answers
                .len(),
            0
        );
        // Every suggestion without its mark.
        let filled: String = template
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                Some(rest)
                    if rest.split_once(" = ").is_some_and(|(key, _)| {
                        steps.iter().any(|step| step.id == key) && !rest.contains("plate.jpg")
                    }) =>
                {
                    format!("{rest}\n")
                }
                _ => format!("{line}\n"),
            })
            .collect();
        let read = answers::read(&filled, "answers.toml", &steps)
            .unwrap_or_else(|why| panic!("{why}\n{filled}"));
        assert_eq!(
            read.answers.len(),
            steps.len() - 1,
            "all but the computed one"
        );
    }
}
