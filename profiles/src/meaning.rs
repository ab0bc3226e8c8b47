//! The closed sets of meanings: what a point is for, what a flag says, what a state is.
//!
//! Rust code never names a device, a register or a scale factor. It asks for a [`Role`], a
//! [`Class`] or a [`StateKind`], and the profile says where to find it. A new kind of meaning is
//! added here, and only here.

use serde::{Deserialize, Serialize};

/// Declares a closed set with its stable text form, used in profiles and in JSON.
macro_rules! closed_set {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $text)] $variant),+
        }

        impl $name {
            /// Every member, in the order of declaration.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The stable text of this member.
            pub fn id(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.id())
            }
        }
    };
}

closed_set! {
    /// What a point is for. At most one point of a profile (with its repetitions) has a given role,
    /// except words, codes, `serial` and `firmware`, which may stand several times.
    Role {
        /// Sum of the modules as the control unit measures it, on the battery side of the switches, V.
        PackVoltage = "pack_voltage",
        /// Voltage at the terminals towards the inverter, V.
        TerminalVoltage = "terminal_voltage",
        /// Current of the pack, A.
        PackCurrent = "pack_current",
        /// Power of the pack, W.
        PackPower = "pack_power",
        /// Voltage of one module, V.
        ModuleVoltage = "module_voltage",
        /// Voltage of one cell, V.
        CellVoltage = "cell_voltage",
        /// Highest cell voltage as the unit reports it, V.
        CellVoltageMax = "cell_voltage_max",
        /// Lowest cell voltage as the unit reports it, V.
        CellVoltageMin = "cell_voltage_min",
        /// One temperature sensor at the cells, degC.
        CellTemperature = "cell_temperature",
        /// Highest cell temperature as the unit reports it, degC.
        CellTemperatureMax = "cell_temperature_max",
        /// Lowest cell temperature as the unit reports it, degC.
        CellTemperatureMin = "cell_temperature_min",
        /// Cells being balanced, one bit each.
        Balancing = "balancing",
        /// State of charge of the pack, %.
        Soc = "soc",
        /// State of charge of one module, %.
        ModuleSoc = "module_soc",
        /// State of health, %.
        Soh = "soh",
        /// State of the control unit, an enumeration whose values have a [`StateKind`].
        State = "state",
        /// A word of alarm bits, active now.
        AlarmWord = "alarm_word",
        /// A word of warning bits, active now.
        WarningWord = "warning_word",
        /// A word of alarm bits seen since the last clearing.
        LatchedWord = "latched_word",
        /// One number for the most important (or next) fault only.
        FaultCode = "fault_code",
        /// The point that carries the unit's own "inverter is silent" flag, where it stands alone.
        InverterFlag = "inverter_flag",
        /// Time since the inverter was last heard, s.
        InverterAge = "inverter_age",
        /// Whether the inverter was heard since power-up, 0 or 1.
        InverterEverHeard = "inverter_ever_heard",
        /// Counter that the inverter writes.
        InverterHeartbeat = "inverter_heartbeat",
        /// Counter that the control unit advances by itself.
        OwnHeartbeat = "own_heartbeat",
        /// Time since the control unit started, s.
        Uptime = "uptime",
        /// The unit's own clock, s since 1970-01-01T00:00:00Z (Unix time).
        UnitClock = "unit_clock",
        /// Insulation resistance, kOhm.
        Insulation = "insulation",
        /// Whether the insulation value is valid now, 0 or 1.
        InsulationValid = "insulation_valid",
        /// Which switches are closed, bits.
        Switches = "switches",
        /// Largest charge current allowed now, A.
        ChargeLimit = "charge_limit",
        /// Largest discharge current allowed now, A.
        DischargeLimit = "discharge_limit",
        /// Serial number of the unit.
        Serial = "serial",
        /// Model name of the unit.
        Model = "model",
        /// Firmware of the control unit.
        Firmware = "firmware",
        /// Serial number of one module.
        ModuleSerial = "module_serial",
        /// Firmware of one module.
        ModuleFirmware = "module_firmware",
        /// Position that one module reports.
        ModulePosition = "module_position",
        /// Number of modules.
        ModuleCount = "module_count",
        /// Number of packs that the unit expects side by side.
        PackCount = "pack_count",
        /// A value that proves which map the unit has.
        MapMark = "map_mark",
        /// Ten to the power of this scales other points.
        ScaleFactor = "scale_factor",
        /// Completed charge cycles.
        Cycles = "cycles",
        /// Shown, never judged.
        Other = "other",
    }
}

closed_set! {
    /// What a flag (or a measured violation) says. The id is the finding id.
    Class {
        /// A cell above its limit.
        CellOverVoltage = "cell-over-voltage",
        /// A cell below its limit; `not-ready` only while above the never-charge-below voltage.
        CellUnderVoltage = "cell-under-voltage",
        /// A cell below the never-charge-below voltage, or not readable against it.
        CellBelowMinimum = "cell-below-minimum",
        /// Cells too far apart at rest.
        CellImbalance = "cell-imbalance",
        /// A cell or joint with far more resistance than the others.
        CellResistance = "cell-resistance",
        /// Pack above its limit.
        PackOverVoltage = "pack-over-voltage",
        /// Pack below its limit.
        PackUnderVoltage = "pack-under-voltage",
        /// Too hot.
        OverTemperature = "over-temperature",
        /// Too cold to run.
        UnderTemperature = "under-temperature",
        /// Temperatures too far apart.
        TemperatureImbalance = "temperature-imbalance",
        /// Charged while a cell is colder or hotter than it may be charged at.
        ChargingOutside = "charging-outside-temperature",
        /// Current out of limits.
        OverCurrent = "over-current",
        /// Short circuit seen.
        ShortCircuit = "short-circuit",
        /// State of charge too low to run.
        LowCharge = "low-charge",
        /// Insulation against earth too low.
        InsulationLow = "insulation-low",
        /// A switch does not open, does not close, or contradicts its order.
        SwitchFault = "switch-fault",
        /// Pre-charge did not finish.
        PrechargeFailed = "precharge-failed",
        /// Main fuse open.
        FuseOpen = "fuse-open",
        /// A sensor or sense wire is disconnected or implausible.
        SensorFault = "sensor-fault",
        /// The control unit cannot talk to its modules.
        InternalCommunication = "internal-communication",
        /// Modules that do not belong together, wrong order or count.
        ConfigurationFault = "configuration-fault",
        /// The control unit itself is broken.
        ControlUnitFault = "control-unit-fault",
        /// The fan does not turn.
        FanFault = "fan-fault",
        /// The enclosure is open.
        DoorOpen = "door-open",
        /// The off button is pressed.
        OffButton = "off-button",
        /// Switched to maintenance.
        Maintenance = "maintenance",
        /// Disabled by an operator or a controller.
        Disabled = "disabled",
        /// The unit says that something must be looked at before it can be called a fault or none.
        NeedsCheck = "needs-check",
        /// The inverter is not heard.
        InverterSilent = "inverter-silent",
        /// Status: the switches are open.
        SwitchesOpen = "switches-open",
        /// Status: no voltage at the terminals.
        TerminalsDead = "terminals-dead",
        /// Status: a current limit is zero.
        LimitsZero = "limits-zero",
        /// Status: not ready to run.
        NotReadyStatus = "not-ready-status",
        /// Status: limits reduced.
        Derating = "derating",
        /// Status: cells are being balanced.
        Balancing = "balancing",
        /// The unit says only that there is some fault.
        OtherFault = "other-fault",
    }
}

impl Role {
    /// The unit in which its values are judged; nothing where any will do.
    pub fn unit(self) -> Option<&'static str> {
        Some(match self {
            Self::PackVoltage
            | Self::TerminalVoltage
            | Self::ModuleVoltage
            | Self::CellVoltage
            | Self::CellVoltageMax
            | Self::CellVoltageMin => "V",
            Self::PackCurrent => "A",
            Self::CellTemperature | Self::CellTemperatureMax | Self::CellTemperatureMin => "degC",
            Self::PackPower => "W",
            Self::Insulation => "kOhm",
            Self::Soc | Self::ModuleSoc | Self::Soh => "%",
            _ => return None,
        })
    }

    /// Whether a map may have several points of it.
    pub fn may_stand_twice(self) -> bool {
        matches!(
            self,
            Self::AlarmWord
                | Self::WarningWord
                | Self::LatchedWord
                | Self::FaultCode
                | Self::Serial
                | Self::Firmware
                | Self::MapMark
                | Self::ScaleFactor
                | Self::Other
                | Self::Balancing
        ) || self.is_extreme()
    }

    /// Whether each module has one of it, so that what repeats counts modules.
    pub fn is_of_a_module(self) -> bool {
        matches!(
            self,
            Self::ModuleVoltage
                | Self::ModuleSoc
                | Self::ModuleSerial
                | Self::ModuleFirmware
                | Self::ModulePosition
        )
    }

    /// What a unit says of its cells as a whole: so do each of its strings and modules.
    pub(crate) fn is_extreme(self) -> bool {
        matches!(
            self,
            Self::CellVoltageMax
                | Self::CellVoltageMin
                | Self::CellTemperatureMax
                | Self::CellTemperatureMin
        )
    }
}

impl Class {
    /// A status never is a root by itself: it follows from something.
    pub fn is_status(self) -> bool {
        matches!(
            self,
            Self::SwitchesOpen
                | Self::TerminalsDead
                | Self::LimitsZero
                | Self::NotReadyStatus
                | Self::Derating
                | Self::Balancing
        )
    }

    /// Whether a silent inverter may bring this along. Nothing else may ever be explained by it.
    pub fn may_follow_inverter_silence(self) -> bool {
        matches!(
            self,
            Self::SwitchesOpen | Self::TerminalsDead | Self::LimitsZero | Self::NotReadyStatus
        )
    }

    /// Conditions and operator's actions: with only such roots the unit is *not ready*, not faulty.
    ///
    /// Low cell voltage counts here only while every cell is readable and above the
    /// never-charge-below voltage; that is for the judge to decide.
    pub fn is_condition(self) -> bool {
        matches!(
            self,
            Self::UnderTemperature
                | Self::LowCharge
                | Self::CellUnderVoltage
                | Self::PackUnderVoltage
                | Self::DoorOpen
                | Self::OffButton
                | Self::Maintenance
                | Self::Disabled
        )
    }
}

closed_set! {
    /// What a value of the `state` point means.
    StateKind {
        /// Switched off or asleep.
        Off = "off",
        /// Self-test after power-up.
        SelfTest = "self-test",
        /// Waits for the inverter.
        Waiting = "waiting",
        /// Charges the inverter's capacitors.
        Precharge = "precharge",
        /// Switches closed, no current asked for.
        Standby = "standby",
        /// Charging or discharging.
        Running = "running",
        /// Opens the switches in an orderly way.
        Stopping = "stopping",
        /// Locked by a fault.
        Fault = "fault",
        /// In maintenance or update.
        Maintenance = "maintenance",
    }
}
