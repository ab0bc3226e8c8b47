//! Words of causes: what may be behind a line or a silent inverter, and what to mind meanwhile.
//!
//! Input: kinds of cause. Output: English, in the words of a technician. Does not: weigh them.

use crate::facts::CauseKind;

/// What it is.
pub(crate) fn cause(kind: CauseKind) -> &'static str {
    match kind {
        CauseKind::PairSwapped => {
            "the two wires of the pair are swapped, at the adapter or at the unit"
        }
        CauseKind::WrongSpeedOrFormat => "baud rate or parity differ from the unit's",
        CauseKind::WrongAddress => "the unit has another unit address",
        CauseKind::WrongSocket => {
            "the cable is in the wrong socket (CAN, module link) or is wired for another one"
        }
        CauseKind::WireOpen => "a wire is broken or not seated, or the adapter is not powered",
        CauseKind::UnitOff => "the unit is switched off or asleep",
        CauseKind::DisturbedLine => "the line is disturbed: noise, or it runs along power cables",
        CauseKind::NoCommonWire => "the common wire or the bias is missing",
        CauseKind::InverterNoise => {
            "the inverter's switching disturbs the line while current flows"
        }
        CauseKind::SecondClient => "somebody else asks on this pair as well",
        CauseKind::TwoUnitsOneAddress => "two units have the same unit address",
        CauseKind::SlowUnit => "the unit answers more slowly than we wait",
        CauseKind::OtherProtocol => "something other than Modbus talks here",
        CauseKind::GatewayFraming => {
            "the gateway speaks RTU over TCP where Modbus TCP was used, or the reverse"
        }
        CauseKind::GatewayDumb => {
            "the gateway takes the connection and says nothing: wrong port, wrong framing, it hangs, or another client holds its only place"
        }
        CauseKind::GatewayPath => "the gateway is misconfigured or overloaded",
        CauseKind::GatewayCache => "the gateway answers from its memory",
        CauseKind::GatewayText => {
            "the gateway writes readable text of its own between the answers (keep-alive, log)"
        }
        CauseKind::SerialSideOfGateway => {
            "the gateway works; the wires or settings behind it do not"
        }
        CauseKind::AdapterGone => {
            "the adapter of this computer drops out, or another program uses it"
        }
        CauseKind::InverterOff => "the inverter is off, asleep or still starting",
        CauseKind::InverterCable => "the inverter's data cable is broken or not plugged in",
        CauseKind::InverterPairSwapped => "the two wires of the inverter's pair are swapped",
        CauseKind::InverterLineSettings => "the inverter uses other line settings",
        CauseKind::InverterOtherAddress => "the inverter asks another unit address",
        CauseKind::InverterBatteryType => "the wrong battery type is chosen on the inverter",
        CauseKind::InverterOtherSocket => "the inverter's data cable is in the wrong socket",
        CauseKind::WeHoldItsSocket => {
            "the laptop is plugged into the inverter's socket: we keep it silent"
        }
        CauseKind::InverterNoSupply => {
            "the inverter gets no power until the battery closes its switches, and the battery waits for the inverter"
        }
        CauseKind::UnitDoesNotCount => {
            "the unit is asked and takes no notice: it wants something else from its inverter, or its receiver is broken"
        }
        CauseKind::ToolMistake => "a mistake in this tool or in the map",
    }
}

const SEATED: &str = "extra-low voltage only; keep away from the DC terminals";

/// What to mind meanwhile; may be empty.
pub(crate) fn mind_of(kind: CauseKind) -> &'static str {
    use CauseKind as C;
    match kind {
        C::PairSwapped
        | C::WireOpen
        | C::DisturbedLine
        | C::NoCommonWire
        | C::InverterNoise
        | C::SerialSideOfGateway
        | C::InverterCable
        | C::InverterPairSwapped => SEATED,
        C::UnitOff => {
            "dark lamps prove nothing: hazardous voltage is inside even when switched off"
        }
        C::SecondClient => "two clients on one pair can cause the very fault that is looked for",
        C::TwoUnitsOneAddress => "each number may come from either unit",
        C::GatewayPath => {
            "it may already have another client, which a new connection can throw out"
        }
        C::GatewayCache => "old values say nothing about now",
        C::UnitDoesNotCount => "this may be a real fault of the control unit",
        C::WrongSpeedOrFormat
        | C::WrongAddress
        | C::WrongSocket
        | C::SlowUnit
        | C::OtherProtocol
        | C::GatewayFraming
        | C::GatewayDumb
        | C::GatewayText
        | C::AdapterGone
        | C::InverterOff
        | C::InverterLineSettings
        | C::InverterOtherAddress
        | C::InverterBatteryType
        | C::InverterOtherSocket
        | C::WeHoldItsSocket
        | C::InverterNoSupply
        | C::ToolMistake => "",
    }
}
