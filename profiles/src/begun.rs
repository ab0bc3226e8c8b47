//! What a draft begins with: nobody said anything yet, and what it goes on with is careful where it can be.
//!
//! Does not: know points, or where a draft comes from.

use crate::blank::Blank;
use crate::foreign::Foreign;
use crate::line::{LineSettings, Parity};
use crate::model::{
    Answering, DraftHead, FORMAT, FedBy, Head, Inverter, InverterPort, Made, Numbering, Profile,
    SwitchKind, Terminals, UNKNOWN_CHEMISTRY, UnitPicture,
};

/// What stands where a text is blank.
const NOT_SAID: &str = "not said";

/// A draft without points. `source` is what it is made from, `id` the name of the map, `date` today as `YYYY-MM-DD`.
/// Every blank of it is open.
pub fn begun(made: Made, source: &str, id: &str, date: &str) -> Profile {
    Profile {
        format: FORMAT,
        profile: head(source, id, date),
        draft: Some(DraftHead {
            made,
            source: source.into(),
            open: Blank::of_drafts()
                .map(|blank| blank.key.to_owned())
                .collect(),
            unread: Vec::new(),
        }),
        answering: Answering {
            line: LineSettings {
                baud: 9_600,
                parity: Parity::None,
                stop_bits: 1,
            },
            unit: 1,
            answer_time_ms: 100,
            time_out_ms: 1_000,
            pause_ms: None,
            functions: vec![3, 4],
            usual_poll_s: None,
        },
        members: None,
        recognise: Vec::new(),
        spans: Vec::new(),
        clears_when_read: Vec::new(),
        groups: Vec::new(),
        points: Vec::new(),
        models: Vec::new(),
        flags: Vec::new(),
        inverter: Inverter {
            port: InverterPort::Unknown,
            fed_by: FedBy::Unknown,
            reads_of: Vec::new(),
            flag: None,
            silence_s: 60,
            asking_may_close_switches: true,
        },
        unit: picture(),
        lamps: Vec::new(),
        lamp_patterns: Vec::new(),
        lamp_codes: Vec::new(),
        cross_checks: Vec::new(),
        cell: None,
        inverter_families: Vec::new(),
        storage_windows: Vec::new(),
        ambient: None,
        manual_steps: Vec::new(),
        addresses: Numbering::From0,
        gaps: Vec::new(),
    }
}

/// Which document it is from; what unit it is for and who answers for it is blank.
fn head(source: &str, id: &str, date: &str) -> Head {
    Head {
        id: id.to_owned(),
        title: NOT_SAID.into(),
        document: source.into(),
        revision: NOT_SAID.into(),
        author: NOT_SAID.into(),
        date: date.to_owned(),
        verified_on_hardware: false,
        firmware_from: None,
        firmware_below: None,
        notes: Foreign::default(),
    }
}

/// The careful picture of a unit of which nobody said anything.
fn picture() -> UnitPicture {
    UnitPicture {
        switch: SwitchKind::Contactor,
        terminals_without_inverter: Terminals::Live,
        switches_closed: 0,
        self_test_s: 10.0,
        precharge_s: None,
        decay_s: None,
        auto_off_s: None,
        wake: Foreign::default(),
        black_start: false,
        cells_per_module: 16,
        chemistry: UNKNOWN_CHEMISTRY.into(),
        rest_current: 1.0,
        swap_allowed: false,
        refresh_s: 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (what blanks go on with is what the draft began with)
    #[test]
    fn what_a_draft_begins_with_loads_again_as_it_was() {
        let profile = begun(Made::ByHand, "list.csv", "my-battery", "2026-12-01");
        let text = crate::draft_text(&profile);
        let again =
            crate::as_written(&text, "begun.toml").unwrap_or_else(|why| panic!("{why}\n{text}"));
        assert_eq!(again, profile, "{text}");
    }
}
