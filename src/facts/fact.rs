//! What can be found, as data: one variant for each thing, with the numbers and places that decided.
//!
//! Input: nothing. Output: [`Fact`], its fieldless [`FactKind`] with a stable id, and what else a finding
//! says ([`Remedy`], [`Follows`]). Points, flags and families of inverters are named by their
//! index in the register map.
//!
//! Does not: hold a sentence. [`crate::words`] turns every variant into English by an exhaustive match, so
//! that a new one does not compile until it has words.

use std::time::Duration;

use packside_profiles::{Class, Foreign, Place, StateKind};

use super::cause::Cause;

pub use super::detail::{Contradicts, Limit, Pair, Side, SumLooks, Switches};
pub use super::remedy::{Deed, FamilyIndex, First, FlagIndex, PointIndex, Remedy, Spot};

macro_rules! facts {
    ($(
        $(#[$of_group:meta])*
        $group:ident {
            $(
                $(#[doc = $meaning:literal])+
                $variant:ident = $id:literal { $($(#[$of_field:meta])* $field:ident: $kind:ty,)* }
            )+
        }
    )+) => {
        $(
            $(#[$of_group])*
            #[derive(Debug, Clone, PartialEq)]
            pub enum $group {
                $(
                    $(#[doc = $meaning])+
                    $variant { $($(#[$of_field])* $field: $kind,)* },
                )+
            }

            impl From<$group> for Fact {
                fn from(fact: $group) -> Self {
                    Self::$group(fact)
                }
            }
        )+

        /// Something found.
        #[derive(Debug, Clone, PartialEq)]
        pub enum Fact {
            $($(#[$of_group])* $group($group),)+
        }

        /// The kinds of facts.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum FactKind {
            $($($(#[doc = $meaning])+ $variant,)+)+
        }

        impl FactKind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$($(Self::$variant,)+)+];

            /// The stable id.
            pub fn id(self) -> &'static str {
                match self { $($(Self::$variant => $id,)+)+ }
            }

            /// What it means.
            pub fn meaning(self) -> &'static str {
                match self { $($(Self::$variant => concat!($($meaning),+).trim_ascii(),)+)+ }
            }
        }

        impl Fact {
            /// Its kind.
            pub fn kind(&self) -> FactKind {
                match self {
                    $($(Self::$group($group::$variant { .. }) => FactKind::$variant,)+)+
                }
            }
        }
    };
}

facts! {
    /// A number against a limit.
    Measured {
        /// a number is beyond a limit of the map
        BeyondLimit = "beyond-limit" {
            /// Which reading.
            at: Spot,
            /// What was read.
            number: f64,
            /// The limit.
            limit: Limit,
            /// Where the main switches decide on which side it lies: what they report.
            switches: Option<Switches>,
        }
        /// many numbers of one kind are beyond the same limit
        ManyBeyondLimit = "many-beyond-limit" {
            /// The furthest one.
            worst: Spot,
            /// Its number.
            number: f64,
            /// Its limit.
            limit: Limit,
            /// How many are beyond.
            count: usize,
            /// Of how many.
            of: usize,
            /// The lowest of those beyond.
            low: f64,
            /// The highest of those beyond.
            high: f64,
        }
        /// a cell is below the voltage below which it must never be charged
        BelowMinimum = "below-minimum" {
            /// Which cell.
            at: Spot,
            /// Its voltage, V.
            volts: f64,
            /// The limit, V.
            limit: f64,
        }
        /// a cell gives no value, so it cannot be shown to be safe to charge
        UnreadableCell = "unreadable-cell" {
            /// Which cell.
            at: Spot,
            /// What the register holds.
            raw: Option<u64>,
        }
        /// a temperature sensor gives no value
        UnreadableSensor = "unreadable-sensor" {
            /// Which sensor.
            at: Spot,
            /// What the register holds.
            raw: Option<u64>,
        }
        /// cells or temperatures are further apart than their limit
        TooFarApart = "too-far-apart" {
            /// The point.
            point: PointIndex,
            /// The lowest, and where.
            low: (Place, f64),
            /// The highest, and where.
            high: (Place, f64),
            /// The limit of their distance.
            limit: f64,
            /// Whether no current flowed and nothing balanced.
            at_rest: bool,
        }
        /// a number was beyond an alarm limit earlier in these looks and is not now
        WasBeyond = "was-beyond" {
            /// Which reading.
            at: Spot,
            /// The furthest number.
            number: f64,
            /// The limit.
            limit: Limit,
            /// When it was last beyond.
            last: Duration,
        }
        /// the unit is being charged while a sensor is outside of the temperatures at which it may be
        ChargesOutside = "charges-outside" {
            /// The sensor furthest outside.
            at: Spot,
            /// What it says, °C.
            celsius: f64,
            /// The end of the window that is passed, °C.
            limit: f64,
            /// On which side.
            side: Side,
            /// The charging current, A.
            amps: f64,
        }
        /// a temperature rises faster than cells do by themselves, and stays
        Heats = "heats" {
            /// Which sensor.
            at: Spot,
            /// Before, °C.
            from: f64,
            /// After, °C.
            to: f64,
            /// Within this time.
            within: Duration,
        }
        /// without current one module, or one pack of a rack, is warmer than every other one: it heats from inside until shown otherwise
        WarmByItself = "warm-by-itself" {
            /// The module; the pack itself without one.
            module: Option<u16>,
            /// Its middle sensor, °C.
            celsius: f64,
            /// The middle sensor of the next warmest one, °C.
            next: f64,
            /// When it last was so, where that does not show now.
            last: Option<Duration>,
        }
        /// the unit was charged earlier while a sensor was outside of the temperatures at which it may be
        ChargedOutside = "charged-outside" {
            /// The sensor furthest outside.
            at: Spot,
            /// What it said, °C.
            celsius: f64,
            /// The end of the window that was passed, °C.
            limit: f64,
            /// The largest charging current, A.
            amps: f64,
            /// When it was last so.
            last: Duration,
            /// For how long, where it is known.
            lasted: Option<Duration>,
        }
        /// the terminals carry voltage although the switches are reported open
        TerminalsLive = "terminals-live" {
            /// Their voltage, V.
            volts: f64,
        }
        /// the terminals still carry voltage, and it is falling: capacitors discharge; never taken for safe
        TerminalsDecay = "terminals-decay" {
            /// Their voltage, V.
            volts: f64,
            /// The voltage before, V.
            before: f64,
        }
        /// the unit's own counter stands still: every value may be old
        HeartbeatStill = "heartbeat-still" {
            /// For how long.
            stood: Duration,
            /// How often it should move, s.
            every_s: f64,
            /// A gateway may answer from a cache.
            by_gateway: bool,
        }
        /// a temperature went further between two looks than a cell can
        Jumped = "jumped" {
            /// Which sensor.
            at: Spot,
            /// Before, °C.
            from: f64,
            /// After, °C.
            to: f64,
            /// Within this time.
            within: Duration,
        }
    }

    /// Numbers, lamps or states against each other.
    Compared {
        /// two numbers that must be the same are not
        DoesNotAddUp = "does-not-add-up" {
            /// Which two.
            pair: Pair,
            /// The first.
            left: f64,
            /// The second.
            right: f64,
            /// How far apart they may be.
            tolerance: f64,
            /// What the difference looks like.
            looks: Option<SumLooks>,
            /// The current may have moved while they were read.
            current_moved: bool,
        }
        /// a cell has far more resistance than the others
        CellResists = "cell-resists" {
            /// Which cell.
            place: Place,
            /// Its resistance, mΩ.
            milliohm: f64,
            /// Give or take, mΩ.
            uncertainty: f64,
            /// The middle of all, mΩ.
            median: f64,
            /// Current before, A.
            before: f64,
            /// Current under load, A.
            under_load: f64,
        }
        /// a cell moved far more than the others while the current changed
        GivesWay = "gives-way" {
            /// Which cell.
            place: Place,
            /// Its lowest voltage, V.
            low: f64,
            /// Its highest, V.
            high: f64,
            /// How far the middle cell moved, V.
            middle: f64,
        }
        /// the unit says that a cell is low, and without current one only stands below the others
        LowOnlyUnderCurrent = "low-only-under-current" {
            /// What the unit says.
            says: Flagged,
            /// The lowest cell.
            place: Place,
            /// Its voltage, V.
            lowest: f64,
            /// The middle one, V.
            middle: f64,
        }
        /// one sensor is hot beside a low cell: it heats from inside
        HotFromInside = "hot-from-inside" {
            /// Which sensor.
            at: Spot,
            /// Its temperature, °C.
            celsius: f64,
            /// How many others agree.
            others: usize,
            /// The coldest of them, °C.
            low: f64,
            /// The warmest of them, °C.
            high: f64,
            /// The low cell.
            cell: Spot,
            /// Its voltage, V.
            volts: f64,
            /// What the others have, V.
            usual: f64,
        }
        /// one sensor stands alone against others that agree
        LoneSensor = "lone-sensor" {
            /// Which sensor.
            at: Spot,
            /// Its temperature, °C.
            celsius: f64,
            /// How many others agree.
            others: usize,
            /// The coldest of them, °C.
            low: f64,
            /// The warmest of them, °C.
            high: f64,
        }
        /// the main switches contradicted the state earlier in these looks and do not now
        SwitchesDropped = "switches-dropped" {
            /// How often.
            times: u32,
            /// When they last did.
            last: Duration,
        }
        /// a pre-charge lasts longer than it may by the map
        PrechargeLasts = "precharge-lasts" {
            /// The point of the state.
            at: Spot,
            /// From the first reading of it to the last.
            lasted: Duration,
            /// Its longest time by the map.
            longest: Duration,
        }
        /// modules of one stack have unlike firmware
        ModulesUnlikeFirmware = "modules-unlike-firmware" {
            /// One of them, and its firmware.
            one: (Spot, Foreign),
            /// Another one.
            other: (Spot, Foreign),
        }
        /// two packs have one serial number, and their counters show that they are two
        SameSerial = "same-serial" {
            /// The first address.
            first: u8,
            /// The second address.
            second: u8,
        }
        /// the main switches contradict the state
        SwitchesAgainstState = "switches-against-state" {
            /// How.
            how: Contradicts,
            /// In how many answers.
            answers: usize,
            /// The point of the switches.
            at: Spot,
            /// What it holds.
            raw: u64,
            /// The point of the state.
            state: PointIndex,
            /// What that holds.
            code: u64,
        }
        /// a module says that it stands elsewhere
        WrongPosition = "wrong-position" {
            /// The module's own word.
            at: Spot,
            /// Where it says that it stands.
            said: f64,
        }
        /// a low cell beside a high one, together as two others: the wire between them is broken
        BrokenSenseWire = "broken-sense-wire" {
            /// The first cell.
            at: Spot,
            /// Its voltage, V.
            volts: f64,
            /// The next cell.
            beside: Spot,
            /// Its voltage, V.
            volts_beside: f64,
        }
        /// many cells of one module cannot be read at once: their connector
        LostConnector = "lost-connector" {
            /// The module.
            module: Option<u16>,
            /// How many cells.
            cells: usize,
        }
        /// current is reported although every switch is reported open
        CurrentWhileOpen = "current-while-open" {
            /// The point of the current.
            at: Spot,
            /// The current, A.
            amps: f64,
            /// When it last was so, where it is not now.
            last: Option<Duration>,
        }
        /// the state of charge does not fit the voltage at rest, on a steep part of the curve
        ChargeAgainstVoltage = "charge-against-voltage" {
            /// The mean of the cells, V.
            volts: f64,
            /// The state of charge, %.
            percent: f64,
        }
        /// modules of one stack report states of charge that are far apart
        ModulesUnlikeCharge = "modules-unlike-charge" {
            /// The lowest.
            low: Spot,
            /// Its charge, %.
            low_percent: f64,
            /// The highest.
            high: Spot,
            /// Its charge, %.
            high_percent: f64,
            /// How far apart they may be, % points.
            limit: f64,
        }
        /// packs that are not connected yet have unlike voltages
        PacksUnlike = "packs-unlike" {
            /// Address and voltage of the lowest, V.
            low: (u8, f64),
            /// Address and voltage of the highest, V.
            high: (u8, f64),
            /// How far apart they may be, V.
            limit: f64,
        }
        /// packs that are not connected yet have unlike states of charge
        PacksUnlikeCharge = "packs-unlike-charge" {
            /// Address and charge of the lowest, %.
            low: (u8, f64),
            /// Address and charge of the highest, %.
            high: (u8, f64),
            /// How far apart they may be, % points.
            limit: f64,
        }
        /// a lamp was seen that no flag or state of the registers explains
        LampContradicts = "lamp-contradicts" {
            /// The lamp.
            lamp: Foreign,
            /// What it showed.
            pattern: Foreign,
            /// What it should show, where it is dark.
            should: Option<String>,
        }
    }

    /// The unit's own flags.
    Flagged {
        /// a flag is up
        Up = "flag-up" {
            /// Which flag.
            flag: FlagIndex,
            /// The word in which it stands.
            at: Spot,
            /// What that holds.
            raw: u64,
            /// The voltage at the terminals that contradicts it, V.
            contradicted: Option<f64>,
            /// Modules that show values all the same, and of how many, where the unit does not hear them.
            shown: Option<(u32, u32)>,
        }
        /// a flag stands in the unit's memory
        Stored = "flag-stored" {
            /// Which flag.
            flag: FlagIndex,
            /// The word in which it stands.
            at: Spot,
            /// What that holds.
            raw: u64,
            /// One of the same class is up now.
            up_now: bool,
            /// The voltage at the terminals that contradicts it, V.
            contradicted: Option<f64>,
        }
        /// a flag was up earlier in this look and is not now
        Earlier = "flag-earlier" {
            /// Which flag.
            flag: FlagIndex,
            /// The word in which it stands.
            at: Spot,
            /// What its word held.
            raw: u64,
            /// When it was last seen up; nothing where that was in an earlier session.
            seen_at: Option<Duration>,
        }
    }

    /// The line and who is on it.
    Line {
        /// a pack that the rack expects gave no valid answer or was not asked
        MemberMissing = "member-missing" {
            /// It was asked.
            asked: bool,
        }
        /// answers are damaged, late or refused as busy more often than by accident
        BadLine = "bad-line" {
            /// The likeliest cause.
            cause: Box<Cause>,
        }
        /// somebody else asks on this pair too: two who ask at once damage each other's answers
        OthersAsk = "others-ask" {
            /// Questions of somebody else.
            foreign: u32,
            /// Questions of ours.
            ours: u32,
            /// Ours that got no answer.
            lost: u32,
        }
    }

    /// What a person said.
    Said {
        /// a person answered that something is not in order
        NotInOrder = "not-in-order" {
            /// The step of the visit.
            step: Foreign,
            /// The question as it was put.
            question: Foreign,
            /// What the person added.
            note: Option<Foreign>,
        }
    }

    /// What a careful colleague would add.
    Remark {
        /// no point tells whether the inverter was heard before: first commissioning and a lost cable look the same
        EverHeardUnknown = "ever-heard-unknown" {}
        /// the laptop sits in the inverter's socket, so the inverter was silenced by us
        WeHoldItsSocket = "we-hold-its-socket" {}
        /// on the flat part of the LFP curve alike cell voltages do not show equal charge
        FlatCurve = "flat-curve" {}
        /// the firmware is too old for some inverter families of the profile
        FirmwareTooOld = "firmware-below-minimum" {
            /// The firmware as the unit names it.
            firmware: String,
            /// The families.
            families: Vec<FamilyIndex>,
        }
        /// beside a cell fault: a suspect lithium battery does not travel as ordinary goods
        NoOrdinaryTransport = "no-ordinary-transport" {
            /// The fault.
            because: Class,
        }
        /// an insulation value is shown beside vehicle rules; the profile has no limit for it
        InsulationNotJudged = "insulation-not-judged" {
            /// The point.
            at: Spot,
            /// What it says, kΩ.
            kohm: f64,
            /// The voltage of the pack, V.
            volts: f64,
        }
    }
}

/// Kinds that stand for no class: remarks that decide nothing by themselves.
pub const REMARKS: [FactKind; 18] = {
    use FactKind as K;
    [
        K::EverHeardUnknown,
        K::WeHoldItsSocket,
        K::FlatCurve,
        K::FirmwareTooOld,
        K::MemberMissing,
        K::PacksUnlike,
        K::PacksUnlikeCharge,
        K::LampContradicts,
        K::NotInOrder,
        K::OthersAsk,
        K::NoOrdinaryTransport,
        K::ChargeAgainstVoltage,
        K::ModulesUnlikeCharge,
        K::ModulesUnlikeFirmware,
        K::SameSerial,
        K::InsulationNotJudged,
        K::TerminalsDecay,
        K::BadLine,
    ]
};

/// What explains a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Follows {
    /// A finding of this class.
    Finding(Class),
    /// The state of the unit.
    State(StateKind),
}

impl std::fmt::Display for Follows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Finding(class) => f.write_str(class.id()),
            Self::State(state) => write!(f, "state {state}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_unique_and_every_kind_says_what_it_means() {
        let mut ids: Vec<&str> = FactKind::ALL.iter().map(|kind| kind.id()).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), FactKind::ALL.len());
        assert!(FactKind::ALL.iter().all(|kind| kind.meaning().len() > 8));
    }
}
