//! Soft causes: why nobody answers, why a line is bad, why the inverter is not heard. One table.
//!
//! Each sight moves each cause by whole bits (a step of one doubles or halves its odds). Sums are
//! exact and the same on every platform. Priors and most weights are common practice and our judgement;
//! those of a silent pair and of other people's frames follow how often the simulated line shows them.
//! `cargo bench --bench verdict -- causes` measures how far the shares can be relied on. They rank what to
//! look at first and prove nothing about the battery.

use crate::facts::cause::Cause;
use crate::facts::judgement::NextStep;
use crate::facts::sight::{Sight, Sights};
use crate::facts::step::{Step, by_split};

/// A question that causes answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Topic {
    /// Why no unit gave a valid answer.
    NoAnswer,
    /// Why a line on which units answer damages or delays so much.
    BadLine,
    /// Why the unit does not hear its inverter.
    Inverter,
}

/// On which links a cause is possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fits {
    Any,
    /// Needs a line that we are on, or one behind a gateway that speaks RTU.
    Line,
    Gateway,
    /// Needs a port of this computer.
    Port,
}

/// One cause.
pub(crate) struct Row {
    /// Stable id.
    pub(crate) id: &'static str,
    /// In the words of a technician.
    pub(crate) meaning: &'static str,
    topics: &'static [Topic],
    fits: Fits,
    /// Odds before anything was seen, in bits.
    prior: i32,
    /// Bits by which a sight moves it.
    weights: &'static [(Sight, i32)],
    /// What settles it.
    pub(crate) step: Step,
    /// What to mind meanwhile.
    pub(crate) caution: &'static str,
}

const SEATED: &str = "extra-low voltage only; keep away from the DC terminals";
const NONE: &str = "";

use Fits::{Any, Gateway, Line, Port};
use Sight as S;
use Topic::{BadLine, Inverter, NoAnswer};

#[rustfmt::skip]
pub(crate) const TABLE: &[Row] = &[
    Row { id: "pair-swapped", meaning: "the two wires of the pair are swapped, at the adapter or at the unit", topics: &[NoAnswer], fits: Line, prior: 5, step: Step::SwapPair, caution: SEATED,
          weights: &[(S::AskedInVain, 1), (S::SameDamage, -6), (S::Nothing, 1), (S::Garbage, 2), (S::InvertedLook, 6), (S::TooFastLook, -2), (S::Text, -5), (S::Damaged, -6), (S::Echo, -2), (S::Foreign, 2), (S::Late, -6), (S::Lost, -1), (S::SwappedProven, 20), (S::SettingsProven, -9)] },
    Row { id: "wrong-speed-or-format", meaning: "baud rate or parity differ from the unit's", topics: &[NoAnswer], fits: Line, prior: 5, step: Step::OtherLine, caution: NONE,
          weights: &[(S::SameDamage, -1), (S::Nothing, 1), (S::Garbage, 3), (S::TooFastLook, 6), (S::Text, -4), (S::Damaged, 1), (S::Echo, -1), (S::Foreign, -5), (S::Late, -5), (S::Lost, -1), (S::SwappedProven, -9), (S::SettingsProven, 20)] },
    Row { id: "wrong-address", meaning: "the unit has another unit address", topics: &[NoAnswer], fits: Any, prior: 5, step: Step::OtherAddress, caution: NONE,
          weights: &[(S::AskedInVain, -1), (S::AsksOther, 6), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -5), (S::Foreign, 4), (S::Late, -4), (S::Exception0A, -3), (S::Exception0B, 3), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "wrong-socket", meaning: "the cable is in another socket (CAN, module link) or has another pinout", topics: &[NoAnswer], fits: Line, prior: 5, step: Step::CheckSocket, caution: NONE,
          weights: &[(S::Nothing, 2), (S::Garbage, 1), (S::Text, -2), (S::Damaged, -5), (S::Foreign, -4), (S::Late, -5), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "wire-open", meaning: "a wire is broken or not seated, or the adapter is not powered", topics: &[NoAnswer], fits: Line, prior: 4, step: Step::MeasurePair, caution: SEATED,
          weights: &[(S::AskedInVain, -3), (S::SameDamage, -6), (S::Nothing, 2), (S::Text, -5), (S::Damaged, -1), (S::Echo, 1), (S::Foreign, -3), (S::Late, -5), (S::Lost, 1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "unit-off", meaning: "the unit is switched off or asleep", topics: &[NoAnswer], fits: Any, prior: 5, step: Step::LookAtLamps, caution: "dark lamps prove nothing: hazardous voltage is inside even when switched off",
          weights: &[(S::AskedInVain, 3), (S::Nothing, 1), (S::Garbage, -5), (S::InvertedLook, -6), (S::TooFastLook, -6), (S::Text, -6), (S::Damaged, -6), (S::Echo, 1), (S::Foreign, 1), (S::Late, -5), (S::Exception0A, -3), (S::Exception0B, 3), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "disturbed-line", meaning: "the line is disturbed (noise, a cable along the power lines)", topics: &[NoAnswer, BadLine], fits: Line, prior: 2, step: Step::KeepApart, caution: SEATED,
          weights: &[(S::SameDamage, -6), (S::Nothing, -4), (S::Garbage, 1), (S::TooFastLook, -1), (S::Text, -5), (S::Damaged, 6), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, 4), (S::FirstBytes, -4), (S::Bursts, -1), (S::FollowsPower, -2), (S::AnsweredTwice, -6), (S::IdentityJumps, -6), (S::UnitMissed, 2), (S::UnitHeardAll, -1), (S::UnitCountsErrors, 2)] },
    Row { id: "no-common-wire", meaning: "the common wire or the bias is missing", topics: &[NoAnswer, BadLine], fits: Line, prior: 1, step: Step::CheckCommon, caution: SEATED,
          weights: &[(S::SameDamage, -4), (S::Nothing, -4), (S::Garbage, 1), (S::Text, -5), (S::Damaged, 5), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, -2), (S::FirstBytes, 6), (S::FollowsPower, 2), (S::AnsweredTwice, -6), (S::IdentityJumps, -6)] },
    Row { id: "inverter-noise", meaning: "the inverter's switching disturbs the line while current flows", topics: &[BadLine], fits: Line, prior: 1, step: Step::KeepApart, caution: SEATED,
          weights: &[(S::SameDamage, -6), (S::Damaged, 3), (S::GrowsWithLength, 3), (S::FirstBytes, -3), (S::FollowsPower, 7), (S::AnsweredTwice, -6), (S::IdentityJumps, -6), (S::UnitMissed, 2), (S::UnitHeardAll, -1), (S::UnitCountsErrors, 2)] },
    Row { id: "second-client", meaning: "somebody else asks on this bus at the same time", topics: &[NoAnswer, BadLine], fits: Line, prior: 2, step: Step::ListenFirst, caution: "two clients on one pair can cause the very fault that is looked for",
          weights: &[(S::MoreThanCrossed, -4), (S::AskedInVain, -3), (S::SameDamage, -4), (S::Nothing, -5), (S::Garbage, -1), (S::InvertedLook, -3), (S::TooFastLook, -3), (S::Text, -4), (S::Damaged, 3), (S::Foreign, 4), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, 1), (S::Bursts, 2), (S::FirstBytes, -1), (S::AnsweredTwice, -2), (S::IdentityJumps, -4), (S::UnitMissed, 1), (S::UnitCountsErrors, 1)] },
    Row { id: "two-units-one-address", meaning: "two units have the same unit address", topics: &[NoAnswer, BadLine], fits: Any, prior: 0, step: Step::OneAddressEach, caution: "every number may be of either unit",
          weights: &[(S::AskedInVain, -3), (S::SameDamage, 8), (S::Nothing, -6), (S::Garbage, 2), (S::Text, -6), (S::Damaged, 5), (S::Foreign, -1), (S::Bursts, 3), (S::FirstBytes, 1), (S::AnsweredTwice, 10), (S::IdentityJumps, 10), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::UnitMissed, -3), (S::UnitHeardAll, 2)] },
    Row { id: "slow-unit", meaning: "the unit answers slower than we wait", topics: &[NoAnswer, BadLine], fits: Any, prior: 1, step: Step::LookAgain, caution: NONE,
          weights: &[(S::LateByGateway, 4), (S::Nothing, -1), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -3), (S::Foreign, -1), (S::Late, 8), (S::Exception0A, -2), (S::Exception0B, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::UnitMissed, -2), (S::UnitHeardAll, 1), (S::UnitCountsErrors, -2)] },
    Row { id: "other-protocol", meaning: "something that is not Modbus talks on this port", topics: &[NoAnswer], fits: Any, prior: 1, step: Step::CheckPort, caution: NONE,
          weights: &[(S::Nothing, -3), (S::Garbage, 2), (S::InvertedLook, -1), (S::TooFastLook, -1), (S::Text, 9), (S::Damaged, -5), (S::Echo, -2), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -4), (S::Exception0B, -4), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "gateway-framing", meaning: "the gateway speaks RTU over TCP where Modbus TCP was used, or the reverse", topics: &[NoAnswer], fits: Gateway, prior: 3, step: Step::OtherFraming, caution: NONE,
          weights: &[(S::Nothing, 2), (S::Garbage, 4), (S::Text, -5), (S::Damaged, -2), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -6), (S::Exception0B, -6), (S::Lost, 2), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "gateway-dumb", meaning: "the gateway takes the connection and says nothing of its own: another port or service, another framing, or it hangs", topics: &[NoAnswer], fits: Gateway, prior: 3, step: Step::CheckGateway, caution: NONE,
          weights: &[(S::Nothing, 3), (S::Lost, 3), (S::Echo, 7), (S::Garbage, 1), (S::Text, 2), (S::Damaged, -5), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -6), (S::Exception0B, -6), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "gateway-path", meaning: "the gateway is misconfigured or overloaded", topics: &[NoAnswer, BadLine], fits: Gateway, prior: 2, step: Step::CheckGateway, caution: "it may already have another client, which a new connection can throw out",
          weights: &[(S::LateByGateway, 8), (S::Nothing, 1), (S::Garbage, -2), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -3), (S::Damaged, -2), (S::Late, 3), (S::Exception0A, 9), (S::Exception0B, -1), (S::Busy, 6), (S::Lost, 1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "gateway-cache", meaning: "the gateway answers from its memory", topics: &[BadLine], fits: Gateway, prior: 0, step: Step::PastTheCache, caution: "cached values say nothing about now",
          weights: &[(S::LateByGateway, -2), (S::Frozen, 14), (S::Late, -2), (S::Damaged, -2)] },
    Row { id: "gateway-text", meaning: "the gateway writes readable text of its own between the answers (keep-alive, log)", topics: &[BadLine], fits: Gateway, prior: 0, step: Step::CheckGateway, caution: NONE,
          weights: &[(S::LateByGateway, -2), (S::Text, 12), (S::Late, -2), (S::Damaged, -2)] },
    Row { id: "serial-side-of-gateway", meaning: "the gateway works; the wires or settings behind it do not", topics: &[NoAnswer, BadLine], fits: Gateway, prior: 3, step: Step::CheckGatewayLine, caution: SEATED,
          weights: &[(S::LateByGateway, -2), (S::Nothing, 1), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -2), (S::Foreign, -1), (S::Late, -2), (S::Exception0A, -3), (S::Exception0B, 5), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "adapter-gone", meaning: "the adapter of this computer drops out, or another program holds it", topics: &[NoAnswer, BadLine], fits: Port, prior: 0, step: Step::CheckAdapter, caution: NONE,
          weights: &[(S::Lost, 8), (S::Garbage, -3), (S::Damaged, -2), (S::Foreign, -4), (S::Text, -5), (S::Late, -2), (S::Exception0A, -6), (S::Exception0B, -6), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    Row { id: "inverter-off", meaning: "the inverter is off, asleep or still starting", topics: &[Inverter], fits: Any, prior: 5, step: Step::InverterPowered, caution: NONE,
          weights: &[(S::NobodyHeard, 2), (S::AsksOther, -7), (S::AsksUs, -7), (S::GarbageHeard, -4), (S::InItsSocket, -2), (S::HeardBefore, 1)] },
    Row { id: "inverter-cable", meaning: "the inverter's communication cable is open, or not plugged in", topics: &[Inverter], fits: Any, prior: 5, step: Step::InverterCable, caution: SEATED,
          weights: &[(S::NobodyHeard, 2), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, -2), (S::InItsSocket, -2), (S::HeardBefore, 1)] },
    Row { id: "inverter-pair-swapped", meaning: "the two wires of the inverter's pair are swapped", topics: &[Inverter], fits: Any, prior: 3, step: Step::InverterCable, caution: SEATED,
          weights: &[(S::NobodyHeard, -3), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, 4), (S::HeardBefore, -4)] },
    Row { id: "inverter-line-settings", meaning: "the inverter talks at other line settings", topics: &[Inverter], fits: Any, prior: 3, step: Step::InverterSettings, caution: NONE,
          weights: &[(S::NobodyHeard, -3), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, 5), (S::HeardBefore, -4)] },
    Row { id: "inverter-other-address", meaning: "the inverter asks another unit address", topics: &[Inverter], fits: Any, prior: 3, step: Step::InverterSettings, caution: NONE,
          weights: &[(S::NobodyHeard, -4), (S::AsksOther, 8), (S::AsksUs, -6), (S::GarbageHeard, -4), (S::HeardBefore, -3)] },
    Row { id: "inverter-battery-type", meaning: "another battery type is chosen on the inverter, so it speaks otherwise", topics: &[Inverter], fits: Any, prior: 4, step: Step::InverterPowered, caution: NONE,
          weights: &[(S::NobodyHeard, 1), (S::AsksOther, -2), (S::AsksUs, 4), (S::GarbageHeard, 1), (S::HeardBefore, -4)] },
    Row { id: "inverter-other-socket", meaning: "the inverter's cable is in another socket than the manual names", topics: &[Inverter], fits: Any, prior: 3, step: Step::InverterSocket, caution: NONE,
          weights: &[(S::NobodyHeard, 1), (S::OtherSocket, 1), (S::AsksOther, -5), (S::AsksUs, -6), (S::GarbageHeard, -2), (S::HeardBefore, -3)] },
    Row { id: "we-hold-its-socket", meaning: "the laptop sits in the inverter's socket: we silenced it", topics: &[Inverter], fits: Any, prior: -4, step: Step::FreeSocket, caution: NONE,
          weights: &[(S::InItsSocket, 16), (S::AsksUs, -9), (S::AsksOther, -9)] },
    Row { id: "inverter-no-supply", meaning: "the inverter has no supply until the battery closes, which waits to be spoken to", topics: &[Inverter], fits: Any, prior: 1, step: Step::InverterPowered, caution: NONE,
          weights: &[(S::NobodyHeard, 1), (S::NeverHeard, 1), (S::AsksOther, -7), (S::AsksUs, -7), (S::HeardBefore, -3)] },
    Row { id: "unit-does-not-count", meaning: "the unit is asked and does not count it: its supervision wants something else, or its receiver is broken", topics: &[Inverter], fits: Any, prior: -1, step: Step::InverterSettings, caution: "may be a real fault of the control unit",
          weights: &[(S::NobodyHeard, -3), (S::AsksUs, 8), (S::HeardBefore, -1)] },
    Row { id: "tool-mistake", meaning: "a mistake in this tool or its profile", topics: &[NoAnswer, BadLine, Inverter], fits: Any, prior: -3, step: Step::ReportMistake, caution: NONE,
          weights: &[(S::Nothing, -1), (S::InvertedLook, -1), (S::TooFastLook, -1), (S::Text, -1), (S::Exception0A, -1), (S::Exception0B, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
];

/// Causes below this share are not worth a step.
const WORTH_A_STEP: u32 = 60;

/// Weighs the causes of a topic, most likely first.
pub(crate) fn rank(topic: Topic, sights: &Sights) -> Vec<Cause> {
    let weighed: Vec<(&Row, i32)> = TABLE
        .iter()
        .filter(|row| row.topics.contains(&topic) && fits(row.fits, sights))
        .map(|row| {
            (
                row,
                row.prior + moved(row, sights).map(|(bits, _)| bits).sum::<i32>(),
            )
        })
        .collect();
    let lowest = weighed
        .iter()
        .map(|(_, bits)| *bits)
        .min()
        .unwrap_or_default();
    let odds = |bits: i32| 1u128 << u32::try_from(bits - lowest).unwrap_or_default().min(100);
    let total = weighed
        .iter()
        .map(|(_, bits)| odds(*bits))
        .sum::<u128>()
        .max(1);
    let mut ranked: Vec<Cause> = weighed
        .iter()
        .map(|(row, bits)| {
            let per_mille = u32::try_from((odds(*bits) * 1000 + total / 2) / total).unwrap_or(0);
            cause(row, per_mille, sights)
        })
        .collect();
    ranked.sort_by_key(|cause| std::cmp::Reverse(cause.per_mille));
    ranked
}

fn fits(fits: Fits, sights: &Sights) -> bool {
    match fits {
        Fits::Any => true,
        Fits::Line => !(sights.gateway && sights.tcp_framing),
        Fits::Gateway => sights.gateway,
        Fits::Port => !sights.gateway,
    }
}

/// Causes of a pair without a valid answer, with their prior odds in bits.
pub(crate) fn priors_of_line() -> Vec<(&'static str, i32)> {
    TABLE
        .iter()
        .filter(|row| row.topics.contains(&Topic::NoAnswer) && row.fits != Fits::Gateway)
        .map(|row| (row.id, row.prior))
        .collect()
}

/// What was seen that moves a cause, and how far.
fn moved<'a>(row: &'a Row, sights: &'a Sights) -> impl Iterator<Item = (i32, &'a str)> {
    row.weights
        .iter()
        .filter_map(|(sight, bits)| Some((*bits, sights.words(*sight)?)))
}

fn cause(row: &Row, per_mille: u32, sights: &Sights) -> Cause {
    let reasons = |speaks: fn(i32) -> bool| {
        let mut moved: Vec<(i32, &str)> = moved(row, sights)
            .filter(|(bits, _)| speaks(*bits))
            .collect();
        moved.sort_by_key(|(bits, _)| std::cmp::Reverse(bits.abs()));
        moved
            .into_iter()
            .map(|(_, words)| words.to_owned())
            .collect()
    };
    Cause {
        id: row.id,
        per_mille,
        meaning: row.meaning,
        reasons_for: reasons(|bits| bits > 0),
        reasons_against: reasons(|bits| bits < 0),
        settled_by: row.step.row().id,
        caution: row.caution,
    }
}

/// The steps that settle the leading causes: by risk, then by what each separates per minute.
pub(crate) fn steps(ranked: &[Cause]) -> Vec<NextStep> {
    let open: Vec<(u32, Step)> = ranked
        .iter()
        .filter(|cause| cause.per_mille >= WORTH_A_STEP)
        .filter_map(|cause| {
            let row = TABLE.iter().find(|row| row.id == cause.id)?;
            Some((cause.per_mille, row.step))
        })
        .collect();
    by_split(&open)
        .into_iter()
        .take(5)
        .map(Step::plain)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leader(topic: Topic, seen: &[Sight], gateway: bool) -> &'static str {
        let mut sights = Sights::on(gateway, gateway);
        seen.iter().for_each(|sight| sights.note(*sight, true));
        rank(topic, &sights).first().map(|cause| cause.id).unwrap()
    }

    // Kind: common practice (FIELD table "what goes wrong on the wire, and how it looks")
    #[test]
    fn each_look_of_a_bus_leads_to_its_cause() {
        let check = |topic, seen: &[Sight], gateway, cause| {
            assert_eq!(leader(topic, seen, gateway), cause, "{seen:?}");
        };
        check(
            NoAnswer,
            &[S::Garbage, S::InvertedLook],
            false,
            "pair-swapped",
        );
        check(
            NoAnswer,
            &[S::Garbage, S::TooFastLook],
            false,
            "wrong-speed-or-format",
        );
        check(NoAnswer, &[S::Text], true, "other-protocol");
        check(NoAnswer, &[S::Exception0A], true, "gateway-path");
        check(
            BadLine,
            &[S::Damaged, S::GrowsWithLength],
            false,
            "disturbed-line",
        );
        check(
            BadLine,
            &[S::Damaged, S::GrowsWithLength, S::FollowsPower],
            false,
            "inverter-noise",
        );
        check(
            BadLine,
            &[S::Damaged, S::FirstBytes],
            false,
            "no-common-wire",
        );
        check(
            BadLine,
            &[S::Damaged, S::Foreign, S::Bursts],
            false,
            "second-client",
        );
        check(BadLine, &[S::AnsweredTwice], false, "two-units-one-address");
        check(BadLine, &[S::Late], false, "slow-unit");
        check(BadLine, &[S::Frozen], true, "gateway-cache");
        check(BadLine, &[S::Busy, S::Late], true, "gateway-path");
        check(BadLine, &[S::Lost], false, "adapter-gone");
        check(Inverter, &[S::AsksOther], false, "inverter-other-address");
        check(
            Inverter,
            &[S::GarbageHeard, S::NeverHeard],
            false,
            "inverter-line-settings",
        );
        check(Inverter, &[S::AsksUs], false, "inverter-battery-type");
        check(
            Inverter,
            &[S::InItsSocket, S::NobodyHeard],
            false,
            "we-hold-its-socket",
        );
    }

    #[test]
    fn shares_of_every_topic_sum_to_one_within_rounding() {
        for topic in [NoAnswer, BadLine, Inverter] {
            let total: u32 = rank(topic, &Sights::default())
                .iter()
                .map(|c| c.per_mille)
                .sum();
            assert!((985..=1015).contains(&total), "{topic:?} {total}");
        }
    }

    #[test]
    fn clean_silence_leaves_several_causes_open() {
        let mut sights = Sights::default();
        sights.note(Sight::Nothing, true);
        let ranked = rank(NoAnswer, &sights);
        assert!(ranked.iter().filter(|cause| cause.per_mille >= 100).count() >= 4);
        let steps = steps(&ranked);
        assert_eq!(steps.first().map(|step| step.id), Some("look-at-lamps"));
        assert!(steps.is_sorted_by_key(|step| step.needs));
    }

    #[test]
    fn every_sight_moves_some_cause() {
        for sight in Sight::ALL {
            let moves = |row: &Row| row.weights.iter().any(|(s, _)| s == sight);
            assert!(TABLE.iter().any(moves), "{}", sight.id());
        }
    }
}
