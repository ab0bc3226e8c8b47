//! Every step that may come next, in one table: what it needs, who may do it, how long it takes.
//!
//! Input: a step and the words for this unit. Output: a [`NextStep`], and the order of several.
//! Does not: choose steps (see `next`, `doubt`, `causes`).
//!
//! # The order
//! Risk first: looking comes before low voltage, before unit off, before live DC. Within one risk
//! the step comes first that separates most of what is still open per minute of a technician's
//! time (greedy: what a chosen step settles no longer counts for the others). Minutes are common
//! practice, rounded; they order steps and promise nothing.

use packside_profiles::model::Needs;

/// Something to do, lowest risk first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NextStep {
    /// Stable id.
    pub id: &'static str,
    /// What to do.
    pub text: String,
    /// What it needs.
    pub needs: Needs,
    /// Who may do it.
    pub who: &'static str,
    /// Minutes it takes, rounded: common practice.
    pub minutes: u32,
}

const TECHNICIAN: &str = "technician";
const LICENSED: &str = "licensed electrician";
const ANYONE: &str = "anyone on site";

/// One row of the table.
pub(crate) struct StepRow {
    /// Stable id.
    pub(crate) id: &'static str,
    /// What it needs.
    pub(crate) needs: Needs,
    /// Who may do it.
    pub(crate) who: &'static str,
    /// Minutes it takes.
    pub(crate) minutes: u32,
    /// What it settles, for the reference; also its words where no others are given.
    pub(crate) text: &'static str,
}

macro_rules! steps {
    ($($variant:ident = $id:literal, $needs:ident, $who:ident, $minutes:literal, $text:literal;)+) => {
        /// A step that may come next.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub(crate) enum Step { $($variant),+ }

        impl Step {
            /// Every step.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Its row.
            pub(crate) fn row(self) -> StepRow {
                match self {
                    $(Self::$variant => StepRow {
                        id: $id, needs: Needs::$needs, who: $who, minutes: $minutes, text: $text,
                    }),+
                }
            }
        }
    };
}

steps! {
    HandOver = "hand-over", Look, TECHNICIAN, 1, "nothing to mend; keep this result with the visit's papers";
    RecordFirst = "record-first", Look, TECHNICIAN, 1, "before anything is switched off, restarted or reset: keep this look (--record FILE), some units forget at power-off";
    SetApart = "set-apart", Look, TECHNICIAN, 10, "do not charge, do not install; set it apart where a fire could not spread, and ask the maker";
    LiftCondition = "lift-condition", Look, TECHNICIAN, 5, "put right what keeps the unit from running, then look again";
    WorkOnRoot = "work-on-root", Look, TECHNICIAN, 15, "do what the map says of this root";
    Isolate = "isolate-and-look-again", UnitOff, LICENSED, 20, "this may lie on the inverter's side: isolate it by the manual and look again before anything is returned";
    DoesItReturn = "does-it-return", UnitOff, TECHNICIAN, 10, "after recording: one power cycle by the manual; does the flag return?";
    FollowModule = "module-or-position", LiveDc, LICENSED, 40, "where the maker allows a swap: does it follow the module or stay at the position?";
    AskMaker = "ask-maker", Look, TECHNICIAN, 20, "no isolating step is left: send this result to the maker with the serial number";
    InverterPowered = "inverter-powered", Look, ANYONE, 2, "is the inverter powered, and is this battery type chosen on its screen?";
    InverterSettings = "inverter-settings", Look, ANYONE, 3, "compare battery type, address and line settings on the inverter's screen with the unit's";
    InverterSocket = "inverter-socket", Look, TECHNICIAN, 3, "is the inverter's cable in the socket that the manual names?";
    InverterCable = "inverter-cable", LowVoltage, TECHNICIAN, 15, "check the communication cable: seated, pair and polarity, common wire, not chafed";
    InverterCableToo = "inverter-cable-too", LowVoltage, TECHNICIAN, 15, "besides, the unit hears no inverter: once the fault is settled, look at the inverter and its communication cable";
    BehindTheCode = "behind-the-code", Look, TECHNICIAN, 2, "once that is put right, look again: this unit shows one code at a time, and others may hide behind it";
    LineToo = "line-too", Look, TECHNICIAN, 5, "besides, somebody else asks on this pair and some of our questions got no answer: let packside listen tell who it is, and how the line does without us";
    FreeSocket = "free-socket", LowVoltage, TECHNICIAN, 2, "give the inverter its socket back, read from the service socket, then look again";
    WaitSilence = "wait-silence-time", Look, ANYONE, 2, "wait until the silence time is over, then look again";
    WatchLamp = "watch-lamp", Look, ANYONE, 2, "stop asking and watch the lamps: our own questions may keep the flag down";
    LookAgain = "look-again", Look, TECHNICIAN, 1, "look again";
    LookWithInverter = "look-with-inverter", Look, TECHNICIAN, 2, "then look again: what is listed as not tested can only be seen with the inverter";
    RightProfile = "right-profile", Look, TECHNICIAN, 3, "compare nameplate and firmware with the profile (packside profile show)";
    CompleteMap = "complete-map", Look, TECHNICIAN, 5, "the map leaves open what must be judged: the maker's document has it (packside profile check FILE names each gap); until then no result with this map clears a unit";
    OneAddressEach = "one-address-each", Look, TECHNICIAN, 5, "two units share this address: look which units are on the pair and what address each has";
    OneUnitOff = "one-unit-off", UnitOff, TECHNICIAN, 10, "switch one of the two off by the manual and look again: what answers now is the other; then give one of them a new address";
    PastTheCache = "past-the-cache", Look, TECHNICIAN, 10, "from afar, phone the site: are the unit's lamps lit? It may be off behind the gateway, whose answers may be old. At the site: read at the unit's own socket";
    AnswerAgain = "answer-again", Look, TECHNICIAN, 5, "put it right by the maker's manual, then answer the step again";
    LampAgain = "lamp-again", Look, ANYONE, 1, "look at the lamp again, at the same unit: a code may be hidden or the answers stale";
    OtherSources = "other-sources", UnitOff, LICENSED, 15, "isolate every other source, wait for the decay time, and look again";
    LikePacks = "like-packs", Look, TECHNICIAN, 20, "do not let these packs connect: bring them to one voltage by the maker's manual first";
    MissingPack = "missing-pack", Look, TECHNICIAN, 5, "look at the pack that does not answer: its lamps, the data cable from pack to pack (leave the power leads alone), its unit address; then look again";
    SwapPair = "swap-pair", LowVoltage, TECHNICIAN, 3, "swap the two wires of the pair at the adapter (idle: D1 above D0), then look again";
    OtherLine = "other-line-settings", Look, TECHNICIAN, 3, "look up the unit's line settings and give them with --line, for example --line 19200-8E1";
    OtherAddress = "other-address", Look, TECHNICIAN, 3, "look up the unit address (switches or the inverter's screen) and give it with --unit N";
    UnitPlug = "unit-plug", LowVoltage, TECHNICIAN, 5, "look at the communication plug of the unit itself: seated, the right socket, pair and polarity; others on this pair are heard";
    CheckSocket = "check-socket", Look, TECHNICIAN, 3, "compare the socket and its pins with the maker's manual";
    MeasurePair = "measure-pair", LowVoltage, TECHNICIAN, 8, "with all bus devices off measure the pair: about 60 ohms two terminators, 120 one, high none or open";
    LookAtLamps = "look-at-lamps", Look, ANYONE, 1, "look at the lamps. Dark: switch it on or wake it as the manual says (dark proves nothing). Lit: compare socket and pins with the manual";
    CheckCommon = "check-common", Look, TECHNICIAN, 5, "look for the common wire and for terminators at both ends, then look again";
    KeepApart = "keep-apart", LowVoltage, TECHNICIAN, 10, "lead the pair away from the inverter's power cables, screen earthed at one end, then look again";
    ListenFirst = "listen-first", Look, TECHNICIAN, 1, "do not ask while the inverter asks: listen (packside listen), or unplug with the inverter's owner's consent";
    LetItBeRead = "let-it-be-read", LowVoltage, TECHNICIAN, 5, "with the owner's consent take the inverter off this pair and look again, or say --ask-anyway: then two ask at once, and answers may collide";
    CheckPort = "check-port", Look, TECHNICIAN, 3, "look what else is reached by this port, then give the right one";
    CheckAdapter = "check-adapter", Look, TECHNICIAN, 2, "look at the adapter: seated, powered, not used by another program";
    OtherFraming = "other-framing", Look, TECHNICIAN, 1, "try the other framing: --framing rtu or --framing tcp";
    CheckGateway = "check-gateway", Look, TECHNICIAN, 5, "look at the gateway's own page: serial settings, connections, its time-out";
    CheckGatewayLine = "check-gateway-serial", Look, TECHNICIAN, 8, "compare the gateway's serial settings and wires with the unit's";
    ReportMistake = "report-mistake", Look, TECHNICIAN, 5, "keep this result (--format json) and tell whoever keeps the profile";
}

impl NextStep {
    /// Whether it is to keep what was seen before anything else is done.
    pub(crate) fn keeps_the_look(&self) -> bool {
        self.id == Step::RecordFirst.row().id
    }
}

impl Step {
    /// The step in its own words.
    pub(crate) fn plain(self) -> NextStep {
        self.with(self.row().text)
    }

    /// The step in words for this unit.
    pub(crate) fn with(self, text: impl Into<String>) -> NextStep {
        let row = self.row();
        NextStep {
            id: row.id,
            text: text.into(),
            needs: row.needs,
            who: row.who,
            minutes: row.minutes,
        }
    }

    /// The step with what it needs here, and who may do it then.
    pub(crate) fn needing(self, needs: Needs, licensed: bool, text: String) -> NextStep {
        NextStep {
            needs,
            who: if licensed { LICENSED } else { TECHNICIAN },
            ..self.with(text)
        }
    }
}

/// Lowest risk first; looking again comes after what is to be done before.
pub(crate) fn by_risk(steps: &mut [NextStep]) {
    const LAST: [Step; 5] = [
        Step::InverterCableToo,
        Step::LineToo,
        Step::LookWithInverter,
        Step::BehindTheCode,
        Step::AskMaker,
    ];
    let last = |id| LAST.iter().any(|step| step.row().id == id);
    steps.sort_by_key(|step| (last(step.id), step.needs));
}

/// Orders steps by risk, then by what each separates per minute.
///
/// `shares` are the causes that are open: share in per mille, and the step that settles each.
pub(crate) fn by_split(shares: &[(u32, Step)]) -> Vec<Step> {
    let mut open: Vec<(u64, Step)> = shares
        .iter()
        .map(|(s, step)| (u64::from(*s), *step))
        .collect();
    let mut ordered: Vec<Step> = Vec::new();
    while !open.is_empty() {
        let total: u64 = open.iter().map(|(share, _)| share).sum::<u64>().max(1);
        // A step splits best where what it settles is half of what is open: p (1 - p), per minute.
        let worth = |step: Step| {
            let settled: u64 = open
                .iter()
                .filter(|(_, s)| *s == step)
                .map(|(share, _)| share)
                .sum();
            let rest = if settled == total {
                total
            } else {
                total - settled
            };
            settled * rest * 1000 / (total * u64::from(step.row().minutes.max(1)))
        };
        let best = open
            .iter()
            .map(|(_, step)| *step)
            .min_by_key(|step| (step.row().needs, std::cmp::Reverse(worth(*step)), *step));
        let Some(best) = best else { break };
        open.retain(|(_, step)| *step != best);
        ordered.push(best);
    }
    ordered
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn step_ids_are_unique() {
        let mut ids: Vec<&str> = Step::ALL.iter().map(|step| step.row().id).collect();
        ids.sort_unstable();
        let all = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), all);
    }

    // Kind: derived (0.4 x 0.6 in 1 minute beats 0.5 x 0.5 in 3; low voltage comes last whatever it
    // settles)
    #[test]
    fn steps_are_ordered_by_risk_then_by_split_per_minute() {
        let shares = [
            (600, Step::SwapPair),
            (500, Step::OtherAddress),
            (400, Step::LookAtLamps),
        ];
        assert_eq!(
            by_split(&shares),
            [Step::LookAtLamps, Step::OtherAddress, Step::SwapPair]
        );
    }
}
