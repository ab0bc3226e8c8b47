//! Why nobody answers, why a line is bad, why the inverter is not heard: the closed list of causes, each
//! with what was seen of it.
//!
//! Does not: weigh (see `judge::causes`), or put into words.

use super::sight::Sight;
use super::step::StepKind;

macro_rules! causes {
    ($($variant:ident = $id:literal;)+) => {
        /// A kind of cause.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[expect(missing_docs, reason = "their meanings stand in the room of words")]
        pub enum CauseKind { $($variant),+ }

        impl CauseKind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The stable id.
            pub fn id(self) -> &'static str {
                match self { $(Self::$variant => $id),+ }
            }
        }
    };
}

causes! {
    PairSwapped = "pair-swapped";
    WrongSpeedOrFormat = "wrong-speed-or-format";
    WrongAddress = "wrong-address";
    WrongSocket = "wrong-socket";
    WireOpen = "wire-open";
    UnitOff = "unit-off";
    DisturbedLine = "disturbed-line";
    NoCommonWire = "no-common-wire";
    InverterNoise = "inverter-noise";
    SecondClient = "second-client";
    TwoUnitsOneAddress = "two-units-one-address";
    SlowUnit = "slow-unit";
    OtherProtocol = "other-protocol";
    GatewayFraming = "gateway-framing";
    GatewayDumb = "gateway-dumb";
    GatewayPath = "gateway-path";
    GatewayCache = "gateway-cache";
    GatewayText = "gateway-text";
    SerialSideOfGateway = "serial-side-of-gateway";
    AdapterGone = "adapter-gone";
    InverterOff = "inverter-off";
    InverterCable = "inverter-cable";
    InverterPairSwapped = "inverter-pair-swapped";
    InverterLineSettings = "inverter-line-settings";
    InverterOtherAddress = "inverter-other-address";
    InverterBatteryType = "inverter-battery-type";
    InverterOtherSocket = "inverter-other-socket";
    WeHoldItsSocket = "we-hold-its-socket";
    InverterNoSupply = "inverter-no-supply";
    UnitDoesNotCount = "unit-does-not-count";
    ToolMistake = "tool-mistake";
}

/// A possible reason of what is seen, with its share among all that were weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// Which.
    pub kind: CauseKind,
    /// Share in per mille.
    pub per_mille: u32,
    /// What speaks for it, the weightiest first.
    pub reasons_for: Vec<Sight>,
    /// What speaks against it, the weightiest first.
    pub reasons_against: Vec<Sight>,
    /// What settles it.
    pub(crate) step: StepKind,
}

impl Cause {
    /// The stable id of its kind.
    pub fn id(&self) -> &'static str {
        self.kind.id()
    }

    /// Id of the step that settles it.
    pub fn settled_by(&self) -> &'static str {
        self.step.id()
    }
}
