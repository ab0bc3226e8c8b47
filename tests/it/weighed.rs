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
