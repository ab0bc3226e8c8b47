//! Wordings of register lists against what somebody else says they mean.
//!
//! `tests/data/words/` was written by a hand that had not read the code. Kind: invented. A wording may stay open, and
//! how many do is no matter here; what is claimed must be right, and a list that claims nothing shows nothing.

use std::path::Path;

use packside::table::draft;
use packside_profiles::model::{Flag, Key, Point, Positive, Profile};
use packside_profiles::{Class, Role};

/// The wordings of a file with what each may be.
fn wordings(name: &str) -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/words");
    let text = std::fs::read_to_string(folder.join(name)).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    let pairs = lines.map(|line| line.split_once(" @@ ").unwrap());
    pairs
        .map(|(wording, truth)| (wording.to_owned(), truth.to_owned()))
        .collect()
}

fn drafted(list: &str) -> Profile {
    draft(list.as_bytes(), "list.csv", "list", "2026-12-01")
        .unwrap()
        .profile
}

/// What a list says and the draft claims, wrongly; and how often rightly.
#[derive(Default)]
struct Score {
    wrong: Vec<String>,
    right: usize,
}

impl Score {
    fn take(&mut self, is_right: bool, told: String) {
        if is_right {
            self.right += 1;
        } else {
            self.wrong.push(told);
        }
    }

    fn holds(&self, least: usize) {
        assert!(self.wrong.is_empty(), "{:#?}", self.wrong);
        assert!(
            self.right >= least,
            "only {} of at least {least}",
            self.right
        );
    }
}

#[test]
fn no_bit_is_taken_for_another_alarm() {
    let wordings = wordings("bits.txt");
    let mut list = String::from("Address;Bit;Name;Type;Remark\n");
    for (word, bits) in wordings.chunks(16).enumerate() {
        list.push_str(&format!(
            "0x{:04X};;Alarm word {};U16;\n",
            100 + word,
            word + 1
        ));
        for (bit, (wording, _)) in bits.iter().enumerate() {
            list.push_str(&format!(";{bit};{wording};;\n"));
        }
    }
    let profile = drafted(&list);
    let mut score = Score::default();
    for flag in &profile.flags {
        let is_open = |flag: &Flag| flag.draft.as_ref().unwrap().open.contains(&Key::Class);
        if is_open(flag) || flag.class == Class::OtherFault {
            continue;
        }
        let point = profile.points.iter().find(|point| point.id == flag.point);
        let place = usize::from(point.unwrap().address - 100) * 16 + usize::from(flag.bit.unwrap());
        let (wording, truth) = &wordings[place];
        let is_right = truth.split('/').any(|class| class == flag.class.id());
        score.take(
            is_right,
            format!("{wording}: {}, is {truth}", flag.class.id()),
        );
    }
    score.holds(51);
}

fn claims(point: &Point, key: Key) -> bool {
    !point.draft.as_ref().unwrap().open.contains(&key)
}

#[test]
fn no_direction_is_turned_round() {
    let mut score = Score::default();
    for (wording, truth) in wordings("directions.txt") {
        let cells: Vec<&str> = wording.split(';').map(str::trim).collect();
        let (own, remark) = cells.split_at(5);
        let list = format!(
            "Address;Name;Type;Scale;Unit;R/W;Remark\n0x0100;Battery voltage;U16;0.1;V;R;\n0x0101;{};\"{}\"\n\
             0x0102;SOC;U16;1;%;R;\n0x0103;Max cell voltage;U16;0.001;V;R;\n",
            own.join(";"),
            remark.join("; ")
        );
        let profile = drafted(&list);
        let point = profile.points.iter().find(|point| point.address == 0x101);
        let point = point.unwrap();
        if point.role != Role::PackCurrent || !claims(point, Key::Positive) {
            continue;
        }
        let positive = match point.positive {
            Some(Positive::Charge) => "charge",
            Some(Positive::Discharge) => "discharge",
            None => continue,
        };
        let is_right = truth.ends_with(&format!("pos={positive}"));
        score.take(is_right, format!("{wording}: {positive}, is {truth}"));
    }
    score.holds(41);
}

#[test]
fn no_row_is_taken_for_what_it_is_not() {
    let wordings = wordings("names.txt");
    let mut list = String::from("Address;Name;Type;Scale;Unit;R/W;Remark\n");
    for (row, (wording, _)) in wordings.iter().enumerate() {
        list.push_str(&format!("0x{:04X};{wording}\n", 0x100 + 3 * row));
    }
    let profile = drafted(&list);
    let mut score = Score::default();
    for point in profile
        .points
        .iter()
        .filter(|point| claims(point, Key::Role))
    {
        let (wording, truth) = &wordings[usize::from(point.address - 0x100) / 3];
        let roles = truth.split(' ').next().unwrap();
        let is_right = roles.split('/').any(|role| role == point.role.id());
        score.take(
            is_right,
            format!("{wording}: {}, is {truth}", point.role.id()),
        );
    }
    score.holds(100);
}
