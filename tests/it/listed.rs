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

// Kind: invented (the layouts are those of another hand)
#[test]
fn bits_in_rows_of_their_own_make_a_word_of_alarms() {
    for rows in [
        "0x0102.0;;cell over voltage;BOOL;;\n0x0102.1;;short circuit;BOOL;;\n",
        "0x0102;0;cell over voltage;BOOL;;\n0x0102;1;short circuit;BOOL;;\n",
        "0x0102;b0;cell over voltage;bit;;\n0x0102;b1;short circuit;bit;;\n",
    ] {
        let list = format!(
            "Address;Bit;Name;Type;Scale;Unit\n0x0100;;Pack voltage;U16;0.1;V\n0x0101;;SOC;U16;1;%\n{rows}"
        );
        assert_eq!(
            flags(&drafted(&list)),
            ["0 cell-over-voltage", "1 short-circuit"],
            "{rows}"
        );
    }
}

// Kind: invented
#[test]
fn remarks_are_told_from_names_by_what_they_say() {
    for heading in [
        "Remark",
        "Description",
        "Meaning",
        "Bit definition",
        "描述",
        "Range / meaning",
    ] {
        let list = format!(
            "Address;Name;Type;Scale;Unit;{heading}\n0x0100;Pack voltage;U16;0.1;V;\n\
             0x0101;Max cell temperature;I16;1;degC;offset -40\n\
             0x0102;Alarm word;U16;;;Bit0: cell over voltage, Bit1: short circuit\n\
             0x0103;Pack current;I16;0.1;A;charge positive\n"
        );
        let drafted = drafted(&list);
        assert_eq!(
            flags(&drafted),
            ["0 cell-over-voltage", "1 short-circuit"],
            "{heading}"
        );
        let hottest = &drafted.profile.points[1];
        assert_eq!(
            (hottest.role, hottest.offset.value()),
            (Role::CellTemperatureMax, -40.0),
            "{heading}"
        );
    }
}

// Kind: invented
#[test]
fn bits_below_their_word_are_those_of_the_word() {
    let sheet = drafted(
        "Address,Name,Type,Scale,Unit,Remarks\n0x0100,Pack voltage,U16,0.1,V,\n0x0101,SOC,U16,1,%,\n\
         0x0102,Alarm word,U16,,,Bit 0: cell over voltage\n,,,,,Bit 1: short circuit\n\
         0x0103,Operating state,U16,,,\n,,,,,0: Off\n,,,,,1: Standby\n,,,,,2: Fault\n",
    );
    assert_eq!(flags(&sheet), ["0 cell-over-voltage", "1 short-circuit"]);
    let state = &sheet.profile.points[3];
    assert_eq!((state.role, state.values.len()), (Role::State, 3));
    let pasted = drafted(
        "Addr    Name             Type   Gain   Unit   R/W   Comment\n\
         1000    Pack voltage     U16    100    V      R\n\
         1001    Pack current     I16    100    A      R     discharge positive\n\
         1002    SOC              U16    10     %      R\n\
         1003    Alarm status     U16                  R     Bit 0  Cell over voltage\n\
         \u{20}                                                   Bit 1  Short circuit\n\
         1004    Operating mode   U16                  R     0 Off\n\
         \u{20}                                                   1 Standby\n\
         \u{20}                                                   2 Fault\n",
    );
    assert_eq!(flags(&pasted), ["0 cell-over-voltage", "1 short-circuit"]);
    assert_eq!(pasted.profile.points[4].values.len(), 3);
}

// Kind: invented
#[test]
fn a_sign_between_columns_within_a_remark_makes_no_column() {
    let drafted = drafted(
        "Nr.;Register;Datentyp;Benennung;Einheit;Auflösung;Erläuterung\n\
         1;1001;UINT16;Systemspannung;V;0,1;\n2;1003;INT16;Systemstrom;A;0,1;negativ beim Laden; High-Word zuerst\n\
         3;1005;UINT16;SoC;%;1;\n4;1008;BITFELD16;Fehlerbits;;;b0 Zelle Überspannung; b1 Kurzschluss; b2 Sicherung ausgelöst\n",
    );
    let roles: Vec<Role> = drafted
        .profile
        .points
        .iter()
        .map(|point| point.role)
        .collect();
    assert_eq!(roles.len(), 4);
    assert_eq!(
        flags(&drafted)[..2],
        ["0 cell-over-voltage", "1 short-circuit"]
    );
}

// The sixteenth cell is no bit 16, and bits that begin with 2 do not count from 1.
#[test]
fn the_number_of_a_cell_moves_no_bit() {
    let drafted = drafted(
        "Address;Name;Type;Scale;Unit;Remark\n\
         0x0015;告警;U16;;;b2=放电过流; b8=短路\n\
         0x0018;第1节电池电压;U16;0.001;V;\n\
         0x0027;第16节电池电压;U16;0.001;V;\n",
    );
    assert_eq!(flags(&drafted), ["2 over-current", "8 short-circuit"]);
}
