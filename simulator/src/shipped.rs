//! The scenarios that come with the simulator: a new one is a file in `scenarios/` and a line here.
//!
//! Input: nothing. Output: names and texts, in the order in which lists show them. Does not: read
//! them (see [`crate::Scenario`]).

macro_rules! shipped {
    ($($name:literal),+ $(,)?) => {
        &[$(($name, include_str!(concat!("../scenarios/", $name, ".toml")))),+]
    };
}

/// Name and text of each.
pub(crate) const SCENARIOS: &[(&str, &str)] = shipped!(
    // The unit, its control unit and its inverter.
    "hv-waiting",
    "hv-fault-behind-lamp",
    "hv-running",
    "hv-frozen-heartbeat",
    "hv-alarm-word-unreadable",
    "hv-commissioning",
    "hv-inverter-lost",
    "hv-silence-60s",
    "hv-self-test",
    // Cells, modules, sensors.
    "hv-cell-low-no-flag",
    "hv-cold",
    // Switches, terminals, fuse, insulation.
    // The line and who talks there.
    "hv-noisy-line",
    "hv-late-answers",
    "hv-echoing-adapter",
    "hv-no-answer",
    "hv-pair-swapped",
    "hv-unit-pair-swapped",
    "hv-other-parity",
    "hv-other-baud",
    "hv-two-clients",
    "hv-noise-follows-power",
    "hv-noise-too-much",
    "hv-noise-and-real-fault",
    "hv-no-common-wire",
    "hv-two-units-one-address",
    "hv-two-units-in-turn",
    "hv-foreign-protocol",
    "hv-dead-unit-inverter-asks",
    "hv-inverter-asks-another",
    "hv-inverter-at-another-baud",
    "hv-adapter-holds-back",
    "hv-crystal-off",
    "hv-two-clients-real-fault",
    "hv-no-common-wire-real-fault",
    "hv-neighbour-with-fault",
    // Racks.
    "rack-waiting",
    "rack-hidden-fault",
    "rack-member-missing",
);
