//! Why nothing can be said about the unit: causes of a silent or garbled bus, weighed.
//!
//! One readable table: each observation moves each cause by whole bits (a step of one doubles or
//! halves its odds). Sums are exact and the same on every platform. Priors and weights are common
//! practice and our judgement, not measurements; they rank what to look at first and prove nothing.
//!
//! Observations that come from the same happening are counted once: of several ways to see garbage
//! only the most telling is set (see [`Observations`]).

use packside_profiles::model::Needs;

use super::judgement::{Cause, NextStep};

/// What was seen of a bus on which no unit gave a valid answer.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Observations {
    /// Not one byte came.
    pub(crate) nothing: bool,
    /// Bytes came, none of them a valid frame.
    pub(crate) garbage: bool,
    /// The garbage consists mostly of 7F, FE and FF, as an inverted line gives.
    pub(crate) inverted_look: bool,
    /// The garbage consists mostly of 00, 80, E0 and F8, as a receiver set too fast gives.
    pub(crate) too_fast_look: bool,
    /// The bytes are printable text.
    pub(crate) text: bool,
    /// Frames came that fit our question but for their check value.
    pub(crate) damaged: bool,
    /// Our own questions came back.
    pub(crate) echo: bool,
    /// Valid frames of other units or other clients came.
    pub(crate) foreign: bool,
    /// Answers came after the time-out.
    pub(crate) late: bool,
    /// The gateway answered with exception 0A.
    pub(crate) exception_0a: bool,
    /// The gateway answered with exception 0B.
    pub(crate) exception_0b: bool,
    /// The link is a TCP gateway.
    pub(crate) gateway: bool,
    /// The gateway is spoken to in Modbus TCP.
    pub(crate) tcp_framing: bool,
    /// The link was lost in between.
    pub(crate) lost: bool,
    /// The bytes are right frames once the levels are turned round: proven, not by accident.
    pub(crate) swapped_proven: bool,
    /// The bytes are right frames at other line settings: proven, not by accident.
    pub(crate) settings_proven: bool,
}

/// One cause: id, meaning, prior in bits, what to do.
struct Row {
    id: &'static str,
    meaning: &'static str,
    prior: i32,
    serial_only: bool,
    gateway_only: bool,
    /// Weight of each observation in bits, in the order of [`columns`].
    weights: [i32; COLUMNS],
    next: (&'static str, &'static str, Needs),
}

const COLUMNS: usize = 14;

/// The observations as columns, with the words used as a reason.
fn columns(seen: &Observations) -> [(bool, &'static str); COLUMNS] {
    [
        (seen.nothing, "not one byte came back"),
        (seen.garbage, "bytes came, none of them a valid frame"),
        (seen.inverted_look, "the bytes are mostly 7F, FE and FF"),
        (seen.too_fast_look, "the bytes are mostly 00, 80, E0 and F8"),
        (seen.text, "the bytes are readable text"),
        (seen.damaged, "answers came with a wrong check value"),
        (seen.echo, "our own questions came back"),
        (seen.foreign, "valid frames of others were heard"),
        (seen.late, "answers came after the time-out"),
        (seen.exception_0a, "the gateway answered 0A (no path)"),
        (
            seen.exception_0b,
            "the gateway answered 0B (no answer behind it)",
        ),
        (seen.lost, "the link was lost in between"),
        (
            seen.swapped_proven,
            "turned round, the very bytes received are right frames",
        ),
        (
            seen.settings_proven,
            "cut at other settings, the very bytes received are right frames",
        ),
    ]
}

#[rustfmt::skip]
const TABLE: &[Row] = &[
    //                                                                                     nothing garb inv fast text dam echo for late 0A  0B  lost swap set
    Row { id: "pair-swapped", meaning: "the two wires of the pair are swapped",
          prior: 5, serial_only: true, gateway_only: false, weights:                       [ 0,  2,  6, -2, -5, -6, -2, -6, -6,  0,  0, -1, 20,-9],
          next: ("swap-pair", "swap the two wires of the pair at the adapter (idle: D1 above D0), then look again", Needs::LowVoltage) },
    Row { id: "wrong-speed-or-format", meaning: "baud rate or parity differ from the unit's",
          prior: 5, serial_only: true, gateway_only: false, weights:                       [ 0,  3,  0,  6, -4,  1, -1, -5, -5,  0,  0, -1, -9,20],
          next: ("other-line-settings", "look up the unit's line settings and give them with --line, for example --line 19200-8E1", Needs::Look) },
    Row { id: "wrong-address", meaning: "the unit has another unit address",
          prior: 5, serial_only: false, gateway_only: false, weights:                      [ 2, -4, -5, -5, -5, -5,  0,  4, -4, -3,  3, -1, -6,-6],
          next: ("other-address", "look up the unit address (switches or the inverter's screen) and give it with --unit N", Needs::Look) },
    Row { id: "wrong-socket", meaning: "the cable is in another socket (CAN, module link) or has another pinout",
          prior: 5, serial_only: true, gateway_only: false, weights:                       [ 2,  1,  0,  0, -2, -5,  0, -4, -5,  0,  0,  0, -6,-6],
          next: ("check-socket", "compare the socket and its pins with the maker's manual", Needs::Look) },
    Row { id: "wire-open", meaning: "a wire is broken or not seated, or the adapter is not powered",
          prior: 4, serial_only: true, gateway_only: false, weights:                       [ 2,  0,  0,  0, -5, -1,  1, -3, -5,  0,  0,  1, -6,-6],
          next: ("measure-pair", "with all bus devices off measure the pair: about 60 ohms two terminators, 120 one, high none or open", Needs::LowVoltage) },
    Row { id: "unit-off", meaning: "the unit is switched off or asleep",
          prior: 5, serial_only: false, gateway_only: false, weights:                      [ 2, -5, -6, -6, -6, -6,  1,  2, -5, -3,  3, -1, -6,-6],
          next: ("look-at-lamps", "look at the lamps: is the unit powered and awake? Dark lamps do not mean that it is sound or dead", Needs::Look) },
    Row { id: "disturbed-line", meaning: "the line is disturbed (no common wire, no bias, inverter noise)",
          prior: 2, serial_only: true, gateway_only: false, weights:                       [-4,  1,  0, -1, -5,  6,  0,  0, -1,  0,  0,  0, -6,-6],
          next: ("check-common", "look for the common wire and for terminators at both ends, then look again", Needs::Look) },
    Row { id: "second-client", meaning: "somebody else asks on this bus at the same time",
          prior: 2, serial_only: true, gateway_only: false, weights:                       [-5, -1, -3, -3, -4,  3,  0,  6, -1,  0,  0,  0, -6,-6],
          next: ("listen-first", "do not ask while the inverter asks: stop here, or unplug with the inverter's owner's consent", Needs::Look) },
    Row { id: "slow-unit", meaning: "the unit answers slower than we wait",
          prior: 1, serial_only: false, gateway_only: false, weights:                      [-1, -4, -5, -5, -5, -3,  0, -1,  8, -2, -1,  0, -6,-6],
          next: ("look-again", "look again: late answers were seen, the wait is longer next time", Needs::Look) },
    Row { id: "other-protocol", meaning: "something that is not Modbus talks on this port",
          prior: 1, serial_only: false, gateway_only: false, weights:                      [-3,  2, -1, -1,  9, -5, -2, -6, -5, -4, -4,  0, -6,-6],
          next: ("check-port", "look what else is reached by this port, then give the right one", Needs::Look) },
    Row { id: "gateway-framing", meaning: "the gateway speaks RTU over TCP where Modbus TCP was used, or the reverse",
          prior: 3, serial_only: false, gateway_only: true, weights:                       [ 2,  4,  0,  0, -5, -2,  0, -6, -5, -6, -6,  2, -6,-6],
          next: ("other-framing", "try the other framing: --framing rtu or --framing tcp", Needs::Look) },
    Row { id: "gateway-path", meaning: "the gateway is misconfigured or overloaded",
          prior: 2, serial_only: false, gateway_only: true, weights:                       [ 1, -2, -5, -5, -3, -2,  0,  0,  1,  9, -1,  1, -6,-6],
          next: ("check-gateway", "look at the gateway's own page: serial settings, connections, its time-out", Needs::Look) },
    Row { id: "serial-side-of-gateway", meaning: "the gateway works; the wires or settings behind it do not",
          prior: 3, serial_only: false, gateway_only: true, weights:                       [ 1, -4, -5, -5, -5, -2,  0, -1, -2, -3,  5, -1, -6,-6],
          next: ("check-gateway-serial", "compare the gateway's serial settings and wires with the unit's", Needs::Look) },
    Row { id: "tool-mistake", meaning: "a mistake in this tool or its profile",
          prior: -3, serial_only: false, gateway_only: false, weights:                     [-1,  0, -1, -1, -1,  0,  0,  0,  0, -1, -1,  0, -6,-6],
          next: ("report-mistake", "keep this result (--format json) and tell whoever keeps the profile", Needs::Look) },
];

/// Ranks the causes, most likely first, with their next steps.
pub(crate) fn rank(seen: &Observations) -> Vec<(Cause, NextStep)> {
    let columns = columns(seen);
    let fitting: Vec<(&Row, i32)> = TABLE
        .iter()
        .filter(|row| {
            let overheard_line = !(seen.gateway && seen.tcp_framing);
            (overheard_line || !row.serial_only) && (seen.gateway || !row.gateway_only)
        })
        .map(|row| {
            let moved: i32 = row
                .weights
                .iter()
                .zip(columns)
                .filter(|(_, (on, _))| *on)
                .map(|(w, _)| *w)
                .sum();
            (row, row.prior + moved)
        })
        .collect();
    let lowest = fitting
        .iter()
        .map(|(_, bits)| *bits)
        .min()
        .unwrap_or_default();
    let odds = |bits: i32| 1u128 << u32::try_from(bits - lowest).unwrap_or_default().min(100);
    let total: u128 = fitting
        .iter()
        .map(|(_, bits)| odds(*bits))
        .sum::<u128>()
        .max(1);
    let mut ranked: Vec<(Cause, NextStep)> = fitting
        .iter()
        .map(|(row, bits)| {
            let per_mille = u32::try_from((odds(*bits) * 1000 + total / 2) / total).unwrap_or(0);
            (cause(row, per_mille, &columns), next(row))
        })
        .collect();
    ranked.sort_by_key(|(cause, _)| std::cmp::Reverse(cause.per_mille));
    ranked
}

fn cause(row: &Row, per_mille: u32, columns: &[(bool, &'static str)]) -> Cause {
    let reasons = |wanted: fn(i32) -> bool| {
        let mut moved: Vec<(i32, &str)> = row
            .weights
            .iter()
            .zip(columns)
            .filter(|(w, (on, _))| *on && wanted(**w))
            .map(|(w, (_, t))| (w.abs(), *t))
            .collect();
        moved.sort_by_key(|(w, _)| std::cmp::Reverse(*w));
        moved.into_iter().map(|(_, text)| text.to_owned()).collect()
    };
    Cause {
        id: row.id,
        per_mille,
        meaning: row.meaning,
        reasons_for: reasons(|w| w > 0),
        reasons_against: reasons(|w| w < 0),
    }
}

fn next(row: &Row) -> NextStep {
    let (id, text, needs) = row.next;
    let who = if needs == Needs::Look {
        "anyone on site"
    } else {
        "technician"
    };
    NextStep {
        id,
        text: text.to_owned(),
        needs,
        who,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leader(seen: Observations) -> &'static str {
        rank(&seen).first().map(|(cause, _)| cause.id).unwrap()
    }

    // Kind: common practice (FIELD table "what goes wrong on the wire, and how it looks")
    #[test]
    fn garbage_rich_in_7f_fe_ff_points_to_a_swapped_pair() {
        let seen = Observations {
            garbage: true,
            inverted_look: true,
            ..Default::default()
        };
        assert_eq!(leader(seen), "pair-swapped");
    }

    #[test]
    fn garbage_rich_in_00_80_f8_points_to_line_settings() {
        let seen = Observations {
            garbage: true,
            too_fast_look: true,
            ..Default::default()
        };
        assert_eq!(leader(seen), "wrong-speed-or-format");
    }

    #[test]
    fn readable_text_points_to_another_protocol() {
        let seen = Observations {
            garbage: true,
            text: true,
            gateway: true,
            tcp_framing: true,
            ..Default::default()
        };
        assert_eq!(leader(seen), "other-protocol");
    }

    #[test]
    fn exception_0a_points_to_the_gateway() {
        let seen = Observations {
            exception_0a: true,
            gateway: true,
            tcp_framing: true,
            ..Default::default()
        };
        assert_eq!(leader(seen), "gateway-path");
    }

    #[test]
    fn shares_sum_to_one_within_rounding() {
        let seen = Observations {
            nothing: true,
            ..Default::default()
        };
        let total: u32 = rank(&seen).iter().map(|(cause, _)| cause.per_mille).sum();
        assert!((990..=1010).contains(&total), "{total}");
    }

    #[test]
    fn clean_silence_leaves_several_causes_open() {
        let ranked = rank(&Observations {
            nothing: true,
            ..Default::default()
        });
        assert!(
            ranked
                .iter()
                .filter(|(cause, _)| cause.per_mille >= 100)
                .count()
                >= 4
        );
    }
}
