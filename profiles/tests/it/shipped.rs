//! The shipped maps keep what they promise.

use packside_profiles::model::{FedBy, Profile};
use packside_profiles::{
    Class, Known, Layout, Role, StateKind, Value, decode, encode, load, shipped,
};

fn each(check: impl Fn(&Profile)) {
    for (id, text) in shipped() {
        check(&load(text, id).unwrap_or_else(|problems| panic!("{problems}")));
    }
}

fn named(name: &str) -> Profile {
    let (id, text) = shipped().iter().find(|(id, _)| *id == name).unwrap();
    load(text, id).unwrap()
}

#[test]
fn every_map_has_its_own_name_and_says_that_it_is_invented() {
    each(|profile| {
        assert!(profile.profile.title.as_given().contains("invented"));
        assert!(!profile.profile.verified_on_hardware);
    });
}

#[test]
fn every_instance_stands_inside_one_span_at_every_module_count() {
    each(|profile| {
        for count in 0..=8 {
            let mut known = Known::default();
            known.counts.insert("module_count".to_owned(), count);
            for i in Layout::new(profile, &known).instances {
                let last = i.address + i.registers - 1;
                let inside = profile
                    .spans
                    .iter()
                    .any(|s| s.table == i.table && s.from <= i.address && last <= s.to);
                assert!(inside, "{}: {}", profile.profile.id, i.name(profile));
            }
        }
    });
}

#[test]
fn no_two_points_share_bits() {
    each(|profile| {
        let mut known = Known::default();
        known.counts.insert("module_count".to_owned(), 6);
        let layout = Layout::new(profile, &known);
        let mut taken: std::collections::BTreeMap<_, Vec<(u16, String)>> =
            std::collections::BTreeMap::new();
        for i in &layout.instances {
            let point = &profile.points[i.point];
            let mut mask = vec![0xffffu16; i.registers.into()];
            if point.raw_bits() == 8 {
                mask.fill(0);
                packside_profiles::encode_raw(point, 0xff, &mut mask).unwrap();
            }
            for (register, bits) in (i.address..).zip(mask) {
                let here = taken.entry((i.table, register)).or_default();
                let clash = here.iter().find(|(other, _)| other & bits != 0);
                assert_eq!(clash, None, "{}: {}", profile.profile.id, i.name(profile));
                here.push((bits, i.name(profile)));
            }
        }
    });
}

#[test]
fn every_numeric_point_encodes_what_it_decodes() {
    each(|profile| {
        for point in profile.points.iter().filter(|p| p.raw_bits() > 0) {
            let mut words = vec![0; point.width().into()];
            packside_profiles::encode_raw(point, 1, &mut words).unwrap();
            let decoded = decode(point, &words, 0).unwrap();
            let value = decoded.value.unwrap_or(Value::Number(0.0));
            let mut again = vec![0; point.width().into()];
            encode(point, &value, 0, &mut again).unwrap();
            assert_eq!(again, words, "{}", point.id);
        }
    });
}

#[test]
fn the_inverter_is_never_said_to_bring_a_real_fault() {
    each(|profile| {
        let silent = profile
            .flag(profile.inverter.flag.as_ref().unwrap())
            .unwrap();
        assert_eq!(silent.class, Class::InverterSilent);
        for id in &silent.brings {
            assert!(
                profile
                    .flag(id)
                    .unwrap()
                    .class
                    .may_follow_inverter_silence(),
                "{id}"
            );
        }
    });
}

#[test]
fn every_alarm_says_what_to_do() {
    each(|profile| {
        let alarms = profile
            .flags
            .iter()
            .filter(|f| f.severity == packside_profiles::model::Severity::Alarm);
        for flag in alarms.filter(|f| {
            profile
                .point(&f.point)
                .is_some_and(|p| p.role != Role::LatchedWord)
        }) {
            assert!(!flag.to_do.is_empty(), "{}", flag.id);
        }
    });
}

// Kind: invented
// Note: the point of the demo: the lamp alone cannot tell a silent inverter from an alarm
#[test]
fn fault_lamp_of_the_stack_blinks_alike_for_alarm_and_silent_inverter() {
    let profile = named("generic-hv-stack");
    let alarm = profile.lamp_codes.iter().find(|c| c.any_alarm).unwrap();
    let silent = profile
        .lamp_codes
        .iter()
        .find(|c| c.flags.contains(&"inverter-silent".to_owned()))
        .unwrap();
    assert_eq!(alarm.lamps, silent.lamps);
    assert_eq!(alarm.lamps["fault"], "blinking");
}

// Kind: invented
#[test]
fn stack_and_rack_differ_in_character_as_described() {
    let (stack, rack) = (named("generic-hv-stack"), named("generic-lv-rack"));
    assert_eq!(
        (stack.inverter.fed_by, stack.inverter.silence_s),
        (FedBy::Writes, 45)
    );
    assert_eq!(
        (rack.inverter.fed_by, rack.inverter.silence_s),
        (FedBy::AnyRequest, 90)
    );
    assert_eq!(rack.unit.auto_off_s, Some(900));
    let ranks: Vec<_> = rack
        .flags_of("current_code")
        .map(|f| (f.rank, f.class))
        .collect();
    assert_eq!(
        ranks.iter().max().map(|(_, class)| *class),
        Some(Class::InverterSilent)
    );
    assert!(!stack.clears_when_read.is_empty());
    let mut known = Known::default();
    known.counts.insert("module_count".to_owned(), 6);
    let registers: u16 = Layout::new(&stack, &known)
        .instances
        .iter()
        .map(|i| i.registers)
        .sum();
    assert!((280..=420).contains(&registers), "{registers}");
}

#[test]
fn every_state_is_shown_by_some_lamp_code() {
    each(|profile| {
        for value in &profile.points_with(Role::State).next().unwrap().values {
            let state = value.state.unwrap();
            let shown = profile.lamp_codes.iter().any(|c| c.states.contains(&state));
            assert!(
                shown || state == StateKind::Off,
                "{}: {state}",
                profile.profile.id
            );
        }
    });
}
