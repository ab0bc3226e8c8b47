//! Register lists become drafts: hand-typed lists with what must come of them, and anything else without a panic.
//!
//! Kind of all lists and expectations: invented, typed before the reader was run on them.

use std::path::Path;

use packside::table::{NoTable, NotRead, draft};
use packside_profiles::model::{Footing, Key, Numbering, Positive, Profile};
use packside_profiles::{Class, Role, draft_text};
use proptest::prelude::*;

use super::tool::flat;

fn table(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/tables");
    std::fs::read(folder.join(name)).unwrap()
}

/// Each point as `role table first xcount type scale unit open`, those without a role by their id.
fn points(profile: &Profile) -> Vec<String> {
    let layout = packside_profiles::Layout::new(profile, &packside_profiles::Known::default());
    let points = profile.points.iter().enumerate().map(|(index, point)| {
        let here: Vec<u16> = layout
            .instances
            .iter()
            .filter(|one| one.point == index)
            .map(|one| one.address)
            .collect();
        let standing = point.draft.as_ref().unwrap();
        let open: Vec<&str> = standing.open.iter().map(|key| key.id()).collect();
        let kind = packside_profiles::explain::kind_name(point.kind);
        let (role, unit) = (point.role.id(), point.unit.clean());
        let text = format!(
            "{role} {} x{} {kind} {} {unit} {}",
            here[0],
            here.len(),
            point.scale.value(),
            open.join("+")
        );
        flat(&text)
    });
    points.collect()
}

// A workbook whose last cell lies in the last column of the last row: as a whole it would be 17 thousand million cells.
#[test]
fn a_far_cell_makes_no_workbook_too_large_to_read() {
    let drafted = draft(
        &table("far-cell.xlsx"),
        "far-cell.xlsx",
        "far",
        "2026-12-01",
    )
    .unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "pack_voltage 0 x1 u16 0.1 V",
            "pack_current 1 x1 i16 0.1 A positive",
            "soc 2 x1 u16 1 %",
        ]
    );
    assert!(
        drafted.form.cut,
        "the last column is not read, and that is said"
    );
}

// A sheet of OpenDocument is read whole: what would be 17 thousand million cells is refused, and says what helps.
#[test]
fn a_sheet_of_open_document_is_read_unless_it_is_too_large() {
    let drafted = draft(&table("three-rows.ods"), "x.ods", "ods", "2026-12-01").unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "pack_voltage 16 x1 u16 0.1 V",
            "pack_current 17 x1 i16 0.1 A positive",
            "soc 18 x1 u16 1 %",
        ]
    );
    for name in ["far-cell.ods", "far-row.ods"] {
        let far = draft(&table(name), name, "ods", "2026-12-01");
        assert!(matches!(far, Err(NoTable::Workbook { .. })), "{far:?}");
    }
}

#[test]
fn an_english_list_with_gains_becomes_a_draft() {
    let drafted = draft(
        &table("stack-en.csv"),
        "stack-en.csv",
        "stack-en",
        "2026-12-01",
    )
    .unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "state 0 x1 enum16 1",
            "alarm_word 1 x1 bits16 1",
            "pack_voltage 2 x1 u16 0.1 V",
            "pack_current 3 x1 i16 0.1 A",
            "pack_power 4 x1 i32 1 W",
            "soc 6 x1 u16 1 %",
            "cell_voltage_max 7 x1 u16 0.001 V",
            "other 8 x1 u16 0.1 V",
            "other 9 x1 u16 0.1 V role",
            "cell_voltage 10 x16 u16 0.001 V",
            "cell_temperature 30 x2 i16 0.1 degC",
            "charge_limit 32 x1 u16 0.1 A",
            "own_heartbeat 34 x1 u16 1",
        ]
    );
    let flags: Vec<_> = drafted
        .profile
        .flags
        .iter()
        .map(|flag| (flag.bit.unwrap(), flag.class))
        .collect();
    assert_eq!(
        flags,
        [
            (0, Class::CellOverVoltage),
            (1, Class::InsulationLow),
            (2, Class::InverterSilent)
        ]
    );
    let unread: Vec<_> = drafted
        .unread
        .iter()
        .map(|row| (row.line, row.why))
        .collect();
    assert_eq!(
        unread,
        [
            (16, NotRead::Reserved),
            (22, NotRead::NoName),
            (23, NotRead::NotANumber)
        ]
    );
    assert_eq!(
        drafted
            .profile
            .points_with(Role::PackCurrent)
            .next()
            .unwrap()
            .positive,
        Some(Positive::Discharge)
    );
    let open = &drafted.profile.draft.as_ref().unwrap().open;
    assert!(
        !open
            .iter()
            .any(|key| ["addresses", "table", "order"].contains(&key.as_str())),
        "{open:?}"
    );
}

#[test]
fn a_german_list_with_six_digits_and_blocks_becomes_a_draft() {
    let drafted = draft(
        &table("pack-de.tsv"),
        "pack-de.tsv",
        "pack-de",
        "2026-12-01",
    )
    .unwrap();
    assert_eq!(drafted.profile.addresses, Numbering::WithTable);
    assert_eq!(
        points(&drafted.profile),
        [
            "serial 100 x1 string 1",
            "pack_voltage 106 x1 u16 0.1 V",
            "pack_current 107 x1 i16 0.1 A",
            "uptime 108 x1 u32 1 s",
            "cell_voltage 110 x4 u16 0.001 V",
            "insulation 130 x1 u16 1 kOhm",
            "other 131 x1 u16 1 mV",
        ]
    );
    assert_eq!(drafted.profile.groups[0].starts, [110, 120]);
}

#[test]
fn a_chinese_list_pasted_with_blanks_becomes_a_draft() {
    let drafted = draft(
        &table("pasted-zh.txt"),
        "pasted-zh.txt",
        "pasted-zh",
        "2026-12-01",
    )
    .unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "pack_voltage 256 x1 u16 0.1 V",
            "pack_current 257 x1 i16 0.1 A",
            "state 258 x1 enum16 1",
            "cell_voltage_max 259 x1 u16 0.001 V",
            "cell_temperature_min 260 x1 i16 0.1 degC",
        ]
    );
}

/// What is written loads again, and says the same.
fn loads_again(profile: &Profile) {
    let text = draft_text(profile);
    let again = packside_profiles::as_written(&text, "draft.toml")
        .unwrap_or_else(|why| panic!("{why}\n{text}"));
    assert_eq!(&again, profile, "{text}");
}

#[test]
fn drafts_load_again_as_they_were_and_give_no_clean_verdict() {
    for name in ["stack-en.csv", "pack-de.tsv", "pasted-zh.txt"] {
        let drafted = draft(&table(name), name, "again", "2026-12-01").unwrap();
        loads_again(&drafted.profile);
        let judged = packside_profiles::load(&draft_text(&drafted.profile), "draft.toml").unwrap();
        assert!(!judged.gaps.is_empty(), "{name}");
    }
}

#[test]
fn where_nobody_says_from_which_number_registers_count_nothing_is_judged() {
    let list = "Address;Name;Type;Scale;Unit\n100;Pack voltage;U16;0.1;V\n101;SOC;U16;1;%\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let open = &drafted.profile.draft.as_ref().unwrap().open;
    assert!(
        open.starts_with(&["addresses".to_owned(), "table".to_owned()]),
        "{open:?}"
    );
    let judged = packside_profiles::load(&draft_text(&drafted.profile), "draft.toml").unwrap();
    assert!(judged.points.iter().all(|point| point.role == Role::Other));
}

#[test]
fn a_step_that_is_left_out_is_open_and_a_type_that_is_left_out_is_narrowed() {
    let list = "Address;Name;Scale;Unit\n0x10;Pack voltage;;V\n0x11;Terminal voltage;0.1;V\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let standing = |nth: usize| drafted.profile.points[nth].draft.clone().unwrap();
    assert!(standing(0).open.contains(&Key::Scale));
    assert_eq!(
        (standing(1).grade, standing(1).open),
        (Footing::Narrowed, vec![Key::Type])
    );
}

#[test]
fn what_is_measured_is_a_number_in_its_unit_or_its_role_is_in_doubt() {
    let list = "Address;Name;Type;Unit\n0x10;Pack voltage;BITMAP;\n0x11;SOC;U16;%\n0x12;Gesamtstrom;I16;mV\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "other 16 x1 bits16 1 role",
            "soc 17 x1 u16 1 % scale",
            "other 18 x1 i16 1 mV role+positive"
        ]
    );
    loads_again(&drafted.profile);
}

#[test]
fn rows_that_reach_beyond_the_last_register_are_named() {
    let list = "Address;Name;Type\n0xFFFF;Cell 1..16 voltage;U16\n0x10;Module 1-99999 cell 0-4294967295;U16\n0x20;SOC;U16\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let unread: Vec<_> = drafted
        .unread
        .iter()
        .map(|row| (row.line, row.why))
        .collect();
    assert_eq!(
        unread,
        [
            (2, NotRead::OutsideNumbering),
            (3, NotRead::OutsideNumbering)
        ]
    );
    loads_again(&drafted.profile);
}

// A line of dots stands for what lies between, numbered or not; what it leaves out is counted on.
#[test]
fn rows_that_a_line_of_dots_stands_for_are_read() {
    let list = "No;Address;Name;Type;Scale;Unit\n\
                1;0x10;Mod. 1 cell 1 voltage;U16;0.001;V\n\
                2;0x11;Mod. 1 cell 2 voltage;U16;0.001;V\n\
                3;...;...;;;\n\
                4;0x17;Mod. 1 cell 8 voltage;U16;0.001;V\n\
                5;0x18;Mod. 1 temperature 1;I16;0.1;°C\n\
                6;…;…;;;\n\
                7;0x1B;Mod. 1 temperature 4;I16;0.1;°C\n\
                8;0x20;Mod. 2 cell 1 voltage;U16;0.001;V\n\
                9;0x21;Mod. 2 cell 2 voltage;U16;0.001;V\n\
                10;...;...;;;\n\
                11;0x27;Mod. 2 cell 8 voltage;U16;0.001;V\n\
                12;0x30;Alarm word 1;BITMAP;;\n\
                13;...;...;;;\n\
                14;0x33;Alarm word 3;BITMAP;;\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "cell_voltage 16 x16 u16 0.001 V",
            "cell_temperature 24 x4 i16 0.1 degC",
            // Four registers for three words: nobody knows where the second stands.
            "alarm_word 48 x1 bits16 1",
            "alarm_word 51 x1 bits16 1",
        ]
    );
    loads_again(&drafted.profile);
}

// A spreadsheet leaves blank what is merged with the row above: names that count go on, and so do steps and units.
#[test]
fn merged_cells_go_on_with_the_row_above() {
    let list = "Address;Name;Type;Scale;Unit\n\
                0x10;Cell voltage 1;U16;0.001;V\n\
                0x11;;;;\n\
                0x12;;;;\n\
                0x20;Module 1 cell temperature 1-4;I16;0.1;°C\n\
                0x24;Module 2 cell temperature 1-4;;;\n\
                0x30;Highest cell voltage;U16;0.001;V\n\
                0x31;Lowest cell voltage;;;\n\
                0x40;Pack voltage;U16;0.1;V\n\
                0x41;;;;\n\
                0x42;Charge current limit;U16;;A\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "cell_voltage 16 x3 u16 0.001 V",
            "cell_temperature 32 x8 i16 0.1 degC",
            "cell_voltage_max 48 x1 u16 0.001 V",
            "cell_voltage_min 49 x1 u16 0.001 V",
            "pack_voltage 64 x1 u16 0.1 V",
            // Its step is its own.
            "charge_limit 66 x1 u16 1 A scale",
        ]
    );
    let unread: Vec<_> = drafted
        .unread
        .iter()
        .map(|row| (row.line, row.why))
        .collect();
    assert_eq!(unread, [(10, NotRead::NoName)]);
}

#[test]
fn steps_and_offsets_are_read_from_formulas_and_units_from_the_ends_of_names() {
    let list = "Adresse;Bezeichnung;Typ;Bemerkung\n\
                0x10;Gesamtspannung, V;U16;Wert = Rohwert*0,1\n\
                0x11;Gesamtstrom, A;U16;Wert = Rohwert*0,1-1600; + Laden, - Entladen\n\
                0x12;Höchste Zelltemperatur in °C;U16;Wert = Rohwert - 40\n\
                0x13;Niedrigste Zellspannung, mV;U16;\n\
                0x14;Fehlercode;U16;\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    assert_eq!(
        points(&drafted.profile),
        [
            "pack_voltage 16 x1 u16 0.1 V",
            "pack_current 17 x1 u16 0.1 A",
            "cell_temperature_max 18 x1 u16 1 degC scale",
            "cell_voltage_min 19 x1 u16 0.001 V",
            "fault_code 20 x1 enum16 1",
        ]
    );
    let offset = |nth: usize| drafted.profile.points[nth].offset.value();
    assert_eq!([offset(1), offset(2)], [-1600.0, -40.0]);
}

// Headings that nobody knows: what stands in the column says it.
#[test]
fn columns_show_by_their_cells_what_they_are() {
    let list = "Address;Name;Zorb;Blurg;Quux;Unit\n\
                0x10;Pack voltage;1;0.1;0;V\n\
                0x11;Pack current;1;0.1;-1600;A\n\
                0x12;Serial number;6;-;0;\n\
                0x18;Highest temperature;1;1;-40;°C\n\
                0x19;SOC;1;1;0;%\n";
    let drafted = draft(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let taken: Vec<&str> = drafted.columns.iter().map(|one| one.holds.id()).collect();
    assert_eq!(
        taken,
        ["address", "name", "count", "scale", "offset", "unit"]
    );
    assert_eq!(drafted.profile.points[1].offset.value(), -1600.0);
}

#[test]
fn a_list_between_tabs_is_cut_at_them_whatever_stands_under_each_other() {
    let row = |n: u32| {
        format!(
            "4{:04}\tuint16\tV\tMod. 1 cell {n} voltage\t\t0.01\n",
            200 + n
        )
    };
    let rows: String = (1..30).map(row).collect();
    let list = format!(
        "Modbus address\tData type\tUnit\tParameter\tNotes\tFactor\n{rows}...\t\t\t...\t\t\n40260\tU16\t%\tBattery SOC\t\t0.1\n"
    );
    let drafted = draft(list.as_bytes(), "list.tsv", "list", "2026-12-01").unwrap();
    assert_eq!(drafted.profile.points.len(), 2);
}

#[test]
fn err_files_that_are_no_register_list() {
    let err = |bytes: &[u8]| draft(bytes, "x", "x", "2026-12-01").unwrap_err();
    assert_eq!(err(b"%PDF-1.4"), NoTable::Pdf);
    assert_eq!(err(b""), NoTable::Empty);
    assert!(matches!(
        err(b"a,b,c\nd,e,f\ng,h,i\n"),
        NoTable::NoNumbers { .. }
    ));
    assert!(matches!(
        err(b"PK\x03\x04 no workbook"),
        NoTable::Workbook { .. }
    ));
}

proptest! {
    /// Pieces of lists in any order: never a panic, and what is made loads again.
    #[test]
    fn any_text_gives_a_draft_that_loads_or_a_reason(pieces in prop::collection::vec(
        prop::sample::select(vec![
            "Address", "Name", "Type", "Scale", ";", ";", ";", "\n", "\n", "0x10", "40108", "100-115", "Cell 1..16 voltage", "Pack voltage",
            "U16", "U32", "float", "0.1V", "/10", "10", "mV", "Bit0: short", "0=off, 1=on", "\"", "\t", "Modul 3", "BITMAP", "65535", "Alarm", "  ", "0-4294967295", "单体电压1-8", "999999",
        ]), 0..120)
    ) {
        let text = pieces.concat();
        if let Ok(drafted) = draft(text.as_bytes(), "any.csv", "any", "2026-12-01") {
            loads_again(&drafted.profile);
        }
    }

    #[test]
    fn any_bytes_give_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let _ = draft(&bytes, "any", "any", "2026-12-01");
    }
}
