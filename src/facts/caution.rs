//! What people must know before anything else.
//!
//! Does not: hold a sentence, or say when one is due ([`crate::judge`] does).

use std::time::Duration;

/// What people must know before anything else.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Caution {
    /// The terminals are live although the unit says that they are dead or its switches open.
    Contradicted {
        /// Their voltage, V.
        volts: f64,
        /// It is falling.
        falling: bool,
    },
    /// Our own questions woke the unit.
    WokenByUs {
        /// The voltage at its terminals, V.
        volts: f64,
    },
    /// The terminals are live in a state in which they should be dead.
    ShouldBeDead {
        /// Their voltage, V.
        volts: f64,
    },
    /// A part heats: nobody near.
    Heating {
        /// Its module, where one is known.
        module: Option<u16>,
        /// Before, °C.
        from: f64,
        /// After, °C.
        to: f64,
        /// Within this time.
        within: Duration,
    },
    /// A part is hot: nobody near.
    Hot {
        /// Its module, where one is known.
        module: Option<u16>,
        /// The hottest sensor, °C.
        celsius: f64,
        /// How many sensors are too hot, where that was counted.
        sensors: usize,
    },
    /// The unit says that something is too hot, and no sensor shows it now: nobody near.
    SaidHot {
        /// The module of the hottest sensor, where one is known.
        module: Option<u16>,
        /// The hottest sensor, °C.
        celsius: f64,
    },
    /// A part is warm, and the others are not: nobody near.
    Warm {
        /// Its module, where one is known.
        module: Option<u16>,
        /// Its temperature, °C.
        celsius: f64,
        /// What others have, °C.
        others: f64,
        /// A current flows, or nobody knows: it may be that which warms it.
        flows: bool,
    },
    /// A part heats from inside, as its cells and its sensors say together: everybody out.
    HeatsInside {
        /// Its module, where one is known.
        module: Option<u16>,
        /// Its temperature, °C.
        celsius: f64,
    },
    /// The insulation is low: one pole may be at earth.
    PoleAtEarth,
    /// A switch or the fuse is not as it should be: one pole may be live whatever the terminals read.
    OnePoleLive,
    /// Packs are unlike, beside a fault: what is repaired may connect by itself.
    PacksUnlike,
    /// A current flows that makes what was found worse.
    StopCurrent {
        /// The current, A.
        amps: f64,
        /// The battery is being charged, where its map says which sign that is.
        charges: Option<bool>,
    },
    /// The control unit stands still: its switches may not obey.
    ControlUnitStill,
    /// The main switches stay closed although they should be open.
    CannotOpen,
    /// Current flows from pack to pack, and none of it to or from the inverter.
    BetweenPacks {
        /// Address of the pack that gives most, and its current, A (negative).
        out: (u8, f64),
        /// Address of the pack that takes most, and its current, A.
        into: (u8, f64),
    },
}
