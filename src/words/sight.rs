//! Words of what was seen of a bus or of an inverter link.
//!
//! Input: sights. Output: English, with their numbers, and for the reference without. Does not: weigh them.

use super::pseudo::{is_short, said};
use crate::facts::Share;
use crate::facts::sight::{HowMany, Others, Sight, SightKind, Text};

/// What was seen, with its numbers.
#[expect(
    clippy::too_many_lines,
    reason = "one sentence for each kind, a split would only hide the match"
)]
pub(crate) fn sight(sight: &Sight) -> String {
    said(match sight {
        Sight::Nothing { questions } => {
            let many = if *questions == 1 { "" } else { "s" };
            format!("{questions} question{many}, and not one byte came back")
        }
        Sight::Garbage { bytes } => format!("{bytes} bytes came, but no valid frame"),
        Sight::InvertedLook { percent } => {
            format!("{percent} % of the bytes are 7E, 7F, FE or FF")
        }
        Sight::TooFastLook { percent } => {
            format!("{percent} % of the bytes are 00, 80, E0, F8 and the like")
        }
        Sight::Text { came } => match came {
            Text::Bytes(bytes) => format!("the {bytes} bytes that came are readable text"),
            Text::Questions(open) => {
                format!("readable text came while {open} questions were open")
            }
        },
        Sight::Damaged { answers } => match answers {
            HowMany::Came(n) => format!("{n} answers came damaged"),
            HowMany::Among(of) => format!("{} answers came damaged", share(*of)),
        },
        Sight::Foreign { heard } => match heard {
            Others::Frames(n) => format!("{n} valid frames of others came"),
            Others::Crossed(n) => {
                format!("somebody else asked while {n} of our questions were open")
            }
        },
        Sight::AskedInVain { times } => {
            format!("somebody else asked this unit {times} times and got no answer either")
        }
        Sight::Late { answers } => match answers {
            HowMany::Came(n) => format!("{n} answers after the time-out came"),
            HowMany::Among(of) => format!("{} answers came after the time-out", share(*of)),
        },
        Sight::LateByGateway { answers } => {
            format!(
                "{} answers of the gateway came after the time-out",
                share(*answers)
            )
        }
        Sight::Busy { answers: Some(n) } => {
            format!("{n} answers were \"busy\" (exception 05 or 06)")
        }
        Sight::SwappedProven { frames, settings } => {
            format!("{frames} frames read right only with the two wires swapped, at {settings}")
        }
        Sight::SettingsProven { frames, settings } => {
            format!("{frames} frames read right only at {settings}")
        }
        Sight::GrowsWithLength { long, short } => format!(
            "long answers are damaged more often: {} against {} of the short ones",
            share(*long),
            share(*short)
        ),
        Sight::FirstBytes { answers } => {
            format!(
                "{} answers are damaged, and only in their first bytes",
                share(*answers)
            )
        }
        Sight::SameDamage { answers } => format!(
            "{answers} answers were damaged in exactly the same way as one before: noise does not repeat itself"
        ),
        Sight::Bursts { row } => format!("{row} damaged answers in a row"),
        Sight::FollowsPower { with, without } => format!(
            "damage comes with current: {} against {} without",
            share(*with),
            share(*without)
        ),
        Sight::MoreThanCrossed { answers } => {
            format!("{answers} answers were damaged, more than questions of others came in between")
        }
        Sight::AnsweredTwice { times } => {
            format!("{times} questions were answered twice with other content")
        }
        Sight::UnitMissed { questions, heard } => {
            format!(
                "of {questions} questions the unit counted only {heard}: damage on the way to it"
            )
        }
        Sight::UnitHeardAll { questions, damaged } => format!(
            "the unit counted all {questions} questions, yet {damaged} answers did not come whole: damage on the way back"
        ),
        Sight::UnitCountsErrors { errors } => {
            format!("the unit itself counted {errors} damaged frames meanwhile")
        }
        Sight::NobodyHeard { seconds } => {
            format!("nobody asked on this pair in the {seconds:.0} s that we listened")
        }
        Sight::AsksOther { times } => {
            format!("somebody asked other unit addresses {times} times, this one never")
        }
        Sight::AsksUs { times } => {
            format!("somebody asked this unit {times} times, yet it says that it hears no inverter")
        }
        Sight::GarbageHeard { bytes } => {
            format!("{bytes} bytes that make no frame were heard while we listened")
        }
        Sight::Busy { answers: None }
        | Sight::Echo
        | Sight::Exception0A
        | Sight::Exception0B
        | Sight::Lost
        | Sight::IdentityJumps
        | Sight::Frozen
        | Sight::OtherSocket
        | Sight::InItsSocket
        | Sight::NeverHeard
        | Sight::HeardBefore => sight_means(sight.kind()).to_owned(),
    })
}

/// Several things that were seen, each in its words.
pub(crate) fn sights(seen: &[Sight]) -> Vec<String> {
    seen.iter().map(sight).collect()
}

/// A share with its interval.
fn share(share: Share) -> String {
    if is_short() {
        return format!("{} of {}", share.hits, share.tries);
    }
    let (low, high) = share.interval();
    format!(
        "{} of {} ({:.0} to {:.0} %)",
        share.hits,
        share.tries,
        low * 100.0,
        high * 100.0
    )
}

/// What a kind means, without numbers.
pub(crate) fn sight_means(kind: SightKind) -> &'static str {
    match kind {
        SightKind::Nothing => "not one byte came back",
        SightKind::Garbage => "bytes came, none of them a valid frame",
        SightKind::InvertedLook => "the bytes are mostly 7F, FE and FF",
        SightKind::TooFastLook => "the bytes are mostly 00, 80, E0 and F8",
        SightKind::Text => "the bytes are readable text",
        SightKind::Damaged => "answers came with a wrong check value",
        SightKind::Echo => "our own questions came back",
        SightKind::Foreign => "valid frames of others were heard",
        SightKind::AskedInVain => "somebody else asks this unit too, and gets no answer either",
        SightKind::Late => "answers came after the time-out",
        SightKind::LateByGateway => "answers of the gateway came after the time-out",
        SightKind::Exception0A => "the gateway answered 0A (no path)",
        SightKind::Exception0B => "the gateway answered 0B (no answer behind it)",
        SightKind::Busy => "the answer was \"busy\" (exception 05 or 06)",
        SightKind::Lost => "the link was lost in between",
        SightKind::SwappedProven => "with the two wires swapped the bytes are right frames",
        SightKind::SettingsProven => "at other settings the bytes are right frames",
        SightKind::GrowsWithLength => "long answers are damaged more often than short ones",
        SightKind::FirstBytes => {
            "the damage is in the first bytes, right after a driver takes the line"
        }
        SightKind::SameDamage => "answers were damaged twice in the very same way",
        SightKind::Bursts => "the damage comes in a row",
        SightKind::FollowsPower => "the damage comes while current flows",
        SightKind::MoreThanCrossed => {
            "more answers are damaged than questions of others came in between"
        }
        SightKind::AnsweredTwice => "questions were answered twice with other content",
        SightKind::IdentityJumps => "serial number or uptime jumps",
        SightKind::Frozen => "the unit's own counter stands still behind a gateway",
        SightKind::UnitMissed => {
            "the unit counted fewer questions than we sent: damage on the way to it"
        }
        SightKind::UnitHeardAll => "the unit counted every question: damage on the way back",
        SightKind::UnitCountsErrors => "the unit itself counted damaged frames",
        SightKind::NobodyHeard => "nobody asked on this pair while we listened",
        SightKind::AsksOther => "somebody asks another unit address",
        SightKind::AsksUs => "somebody asks this unit, yet it says that it hears no inverter",
        SightKind::GarbageHeard => "bytes that make no frame were heard while we listened",
        SightKind::OtherSocket => {
            "the map says that the inverter uses another socket than this pair"
        }
        SightKind::InItsSocket => "the laptop is plugged into the inverter's socket",
        SightKind::NeverHeard => "the unit says that it never heard an inverter since power-up",
        SightKind::HeardBefore => "the inverter was heard before",
    }
}
