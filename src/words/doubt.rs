//! Words of doubts: what keeps a verdict open, with the number that decided.
//!
//! Input: doubts. Output: English. Does not: decide anything.

use packside_profiles::model::{Gap, Profile, Scalar};
use packside_profiles::{Foreign, StateKind};

use super::names::{called, meant};
use super::number::moment;
use super::pseudo::{FURTHER, is_short, said};
use super::{fact, line, value, with_unit};
use crate::facts::doubt::{
    Contradiction, Doubt, DoubtKind, Lack, LinkUnknown, Mismatch, Shows, TwoUnits, Unasked,
    Undefined,
};
use crate::facts::fact::Line;

fn place(module: Option<u16>) -> String {
    module.map_or_else(|| "a module".to_owned(), |n| format!("module {n}"))
}

/// What was seen once may be one of each, before and after a change.
fn so_far(once: bool) -> &'static str {
    if once {
        " (in one look so far: another one 5 s later settles it)"
    } else {
        ""
    }
}

#[expect(
    clippy::too_many_lines,
    reason = "one arm a contradiction: a list is read more easily than parts of it"
)]
fn contradiction(what: &Contradiction) -> String {
    match what {
        Contradiction::HeardLongAgo {
            age_s,
            silence_s,
            once,
        } => format!(
            "the unit says that it hears its inverter, and that it last heard it {age_s:.0} s ago: after {silence_s} s it \
             should call it silent{}",
            so_far(*once)
        ),
        Contradiction::SilentJustHeard {
            age_s,
            silence_s,
            once,
        } => format!(
            "the unit says that its inverter is silent, and that it heard it {age_s:.0} s ago: silent is more than \
             {silence_s} s{}",
            so_far(*once)
        ),
        Contradiction::SilentYetCounts {
            within_s,
            silence_s,
        } => format!(
            "the unit says that its inverter is silent, and the counter that the inverter writes has moved on in the last {within_s:.0} s: \
             silent is more than {silence_s} s"
        ),
        Contradiction::HeardBeforePowerUp { age_s, uptime_s } => format!(
            "the unit says that it heard its inverter {age_s:.0} s ago, and that it has been on for {uptime_s:.0} s"
        ),
        Contradiction::CurrentWithoutInverter { amps } => format!(
            "{} flow although the unit says that its inverter is silent, and its map that it is dead without one",
            with_unit(*amps, "A")
        ),
        Contradiction::BeyondGranted {
            amps,
            granted,
            charging,
        } => format!(
            "the battery is {} with {}, the unit grants {}: the inverter does not keep to it, set it to 0 A at its screen",
            if *charging { "charged" } else { "discharged" },
            with_unit(*amps, "A"),
            with_unit(*granted, "A")
        ),
        Contradiction::CellsStand { cells, amps } => format!(
            "{cells} cells keep the very same voltage while the current changes by {}: their readings are frozen, and show \
             nothing",
            with_unit(*amps, "A")
        ),
        Contradiction::PerhapsChargesOutside { amps, celsius } => format!(
            "{} flow at {}, and the map does not say which way: if it charges, cells are being damaged",
            with_unit(*amps, "A"),
            with_unit(*celsius, "degC")
        ),
        Contradiction::PowerAgainstCurrent { amps, watts } => format!(
            "current and power differ in sign ({}, {}): nobody knows whether the battery is charged or discharged",
            with_unit(*amps, "A"),
            with_unit(*watts, "W")
        ),
        Contradiction::PowerOfOtherSize {
            amps,
            watts,
            product,
        } => format!(
            "volts times {} is {}, and the power reads {}: one of them is scaled wrongly, in the map or in the unit",
            with_unit(*amps, "A"),
            with_unit(*product, "W"),
            with_unit(*watts, "W")
        ),
        Contradiction::CounterStands { stood_s, silence_s } => format!(
            "the counter that the inverter writes moved and stands still now for {stood_s:.0} s, and the unit says that it \
             hears it: silent is more than {silence_s} s"
        ),
        Contradiction::BeatAgainstUptime { stood_s } => format!(
            "the unit's own heartbeat stands still for {stood_s:.0} s, and its uptime goes on: one of both is wrong"
        ),
        Contradiction::SamePack { first, second } => format!(
            "addresses {first} and {second} are one pack: serial number, uptime and cells are the same, so the other pack was \
             never seen"
        ),
        Contradiction::SameModule {
            first,
            second,
            serial,
        } => format!(
            "{} and {} have one serial number, {}: one module read twice, or a number copied",
            place(*first),
            place(*second),
            serial.clean()
        ),
    }
}

/// What is open, in one sentence.
#[expect(
    clippy::too_many_lines,
    reason = "one arm a doubt: a list is read more easily than parts of it"
)]
pub(crate) fn doubt(doubt: &Doubt, profile: &Profile) -> String {
    said(match doubt {
        Doubt::TwoUnits { sign } => two_units(sign, profile),
        Doubt::NotRecognised { mismatch } => not_recognised(mismatch),
        Doubt::NotRead { .. } | Doubt::NotAsked { .. } => {
            return doubts_together(std::slice::from_ref(doubt), profile);
        }
        Doubt::HeartbeatUnseen => "the unit's own counter has not been seen moving yet, so the answers may be old".to_owned(),
        Doubt::NothingThere { role } => format!("the register map has no point for {role}"),
        Doubt::NotJudged { gap } => not_judged(gap, profile),
        Doubt::LampContradicts { found }
        | Doubt::AnsweredNo { found }
        | Doubt::WasBeyond { found }
        | Doubt::Terminals { found }
        | Doubt::CurrentWhileOpen { found }
        | Doubt::SpreadUnderLoad { found }
        | Doubt::OfTwoMoments { found }
        | Doubt::PerhapsCache { found }
        | Doubt::PacksUnlike { found } => return fact(found, profile),
        Doubt::Contradiction { what } => contradiction(what),
        Doubt::PacksEqualise { out, into } => format!(
            "current flows from pack to pack: {} out of address {} at most, {} into address {}, nothing to or from the inverter",
            with_unit(-out.1, "A"),
            out.0,
            with_unit(into.1, "A"),
            into.0
        ),
        Doubt::TooMuchToKeep { most } => format!(
            "more than {most} different questions were asked of it: what the oldest were answered is forgotten"
        ),
        Doubt::GoneSilent { lost: true, .. } => {
            "the link is gone: what is shown is from before, look at the cable, the adapter or the gateway first".to_owned()
        }
        Doubt::GoneSilent { misses, .. } => format!(
            "the unit answered and is silent now, {misses} questions in a row: what is shown is from before"
        ),
        Doubt::UndefinedBit { what } => undefined(what, profile),
        Doubt::MayHide {
            point,
            shows,
            hidden,
        } => format!(
            "{} shows {}, and may hide others{FURTHER}for example {}",
            called(point, profile),
            shown(shows),
            hidden
                .iter()
                .map(|flag| meant(flag, profile))
                .collect::<Vec<_>>()
                .join(", ")
        ),
        Doubt::Unexplained { flag } => format!("{} is set and nothing explains it", meant(flag, profile)),
        Doubt::NeedsCheck { flag } => {
            let flag = meant(flag, profile);
            format!("{flag} is set: it must be looked at before it is called a fault, or none")
        }
        Doubt::InverterNotShown { why } => link_unknown(*why).to_owned(),
        Doubt::BeforeItsCause { flag } => format!(
            "{} was set before the inverter fell silent, so the silence does not explain it",
            meant(flag, profile)
        ),
        Doubt::SeenEarlier { flag, at } => {
            let flag = meant(flag, profile);
            format!("{flag} was set {} and is not now{FURTHER}does it come back?", moment(*at))
        }
        Doubt::LowByFlagOnly {
            found,
            lowest,
            warning,
        } => format!(
            "{}, yet the lowest cell reads {}, above its warning at {}: a worn cell may be low only under load",
            fact(found, profile),
            with_unit(*lowest, "V"),
            with_unit(*warning, "V"),
        ),
        Doubt::FaultStateOnly => {
            "the unit says that it is in fault, yet no flag and no number says why".to_owned()
        }
        Doubt::TooEarly {
            silence_s,
            remaining_s,
is_up,
            restarted,
        } => {
            let before = if *restarted {
                "IT RESTARTED WHILE IT WAS LOOKED AT; "
            } else {
                ""
            };
            let waits = if *is_up {
                format!(
                    "its flag says that the inverter is silent, which takes it {silence_s} s by the map"
                )
            } else {
                format!("it waits {silence_s} s for its inverter before it says that it hears none")
            };
            format!("{before}{waits}, {remaining_s} s of them still to go")
        }
        Doubt::LinkUnknown { why } => link_unknown(*why).to_owned(),
        Doubt::WokeAfterUs { after } => format!(
            "IT WOKE AFTER OUR QUESTIONS: it was waiting for its inverter and stopped waiting {:.0} s after our first question{FURTHER}\
             nobody else was heard asking, which behind a gateway nobody can be. The map says that questions cannot do that: it may \
             be wrong",
            after.as_secs_f64().ceil()
        ),
        Doubt::NotInService { state } => format!(
            "the inverter is heard, but the unit is in state {} and not in service",
            state.map_or("unknown", StateKind::id)
        ),
        Doubt::NoMeasurement { word: None, .. } => {
            "NOTHING HERE IS A MEASUREMENT: every value says that it is not available, and the unit's own counter does not \
             move; take the terminals for live and current for flowing"
                .to_owned()
        }
        Doubt::NoMeasurement {
            word: Some(word),
            per_cent,
        } => format!(
            "NOTHING HERE IS A MEASUREMENT: {per_cent} % of what was read is the one word 0x{word:04x}, in values of any \
             kind, and the unit's own counter does not move; take the terminals for live and current for flowing"
        ),
        Doubt::PackSilent { asked } => return line(&Line::MemberMissing { asked: *asked }),
    })
}

/// What nobody judges, as the map leaves it open.
fn not_judged(gap: &Gap, profile: &Profile) -> String {
    match *gap {
        Gap::Limit {
            point,
            above,
            floor,
        } => {
            let point = profile.points.get(point);
            let (id, unit) = point.map_or_else(Default::default, |p| {
                (called(&p.id, profile), p.unit.clean().into_owned())
            });
            let end = if above { "upper" } else { "lower" };
            let floor = floor.map_or_else(String::new, |limit| {
                format!(
                    "{FURTHER}only what {} cells bear at all was judged, {}",
                    profile.unit.chemistry.clean(),
                    with_unit(limit, &unit)
                )
            });
            format!("{id} is not judged: the register map gives no {end} alarm limit for it{floor}")
        }
        Gap::Point(role) => format!("the register map has no point for {role}"),
        Gap::Draft { open: 0 } => {
            "the register map is still a draft (packside profile check says how it ends)".to_owned()
        }
        Gap::Draft { open } => format!(
            "the register map is a draft with {open} things open, and what is open was not judged (packside profile check names \
             them)"
        ),
        Gap::Chemistry => {
            "the chemistry of the cells is not known, and what they bear is not judged".to_owned()
        }
        Gap::Cell => "the map does not say below which voltage a cell must never be charged, nor how cold\u{1d}only what \
             its chemistry bears at all was judged"
            .to_owned(),
    }
}

/// Names of points in one line of reasons.
const MOST_NAMES: usize = 6;

/// Doubts that are told in one line: one of any kind, or points that lack the same.
pub(crate) fn doubts_together(doubts: &[Doubt], profile: &Profile) -> String {
    let Some(lack) = doubts.first().and_then(lacks) else {
        let each: Vec<String> = doubts.iter().map(|one| doubt(one, profile)).collect();
        // Each stands for itself: the first one is enough to be short.
        return match each.into_iter().next() {
            Some(first) if is_short() => first,
            _ => doubts
                .iter()
                .map(|one| doubt(one, profile))
                .collect::<Vec<_>>()
                .join("; "),
        };
    };
    if is_short() && doubts.len() > 2 {
        let count = format!("{} values that a verdict needs", doubts.len());
        return said(lacking(lack, &count));
    }
    let names = doubts.iter().take(MOST_NAMES);
    let names: Vec<String> = names.filter_map(|doubt| what(doubt, profile)).collect();
    let more = match doubts.len().saturating_sub(MOST_NAMES) {
        0 => String::new(),
        left => format!(" and {left} more"),
    };
    said(lacking(lack, &format!("{}{more}", names.join(", "))))
}

/// What a point lacks; nothing where nobody asked for it.
fn lacks(doubt: &Doubt) -> Option<Option<Lack>> {
    match doubt {
        Doubt::NotRead { lack, .. } => Some(Some(*lack)),
        Doubt::NotAsked { .. } => Some(None),
        _ => None,
    }
}

/// What that means for these points, one or several.
fn lacking(lack: Option<Lack>, what: &str) -> String {
    match lack {
        None => format!("nobody asked for {what}"),
        Some(Lack::Count) => format!("it is not known how many there are of {what}"),
        Some(Lack::Refused(code @ (0x05 | 0x06))) => {
            format!("the unit is busy and did not give {what} (exception {code:02x})")
        }
        Some(Lack::Refused(code)) => {
            format!("the unit refuses to give {what} (exception {code:02x})")
        }
        Some(Lack::NoValue) => format!("the unit has no value for {what}"),
        Some(Lack::Impossible) => format!("what the unit gives is impossible for {what}"),
        Some(Lack::TooOld) => format!("there is no fresh value for {what}"),
        Some(Lack::NotRead) => format!("nothing was read of {what}"),
    }
}

/// What it is that lacks it.
fn what(doubt: &Doubt, profile: &Profile) -> Option<String> {
    match doubt {
        Doubt::NotRead { name, .. } => Some(called(name, profile)),
        Doubt::NotAsked { what } => Some(match what {
            Unasked::Reading(name) => called(name, profile),
            Unasked::Mark { map } => format!("whether this is a {map}"),
        }),
        _ => None,
    }
}

fn two_units(sign: &TwoUnits, profile: &Profile) -> String {
    match sign {
        TwoUnits::AnsweredTwice { times, unit } => format!(
            "{times} questions got two different answers: two units have the address {unit}"
        ),
        TwoUnits::Identity { name, texts } => {
            let texts: Vec<_> = texts.iter().map(Foreign::clean).collect();
            let name = called(name, profile);
            format!(
                "{name} {} answered: two units in turn, or another one now than before",
                texts.join(", then ")
            )
        }
        TwoUnits::Uptime { back, ahead } => format!(
            "the uptime jumps from {:.0} to {:.0} s and from {:.0} to {:.0} s: two units may answer in turn",
            back.0, back.1, ahead.0, ahead.1
        ),
        TwoUnits::UptimeLeaps { from, to } => format!(
            "the uptime leaps from {from:.0} to {to:.0} s, as no restart does: another unit may have answered"
        ),
    }
}

fn not_recognised(mismatch: &Mismatch) -> String {
    match mismatch {
        Mismatch::Mark {
            map,
            point: _,
            seen,
            expected,
            by_gateway,
        } => format!(
            "the register by which a {map} is known is {}, and should be {}{}",
            seen.as_ref()
                .map_or_else(|| "not readable".to_owned(), value),
            match expected {
                Scalar::Number(n) => n.to_string(),
                Scalar::Text(t) => format!("\"{}…\"", t.clean()),
            },
            if *by_gateway {
                "\u{1d}many gateways answer some addresses themselves"
            } else {
                ""
            }
        ),
        Mismatch::Firmware { read, from, below } => format!(
            "the unit has firmware {read}, the register map is for {}",
            match (from, below) {
                (Some(from), Some(below)) => format!("{from} and newer, below {below}"),
                (Some(from), None) => format!("{from} and newer"),
                (None, Some(below)) => format!("those below {below}"),
                (None, None) => "others".to_owned(),
            }
        ),
    }
}

fn undefined(what: &Undefined, profile: &Profile) -> String {
    match what {
        Undefined::Code { name, code } => {
            let name = called(name, profile);
            format!("{name} shows code {code}, and the register map does not say what it means")
        }
        Undefined::Bit { name, raw, bit } => {
            let name = called(name, profile);
            format!(
                "bit {bit} of {name} is set (0x{raw:04x}), and the register map does not say what it means"
            )
        }
        Undefined::State { code, name } => {
            let number = || code.to_string().into();
            let name = name.as_ref().map_or_else(number, Foreign::clean);
            format!("the unit is in state {name}, which the register map does not know")
        }
    }
}

fn shown(shows: &Shows) -> String {
    match shows {
        Shows::InTurn(codes) => {
            let codes: Vec<String> = codes.iter().map(u64::to_string).collect();
            format!(
                "one fault after another (in this look {})",
                codes.join(", ")
            )
        }
        Shows::One(code) => format!("one code at a time ({code} now)"),
    }
}

fn link_unknown(why: LinkUnknown) -> &'static str {
    match why {
        LinkUnknown::FlagNotRead => "the unit's flag for a silent inverter was not read",
        LinkUnknown::PerhapsFedByUs => {
            "the unit does not say that its inverter is silent, but our own questions may have cleared that: only listening, or \
             its lamp, can tell"
        }
        LinkUnknown::NeverHeardNotFlagged => {
            "the unit says that it never heard an inverter, and also that its inverter is not silent"
        }
        LinkUnknown::NoSign => {
            "nothing that can be read of this unit says whether its inverter talks to it"
        }
        LinkUnknown::CounterUnseen => {
            "the inverter's counter was not watched long enough: neither seen moving nor standing still"
        }
        LinkUnknown::CounterStillInUse => {
            "the inverter's counter stands still, yet the battery is in use: this inverter may not write it, or talks no more"
        }
        LinkUnknown::AgeUnseen => {
            "the time since the inverter was heard does not run as a clock does: it was not seen to rise, or to be set back"
        }
        LinkUnknown::NoAnswer => "no answer",
    }
}

/// A kind in a few words, for the headline.
///
/// Where the doubt itself is known, `of` is it.
pub(crate) fn doubt_in_short(kind: DoubtKind, of: Option<&Doubt>) -> &'static str {
    match (kind, of) {
        (
            DoubtKind::TwoUnits,
            Some(Doubt::TwoUnits {
                sign: TwoUnits::Identity { .. },
            }),
        ) => {
            return "another unit answers than before, or two in turn";
        }
        (DoubtKind::NotRecognised, Some(Doubt::NotRecognised { mismatch })) => {
            return match mismatch {
                Mismatch::Firmware { .. } => {
                    "its firmware is outside the range of the register map"
                }
                Mismatch::Mark {
                    by_gateway: true, ..
                } => "not this battery answers, but another unit, or the gateway itself",
                Mismatch::Mark { .. } => "another unit answers than the register map describes",
            };
        }
        _ => {}
    }
    match kind {
        DoubtKind::TwoUnits => "two units answer at one address",
        DoubtKind::NotRecognised => "this may not be the unit that the register map describes",
        DoubtKind::NotRead => "what a verdict needs could not be read",
        DoubtKind::NotAsked => {
            "somebody else asks here, but not for everything that a verdict needs"
        }
        DoubtKind::HeartbeatUnseen => "the answers may be old",
        DoubtKind::NothingThere | DoubtKind::NotJudged => {
            "the register map lacks what a verdict needs"
        }
        DoubtKind::LampContradicts => "a lamp and the registers contradict each other",
        DoubtKind::AnsweredNo => "somebody on site found something wrong",
        DoubtKind::UndefinedBit => "the unit says something that the register map does not know",
        DoubtKind::MayHide => "the code that is shown may hide others",
        DoubtKind::Unexplained => "a status is set and nothing explains it",
        DoubtKind::NeedsCheck => "the unit says something that must be looked at first",
        DoubtKind::InverterNotShown => "whether the inverter talks to it cannot be read",
        DoubtKind::BeforeItsCause => "a status was set before the inverter fell silent",
        DoubtKind::SeenEarlier => "an alarm was set earlier and is not now",
        DoubtKind::WasBeyond => "a number was beyond its limit earlier and is not now",
        DoubtKind::Terminals => "the terminals are live although the switches are said to be open",
        DoubtKind::CurrentWhileOpen => "current flows although the switches are said to be open",
        DoubtKind::SpreadUnderLoad => {
            "cells or temperatures are far apart, and only a look at rest can tell why"
        }
        DoubtKind::LowByFlagOnly => "the unit says that a cell is low, and no cell reads low",
        DoubtKind::OfTwoMoments => "two numbers do not add up, and were read at different moments",
        DoubtKind::PerhapsCache => "the answers may come from the gateway's memory",
        DoubtKind::FaultStateOnly => "the unit says that it is in fault, and not why",
        DoubtKind::TooEarly => "too early: it is still waiting for its inverter",
        DoubtKind::LinkUnknown => "whether the battery hears its inverter is not known",
        DoubtKind::WokeAfterUs => "it woke after our own questions",
        DoubtKind::NotInService => "the inverter is heard, yet the battery is not in service",
        DoubtKind::PackSilent => "a pack gives no answer",
        DoubtKind::Contradiction => "the unit contradicts itself",
        DoubtKind::TooMuchToKeep => "more was asked of it than is remembered",
        DoubtKind::GoneSilent => "the unit answered, and does not any more",
        DoubtKind::PacksEqualise => "the packs feed one another",
        DoubtKind::PacksUnlike => "packs that may connect have unlike voltages",
        DoubtKind::NoMeasurement => "what was read is no measurement",
    }
}

/// What a kind means, for the reference.
#[expect(
    clippy::too_many_lines,
    reason = "one arm a doubt: a list is read more easily than parts of it"
)]
pub(crate) fn doubt_means(kind: DoubtKind) -> &'static str {
    match kind {
        DoubtKind::TwoUnits => {
            "two units answer at one address, or another one answers than before: numbers of two do not add up"
        }
        DoubtKind::NotRecognised => {
            "the registers that prove this map do not hold, or the firmware is outside its range"
        }
        DoubtKind::NotRead => {
            "a required point was not read, is too old, or has no usable value: that is not a zero"
        }
        DoubtKind::NotAsked => {
            "a required point was asked for by nobody: we asked nothing, and whoever asks on this line does not want it"
        }
        DoubtKind::TooMuchToKeep => {
            "more different questions were asked of the unit than are remembered: what the oldest were answered is forgotten"
        }
        DoubtKind::GoneSilent => {
            "the link is gone, or the last questions got no answer: no verdict rests on what was read before"
        }
        DoubtKind::Contradiction => {
            "two things that the unit says cannot be true together: one of them hides something"
        }
        DoubtKind::HeartbeatUnseen => {
            "the unit's own counter was not yet seen moving: the answers may be old"
        }
        DoubtKind::NothingThere => "the profile has no point that a clean verdict needs",
        DoubtKind::NotJudged => {
            "the map gives no limit for a number that must be judged, or does not know the chemistry: what only its \
             chemistry bears at all was judged, if anything"
        }
        DoubtKind::LampContradicts => "a lamp was seen that the registers do not explain",
        DoubtKind::AnsweredNo => "somebody on site found something wrong",
        DoubtKind::UndefinedBit => "a bit, code or state is up that the profile does not know",
        DoubtKind::MayHide => "the unit shows one code at a time and may hide others behind it",
        DoubtKind::Unexplained => "a status is set and nothing explains it",
        DoubtKind::NeedsCheck => {
            "the unit says something that is a fault or none, depending on what is found there"
        }
        DoubtKind::InverterNotShown => {
            "the map has nothing, or nothing that tells now, from which the inverter's life could be read"
        }
        DoubtKind::BeforeItsCause => {
            "a status was up before the inverter fell silent, so the silence does not explain it"
        }
        DoubtKind::WasBeyond => {
            "a number was beyond its alarm limit a while ago: that it is good again does not say why"
        }
        DoubtKind::SeenEarlier => {
            "an alarm was up earlier and is not now, and nothing shows that it is over"
        }
        DoubtKind::Terminals => {
            "the terminals carry voltage although the switches are reported open"
        }
        DoubtKind::CurrentWhileOpen => "current is reported although every switch is reported open",
        DoubtKind::SpreadUnderLoad => {
            "cells or temperatures are far apart while current flows or cells balance: only a look at rest tells"
        }
        DoubtKind::LowByFlagOnly => {
            "a flag says that a cell is below its limit, and every cell reads above its warning: worn cells are low under load alone, and an empty pack reads low at rest as well"
        }
        DoubtKind::OfTwoMoments => {
            "numbers read while the current moved do not add up: that proves nothing, and only a look while it holds still tells"
        }
        DoubtKind::PerhapsCache => {
            "the own counter stands still behind a gateway: a cache, or the unit"
        }
        DoubtKind::FaultStateOnly => {
            "the unit says that it is in fault, yet no flag and no number says why"
        }
        DoubtKind::TooEarly => {
            "the silence time is not over: neither the inverter nor its absence has shown"
        }
        DoubtKind::LinkUnknown => "whether the unit hears its inverter cannot be told",
        DoubtKind::WokeAfterUs => {
            "the unit stopped waiting right after our own questions, and nobody else was heard: the map may be wrong about what feeds its supervision"
        }
        DoubtKind::NotInService => "the inverter is heard, yet the battery is not in service",
        DoubtKind::PackSilent => {
            "a pack that the rack expects gave no valid answer or was not asked"
        }
        DoubtKind::NoMeasurement => {
            "one word stands in nearly every register, whatever it means there, and the own counter does not move: a unit \
             that knows nothing yet, a gateway or an adapter invents such images; no number in it proves anything"
        }
        DoubtKind::PacksEqualise => {
            "current flows from pack to pack, and none of it to or from the inverter: they were put side by side unlike"
        }
        DoubtKind::PacksUnlike => {
            "packs that are not connected yet have unlike voltages: connecting them drives a large current"
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::doubt;

    #[test]
    fn points_that_lack_the_same_share_a_line() {
        let not_read = |name: String, lack| Doubt::NotRead { name, lack };
        let mut doubts = vec![Doubt::HeartbeatUnseen];
        for number in 1..=8 {
            doubts.push(not_read(format!("alarm_{number}"), Lack::NotRead));
        }
        doubts.push(not_read("serial".to_owned(), Lack::TooOld));
        // Kind: invented.
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let groups = doubt::together(&doubts);
        let told = groups.iter().map(|group| doubts_together(group, &profile));
        let told: Vec<String> = told.collect();
        assert_eq!(
            told,
            [
                "the unit's own counter has not been seen moving yet, so the answers may be old",
                "nothing was read of alarm word 1, alarm word 2, alarm_3, alarm_4, alarm_5, alarm_6 and 2 more",
                "there is no fresh value for serial number",
            ]
        );
    }
}
