//! What to do next, in words.

use packside_profiles::model::{InverterPort, Needs, Profile};
use packside_profiles::{Class, Place, Role};

use super::pseudo::{FURTHER, said};
use super::to_do::plain_to_do;
use super::whereabouts::plain_whereabouts;
use super::{class_in_short, with_unit};
use crate::facts::caution::Caution;
use crate::facts::doubt::Mismatch;
use crate::facts::fact::Remedy;
use crate::facts::step::{AtRoots, HandOver, LookAgain, Mind, NextStep, Step, StepKind, Who};
use crate::facts::whereabouts::Whereabouts;
use crate::facts::{Doubt, Judgement, Reading, Reason, Why};

/// What to do, for this unit.
pub fn next_step(judgement: &Judgement, next: &NextStep) -> String {
    said(step(&next.step, judgement))
}

/// What a step needs.
pub fn needs(needs: Needs) -> &'static str {
    match needs {
        Needs::Look => "look only",
        Needs::Operate => "operate",
        Needs::LowVoltage => "low voltage",
        Needs::UnitOff => "unit off",
        Needs::LiveDc => "LIVE DC",
    }
}

/// Who may do it.
pub fn who(who: Who) -> &'static str {
    match who {
        Who::Anyone => "anyone on site",
        Who::Technician => "technician",
        Who::Licensed => "licensed electrician",
    }
}

/// A step with all that is known about it here.
#[expect(
    clippy::too_many_lines,
    reason = "one arm a step: a list is read more easily than parts of it"
)]
fn step(step: &Step, judgement: &Judgement) -> String {
    let profile = judgement.profile.as_deref();
    let usual = || usual(step.kind()).to_owned();
    match step {
        Step::HandOver { after } => match after {
            HandOver::Nothing => usual(),
            HandOver::Remarked(id) => format!(
                "no fault seen so far. Settle what was remarked{} before it is handed over, and keep this result with the \
                 visit's papers",
                of_class(id).map_or_else(String::new, |class| format!(" ({class})"))
            ),
            HandOver::Line => "no fault of the unit seen so far; look at the line as well, and keep this result with the \
                 visit's papers"
                .to_owned(),
        },
        Step::StopCurrent { flows: false } => "set the inverter to 0 A at its screen and leave it so: no charge, no discharge. \
             Pull no plug, connect no inverter"
            .to_owned(),
        Step::SetApart { at } => format!("{}{}", at_roots(at, judgement), usual()),
        Step::LiftCondition { ids, cold, to_do } => {
            let first = if *cold { "do not charge while it is cold; " } else { "" };
            let what: Vec<&str> = ids.iter().map(in_words).collect();
            let lead = match judgement.roots().iter().all(|id| ids.contains(id)) {
                true => String::new(),
                false => format!("{}: ", what.join(", ")),
            };
            format!("{lead}{first}{}{}", deed(to_do, profile), floor(ids, judgement))
        }
        Step::WorkOnRoot { at, to_do, mind } => {
            at_roots(at, judgement) + &work(to_do, mind, profile)
        }
        Step::Isolate { insulation: true } => {
            "by the manual: inverter to 0 A at its screen, unit off, isolator to the inverter open; nobody at the terminals, \
             then unit on, look again. Still low: the stack or its cables. Risen: beyond the switches, in cable, isolator, \
             inverter or PV"
                .to_owned()
        }
        Step::InverterPowered { was_heard: true } => {
            "look at the inverter: is it on, is its display lit, is there grid? Covers stay shut"
                .to_owned()
        }
        Step::InverterCable { port: Some(port) } => format!(
            "inverter to 0 A at its screen; covers on, hands off DC, it may pre-charge at once. Then connect or check its data cable on {}{FURTHER}\
             look at socket, pair and polarity, common wire, and on its screen at line settings and address",
            socket(*port)
        ),
        Step::LineToo { first: Some(first) } => {
            format!("besides, the line is unreliable: {}", self::step(first, judgement))
        }
        Step::WaitSilence { remaining_s: Some(left) } => {
            format!(
                "wait {left} s, touch nothing, then look again{FURTHER}if \"up\" then reads less than {left} s, it has restarted: ask whether somebody did it; \
                 if nobody did, that is a fault"
            )
        }
        Step::WatchLamp { silence_s: Some(seconds) } => format!(
            "stop asking and watch the unit's lamps for {seconds} s: our own questions may keep its alarm of a silent inverter down"
        ),
        Step::LookAgain { why } => look_again(*why).to_owned(),
        Step::RightProfile if perhaps_the_gateway(judgement) => {
            "a gateway may answer an address itself: look on its own page, or at the unit, which unit address the battery has, \
             and give it with --unit N.\u{1d}If the address is right, compare nameplate and firmware with the register map \
             (packside profile show). Until then do not put the unit into service"
                .to_owned()
        }
        Step::KeepAway if heats_inside(judgement) => {
            "stay out, keep everybody out, call the fire service, then the maker; never open the cabinet. Watch the number only from elsewhere"
                .to_owned()
        }
        Step::MissingPack { unit } | Step::PackLink { unit } => {
            format!("{}{}", lead(*unit), usual())
        }
        Step::Isolate { insulation: false }
        | Step::InverterPowered { was_heard: false }
        | Step::InverterCable { port: None }
        | Step::LineToo { first: None }
        | Step::WaitSilence { remaining_s: None }
        | Step::WatchLamp { silence_s: None }
        | Step::KeepAway
        | Step::StopCurrent { flows: true }
        | Step::LetEqualise
        | Step::PartPacks
        | Step::WaitForBusy
        | Step::LineFirst
        | Step::RecordFirst
        | Step::DoesItReturn
        | Step::FollowModule
        | Step::AskMaker
        | Step::InverterSettings
        | Step::InverterSocket
        | Step::InverterCableToo
        | Step::BehindTheCode
        | Step::FreeSocket
        | Step::LookWithInverter
        | Step::RightProfile
        | Step::CompleteMap
        | Step::OneAddressEach
        | Step::OneUnitOff
        | Step::PastTheCache
        | Step::AnswerAgain
        | Step::LampAgain
        | Step::OtherSources
        | Step::PacksApart
        | Step::LikePacks
        | Step::SwapPair
        | Step::OtherLine
        | Step::OtherAddress
        | Step::UnitPlug
        | Step::CheckSocket
        | Step::MeasurePair
        | Step::LookAtLamps
        | Step::CheckCommon
        | Step::KeepApart
        | Step::ListenFirst
        | Step::LetItBeRead
        | Step::CheckPort
        | Step::CheckAdapter
        | Step::OtherFraming
        | Step::CheckGateway
        | Step::CheckGatewayLine
        | Step::ReportMistake => usual(),
    }
}

/// Whether a cell heats from inside: nobody waits there for a sign.
fn heats_inside(judgement: &Judgement) -> bool {
    let inside = |reason: &Reason| matches!(reason.why, Why::Caution(Caution::HeatsInside { .. }));
    judgement.verdict.why.iter().any(inside)
}

/// Whether what answers may be the gateway, as a register that proves the map says.
fn perhaps_the_gateway(judgement: &Judgement) -> bool {
    let by_gateway = |open: &Doubt| {
        matches!(
            open,
            Doubt::NotRecognised {
                mismatch: Mismatch::Mark {
                    by_gateway: true,
                    ..
                }
            }
        )
    };
    judgement.verdict.open.iter().any(by_gateway)
}

/// Where charging lifts a condition: below which voltage no cell may be charged, and how near they are.
fn floor(ids: &[&'static str], judgement: &Judgement) -> String {
    let is_low = [
        Class::LowCharge,
        Class::CellUnderVoltage,
        Class::PackUnderVoltage,
    ];
    let charges = is_low.iter().any(|class| ids.contains(&class.id()));
    let profile = judgement.profile.as_deref().filter(|_| charges);
    let Some(cell) = profile.and_then(|profile| profile.cell.as_ref()) else {
        return String::new();
    };
    let cells = judgement
        .readings
        .iter()
        .filter(|r| r.role == Role::CellVoltage);
    let lowest = cells.filter_map(Reading::number).min_by(f64::total_cmp);
    let now = lowest.map_or_else(String::new, |volts| {
        format!(" (lowest now {})", with_unit(volts, "V"))
    });
    format!(
        "; never a cell below {}{now}",
        with_unit(cell.never_charge_below, "V")
    )
}

fn lead(unit: Option<u8>) -> String {
    unit.map_or_else(String::new, |unit| format!("address {unit}: "))
}

/// What a root says, in a few words, by its id.
fn in_words(id: &&'static str) -> &'static str {
    of_class(id).unwrap_or(id)
}

/// What a class says in a few words, where this id is one.
fn of_class(id: &str) -> Option<&'static str> {
    let class = Class::ALL.iter().find(|class| class.id() == id);
    class.map(|class| class_in_short(*class))
}

/// What stands before the work at roots: `address 3: a cell below its limit (module 2, cell 4): `. Where there are no other
/// roots the verdict names them, and the place is enough: `module 2, cell 4: `.
fn at_roots(at: &AtRoots, judgement: &Judgement) -> String {
    // Of one module its name stands once.
    let module = at.places.first().and_then(|first| first.place.module);
    let shared = at.places.len() > 1 && at.places.iter().all(|at| at.place.module == module);
    let inside = |at: &Whereabouts| match shared {
        true => plain_whereabouts(Whereabouts {
            place: Place {
                module: None,
                ..at.place
            },
            ..*at
        }),
        false => plain_whereabouts(*at),
    };
    let lead_in = module.filter(|_| shared);
    let lead_in = lead_in.map_or_else(String::new, |module| format!("module {module}: "));
    let places: Vec<String> = at.places.iter().map(inside).collect();
    let places = format!("{lead_in}{}", places.join(", "));
    let what: Vec<&str> = at.ids.iter().map(in_words).collect();
    let what = what.join(", ");
    let are_all = judgement.roots().iter().all(|id| at.ids.contains(id));
    let text = match (are_all, places.is_empty()) {
        (true, true) => String::new(),
        (true, false) => match at.unit {
            Some(unit) => return format!("address {unit}, {places}: "),
            None => format!("{places}: "),
        },
        (false, true) => format!("{what}: "),
        (false, false) => format!("{what} ({places}): "),
    };
    lead(at.unit) + &text
}

fn deed(to_do: &Remedy, profile: Option<&Profile>) -> String {
    profile.map_or_else(String::new, |profile| plain_to_do(to_do, profile))
}

fn work(to_do: &Remedy, mind: &[Mind], profile: Option<&Profile>) -> String {
    let said_of = |one: &Mind| match one {
        Mind::StopInverter => "set the inverter to 0 A at its screen, no charge, no discharge; ",
        Mind::PerhapsTheFuse => {
            "\u{1d}if the main fuse is open, find what blew it before a new one goes in"
        }
        Mind::ReturnNothing => "; send no part back before that",
        Mind::BarStaysLive => "; the other packs keep the bar live",
    };
    let is_before = |one: &&Mind| matches!(one, Mind::StopInverter);
    let before: String = mind.iter().filter(is_before).map(said_of).collect();
    let behind: String = mind
        .iter()
        .filter(|one| !is_before(one))
        .map(said_of)
        .collect();
    let to_do = match *to_do == Remedy::default() {
        true => "follow the maker's manual for this flag".to_owned(),
        false => deed(to_do, profile),
    };
    format!("{before}{to_do}{behind}")
}

fn socket(port: InverterPort) -> &'static str {
    match port {
        InverterPort::ThisBus => "this RS-485 pair",
        InverterPort::OtherRs485 => "its own RS-485 socket",
        InverterPort::Can => "the CAN socket",
        InverterPort::Unknown => "the socket that the manual names",
    }
}

fn look_again(why: LookAgain) -> &'static str {
    match why {
        LookAgain::Open => usual(StepKind::LookAgain),
        LookAgain::Refused => {
            "the unit refuses registers that the register map has: is it set up by its manual yet? Then compare nameplate and \
             firmware with the map (packside profile show).\u{1d}If they agree, ask the maker for the map of this firmware. Until \
             it can be read do not put the unit into service"
        }
        LookAgain::Unreadable => {
            "look again; if the same values are missing again although answers come, compare nameplate and register map \
             (packside profile show)"
        }
        LookAgain::UnderCurrent => {
            "set the inverter to 0 A at its screen and leave it so; ask the maker what the alarm means.\u{1d}Look under current only \
             with somebody at that screen, ready to stop it"
        }
        LookAgain::InSeconds => "look again in a few seconds",
        LookAgain::WithLamps => "look again, and compare with the lamps",
    }
}

/// What a kind of step settles.
pub fn step_means(kind: StepKind) -> String {
    said(usual(kind))
}

/// The same for a longer sentence.
#[expect(
    clippy::too_many_lines,
    reason = "one arm a step: a list is read more easily than parts of it"
)]
fn usual(kind: StepKind) -> &'static str {
    match kind {
        StepKind::HandOver => "no fault seen so far: keep this result with the visit's papers",
        StepKind::RecordFirst => {
            "before anything is switched off, restarted or reset: this look must be saved (a look at a real unit saves itself, else --record FILE), some units forget at power-off"
        }
        StepKind::KeepAway => {
            "stay away, keep others away, never open the cabinet. Watch the number from elsewhere, never from beside it; rising, gas or smoke: out, \
             call the fire service"
        }
        StepKind::StopCurrent => {
            "bring the current to 0 A at the inverter's screen, see 0 A there, leave it so; pull no plug, open no switch under load"
        }
        StepKind::WaitForBusy => {
            "wait a minute, then look again: the unit answers that it is busy, with an update or a task of its own"
        }
        StepKind::LineFirst => {
            "look at the line first: cable, common wire, adapter or gateway; then look again\u{1d}answers did not come or came \
             damaged"
        }
        StepKind::SetApart => {
            "do not charge, do not install, ask the maker. Warm, or nobody knows: stay out.\u{1d}Cold, and the maker agrees: LIVE DC, \
             two people, set it apart where a fire could not spread; it does not travel as ordinary goods"
        }
        StepKind::LiftCondition => "put right what keeps the unit from running, then look again",
        StepKind::WorkOnRoot => "do what the register map says of this root",
        StepKind::Isolate => {
            "set the inverter to 0 A at its screen, then isolate it by the manual, never under load, and look again: this may lie on \
             its side; file no claim for this part yet"
        }
        StepKind::DoesItReturn => {
            "with the inverter at 0 A, switch the unit off and on once by the manual, and look whether the fault comes back"
        }
        StepKind::FollowModule => {
            "where the maker allows it, swap the module with another one\u{1d}look whether the fault follows it or stays at its \
             position"
        }
        StepKind::AskMaker => {
            "send this result to the maker with the serial number: no isolating step is left"
        }
        StepKind::InverterPowered => "is the inverter on, and set to this battery type?",
        StepKind::InverterSettings => {
            "do the inverter's settings fit the unit?\u{1d}Address and line settings stand on its screen"
        }
        StepKind::InverterSocket => "is the inverter's data cable in the right socket?",
        StepKind::InverterCable => {
            "inverter to 0 A at its screen; covers on, hands off DC, it may pre-charge at once. Then look whether its data cable is seated \
             and not chafed\u{1d}pair and polarity right, common wire there"
        }
        StepKind::InverterCableToo => {
            "once that is settled: inverter to 0 A, covers on, hands off DC, then its data cable"
        }
        StepKind::BehindTheCode => {
            "once that is put right, look again\u{1d}this unit shows one code at a time, and others may hide behind it"
        }
        StepKind::LineToo => {
            "besides, somebody else asks on this pair: packside listen tells who\u{1d}some of our questions got no answer"
        }
        StepKind::FreeSocket => {
            "inverter to 0 A; covers on, hands off DC: give the inverter its socket back, read from the service socket, then look again"
        }
        StepKind::WaitSilence => "wait until the silence time is over, then look again",
        StepKind::WatchLamp => {
            "stop asking and watch the lamps: our own questions may keep the flag down"
        }
        StepKind::LookAgain => "look again",
        StepKind::LookWithInverter => "then look again, for what is not tested yet",
        StepKind::RightProfile => {
            "compare nameplate, firmware and unit address with the register map (packside profile show), and use the map that fits.\
             \u{1d}If none fits, ask the maker. Until then do not put the unit into service"
        }
        StepKind::CompleteMap => {
            "the register map leaves open what must be judged: the maker's document has it (packside profile check FILE names \
             each gap)\u{1d}until then no result with this map clears a unit"
        }
        StepKind::OneAddressEach => {
            "compare the serial number with the nameplate; through a gateway or tunnel, look first whether it leads to this site.\
             \u{1d}Then look which units answer here, and at which address each"
        }
        StepKind::OneUnitOff => {
            "if both are at this site: with its inverter at 0 A, switch one of the two off by the manual and look again.\u{1d}What \
             answers now is the other; then give one of them a new address"
        }
        StepKind::PastTheCache => {
            "phone the site and ask whether the unit's lamps are lit: it may be off behind the gateway, whose answers may be old.\
             \u{1d}Believe no number here until it was read at the unit's own socket"
        }
        StepKind::AnswerAgain => "put it right by the maker's manual, then answer the step again",
        StepKind::LampAgain => {
            "look at the lamp again, at the same unit: a code may be hidden or the answers stale"
        }
        StepKind::OtherSources => {
            "treat the terminals as live. Inverter to 0 A at its screen, then isolate every other source, never under load, \
             wait as the inverter's label says, and look again\u{1d}only the far side of an open isolator can be proven dead, \
             pole to pole and pole to earth"
        }
        StepKind::PacksApart => {
            "let no packs of unlike voltage connect: touch no switch, repair nothing before they are alike\u{1d}a pack that is repaired may \
             connect by itself"
        }
        StepKind::LetEqualise => {
            "inverter to 0 A at its screen; touch no switch, pull no plug: the packs feed one another until they are alike. Stay clear, \
             look again in ten minutes\u{1d}not fallen, or a pack is warmer: keep away, phone the maker"
        }
        StepKind::PartPacks => {
            "keep away: 0 A at the inverter does not stop what the other packs feed into this one. Pull no plug, open no \
             switch under load; phone the maker\u{1d}separate them by the maker's manual"
        }
        StepKind::LikePacks => {
            "bring the packs to one voltage by the manual, before they may connect"
        }
        StepKind::MissingPack => {
            "touch no switch, its voltage is not known. Look at the pack that does not answer (dark: ask who switched it off, and why): its lamps, the data cable from pack to pack (leave the power leads alone), its unit address; then look again"
        }
        StepKind::PackLink => {
            "other packs hear the inverter, so what is left is the link of this one. Inverter to 0 A at its screen; covers on, hands off \
             DC. Then look at its data cable from pack to pack, its terminator and its unit address; then look again"
        }
        StepKind::SwapPair => {
            "swap the two wires of the pair at the adapter (D1 and D0, often marked B and A), then look again\u{1d}idle, D1 is \
             above D0"
        }
        StepKind::OtherLine => {
            "look up the unit's baud rate and parity, give them with --line\u{1d}for example --line 19200-8E1"
        }
        StepKind::OtherAddress => {
            "look up the unit address, give it with --unit N\u{1d}it stands on its switches or the inverter's screen"
        }
        StepKind::UnitPlug => {
            "inverter to 0 A at its screen; covers on, hands off DC, it may pre-charge at once. Then look at the data plug of the unit itself: seated, right socket, pair and polarity?\u{1d}Others on this pair are heard"
        }
        StepKind::CheckSocket => "compare socket and pins with the maker's manual",
        StepKind::MeasurePair => {
            "measure the ohms of the pair with all its devices off: about 60 two terminators, 120 one, high none or open"
        }
        StepKind::LookAtLamps => {
            "look at the lamps, and touch nothing. Dark proves nothing: ask who switched it off, and why.\u{1d}Lit: go \
             on with the next step"
        }
        StepKind::CheckCommon => {
            "look for the common wire and for terminators at both ends, then look again"
        }
        StepKind::KeepApart => {
            "lead the pair away from the inverter's power cables, screen earthed at one end, then look again"
        }
        StepKind::ListenFirst => {
            "do not ask while the inverter asks: listen (packside listen)\u{1d}or, with its owner's consent and 0 A on its screen \
             first, unplug its data cable (lost data may open switches under load or leave it charging blind)"
        }
        StepKind::LetItBeRead => {
            "with the owner's consent, and 0 A on the inverter's screen first (lost data may open switches under load or leave it \
             charging blind), take it off this pair and look again\u{1d}or say --ask-anyway: then two ask at once, and answers \
             may collide"
        }
        StepKind::CheckPort => {
            "look which device this port really reaches, then give the right one"
        }
        StepKind::CheckAdapter => {
            "look at the adapter: seated, powered, not used by another program; then look again"
        }
        StepKind::OtherFraming => "try the other framing: --framing rtu or --framing tcp",
        StepKind::CheckGateway => {
            "look at the gateway's own page: who is connected (another client may hold its only place), serial settings, time-out; then \
             look again"
        }
        StepKind::CheckGatewayLine => {
            "compare the gateway's serial settings and wires with the unit's"
        }
        StepKind::ReportMistake => {
            "keep this result (--format json) and tell whoever keeps the register map"
        }
    }
}
