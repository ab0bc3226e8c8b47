//! Register lists as another hand wrote them: what the reader made of them is held against what their writer meant.

use packside::table::{Drafted, draft};
use packside_profiles::Role;
use packside_profiles::model::Footing;

/// The draft of a list of a few rows.
fn drafted(list: &str) -> Drafted {
    draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap()
}

/// The bits of the flags, with `?` where something of them is open.
fn flags(drafted: &Drafted) -> Vec<String> {
    let flags = drafted.profile.flags.iter().map(|flag| {
        let is_open = flag
            .draft
            .as_ref()
            .is_some_and(|standing| standing.grade == Footing::Open);
        let low = if flag.active == 0 { "!" } else { "" };
        let bit = flag
            .bit
            .map_or_else(|| format!("{:?}", flag.values), |bit| bit.to_string());
        format!(
            "{bit}{low}{} {}",
            if is_open { "?" } else { "" },
            flag.class.id()
        )
    });
    flags.collect()
}

/// A list with words of alarms that have these remarks.
fn words(remarks: &[&str]) -> Drafted {
    let mut list = String::from(
        "Address;Name;Type;Scale;Unit;Remark\n\
         0x00f0;Pack voltage;U16;0.1;V;\n0x00f1;SOC;U16;1;%;\n0x00f2;SOH;U16;1;%;\n",
    );
    for (nth, remark) in remarks.iter().enumerate() {
        list += &format!("0x010{nth};Alarm word {};U16;;;\"{remark}\"\n", nth + 1);
    }
    drafted(&list)
}

// Kind: derived (a word of 16 bits has no bit 16, and one that is listed whole has a first)
#[test]
fn bits_that_count_from_one_are_moved_or_open() {
    let from_one = "Bit1: short circuit; Bit2: over temperature; Bit16: insulation fault";
    assert_eq!(
        flags(&words(&[from_one])),
        ["0 short-circuit", "1 over-temperature", "15 insulation-low"]
    );
    let short = "Bit1: short circuit; Bit2: over temperature";
    assert_eq!(
        flags(&words(&[short])),
        ["1? short-circuit", "2? over-temperature"]
    );
    // Another word of the list tells.
    assert_eq!(
        flags(&words(&[short, "Bit0: insulation fault"])),
        ["1 short-circuit", "2 over-temperature", "0 insulation-low"]
    );
    assert_eq!(
        flags(&words(&[
            "[0] insulation fault, [1] short circuit",
            "bits 16-31: [16] over temperature, [17] under temperature, [18] fuse blown"
        ])),
        [
            "0 insulation-low",
            "1 short-circuit",
            "0 over-temperature",
            "1 under-temperature",
            "2 fuse-open"
        ]
    );
}

// Kind: invented
#[test]
fn alarms_that_are_low_where_they_speak_are_flags_that_are() {
    assert_eq!(
        flags(&words(&[
            "Active low! 0 = alarm. Bit0: short circuit; Bit1: over temperature"
        ])),
        ["0! short-circuit", "1! over-temperature"]
    );
}

// Kind: invented
#[test]
fn a_word_that_names_faults_by_bits_is_never_passed_over() {
    let drafted = drafted(
        "Address;Name;Type;Scale;Unit;Remark\n\
         0x00f0;Pack voltage;U16;0.1;V;\n\
         0x00f1;SOC;U16;1;%;\n\
         0x0100;Zorbel 2;U16;;;\"Bit0: cell over voltage; Bit1: short circuit\"\n",
    );
    let point = &drafted.profile.points[2];
    let standing = point.draft.as_ref().unwrap();
    assert_eq!((point.role, standing.grade), (Role::Other, Footing::Open));
    let roles: Vec<Role> = standing
        .rivals
        .iter()
        .filter_map(|rival| rival.role)
        .collect();
    assert_eq!(roles, [Role::AlarmWord, Role::WarningWord]);
}
