//! What was found, in sentences with the number that decided.

use packside_profiles::model::Profile;

use super::compared::compared;
use super::flagged::flagged;
use super::measured::measured;
use super::names::{family, name, unit};
use super::number::with_unit;
use super::pseudo::{FURTHER, is_short, said};
use crate::facts::fact::{
    Compared, Contradicts, Fact, Line, Measured, Pair, Remark, Said, Spot, SumLooks,
};

/// One sentence for one fact.
pub(crate) fn fact(fact: &Fact, profile: &Profile) -> String {
    said(match fact {
        Fact::Measured(fact) => measured(fact, profile),
        Fact::Compared(fact) => compared(fact, profile),
        Fact::Flagged(fact) => flagged(fact, profile),
        Fact::Line(fact) => return line(fact),
        Fact::Said(fact) => by_person(fact),
        Fact::Remark(fact) => remark(fact, profile),
    })
}

/// The number that decided and its limit, in a few words, where it was measured.
pub(crate) fn deciding(fact: &Fact, profile: &Profile) -> Option<String> {
    let number_and_limit = |at: Spot, number: f64, limit: f64| {
        let unit = &unit(at.point, profile);
        format!(
            "{}, limit {}",
            with_unit(number, unit),
            with_unit(limit, unit)
        )
    };
    let text = match fact {
        Fact::Measured(Measured::BeyondLimit {
            at, number, limit, ..
        })
        | Fact::Measured(Measured::ManyBeyondLimit {
            worst: at,
            number,
            limit,
            ..
        }) => number_and_limit(*at, *number, limit.number),
        Fact::Measured(Measured::BelowMinimum { at, volts, limit }) => format!(
            "{}, never to be charged below {}",
            with_unit(*volts, &unit(at.point, profile)),
            with_unit(*limit, "V"),
        ),
        Fact::Measured(Measured::TooFarApart {
            point,
            low,
            high,
            limit,
            ..
        }) => {
            let unit = &unit(*point, profile);
            let apart = high.1 - low.1;
            format!(
                "{} apart, limit {}",
                with_unit(apart, unit),
                with_unit(*limit, unit)
            )
        }
        Fact::Measured(Measured::WarmByItself { celsius, next, .. }) => format!(
            "{} warmer than the next one",
            with_unit(celsius - next, "degC")
        ),
        Fact::Compared(Compared::SwitchesAgainstState { how, .. }) => match how {
            Contradicts::AllClosed => "all read closed, and should be open",
            Contradicts::AllOpen => "all read open, and should be closed",
            Contradicts::OneClosed => "one reads closed, and should be open",
            Contradicts::OneOpen => "one reads open, and should be closed",
        }
        .to_owned(),
        Fact::Compared(Compared::GivesWay {
            low, high, middle, ..
        }) => format!(
            "{} where others move {}",
            with_unit(high - low, "V"),
            with_unit(middle.abs(), "V")
        ),
        Fact::Compared(Compared::LowOnlyUnderCurrent { lowest, middle, .. }) => format!(
            "{} without current, the others {}",
            with_unit(*lowest, "V"),
            with_unit(*middle, "V")
        ),
        _ => return None,
    };
    Some(said(text))
}

pub(crate) fn line(fact: &Line) -> String {
    said(match fact {
        Line::MemberMissing { asked: true } => {
            "no valid answer: nothing can be said about this pack".to_owned()
        }
        Line::MemberMissing { asked: false } => "this pack was not asked".to_owned(),
        Line::BadLine { cause } => {
            let sure = match cause.per_mille {
                500.. => "likely",
                _ => "perhaps",
            };
            let (kind, seen) = (super::cause(cause.kind), super::sights(&cause.reasons_for));
            match is_short() {
                true => format!("line unreliable, {sure}: {kind}"),
                false => format!(
                    "the line is unreliable, {sure} because {kind}{}",
                    because(&seen)
                ),
            }
        }
        Line::OthersAsk {
            foreign,
            ours,
            lost,
        } => {
            let lost = match lost {
                0 => String::new(),
                lost => format!("; {lost} of our {ours} got no answer"),
            };
            format!(
                "somebody else asked {foreign} times while we asked{lost}: only one may ask on a pair at a time"
            )
        }
    })
}

/// What speaks for a cause.
fn because(sights: &[String]) -> String {
    match sights.is_empty() {
        true => String::new(),
        false => format!(" ({})", sights.join("; ")),
    }
}

fn by_person(fact: &Said) -> String {
    match fact {
        Said::NotInOrder { question, note, .. } => {
            let note = note.as_ref().map(|note| format!(" ({})", note.clean()));
            format!(
                "found wrong on site: {}{}",
                question.clean(),
                note.unwrap_or_default()
            )
        }
    }
}

fn remark(fact: &Remark, profile: &Profile) -> String {
    match fact {
        Remark::EverHeardUnknown {} => "nothing tells whether the inverter was heard before: a lost cable and a first commissioning look the same"
            .to_owned(),
        Remark::WeHoldItsSocket {} => {
            "the laptop is plugged into the inverter's socket: the inverter's data cable is unplugged while we are here; its DC may be live".to_owned()
        }
        Remark::FlatCurve {} => {
            "between 30 and 90 % the LFP curve is flat: equal cell voltages do not show equal charge".to_owned()
        }
        Remark::FirmwareTooOld { firmware, families } => {
            let families = families.iter().filter_map(|index| family(profile, *index));
            let needs: Vec<String> = families
                .map(|family| format!("{} needs {}", family.name.clean(), family.firmware_from))
                .collect();
            format!(
                "firmware {firmware} is too old for some inverter families: {}",
                needs.join("; ")
            )
        }
        Remark::NoOrdinaryTransport { because } => format!(
            "{}: if it has to leave the site, it must not travel as ordinary goods (UN special provision 376); ask the \
             maker first",
            super::class_in_short(*because)
        ),
        Remark::InsulationNotJudged { at, kohm, volts } => format!(
            "{} = {kohm:.0} kOhm at {}, {:.0} ohm per volt (for comparison: 100 and 500 in vehicle rules){FURTHER}the map has \
             no limit, so it is not judged",
            name(*at, profile),
            with_unit(*volts, "V"),
            kohm * 1000.0 / volts
        ),
    }
}

/// What a fact says in a few words, where that is more than its class does.
pub(crate) fn fact_in_short(fact: &Fact) -> Option<&'static str> {
    let Fact::Compared(Compared::DoesNotAddUp { pair, looks, .. }) = fact else {
        return match fact {
            Fact::Measured(Measured::Heats { .. }) => Some("it heats"),
            Fact::Measured(Measured::UnreadableCell { .. }) => {
                Some("a cell that cannot be read and must not be charged")
            }
            Fact::Measured(Measured::UnreadableSensor { .. }) => {
                Some("a temperature sensor gives no value")
            }
            Fact::Measured(Measured::HeartbeatStill { by_gateway, .. }) => Some(match by_gateway {
                true => "these values may be old, out of the gateway's memory",
                false => "the control unit has stopped",
            }),
            Fact::Compared(Compared::HotFromInside { .. }) => Some("a cell heats from inside"),
            Fact::Compared(Compared::LoneSensor { .. }) => {
                Some("one temperature sensor disagrees with those beside it")
            }
            Fact::Compared(Compared::BrokenSenseWire { .. }) => {
                Some("the sense wire between two cells is broken")
            }
            Fact::Compared(Compared::LostConnector { .. }) => {
                Some("a sense connector is loose, and its cells cannot be read")
            }
            Fact::Compared(Compared::WrongPosition { .. }) => {
                Some("a module stands in the wrong place")
            }
            Fact::Measured(Measured::ChargedOutside { .. }) => {
                Some("it was charged while too cold or too hot for it")
            }
            _ => None,
        };
    };
    match (pair, looks) {
        (Pair::TerminalsAndPack, _) => {
            Some("main switch or fuse open (no proof of dead, one pole may be live)")
        }
        (_, Some(SumLooks::ModuleReversed)) => {
            Some("a module reads as if reversed, or its voltage twice over")
        }
        (_, Some(SumLooks::ModuleLeftOut)) => Some("a module adds nothing to the pack"),
        (_, Some(SumLooks::PackWireLost)) => Some("the wire by which the pack is measured is lost"),
        (Pair::CellsAndModule { .. }, _) => {
            Some("the cells of a module do not add up to its voltage")
        }
        (Pair::ModulesAndPack, _) => Some("the modules do not add up to the voltage of the pack"),
        (Pair::CellsAndPack, _) => Some("the cells do not add up to the voltage of the pack"),
        (Pair::ProductAndPower, _) => Some("voltage times current is not the power that is shown"),
        (Pair::HighestCell | Pair::LowestCell, _) => {
            Some("the unit shows another extreme than its cells")
        }
    }
}
