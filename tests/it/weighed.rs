//! Lists held against what a unit reads: what is called checked, and what is not.
//!
//! Kind of every list, reading and expectation: invented. The layouts are another hand's.

use packside::draft;
use packside::physics::{Evidence, Images, Outcome, Register, weigh};
use packside::table::draft as drafted;
use packside_profiles::Role;
use packside_profiles::model::{Footing, Key, Profile, Table};

/// Sixteen cells in millivolts, how they are while a current of that many amperes flows.
fn cells(amperes: u16) -> Vec<u16> {
    let each = (0..16_u16).map(|cell| 3_290 + 3 * (cell * 7 % 11) + amperes * 3 / 5);
    each.collect()
}

/// Twenty images of a pack that charges more and less; `row` gives the words of one.
fn images(table: Table, row: impl Fn(&[u16], u16) -> Vec<(u16, u16)>) -> Images {
    let mut images = Images::default();
    for image in 0..20_u16 {
        let amperes = [5, 12, 40, 40, 61, 22, 9][usize::from(image % 7)];
        let words = row(&cells(amperes), amperes);
        let words = words
            .into_iter()
            .map(|(at, word)| (Register::new(table, at), word));
        images.push(f64::from(image) * 10.0, words);
    }
    images
}

/// The draft of a list, and what it comes to against images.
struct Tried {
    profile: Profile,
    points: Vec<usize>,
    outcome: Outcome,
}

impl Tried {
    fn of(list: &str, images: &Images) -> Self {
        let found = drafted(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
        let claims = draft::claims(&found.profile, images);
        let (points, claims): (Vec<usize>, Vec<_>) = claims.into_iter().unzip();
        let outcome = weigh(images, &claims, &draft::bases(&found.profile));
        Self {
            profile: found.profile,
            points,
            outcome,
        }
    }

    /// Grade, keys in doubt and reasons of the point at a register.
    fn at(&self, address: u16) -> (Role, Footing, Vec<Key>, Vec<Evidence>) {
        let mut all = self.points.iter().zip(&self.outcome.points);
        let found = all.find_map(|(index, weighed)| {
            let point = &self.profile.points[*index];
            (point.address == address).then_some((point.role, weighed))
        });
        let (role, weighed) = found.unwrap_or_else(|| panic!("no point at {address}"));
        (
            role,
            weighed.grade,
            weighed.open.clone(),
            weighed.evidence.clone(),
        )
    }
}

const PACK: &str = "Address;Name;Type;Scale;Unit;Remark
0x0000;Pack voltage;U16;0.01;V;
0x0001;SOC;U16;1;%;
0x0002;SOH;U16;1;%;
0x0003;Max cell voltage;U16;0.001;V;
0x0004;Min cell voltage;U16;0.001;V;
0x0010-0x001F;Cell voltage 1-16;U16;0.001;V;
";

fn pack(cells: &[u16]) -> Vec<(u16, u16)> {
    let sum: u16 = cells.iter().map(|cell| cell / 10).sum();
    let highest = *cells.iter().max().unwrap();
    let lowest = *cells.iter().min().unwrap();
    let all = (0x10..).zip(cells.iter().copied());
    let mut words: Vec<(u16, u16)> = all.collect();
    words.extend([(0, sum), (1, 61), (2, 98), (3, highest), (4, lowest)]);
    words
}

#[test]
fn only_what_adds_up_is_checked() {
    let tried = Tried::of(PACK, &images(Table::Holding, |cells, _| pack(cells)));
    for at in [0, 3, 4, 0x10] {
        assert_eq!(tried.at(at).1, Footing::Checked, "{at}: {:?}", tried.at(at));
    }
    // 98 is a possible share, and so is 61: nothing shows that they are these.
    for at in [1, 2] {
        assert_eq!(tried.at(at).1, Footing::AsDocumentSays, "{at}");
    }
}

#[test]
fn a_set_point_that_is_never_the_highest_cell_is_opened() {
    let list = PACK
        .replace("0x0003;", "0x0023;")
        .replace("0x0004;", "0x0024;");
    let set_points = |cells: &[u16], _: u16| {
        let mut words = pack(cells);
        words.extend([(0x23, 3_650), (0x24, 2_700)]);
        words
    };
    let tried = Tried::of(&list, &images(Table::Holding, set_points));
    for at in [0x23, 0x24] {
        let (_, grade, open, evidence) = tried.at(at);
        assert_eq!((grade, open), (Footing::Open, vec![Key::Role]), "{at:#x}");
        let says = |one: &Evidence| {
            matches!(
                one,
                Evidence::NotExtreme {
                    held: 20,
                    of: 20,
                    ..
                }
            )
        };
        assert!(evidence.iter().any(says), "{evidence:?}");
    }
}

#[test]
fn the_number_of_the_highest_cell_is_not_its_voltage() {
    let list = format!(
        "{PACK}0x0005;Max cell voltage;U16;;;number of the cell\n0x0006;Min cell voltage;U16;;;number of the cell\n"
    );
    let numbered = |cells: &[u16], _: u16| {
        let mut words = pack(cells);
        words.extend([(5, 4), (6, 8)]);
        words
    };
    let tried = Tried::of(&list, &images(Table::Holding, numbered));
    assert_eq!(tried.at(3).1, Footing::Checked);
    // Four would be a possible voltage, eight is none.
    for at in [5, 6] {
        let (_, grade, open, _) = tried.at(at);
        assert_eq!(grade, Footing::Open, "{:?}", tried.at(at));
        assert!(open.contains(&Key::Role), "{open:?}");
    }
}

#[test]
fn more_cells_than_the_list_names_may_hold_the_highest_one() {
    // One module of several: the highest of all moves as its cells do, and stands above them.
    let list = PACK.replace("0x0000;Pack voltage;U16;0.01;V;\n", "");
    let further = |cells: &[u16], _: u16| {
        let mut words = pack(cells);
        words.retain(|(at, _)| *at != 3);
        words.push((3, cells.iter().max().unwrap() + 25));
        words
    };
    let tried = Tried::of(&list, &images(Table::Holding, further));
    assert_eq!(tried.at(3).1, Footing::AsDocumentSays, "{:?}", tried.at(3));
}

/// Points of a list: role, register, count, type, scale, offset, order, open keys.
fn read(list: &str) -> Vec<String> {
    let found = drafted(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let mut points: Vec<String> = Vec::new();
    for point in &found.profile.points {
        let count = point
            .repeat
            .as_ref()
            .map_or(1, |repeat| match repeat.count {
                packside_profiles::model::Count::Fixed(count) => count,
                _ => 0,
            });
        let open = point.draft.iter().flat_map(|draft| &draft.open);
        let open: Vec<&str> = open.map(|key| key.id()).collect();
        points.push(format!(
            "{} {} x{count} {} {} {} {}",
            point.role.id(),
            point.address,
            packside_profiles::explain::kind_name(point.kind),
            point.scale.value(),
            point.offset.value(),
            open.join(",")
        ));
    }
    points.extend(
        found
            .unread
            .iter()
            .map(|row| format!("unread {}", row.line)),
    );
    points
}

#[test]
fn lengths_in_bytes_swallow_no_row() {
    let list = |heading: &str| {
        format!(
            "Address;{heading};Name;Type;Scale;Unit
0x0100;2;Pack voltage;U16;0.1;V
0x0101;2;SOC;U16;1;%
0x0102;2;SOH;U16;1;%
0x0103;32;Cell voltage 1-16;U16;0.001;V
0x0113;2;Cycle count;U16;;
"
        )
    };
    let wanted = [
        "pack_voltage 256 x1 u16 0.1 0 ",
        "soc 257 x1 u16 1 0 ",
        "soh 258 x1 u16 1 0 ",
        "cell_voltage 259 x16 u16 0.001 0 ",
        "cycles 275 x1 u16 1 0 ",
    ];
    for heading in ["Length (byte)", "Data length (bytes)", "字节数", "Length"] {
        assert_eq!(read(&list(heading)), wanted, "{heading}");
    }
    // One row that reaches into the next is wrong alone, and says so.
    let one = list("Length")
        .replace("0x0103;32", "0x0103;16")
        .replace(";2;", ";1;");
    let one = one.replace("0x0101;1;SOC", "0x0101;2;SOC");
    assert_eq!(
        read(&one)[1..],
        [
            "soc 257 x2 u16 1 0 count",
            "cell_voltage 259 x16 u16 0.001 0 ",
            "cycles 275 x1 u16 1 0 ",
            "unread 4"
        ]
    );
}

#[test]
fn two_bytes_of_one_register_are_two_points_or_none() {
    let list = "Register;Hi/Lo;Parameter;Format;LSB;Units
1;;Pack voltage;unsigned 16;0.01;V
2;Hi byte;State of charge;unsigned 8;1;%
2;Lo byte;State of health;unsigned 8;1;%
3;;Hottest cell temperature;s8 high byte;1;°C
3;;Coldest cell temperature;s8 low byte;1;°C
";
    assert_eq!(
        read(list)[1..],
        [
            "soc 2 x1 u8-high 1 0 ",
            "soh 2 x1 u8-low 1 0 ",
            "cell_temperature_max 3 x1 i8-high 1 0 ",
            "cell_temperature_min 3 x1 i8-low 1 0 ",
        ]
    );
    let mute = list.replace("Hi byte", "").replace("Lo byte", "");
    assert_eq!(
        read(&mute)[1..],
        [
            "cell_temperature_max 3 x1 i8-high 1 0 ",
            "cell_temperature_min 3 x1 i8-low 1 0 ",
            "unread 3",
            "unread 4",
        ]
    );
}

#[test]
fn what_is_taken_from_a_temperature_is_read_or_left_open() {
    for (remark, offset, open) in [
        ("value - 40", "-40", ""),
        ("raw value minus 40", "-40", ""),
        ("Wert minus 40", "-40", ""),
        ("valeur - 40", "-40", ""),
        ("0 = -40 °C", "-40", ""),
        ("40 = 0 °C", "-40", ""),
        ("bias 40", "-40", "offset"),
        ("-40", "-40", "offset"),
        ("40 offset", "-40", "offset"),
        ("range -40..125", "-40", "offset"),
        ("of all cells", "0", ""),
    ] {
        let list = format!(
            "Address;Name;Type;Scale;Unit;Remark
0x0100;Max cell temperature;U16;1;degC;\"{remark}\"
0x0101;SOC;U16;1;%;
0x0102;Pack voltage;U16;0.1;V;
"
        );
        let wanted = format!("cell_temperature_max 256 x1 u16 1 {offset} {open}");
        assert_eq!(read(&list)[0], wanted, "{remark}");
    }
}

#[test]
fn columns_of_bits_signs_formulas_and_orders_are_used() {
    let list = "Reg No.;Signal;Bits;Sign;Factor;Offset;Unit;Byte/word order;Cycle
1;Battery voltage;16;unsigned;0.1;0;V;AB;100 ms
3;Battery power;32;signed;1;0;W;CDAB;100 ms
5;SOC;16;unsigned;0.1;0;%;AB;1 s
7;Operating time;32;unsigned;1;0;s;CDAB;1 s
";
    let found = drafted(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let of = |role| found.profile.points_with(role).next().unwrap();
    use packside_profiles::model::{Kind, WordOrder};
    let power = of(Role::PackPower);
    assert_eq!((power.kind, power.order), (Kind::I32, WordOrder::LowFirst));
    let uptime = of(Role::Uptime);
    assert_eq!(
        (uptime.kind, uptime.order),
        (Kind::U32, WordOrder::LowFirst)
    );
    let list = "No.,Signal name,Start address (dec),Length,Signed,Value formula,Range,Unit
1,Total voltage,0,1,N,U = raw*0.1,0~1000,V
2,Total current,1,1,N,I = (raw - 16000)*0.1,-1600~1600,A
3,SOC,2,1,N,raw*0.1,0~100,%
4,Highest cell temperature,3,1,N,T = raw - 40,-40~120,℃
5,Ambient temperature,4,1,Y,raw*0.1,-40~120,℃
";
    assert_eq!(
        read(list),
        [
            "pack_voltage 0 x1 u16 0.1 0 ",
            "pack_current 1 x1 u16 0.1 -1600 positive",
            "soc 2 x1 u16 0.1 0 ",
            "cell_temperature_max 3 x1 u16 1 -40 ",
            "other 4 x1 i16 0.1 0 ",
        ]
    );
}

#[test]
fn sections_name_the_table_of_their_rows() {
    let list = "Reg;Parameter;Type;Resolution;Unit
;1. Pack data (function code 04);;;
0;Pack voltage;UINT16;0.01;V
1;SOC;UINT16;0.1;%
;3. Settings (function code 03 / 06);;;
0;Charge voltage;UINT16;0.1;V
";
    let found = drafted(list.as_bytes(), "list.csv", "list", "2026-12-01").unwrap();
    let tables: Vec<_> = found
        .profile
        .points
        .iter()
        .map(|point| point.table)
        .collect();
    assert_eq!(
        tables,
        [Table::Input, Table::Input, Table::Holding].map(Some)
    );
}
