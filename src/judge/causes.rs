//! Soft causes: why nobody answers, why a line is bad, why the inverter is not heard. One table.
//!
//! Each kind of sight moves each cause by whole bits (a step of one doubles or halves its odds). Sums are
//! exact and the same on every platform. Priors and most weights are common practice and our judgement;
//! those of a silent pair and of other people's frames follow how often the simulated line shows them.
//! `cargo bench --bench verdict -- causes` measures how far the shares can be relied on. They rank what to
//! look at first and prove nothing about the battery.

use crate::facts::cause::{Cause, CauseKind};
use crate::facts::sight::{Sight, SightKind, Sights};
use crate::facts::step::{NextStep, StepKind, by_split};

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
pub(crate) struct CauseRow {
    pub(crate) kind: CauseKind,
    topics: &'static [Topic],
    fits: Fits,
    /// Odds before anything was seen, in bits.
    prior: i32,
    /// Bits by which a sight moves it.
    weights: &'static [(SightKind, i32)],
    /// What settles it.
    pub(crate) step: StepKind,
}

use Fits::{Any, Gateway, Line, Port};
use SightKind as S;
use Topic::{BadLine, Inverter, NoAnswer};

#[rustfmt::skip]
pub(crate) const TABLE: &[CauseRow] = &[
    CauseRow { kind: CauseKind::PairSwapped, topics: &[NoAnswer], fits: Line, prior: 5, step: StepKind::SwapPair,
          weights: &[(S::AskedInVain, 1), (S::SameDamage, -6), (S::Nothing, 1), (S::Garbage, 2), (S::InvertedLook, 6), (S::TooFastLook, -2), (S::Text, -5), (S::Damaged, -6), (S::Echo, -2), (S::Foreign, 2), (S::Late, -6), (S::Lost, -1), (S::SwappedProven, 20), (S::SettingsProven, -9)] },
    CauseRow { kind: CauseKind::WrongSpeedOrFormat, topics: &[NoAnswer], fits: Line, prior: 5, step: StepKind::OtherLine,
          weights: &[(S::SameDamage, -1), (S::Nothing, 1), (S::Garbage, 3), (S::TooFastLook, 6), (S::Text, -4), (S::Damaged, 1), (S::Echo, -1), (S::Foreign, -5), (S::Late, -5), (S::Lost, -1), (S::SwappedProven, -9), (S::SettingsProven, 20)] },
    CauseRow { kind: CauseKind::WrongAddress, topics: &[NoAnswer], fits: Any, prior: 5, step: StepKind::OtherAddress,
          weights: &[(S::AskedInVain, -1), (S::AsksOther, 6), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -5), (S::Foreign, 4), (S::Late, -4), (S::Exception0A, -3), (S::Exception0B, 3), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::WrongSocket, topics: &[NoAnswer], fits: Line, prior: 5, step: StepKind::CheckSocket,
          weights: &[(S::Nothing, 2), (S::Garbage, 1), (S::Text, -2), (S::Damaged, -5), (S::Foreign, -4), (S::Late, -5), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::WireOpen, topics: &[NoAnswer], fits: Line, prior: 4, step: StepKind::MeasurePair,
          weights: &[(S::AskedInVain, -3), (S::SameDamage, -6), (S::Nothing, 2), (S::Text, -5), (S::Damaged, -1), (S::Echo, 1), (S::Foreign, -3), (S::Late, -5), (S::Lost, 1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::UnitOff, topics: &[NoAnswer], fits: Any, prior: 5, step: StepKind::LookAtLamps,
          weights: &[(S::AskedInVain, 3), (S::Nothing, 1), (S::Garbage, -5), (S::InvertedLook, -6), (S::TooFastLook, -6), (S::Text, -6), (S::Damaged, -6), (S::Echo, 1), (S::Foreign, 1), (S::Late, -5), (S::Exception0A, -3), (S::Exception0B, 3), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::DisturbedLine, topics: &[NoAnswer, BadLine], fits: Line, prior: 2, step: StepKind::KeepApart,
          weights: &[(S::SameDamage, -6), (S::Nothing, -4), (S::Garbage, 1), (S::TooFastLook, -1), (S::Text, -5), (S::Damaged, 6), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, 4), (S::FirstBytes, -4), (S::Bursts, -1), (S::FollowsPower, -2), (S::AnsweredTwice, -6), (S::IdentityJumps, -6), (S::UnitMissed, 2), (S::UnitHeardAll, -1), (S::UnitCountsErrors, 2)] },
    CauseRow { kind: CauseKind::NoCommonWire, topics: &[NoAnswer, BadLine], fits: Line, prior: 1, step: StepKind::CheckCommon,
          weights: &[(S::SameDamage, -4), (S::Nothing, -4), (S::Garbage, 1), (S::Text, -5), (S::Damaged, 5), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, -2), (S::FirstBytes, 6), (S::FollowsPower, 2), (S::AnsweredTwice, -6), (S::IdentityJumps, -6)] },
    CauseRow { kind: CauseKind::InverterNoise, topics: &[BadLine], fits: Line, prior: 1, step: StepKind::KeepApart,
          weights: &[(S::SameDamage, -6), (S::Damaged, 3), (S::GrowsWithLength, 3), (S::FirstBytes, -3), (S::FollowsPower, 7), (S::AnsweredTwice, -6), (S::IdentityJumps, -6), (S::UnitMissed, 2), (S::UnitHeardAll, -1), (S::UnitCountsErrors, 2)] },
    CauseRow { kind: CauseKind::SecondClient, topics: &[NoAnswer, BadLine], fits: Line, prior: 2, step: StepKind::ListenFirst,
          weights: &[(S::MoreThanCrossed, -4), (S::AskedInVain, -3), (S::SameDamage, -4), (S::Nothing, -5), (S::Garbage, -1), (S::InvertedLook, -3), (S::TooFastLook, -3), (S::Text, -4), (S::Damaged, 3), (S::Foreign, 4), (S::Late, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::GrowsWithLength, 1), (S::Bursts, 2), (S::FirstBytes, -1), (S::AnsweredTwice, -2), (S::IdentityJumps, -4), (S::UnitMissed, 1), (S::UnitCountsErrors, 1)] },
    CauseRow { kind: CauseKind::TwoUnitsOneAddress, topics: &[NoAnswer, BadLine], fits: Any, prior: 0, step: StepKind::OneAddressEach,
          weights: &[(S::AskedInVain, -3), (S::SameDamage, 8), (S::Nothing, -6), (S::Garbage, 2), (S::Text, -6), (S::Damaged, 5), (S::Foreign, -1), (S::Bursts, 3), (S::FirstBytes, 1), (S::AnsweredTwice, 10), (S::IdentityJumps, 10), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::UnitMissed, -3), (S::UnitHeardAll, 2)] },
    CauseRow { kind: CauseKind::SlowUnit, topics: &[NoAnswer, BadLine], fits: Any, prior: 1, step: StepKind::LookAgain,
          weights: &[(S::LateByGateway, 4), (S::Nothing, -1), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -3), (S::Foreign, -1), (S::Late, 8), (S::Exception0A, -2), (S::Exception0B, -1), (S::SwappedProven, -6), (S::SettingsProven, -6), (S::UnitMissed, -2), (S::UnitHeardAll, 1), (S::UnitCountsErrors, -2)] },
    CauseRow { kind: CauseKind::OtherProtocol, topics: &[NoAnswer], fits: Any, prior: 1, step: StepKind::CheckPort,
          weights: &[(S::Nothing, -3), (S::Garbage, 2), (S::InvertedLook, -1), (S::TooFastLook, -1), (S::Text, 9), (S::Damaged, -5), (S::Echo, -2), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -4), (S::Exception0B, -4), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::GatewayFraming, topics: &[NoAnswer], fits: Gateway, prior: 3, step: StepKind::OtherFraming,
          weights: &[(S::Nothing, 2), (S::Garbage, 4), (S::Text, -5), (S::Damaged, -2), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -6), (S::Exception0B, -6), (S::Lost, 2), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::GatewayDumb, topics: &[NoAnswer], fits: Gateway, prior: 3, step: StepKind::CheckGateway,
          weights: &[(S::Nothing, 3), (S::Lost, 3), (S::Echo, 7), (S::Garbage, 1), (S::Text, 2), (S::Damaged, -5), (S::Foreign, -6), (S::Late, -5), (S::Exception0A, -6), (S::Exception0B, -6), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::GatewayPath, topics: &[NoAnswer, BadLine], fits: Gateway, prior: 2, step: StepKind::CheckGateway,
          weights: &[(S::LateByGateway, 8), (S::Nothing, 1), (S::Garbage, -2), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -3), (S::Damaged, -2), (S::Late, 3), (S::Exception0A, 9), (S::Exception0B, -1), (S::Busy, 6), (S::Lost, 1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::GatewayCache, topics: &[BadLine], fits: Gateway, prior: 0, step: StepKind::PastTheCache,
          weights: &[(S::LateByGateway, -2), (S::Frozen, 14), (S::Late, -2), (S::Damaged, -2)] },
    CauseRow { kind: CauseKind::GatewayText, topics: &[BadLine], fits: Gateway, prior: 0, step: StepKind::CheckGateway,
          weights: &[(S::LateByGateway, -2), (S::Text, 12), (S::Late, -2), (S::Damaged, -2)] },
    CauseRow { kind: CauseKind::SerialSideOfGateway, topics: &[NoAnswer, BadLine], fits: Gateway, prior: 3, step: StepKind::CheckGatewayLine,
          weights: &[(S::LateByGateway, -2), (S::Nothing, 1), (S::Garbage, -4), (S::InvertedLook, -5), (S::TooFastLook, -5), (S::Text, -5), (S::Damaged, -2), (S::Foreign, -1), (S::Late, -2), (S::Exception0A, -3), (S::Exception0B, 5), (S::Lost, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::AdapterGone, topics: &[NoAnswer, BadLine], fits: Port, prior: 0, step: StepKind::CheckAdapter,
          weights: &[(S::Lost, 8), (S::Garbage, -3), (S::Damaged, -2), (S::Foreign, -4), (S::Text, -5), (S::Late, -2), (S::Exception0A, -6), (S::Exception0B, -6), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
    CauseRow { kind: CauseKind::InverterOff, topics: &[Inverter], fits: Any, prior: 5, step: StepKind::InverterPowered,
          weights: &[(S::NobodyHeard, 2), (S::AsksOther, -7), (S::AsksUs, -7), (S::GarbageHeard, -4), (S::InItsSocket, -2), (S::HeardBefore, 1)] },
    CauseRow { kind: CauseKind::InverterCable, topics: &[Inverter], fits: Any, prior: 5, step: StepKind::InverterCable,
          weights: &[(S::NobodyHeard, 2), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, -2), (S::InItsSocket, -2), (S::HeardBefore, 1)] },
    CauseRow { kind: CauseKind::InverterPairSwapped, topics: &[Inverter], fits: Any, prior: 3, step: StepKind::InverterCable,
          weights: &[(S::NobodyHeard, -3), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, 4), (S::HeardBefore, -4)] },
    CauseRow { kind: CauseKind::InverterLineSettings, topics: &[Inverter], fits: Any, prior: 3, step: StepKind::InverterSettings,
          weights: &[(S::NobodyHeard, -3), (S::AsksOther, -6), (S::AsksUs, -6), (S::GarbageHeard, 5), (S::HeardBefore, -4)] },
    CauseRow { kind: CauseKind::InverterOtherAddress, topics: &[Inverter], fits: Any, prior: 3, step: StepKind::InverterSettings,
          weights: &[(S::NobodyHeard, -4), (S::AsksOther, 8), (S::AsksUs, -6), (S::GarbageHeard, -4), (S::HeardBefore, -3)] },
    CauseRow { kind: CauseKind::InverterBatteryType, topics: &[Inverter], fits: Any, prior: 4, step: StepKind::InverterPowered,
          weights: &[(S::NobodyHeard, 1), (S::AsksOther, -2), (S::AsksUs, 4), (S::GarbageHeard, 1), (S::HeardBefore, -4)] },
    CauseRow { kind: CauseKind::InverterOtherSocket, topics: &[Inverter], fits: Any, prior: 3, step: StepKind::InverterSocket,
          weights: &[(S::NobodyHeard, 1), (S::OtherSocket, 1), (S::AsksOther, -5), (S::AsksUs, -6), (S::GarbageHeard, -2), (S::HeardBefore, -3)] },
    CauseRow { kind: CauseKind::WeHoldItsSocket, topics: &[Inverter], fits: Any, prior: -4, step: StepKind::FreeSocket,
          weights: &[(S::InItsSocket, 16), (S::AsksUs, -9), (S::AsksOther, -9)] },
    CauseRow { kind: CauseKind::InverterNoSupply, topics: &[Inverter], fits: Any, prior: 1, step: StepKind::InverterPowered,
          weights: &[(S::NobodyHeard, 1), (S::NeverHeard, 1), (S::AsksOther, -7), (S::AsksUs, -7), (S::HeardBefore, -3)] },
    CauseRow { kind: CauseKind::UnitDoesNotCount, topics: &[Inverter], fits: Any, prior: -1, step: StepKind::InverterSettings,
          weights: &[(S::NobodyHeard, -3), (S::AsksUs, 8), (S::HeardBefore, -1)] },
    CauseRow { kind: CauseKind::ToolMistake, topics: &[NoAnswer, BadLine, Inverter], fits: Any, prior: -3, step: StepKind::ReportMistake,
          weights: &[(S::Nothing, -1), (S::InvertedLook, -1), (S::TooFastLook, -1), (S::Text, -1), (S::Exception0A, -1), (S::Exception0B, -1), (S::SwappedProven, -6), (S::SettingsProven, -6)] },
];

/// Causes below this share are not worth a step.
const WORTH_A_STEP: u32 = 60;

/// Weighs the causes of a topic, most likely first.
pub(crate) fn rank(topic: Topic, sights: &Sights) -> Vec<Cause> {
    let of_row = |(row, per_mille): (&CauseRow, u32)| cause(row, per_mille, sights);
    let mut ranked: Vec<Cause> = weigh(topic, sights, |kind| sights.has(kind))
        .into_iter()
        .map(of_row)
        .collect();
    ranked.sort_by_key(|cause| std::cmp::Reverse(cause.per_mille));
    ranked
}

/// The share of each cause that is possible on this link, in per mille, from what was seen.
fn weigh(
    topic: Topic,
    link: &Sights,
    seen: impl Fn(SightKind) -> bool,
) -> Vec<(&'static CauseRow, u32)> {
    let possible = |row: &&CauseRow| row.topics.contains(&topic) && fits(row.fits, link);
    let moved = |row: &CauseRow| -> i32 {
        let moving = row.weights.iter().filter(|(kind, _)| seen(*kind));
        moving.map(|(_, bits)| bits).sum()
    };
    let weighed: Vec<(&CauseRow, i32)> = TABLE
        .iter()
        .filter(possible)
        .map(|row| (row, row.prior + moved(row)))
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
    let share = |bits| u32::try_from((odds(bits) * 1000 + total / 2) / total).unwrap_or(0);
    weighed
        .into_iter()
        .map(|(row, bits)| (row, share(bits)))
        .collect()
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
/// For whoever measures how far shares can be relied on.
pub fn priors_of_line() -> Vec<(&'static str, i32)> {
    TABLE
        .iter()
        .filter(|row| row.topics.contains(&Topic::NoAnswer) && row.fits != Fits::Gateway)
        .map(|row| (row.kind.id(), row.prior))
        .collect()
}

fn cause(row: &CauseRow, per_mille: u32, sights: &Sights) -> Cause {
    let reasons = |speaks: fn(i32) -> bool| {
        let seen = |(kind, bits): &(SightKind, i32)| Some((*bits, sights.get(*kind)?));
        let mut moved: Vec<(i32, &Sight)> = row
            .weights
            .iter()
            .filter_map(seen)
            .filter(|(bits, _)| speaks(*bits))
            .collect();
        moved.sort_by_key(|(bits, _)| std::cmp::Reverse(bits.abs()));
        moved.into_iter().map(|(_, sight)| sight.clone()).collect()
    };
    Cause {
        kind: row.kind,
        per_mille,
        reasons_for: reasons(|bits| bits > 0),
        reasons_against: reasons(|bits| bits < 0),
        step: row.step,
    }
}

/// The steps that settle the leading causes: by risk, then by what each separates per minute.
pub(crate) fn steps(ranked: &[Cause]) -> Vec<NextStep> {
    let open: Vec<(u32, StepKind)> = ranked
        .iter()
        .filter(|cause| cause.per_mille >= WORTH_A_STEP)
        .map(|cause| (cause.per_mille, cause.step))
        .collect();
    by_split(&open)
        .into_iter()
        .take(5)
        .map(StepKind::plain)
        .collect()
}

/// Causes with a share worth telling.
pub(super) fn worth_telling(considered: &[Cause]) -> Vec<Cause> {
    considered
        .iter()
        .filter(|cause| cause.per_mille >= 10)
        .cloned()
        .collect()
}

/// A cause with this share, per mille, is proven.
pub(crate) const PROVEN: u32 = 990;

/// A cause with this share, per mille, is likely.
pub(crate) const LIKELY: u32 = 500;

#[cfg(test)]
mod tests {
    use super::*;

    fn leader(topic: Topic, seen: &[SightKind], gateway: bool) -> &'static str {
        let mut weighed = weigh(topic, &Sights::on(gateway, gateway), |kind| {
            seen.contains(&kind)
        });
        weighed.sort_by_key(|(_, share)| std::cmp::Reverse(*share));
        weighed.first().map(|(row, _)| row.kind.id()).unwrap()
    }

    // Kind: common practice (FIELD table "what goes wrong on the wire, and how it looks")
    #[test]
    fn each_look_of_a_bus_leads_to_its_cause() {
        let check = |topic, seen: &[SightKind], gateway, cause| {
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
        sights.note(Sight::Nothing { questions: 3 });
        let ranked = rank(NoAnswer, &sights);
        assert!(ranked.iter().filter(|cause| cause.per_mille >= 100).count() >= 4);
        let steps = steps(&ranked);
        assert_eq!(
            steps.first().map(NextStep::kind),
            Some(StepKind::LookAtLamps)
        );
        assert!(steps.is_sorted_by_key(|step| step.needs));
    }

    #[test]
    fn every_sight_moves_some_cause() {
        for sight in SightKind::ALL {
            let moves = |row: &CauseRow| row.weights.iter().any(|(s, _)| s == sight);
            assert!(TABLE.iter().any(moves), "{}", sight.id());
        }
    }

    #[test]
    fn every_cause_has_one_row() {
        let kinds: Vec<CauseKind> = TABLE.iter().map(|row| row.kind).collect();
        assert_eq!(kinds, CauseKind::ALL);
    }
}
