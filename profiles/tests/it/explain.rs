//! What `explain` says, as text, and what it never says.

use packside_profiles::explain::{consequence, explain, overview};
use packside_profiles::model::Profile;
use packside_profiles::{Class, load, shipped};

fn each(check: impl Fn(&Profile)) {
    for (id, text) in shipped() {
        check(&load(text, id).unwrap());
    }
}

fn stack() -> Profile {
    load(shipped()[0].1, shipped()[0].0).unwrap()
}

#[test]
fn flag_is_explained_with_meaning_consequence_place_and_what_to_do() {
    assert_eq!(
        explain(&stack(), "insulation-low").unwrap(),
        "\
flag insulation-low of generic-hv-stack
  meaning      insulation against earth is too low
  verdict      fault; a silent inverter never explains it
  severity     alarm (class insulation-low)
  stands in    alarm_2, bit 0, meant when 1 (input 2)
  lies in      the inverter or what hangs on it
  do first     touch no metal, a pole may be at earth; inverter to 0 A, unit off, then isolate
               inverter and PV by the manual; nobody at the terminals, unit on, look again: still
               low, it lies in the stack; risen, on their side
  clears       by itself when its reason has gone
  brings along switches-open, terminals-dead, limits-zero, not-ready
  lamps        charge off, fault blinking, power on
  caution      read and record everything before anything is switched off, restarted or reset. The
               unit holds hazardous voltage even when switched off: qualified persons, the maker's
               manual
"
    );
}

#[test]
fn flag_and_lamp_code_of_one_name_are_both_explained() {
    let text = explain(&stack(), "inverter-silent").unwrap();
    assert!(text.starts_with("flag inverter-silent of"), "{text}");
    assert!(text.contains("\nlamp code inverter-silent of"), "{text}");
    assert!(
        text.contains("only if nothing else at all is wrong"),
        "{text}"
    );
    assert!(
        text.contains("the lamps alone cannot tell these apart"),
        "{text}"
    );
}

#[test]
fn err_explain_of_an_unknown_id_suggests_the_near_ones() {
    let error = explain(&stack(), "inverter-slient").unwrap_err();
    assert_eq!(
        error.to_string(),
        "generic-hv-stack: expected the id of a flag, point, lamp or lamp code, found \"inverter-slient\"; \
         did you mean inverter-silent?"
    );
    assert!(explain(&stack(), "zzzzzz").unwrap_err().near.is_empty());
}

#[test]
fn every_id_is_explained_within_100_columns() {
    each(|profile| {
        let ids = profile.flags.iter().map(|f| &f.id);
        let ids = ids.chain(profile.points.iter().map(|p| &p.id));
        let ids = ids.chain(profile.lamps.iter().map(|l| &l.id));
        let ids = ids.chain(profile.lamp_codes.iter().map(|c| &c.id));
        for text in ids
            .map(|id| explain(profile, id).unwrap())
            .chain([overview(profile)])
        {
            assert!(
                text.lines().all(|line| line.chars().count() <= 100),
                "{text}"
            );
        }
    });
}

#[test]
fn no_real_fault_is_ever_said_to_follow_from_the_inverter() {
    each(|profile| {
        for flag in &profile.flags {
            let text = consequence(profile, flag);
            let may =
                flag.class == Class::InverterSilent || flag.class.may_follow_inverter_silence();
            assert_eq!(
                !text.ends_with("a silent inverter never explains it"),
                may,
                "{}: {text}",
                flag.id
            );
        }
    });
}

#[test]
fn a_lamp_is_explained_with_the_warning_about_dark_lamps() {
    let text = explain(&stack(), "fault").unwrap();
    assert!(
        text.contains("a dark lamp never means that the unit is sound"),
        "{text}"
    );
    assert!(text.contains("blinking"), "{text}");
}

#[test]
fn overview_names_every_point_and_keeps_apart_what_must_not_be_read() {
    each(|profile| {
        let text = overview(profile);
        for point in &profile.points {
            assert!(text.contains(&format!("  {} ", point.id)), "{}", point.id);
        }
    });
    let text = overview(&stack());
    assert!(
        text.contains("may be read  holding 0-27, holding 64-123, input 0-29, input 64-351\n"),
        "{text}"
    );
    assert!(text.contains("never read   input 400-415\n"), "{text}");
}
