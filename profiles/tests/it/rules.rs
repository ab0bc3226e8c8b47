//! Every rule of the checker, by its text: one change to a sound map, one mistake named at its place.

use packside_profiles::model::{Gap, Profile};
use packside_profiles::{Grade, Problems, Role, load, shipped};

fn text_of(name: &str) -> String {
    shipped()
        .iter()
        .find(|(id, _)| *id == name)
        .unwrap()
        .1
        .to_owned()
}

/// What is named in a shipped map with one text replaced (the first time it stands there).
fn mistakes_in(map: &str, from: &str, to: &str) -> Problems {
    let text = text_of(map);
    assert!(text.contains(from), "not in {map}: {from}");
    let checked = packside_profiles::check(&text.replacen(from, to, 1), "map.toml");
    let mistakes = checked.problems.list.iter();
    let mistakes = mistakes.filter(|p| p.grade == Grade::Mistake).count();
    assert_eq!(checked.profile.is_none(), mistakes > 0);
    checked.problems
}

/// Expects exactly these messages, in any order.
fn check_map(map: &str, from: &str, to: &str, expected: &[&str]) {
    let problems = mistakes_in(map, from, to);
    let mut found: Vec<&str> = problems.list.iter().map(|p| p.message.as_str()).collect();
    let mut expected = expected.to_vec();
    found.sort_unstable();
    expected.sort_unstable();
    assert_eq!(found, expected, "{problems}");
    for problem in &problems.list {
        assert!(!problem.fix.is_empty(), "no fix: {}", problem.message);
    }
}

fn check(from: &str, to: &str, expected: &str) {
    check_map("generic-hv-stack", from, to, &[expected]);
}

fn check_rack(from: &str, to: &str, expected: &str) {
    check_map("generic-lv-rack", from, to, &[expected]);
}

#[test]
fn err_profile_head() {
    check(
        "document = \"Invented",
        "document = \"\" # \"",
        "profile.document: expected where the map comes from, found nothing",
    );
    check(
        "date = \"2026-11-25\"",
        "date = \"25.11.2026\"",
        "profile.date: expected YYYY-MM-DD, found \"25.11.2026\"",
    );
    check(
        "firmware_from = \"2.0\"",
        "firmware_from = \"v2\"",
        "profile.firmware_from: expected numbers with dots, found \"v2\"",
    );
    check(
        "firmware_from = \"2.0\"",
        "firmware_from = \"3.0\"",
        "profile.firmware_below: expected a later edition than firmware_from",
    );
}

#[test]
fn err_profile_answering() {
    check(
        "unit = 1\nans",
        "unit = 248\nans",
        "answering.unit: expected 1 to 247, found 248",
    );
    check(
        "time_out_ms = 600",
        "time_out_ms = 30",
        "answering.time_out_ms: expected more than answer_time_ms = 30, found 30",
    );
    check(
        "time_out_ms = 600",
        "time_out_ms = 600\npause_ms = 10001",
        "answering.pause_ms: expected at most 10000, found 10001",
    );
    check(
        "functions = [3, 4, 8]",
        "functions = [3, 4, 6]",
        "answering.functions: expected 1, 2, 3, 4, 8, 17 or 43 (all of them read), found 6",
    );
    check(
        "functions = [3, 4, 8]",
        "functions = [3, 8]",
        "answering.functions: a span of table Input needs function 04",
    );
}

#[test]
fn err_profile_format() {
    check(
        "format = 1",
        "format = 5",
        "format: expected a number from 1 to 4, found 5",
    );
    check(
        "format = 1",
        "format = \"1\"",
        "format: expected a number from 1 to 4, found string",
    );
    check(
        "format = 1",
        "",
        "format: expected format = 1 at the top of the file, found nothing",
    );
    let newer = mistakes_in("generic-hv-stack", "format = 1", "format = 5");
    assert_eq!(newer.list[0].fix, "use a newer packside for this file");
}

#[test]
fn err_profile_ids_twice() {
    check(
        "id = \"nominal_capacity\"",
        "id = \"soh\"",
        "point \"soh\": this id is already taken",
    );
    check(
        "id = \"rather-cold\"",
        "id = \"rather-warm\"",
        "flag \"rather-warm\": this id is already taken",
    );
    check(
        "id = \"locked\"",
        "id = \"waiting\"",
        "lamp_code \"waiting\": this id is already taken",
    );
    check(
        "id = \"earth\"",
        "id = \"latches\"",
        "manual_step \"latches\": this id is already taken",
    );
}

#[test]
fn err_profile_unknown_references() {
    check(
        "group = \"module\"\naddress = 1\n",
        "group = \"modul\"\naddress = 1\n",
        "point \"module_soc\", group: expected the id of a group, found \"modul\", which is none",
    );
    check(
        "count = \"module_count\"",
        "count = \"modules\"",
        "group \"module_nameplate\", count: expected the id of a point, found \"modules\", which is none",
    );
    check(
        "count = \"module_count\"",
        "count = \"module_voltage\"",
        "group \"module_nameplate\", count: a count must come from one point, \"module_voltage\" repeats",
    );
    check(
        "count = \"module_count\"",
        "count = \"rest-of-model\"",
        "group \"module_nameplate\", count: expected a number or a point, rest-of-model needs base = \"model(ID)\"",
    );
    check(
        "point = \"insulation_valid\"",
        "point = \"insulation_vali\"",
        "point \"insulation\", valid_when: expected the id of a point, found \"insulation_vali\", which is none",
    );
    check(
        "point = \"warnings\"\nbit = 8",
        "point = \"warning\"\nbit = 8",
        "flag \"fan-still\", point: expected the id of a point, found \"warning\", which is none",
    );
    check(
        "address = 19\ntype = \"u16\"\nscale = 0.1",
        "address = 19\ntype = \"u16\"\nscale_point = \"cycles\"",
        "point \"soh\", scale_point: expected a point with the role scale_factor, \"cycles\" has cycles",
    );
    check_rack(
        "count = \"pack_count\"",
        "count = \"packs\"",
        "members.count: expected the id of a point, found \"packs\", which is none",
    );
    check(
        "point = \"map_mark\"",
        "point = \"mark\"",
        "recognise.point: expected the id of a point, found \"mark\", which is none",
    );
    check(
        "equals = 21318",
        "equals = \"SF\"",
        "recognise \"map_mark\", equals: expected a number, found a text",
    );
}

#[test]
fn err_profile_tables() {
    check(
        "group = \"module\"\naddress = 1\n",
        "group = \"module\"\ntable = \"input\"\naddress = 1\n",
        "point \"module_soc\", table: the group gives the table",
    );
    check(
        "table = \"input\"\naddress = 19\n",
        "address = 19\n",
        "point \"soh\", table: expected a table or a group, found neither",
    );
}

#[test]
fn err_profile_types() {
    check(
        "type = \"string\"\nregisters = 8\n\n",
        "type = \"string\"\n\n",
        "point \"model\", registers: expected how many registers the text has",
    );
    check(
        "type = \"u8-low\"\n",
        "type = \"u8-low\"\nregisters = 2\n",
        "point \"module_position\", registers: expected registers only for a string",
    );
    check(
        "type = \"enum16\"\n",
        "type = \"enum16\"\nbits = [0, 16]\n",
        "point \"state\", bits: expected [lowest, highest] inside 16 bits, found [0, 16]",
    );
    check(
        "address = 19\ntype = \"u16\"\nscale = 0.1",
        "address = 19\ntype = \"u16\"\nscale = 0",
        "point \"soh\", scale: expected anything but 0",
    );
    check(
        "address = 16\ntype = \"i32\"\norder = \"low-first\"\nunit = \"W\"\npositive = \"charge\"\n",
        "address = 16\ntype = \"i32\"\norder = \"low-first\"\nunit = \"W\"\n",
        "point \"pack_power\": which direction is positive?",
    );
    check(
        "not_available = [65535]\nvalid",
        "not_available = [65536]\nvalid",
        "point \"insulation\", not_available: expected a raw value up to 65535, found 65536",
    );
    check(
        "is = 8, name = \"main",
        "is = 7, name = \"main",
        "point \"state\", value: 7 has two names",
    );
    check(
        "is = [1] }",
        "is = [] }",
        "point \"insulation\", valid_when.is: expected raw values, found none",
    );
    check_rack(
        "id = \"soh\"\n",
        "id = \"soh\"\nhides_others = true\n",
        "point \"soh\", hides_others: expected the role fault_code, found soh",
    );
}

#[test]
fn err_profile_limits() {
    check(
        "limits = { warn_above = 50, alarm_above = 58 }",
        "limits = { warn_above = 58, alarm_above = 50 }",
        "point \"cell_temperature_max\", limits: expected alarm_below <= warn_below <= warn_above <= alarm_above, found [58.0, 50.0]",
    );
    check(
        "limits = { alarm_below = 5, warn_below = 10, possible = [0, 100] }",
        "limits = { alarm_below = 5, warn_below = 10, possible = [6, 100] }",
        "point \"soc\", limits.possible: expected [lowest, highest] with all limits inside, found [6, 100]",
    );
    check(
        "spread = 0.15",
        "spread = 0",
        "point \"cell_voltage\", limits.spread: expected more than 0",
    );
    check(
        "limits = { alarm_below = 2.8, warn_below = 2.95 }",
        "limits = { alarm_below = 1.9, warn_below = 2.95 }",
        "point \"cell_voltage_min\", limits.alarm_below: expected at least cell.never_charge_below = 2",
    );
}

#[test]
fn err_profile_places() {
    check(
        "address = 28\n",
        "address = 30\n",
        "point \"cycles\": expected registers inside one span, input 30 to 30 are not",
    );
    check(
        "address = 10\ntype = \"u32\"",
        "address = 29\ntype = \"u32\"",
        "point \"uptime\": expected registers inside one span, input 29 to 30 are not",
    );
    // The hole is found at the last module, not only at the first.
    check_map(
        "generic-hv-stack",
        "address = 34\ntype = \"i16\"",
        "address = 41\ntype = \"i16\"",
        &[
            "point \"cell_temperature\": expected to end inside the 48 registers of a \"module\", it takes 49",
            "point \"cell_temperature\": expected registers inside one span, input 352 to 352 are not",
            "point \"cell_temperature\": shares register 112 with \"module_voltage\"",
        ],
    );
    check_map(
        "generic-hv-stack",
        "from = 64\nto = 351",
        "from = 64\nto = 340",
        &[
            "point \"cell_temperature\": expected registers inside one span, input 341 to 341 are not",
        ],
    );
    check(
        "address = 28\n",
        "address = 65535\ntype = \"u32\"\n#",
        "point \"cycles\": expected registers up to 65535, its last instance stands beyond",
    );
    check(
        "repeat = { count = 30, stride = 1,",
        "repeat = { count = 30, stride = 0,",
        "point \"cell_voltage\", repeat.stride: expected 1 or more, found 0",
    );
    check(
        "at_most = 6\nstride = 10",
        "at_most = 0\nstride = 10",
        "group \"module_nameplate\", at_most: expected 1 or more, found 0",
    );
    check(
        "id = \"events_stored\"\n",
        "id = \"events_stored\"\nrequired = true\n",
        "point \"events_stored\": required, but it stands in a range that clears when read and so is never read",
    );
}

#[test]
fn err_profile_spans() {
    check(
        "from = 64\nto = 123",
        "from = 20\nto = 123",
        "span 20 to 123: overlaps 0 to 27",
    );
    check_map(
        "generic-hv-stack",
        "from = 400\nto = 415\n\n#",
        "from = 415\nto = 400\n\n#",
        &[
            "span: expected from <= to, found 415 > 400",
            "point \"events_stored\": expected registers inside one span, input 400 to 400 are not",
        ],
    );
}

#[test]
fn err_profile_roles() {
    check_map(
        "generic-hv-stack",
        "id = \"nominal_capacity\"\nrole = \"other\"",
        "id = \"nominal_capacity\"\nrole = \"soc\"",
        &[
            "point \"soc\": role soc is already that of \"nominal_capacity\"",
            "point \"nominal_capacity\", unit: expected %, in which soc is judged, found \"Ah\"",
        ],
    );
    check(
        "role = \"own_heartbeat\"",
        "role = \"other\"",
        "no point has the role own_heartbeat: without it no clean verdict is possible",
    );
    check(
        "role = \"serial\"",
        "role = \"other\"",
        "no point has the role serial: without it no clean verdict is possible",
    );
    check_map(
        "generic-lv-rack",
        "role = \"fault_code\"",
        "role = \"other\"",
        &[
            "no point has the role alarm_word or fault_code: without it no clean verdict is possible",
            "point \"current_code\", hides_others: expected the role fault_code, found other",
        ],
    );
    check(
        ", state = \"waiting\"",
        "",
        "point \"state\", value 2: expected state = \"...\", found none",
    );
}

#[test]
fn err_flag_places() {
    check(
        "bit = 8\nclass = \"fan",
        "bit = 16\nclass = \"fan",
        "flag \"fan-still\", bit: expected 0 to 15, found 16",
    );
    check(
        "bit = 8\nclass = \"fan",
        "class = \"fan",
        "flag \"fan-still\", bit: expected either bit or values",
    );
    check(
        "bit = 8\nclass = \"fan",
        "bit = 8\nvalues = [1]\nclass = \"fan",
        "flag \"fan-still\", bit: expected either bit or values",
    );
    check(
        "bit = 8\nclass = \"fan",
        "values = [1]\nclass = \"fan",
        "flag \"fan-still\", point: expected an enumeration, \"warnings\" is none",
    );
    check(
        "point = \"warnings\"\nbit = 8",
        "point = \"cycles\"\nbit = 8",
        "flag \"fan-still\", point: expected a word of bits, \"cycles\" is none",
    );
    check(
        "bit = 8\nclass = \"fan",
        "bit = 7\nclass = \"fan",
        "flag \"fan-still\", bit: 7 of \"warnings\" is already \"derating\"",
    );
    check(
        "bit = 8\nclass = \"fan",
        "bit = 8\nactive = 2\nclass = \"fan",
        "flag \"fan-still\", active: expected 0 or 1, found 2",
    );
    check_rack(
        "values = [22]",
        "values = [21]",
        "flag \"cell-low\", values: 21 of \"current_code\" is already \"cell-high\"",
    );
}

#[test]
fn err_flag_consequences() {
    check_map(
        "generic-hv-stack",
        "do = \"look whether the inverter is on, then at its communication cable: socket, pair, polarity, settings\"\nbrings = [\"switches-open\"",
        "do = \"look whether the inverter is on\"\nbrings = [\"insulation-low\", \"derating\", \"nothing\"",
        &[
            "flag \"inverter-silent\" cannot bring \"insulation-low\": insulation-low is never a mere consequence",
            "flag \"inverter-silent\" cannot bring \"derating\": derating does not follow from a silent inverter",
            "flag \"inverter-silent\", brings: expected the id of a flag, found \"nothing\", which is none",
        ],
    );
}

#[test]
fn err_flag_severities() {
    check(
        "class = \"insulation-low\"\nseverity = \"alarm\"",
        "class = \"insulation-low\"\nseverity = \"warning\"",
        "flag \"insulation-low\": insulation-low in an alarm word is always an alarm",
    );
    check(
        "class = \"internal-communication\"\nseverity = \"alarm\"",
        "class = \"internal-communication\"\nseverity = \"notice\"",
        "flag \"modules-unheard\": internal-communication in an alarm word is always an alarm",
    );
    check(
        "class = \"switches-open\"\nseverity = \"notice\"",
        "class = \"switches-open\"\nseverity = \"alarm\"",
        "flag \"switches-open\": switches-open is a status, it cannot be an alarm",
    );
    check(
        "meaning = \"the fan does not turn\"",
        "meaning = \" \"",
        "flag \"fan-still\", meaning: expected words for a technician, found nothing",
    );
}

#[test]
fn err_flag_ranks() {
    check_rack(
        "rank = 14\n",
        "",
        "flag \"inverter-silent\": expected a rank, its code hides others",
    );
    check_rack(
        "rank = 14\n",
        "rank = 13\n",
        "flag \"inverter-silent\", rank: 13 is already that of \"charge-low\"",
    );
    check(
        "bit = 8\nclass = \"fan",
        "bit = 8\nrank = 1\nclass = \"fan",
        "flag \"fan-still\": expected no rank, \"warnings\" does not hide others; found 1",
    );
}

#[test]
fn err_inverter() {
    check(
        "flag = \"inverter-silent\"\nsil",
        "flag = \"modules-unheard\"\nsil",
        "inverter.flag: expected a flag of class inverter-silent, \"modules-unheard\" is internal-communication",
    );
    check(
        "flag = \"inverter-silent\"\nsil",
        "flag = \"silent\"\nsil",
        "inverter.flag: expected the id of a flag, found \"silent\", which is none",
    );
    check(
        "fed_by = \"writes\"",
        "fed_by = \"reads-of\"",
        "inverter.reads_of: expected the ranges that count, found none",
    );
    check(
        "fed_by = \"writes\"",
        "fed_by = \"reads-of\"\nreads_of = [{ table = \"input\", from = 9, to = 0 }]",
        "inverter.reads_of: expected from <= to, found 9 > 0",
    );
    check(
        "silence_s = 45",
        "silence_s = 0",
        "inverter.silence_s: expected seconds, found 0",
    );
}

#[test]
fn err_unit_and_windows() {
    check_rack(
        "at_most = 8",
        "at_most = 250",
        "members.at_most: expected unit addresses from 1 up to 247, found 250 of them",
    );
    check(
        "precharge_s = [0.2, 2.0]",
        "precharge_s = [2.0, 0.2]",
        "unit.precharge_s: expected [shortest, longest], found [2, 0.2]",
    );
    check(
        "cells_per_module = 30",
        "cells_per_module = 0",
        "unit.cells_per_module: expected 1 or more, found 0",
    );
    check(
        "never_charge_below = 2.0",
        "never_charge_below = 0",
        "cell.never_charge_below: expected more than 0 V, found 0",
    );
    check(
        "charge_from_c = 0\n",
        "charge_from_c = 51\n",
        "cell.charge_from_c: expected the lower end of the window, found 51 above 50",
    );
    check(
        "from_c = -10\nto_c = 45\nhumidity",
        "from_c = 46\nto_c = 45\nhumidity",
        "ambient.from_c: expected the lower end of the window, found 46 above 45",
    );
    check(
        "from_c = -20",
        "from_c = 50",
        "storage_window.from_c: expected the lower end of the window, found 50 above 45",
    );
    check(
        "when = \"before-power\"",
        "when = \"first\"",
        "manual_step \"sound-outside\", when: expected one of before-power, power-up, with-inverter, after, found \"first\"",
    );
}

#[test]
fn err_lamps() {
    check(
        "cycle_ms = [1500, 1500]",
        "cycle_ms = [1500]",
        "lamp_pattern \"slow-breath\", cycle_ms: expected on and off times in turn, none of them 0, found [1500]",
    );
    check(
        "cycle_ms = [1500, 1500]",
        "cycle_ms = [1500, 0]",
        "lamp_pattern \"slow-breath\", cycle_ms: expected on and off times in turn, none of them 0, found [1500, 0]",
    );
    check_map(
        "generic-hv-stack",
        "id = \"slow-breath\"",
        "id = \"blinking\"",
        &[
            "lamp_pattern \"blinking\": this name belongs to CiA 303-3",
            "lamp_code \"current-flows\", lamps: expected the id of a lamp_pattern, found \"slow-breath\", which is none",
        ],
    );
    check(
        "lamps = { power = \"flickering\"",
        "lamps = { pwr = \"flickering\"",
        "lamp_code \"self-test\", lamps: expected the id of a lamp, found \"pwr\", which is none",
    );
    check(
        "lamps = { power = \"flickering\"",
        "lamps = { power = \"flicker\"",
        "lamp_code \"self-test\", lamps: expected the id of a lamp_pattern, found \"flicker\", which is none",
    );
    check(
        "flags = [\"inverter-silent\"]",
        "flags = [\"silent\"]",
        "lamp_code \"inverter-silent\", flags: expected the id of a flag, found \"silent\", which is none",
    );
    check(
        "states = [\"maintenance\"]",
        "",
        "lamp_code \"maintenance\": expected flags, states or any_alarm, found none: it is never shown",
    );
}

#[test]
fn err_wrong_keys_and_types_each_at_their_place() {
    check(
        "address = 28\n",
        "adress = 28\n",
        "point \"cycles\": expected a known key, found \"adress\"",
    );
    check(
        "address = 28\n",
        "",
        "point \"cycles\": expected the key address, found none",
    );
    check(
        "address = 28\n",
        "address = -1\n",
        "point \"cycles\", address: expected u32, found integer `-1`",
    );
    check(
        "type = \"bcd32\"",
        "type = \"bcd33\"",
        "point \"built\", type: expected a known word, found \"bcd33\"",
    );
    check(
        "scale = 0.001\nunit = \"V\"\nnot_available = [65535]\nlimits = { warn_above",
        "scale = \"m\"\nunit = \"V\"\nnot_available = [65535]\nlimits = { warn_above",
        "point \"cell_voltage_max\", scale: expected f64, found string \"m\"",
    );
    check(
        "equals = 21318",
        "equals = 2.5",
        "recognise, equals: expected a whole number or a text",
    );
    check(
        "line = \"9600-8E1\"",
        "line = \"9600,e\"",
        "answering, line: line settings: expected something like 9600-8E1 (300 to 1000000 baud, 8 data bits, N, E or O, 1 or 2 stop bits), found \"9600,e\"",
    );
    check_map(
        "generic-hv-stack",
        "[inverter]\n",
        "[invertor]\n",
        &[
            "inverter: expected a table [inverter], found none",
            "file: expected a known key, found \"invertor\"",
        ],
    );
    let problems = mistakes_in("generic-hv-stack", "type = \"bcd32\"", "type = \"bcd33\"");
    assert_eq!(
        problems.to_string(),
        "map.toml: 1 mistake\n\
         map.toml:147:8: point \"built\", type: expected a known word, found \"bcd33\"\n  \
         147 | type = \"bcd33\"\n      \
         |        ^^^^^^^\n      \
         fix: did you mean bcd32?\n"
    );
}

#[test]
fn two_mistakes_in_one_item_are_both_named() {
    check_map(
        "generic-hv-stack",
        "id = \"soh\"\nrole = \"soh\"\ntable = \"input\"\naddress = 19\ntype = \"u16\"",
        "id = \"soh\"\nrole = \"health\"\ntable = \"inputs\"\naddress = 19\ntyp = \"u16\"",
        &[
            "point \"soh\", role: expected a known word, found \"health\"",
            "point \"soh\", table: expected a known word, found \"inputs\"",
            "point \"soh\": expected a known key, found \"typ\"",
        ],
    );
}

#[test]
fn what_refers_to_an_unreadable_item_is_no_mistake_besides() {
    check(
        "id = \"alarm_1\"\n",
        "id = \"alarm_1\"\nrol = 1\n",
        "point \"alarm_1\": expected a known key, found \"rol\"",
    );
}

// Kind: invented
const TEN: &[(&str, &str)] = &[
    ("line = \"9600-8E1\"", "line = \"9600,e\""),
    ("silence_s = 45", "silence_s = 0"),
    ("equals = 21318", "equals = 2.5"),
    ("type = \"bcd32\"", "type = \"bcd33\""),
    ("role = \"soh\"", "role = \"health\""),
    ("address = 28\n", "address = 60\n"),
    (
        "class = \"insulation-low\"\nseverity = \"alarm\"",
        "class = \"insulation-low\"\nseverity = \"notice\"",
    ),
    ("bit = 8\nclass = \"fan", "bit = 80\nclass = \"fan"),
    ("cycle_ms = [1500, 1500]", "cycle_ms = [1500]"),
    ("humidity_to = 90", "humidity = 90"),
];

#[test]
fn ten_mistakes_are_all_named_at_their_line_and_fit_a_screen() {
    let mut text = text_of("generic-hv-stack");
    let mut lines = Vec::new();
    for (from, to) in TEN {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    for (_, to) in TEN {
        let at = text.find(to).unwrap();
        let last = to.trim_end().matches('\n').count();
        let first = text[..at].matches('\n').count() + 1;
        lines.push((first, first + last));
    }
    let problems = load(&text, "ten.toml").unwrap_err();
    let printed = problems.to_string();
    for (first, last) in lines {
        let named = problems
            .list
            .iter()
            .any(|p| (first..=last).contains(&p.line));
        assert!(named, "line {first}\n{printed}");
    }
    assert!(problems.list.iter().all(|p| !p.fix.is_empty()), "{printed}");
    assert_eq!(problems.list.len(), TEN.len(), "{printed}");
    assert!(printed.lines().count() <= 50, "{printed}");
}

#[test]
fn more_mistakes_than_fit_are_counted() {
    let text = text_of("generic-hv-stack").replace("type = \"u16\"", "type = \"u17\"");
    let problems = load(&text, "many.toml").unwrap_err();
    let more = problems.list.len() - problems.to_string().matches("many.toml:").count() + 1;
    assert!(more > 1);
    assert!(
        problems
            .to_string()
            .ends_with(&format!("and {more} more\n")),
        "{problems}"
    );
}

#[test]
fn err_no_toml_at_all() {
    let problems = load("<html>\n<body>", "page.toml").unwrap_err();
    assert!(problems.to_string().contains("page.toml:1:"), "{problems}");
    assert!(load("", "empty.toml").is_err());
}

proptest::proptest! {
    #[test]
    fn any_text_loads_or_says_why_without_panic(text: String) {
        let _ = load(&text, "any").map_err(|problems| problems.to_string());
    }

    #[test]
    fn a_map_cut_and_patched_anywhere_never_panics(at in 0usize..24_000, length in 0usize..60, patch in "[ -~\n\u{e9}]{0,12}") {
        let mut text = text_of("generic-hv-stack");
        let at = at.min(text.len());
        let end = (at + length).min(text.len());
        text.replace_range(at..end, &patch);
        let _ = load(&text, "patched").map_err(|problems| problems.to_string());
    }
}

/// Loads a shipped map with one text replaced, which may only leave gaps: what is named, and the profile.
fn gaps_in(map: &str, from: &str, to: &str) -> (Vec<String>, Profile) {
    let text = text_of(map);
    assert!(text.contains(from), "not in {map}: {from}");
    let text = text.replacen(from, to, 1);
    let named = packside_profiles::check(&text, "map.toml").problems.list;
    assert!(named.iter().all(|p| p.grade == Grade::Gap), "{named:?}");
    let named = named.into_iter().map(|p| p.message).collect();
    (named, load(&text, "map.toml").unwrap())
}

#[test]
fn a_map_without_a_limit_is_used_and_says_what_it_leaves_open() {
    let (named, profile) = gaps_in(
        "generic-hv-stack",
        "limits = { alarm_below = 100, warn_below = 300 }",
        "limits = { warn_below = 300 }",
    );
    let sentence = "point \"insulation\", limits.alarm_below: expected the number at which insulation is an alarm, found none";
    assert_eq!(named, [sentence]);
    assert!(matches!(
        profile.gaps[..],
        [Gap::Limit {
            above: false,
            floor: None,
            ..
        }]
    ));
}

// Kind: common practice (3.9 V: more than any cell of LFP bears)
#[test]
fn where_a_map_gives_no_limit_of_a_cell_its_chemistry_does() {
    let (named, profile) = gaps_in(
        "generic-hv-stack",
        "limits = { warn_above = 3.58, alarm_above = 3.65 }",
        "limits = { warn_above = 3.58 }",
    );
    assert_eq!(named.len(), 1);
    let highest = profile.points.iter().find(|p| p.id == "cell_voltage_max");
    assert_eq!(highest.unwrap().limits.alarm_above, Some(3.9));
    let (named, profile) = gaps_in(
        "generic-hv-stack",
        "chemistry = \"LFP\"",
        "chemistry = \"unknown\"",
    );
    assert_eq!((named.len(), profile.gaps), (1, vec![Gap::Chemistry]));
}

#[test]
fn a_number_goes_without_a_limit_only_for_a_reason_of_the_closed_list() {
    let from = "limits = { alarm_below = 100, warn_below = 300 }";
    for reason in ["inverter-measures", "flag:insulation-low"] {
        let text =
            text_of("generic-hv-stack").replacen(from, &format!("judged_by = \"{reason}\""), 1);
        assert!(load(&text, "map.toml").unwrap().gaps.is_empty());
    }
    check(
        from,
        "judged_by = \"flag:no-such\"",
        "point \"insulation\", judged_by: expected a flag that is an alarm, found none of the id \"no-such\"",
    );
    check(
        "limits = { warn_above = 3.58, alarm_above = 3.65 }",
        "judged_by = \"extra-low-voltage\"",
        "point \"cell_voltage_max\", judged_by: expected limits, found another reason not to judge cell_voltage_max",
    );
}

#[test]
fn err_profile_careless() {
    // Kind: invented (each a slip that a hand makes)
    check(
        "limits = { alarm_below = 100, warn_below = 300 }",
        "limits = { alarm_below = nan, warn_below = 300 }",
        "expected a number, found nan, which limits and scales nothing",
    );
    check(
        "chemistry = \"LFP\"",
        "chemistry = \"lead\"",
        "unit.chemistry: expected one of LFP, NMC, NCA, LMO, LTO, lithium-ion, found \"lead\"",
    );
    check(
        "limits = { warn_above = 3.58, alarm_above = 3.65 }",
        "limits = { warn_above = 3.58, alarm_above = 36.5 }",
        "point \"cell_voltage_max\", limits.alarm_above: expected 1.5 to 3.9 V, all that a cell of LFP bears, found 36.5",
    );
    check(
        "id = \"generic-hv-stack\"",
        "id = \"../../generic\"",
        "profile, id: expected at most 64 letters, digits, - and _, found \"../../generic\"",
    );
}

/// A shipped map as a draft: with `[draft]`, and with this behind the insulation point.
fn as_draft(head: &str, of_point: &str) -> String {
    let text =
        text_of("generic-hv-stack").replacen("[answering]", &format!("{head}\n[answering]"), 1);
    let at = text.find("id = \"insulation\"").unwrap();
    let end = at + text[at..].find("\n\n").unwrap();
    format!("{}\n{of_point}{}", &text[..end], &text[end..])
}

// Kind: invented
#[test]
fn what_is_in_doubt_in_a_draft_is_not_judged_and_keeps_every_clean_verdict_away() {
    let head = "[draft]\nmade = \"from-table\"\nsource = \"registers.csv\"\n";
    let doubt = "[point.draft]\ngrade = \"narrowed\"\nopen = [\"scale\"]\n\
        [[point.draft.evidence]]\nby = \"document\"\nline = 14\ntext = \"30108 insulation\"\n\
        [[point.draft.rival]]\nscale = 0.1\nwhy = \"10 in the gain column\"\n";
    let text = as_draft(head, doubt);
    let profile = load(&text, "map.toml").unwrap();
    assert_eq!(profile.points_with(Role::Insulation).count(), 0);
    assert!(
        profile.gaps.contains(&Gap::Draft { open: 1 }),
        "{:?}",
        profile.gaps
    );
    let written = packside_profiles::as_written(&text, "map.toml").unwrap();
    let point = written.points_with(Role::Insulation).next().unwrap();
    assert_eq!(
        point.draft.as_ref().unwrap().rivals[0]
            .scale
            .unwrap()
            .value(),
        0.1
    );
    assert!(written.gaps.is_empty());
    // Whose base is not known, nothing of it is judged, and no flag of it is believed.
    let based = as_draft(&format!("{head}open = [\"addresses\"]\n"), "");
    let profile = load(&based, "map.toml").unwrap();
    assert!(profile.points.iter().all(|point| point.role == Role::Other));
    assert!(profile.flags.is_empty() && profile.inverter.flag.is_none());
    // Nothing open: still a draft.
    let profile = load(&as_draft(head, ""), "map.toml").unwrap();
    assert_eq!(profile.gaps, [Gap::Draft { open: 0 }]);
    assert_eq!(profile.points_with(Role::Insulation).count(), 1);
}

// Kind: invented
#[test]
fn err_draft() {
    let mistakes = |head: &str, of_point: &str| {
        let problems = load(&as_draft(head, of_point), "map.toml").unwrap_err();
        let list = problems
            .list
            .into_iter()
            .filter(|p| p.grade == Grade::Mistake);
        list.map(|p| p.message).collect::<Vec<_>>()
    };
    let head = "[draft]\nmade = \"from-table\"\n";
    let doubt = "[point.draft]\ngrade = \"open\"\nopen = [\"scale\"]\n";
    assert_eq!(
        mistakes("", doubt),
        ["point \"insulation\": open (scale), and the map has no table [draft]"]
    );
    assert_eq!(
        mistakes(head, "[point.draft]\ngrade = \"open\"\n"),
        [
            "point \"insulation\", draft: expected the keys that are in doubt at grade open, found none"
        ]
    );
    assert_eq!(
        mistakes(
            head,
            "[point.draft]\ngrade = \"checked\"\nopen = [\"scale\"]\n"
        ),
        [
            "point \"insulation\", draft: expected nothing in doubt at grade checked, found open = scale"
        ]
    );
    assert_eq!(
        mistakes(
            head,
            "[point.draft]\ngrade = \"narrowed\"\nopen = [\"scale\"]\n"
        ),
        ["point \"insulation\", draft: expected the rivals of what is narrowed, found none"]
    );
    assert_eq!(
        mistakes(&format!("{head}open = [\"unit.colour\"]\n"), ""),
        [
            "draft.open: expected addresses, table, order, or a key as answering.line, found \"unit.colour\""
        ]
    );
}

// Kind: invented
#[test]
fn a_blank_is_open_in_a_draft_and_a_mistake_in_a_map() {
    let blank = |text: &str| {
        text.replacen("silence_s = 45", "silence_s = \"?\"", 1)
            .replacen("never_charge_below = 2.0", "never_charge_below = \"?\"", 1)
            .replacen("alarm_above = 3.65", "alarm_above = \"?\"", 1)
    };
    let text = blank(&as_draft("[draft]\nmade = \"by-hand\"\n", ""));
    assert_eq!(text.matches("\"?\"").count(), 3, "the shipped map changed");
    let checked = packside_profiles::check(&text, "map.toml");
    let said: Vec<&str> = checked
        .problems
        .list
        .iter()
        .map(|problem| problem.message.as_str())
        .collect();
    for part in [
        "inverter.silence_s: a blank is left",
        "cell.never_charge_below: a blank is left",
        "limits.alarm_above: expected the number",
    ] {
        assert!(
            said.iter().any(|message| message.contains(part)),
            "{part}: {said:?}"
        );
    }
    let grades = checked.problems.list.iter().map(|problem| problem.grade);
    assert!(
        grades.clone().all(|grade| grade == Grade::Gap),
        "{:?}",
        checked.problems
    );
    let profile = checked.profile.unwrap();
    assert_eq!(profile.inverter.silence_s, 60);
    assert_eq!(profile.draft.unwrap().open, ["inverter.silence_s"]);
    assert!(profile.gaps.contains(&Gap::Cell), "{:?}", profile.gaps);
    // The table taken out, and a blank left: such a map is not used.
    let finished = blank(&text_of("generic-hv-stack"));
    let problems = load(&finished, "map.toml").unwrap_err();
    let blanks = problems
        .list
        .iter()
        .filter(|problem| problem.message.contains("a blank is left here"));
    assert_eq!(blanks.count(), 3, "{problems}");
}

// Kind: invented
#[test]
fn what_still_stands_as_a_draft_begins_is_named_before_the_draft_ends() {
    let said = |silence: &str| {
        let text = as_draft("[draft]\nmade = \"by-hand\"\n", "").replacen(
            "silence_s = 45",
            &format!("silence_s = {silence}"),
            1,
        );
        let list = packside_profiles::check(&text, "map.toml").problems.list;
        let ends = list
            .into_iter()
            .find(|problem| problem.message.contains("nothing is open any more"));
        ends.unwrap().fix
    };
    assert!(
        said("60").contains("inverter.silence_s = 60"),
        "{}",
        said("60")
    );
    assert!(!said("90").contains("inverter.silence_s"), "{}", said("90"));
}
