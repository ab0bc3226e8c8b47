//! Every thing that goes wrong in the field has scenarios: what, and which show it.
//!
//! Kind: derived, from the project's list of what a technician meets (wire, gateway, inverter,
//! supervision, what readings must add up to). A scenario that goes missing fails here, and so does
//! one that nobody says anything of.

use std::collections::BTreeSet;

use packside_simulator::Scenario;

/// What goes wrong, and the names (or their beginnings, with `*`) of what shows it.
const SHOWN: &[(&str, &str)] = &[
    // On the wire.
    ("pair swapped", "hv-pair-swapped hv-unit-pair-swapped"),
    ("wrong baud", "hv-other-baud hv-inverter-at-another-baud"),
    (
        "crystal at the edge of what is understood",
        "hv-crystal-off",
    ),
    ("wrong parity", "hv-other-parity"),
    ("wrong address", "hv-unit-at-another-address"),
    (
        "wrong socket",
        "hv-inverter-in-the-wrong-socket hv-inverter-on-other-socket",
    ),
    (
        "wire broken, nobody there",
        "hv-no-answer hv-dead-unit-inverter-asks",
    ),
    (
        "no common wire",
        "hv-no-common-wire hv-no-common-wire-real-fault",
    ),
    (
        "terminators missing or one too many, long branches, slow and fast",
        "hv-no-terminators* hv-third-terminator* hv-star-wiring*",
    ),
    ("switching noise", "hv-noise-* hv-noisy-line"),
    ("adapter echoes", "hv-echoing-adapter"),
    ("adapter holds back, goes, comes back", "hv-adapter-*"),
    ("second client", "hv-two-clients hv-two-clients-real-fault"),
    ("two units with one address", "hv-two-units-*"),
    ("slow unit, late answers", "hv-slow-unit hv-late-answers"),
    ("another protocol", "hv-foreign-protocol"),
    (
        "unit not configured",
        "hv-unconfigured hv-unconfigured-refuses-function",
    ),
    (
        "another unit on the line",
        "hv-neighbour-with-fault hv-inverter-asks-another",
    ),
    // Gateway.
    (
        "gateway that works",
        "hv-gateway hv-gateway-far-away hv-gateway-far-away-and-real-fault",
    ),
    (
        "refused, dropped, hung",
        "hv-gateway-refuses-clients hv-gateway-hangs hv-gateway-loses-supply",
    ),
    (
        "exceptions 0A and 0B",
        "hv-gateway-no-path hv-gateway-unit-silent hv-gateway-other-speed",
    ),
    ("late, twice, foreign", "hv-gateway-late-*"),
    (
        "cache",
        "hv-gateway-answers-from-cache hv-gateway-cache-and-real-fault",
    ),
    (
        "few connections, one of them half open",
        "hv-gateway-throws-clients-out hv-gateway-place-held",
    ),
    (
        "idle close",
        "hv-gateway-closes-idle hv-gateway-forgets-idle",
    ),
    ("queue", "hv-gateway-queue-grows hv-gateway-overloaded"),
    (
        "framing mismatch, text in the stream",
        "hv-gateway-speaks-rtu hv-gateway-says-text",
    ),
    (
        "answers of the gateway itself",
        "hv-gateway-is-the-unit-asked",
    ),
    ("polls by itself", "rack-gateway-feeds"),
    (
        "another house behind a changed address",
        "hv-another-house-answers",
    ),
    // Why the silent inverter is easy to get wrong.
    (
        "silence and its consequences",
        "hv-waiting rack-waiting hv-lamps-dimmed",
    ),
    (
        "real fault behind the same lamp",
        "hv-fault-behind-lamp hv-cell-below-minimum-no-flag",
    ),
    (
        "one code hides the rest, codes rotate",
        "rack-hidden-fault rack-codes-rotate",
    ),
    (
        "latches and how they clear",
        "hv-fault-* hv-hysteresis hv-protection-is-slow",
    ),
    ("alarm word unreadable", "hv-alarm-word-unreadable"),
    ("too early", "hv-self-test hv-silence-60s"),
    (
        "never heard, was heard",
        "hv-commissioning hv-inverter-lost hv-inverter-restarts hv-cable-*",
    ),
    (
        "our questions feed",
        "hv-any-question-feeds hv-reads-of-state-feed hv-supervision-unknown",
    ),
    ("which wire", "hv-inverter-on-*"),
    (
        "inverter without supply",
        "hv-inverter-waits-for-battery rack-black-start",
    ),
    ("asleep, switched off", "rack-asleep hv-switched-off"),
    ("frozen heartbeat", "hv-frozen-heartbeat"),
    ("reboots", "hv-reboots-*"),
    ("internal communication", "hv-internal-communication"),
    (
        "habits of inverters",
        "hv-inverter-asks-five-* hv-inverter-slower-* hv-inverter-polls-* hv-inverter-counter-* hv-inverter-never-*",
    ),
    (
        "wrong firmware edition, unknown bits and states",
        "hv-firmware-* hv-unknown-*",
    ),
    ("conditions", "hv-cold hv-door-* hv-empty"),
    (
        "side effects of reads",
        "hv-event-log-forgets hv-hangs-on-functions",
    ),
    ("dark lamp", "hv-lamp-dark hv-lamp-dark-real-fault"),
    (
        "members of a rack",
        "rack-member-missing rack-equalising-current rack-packs-unlike",
    ),
    // What a reading must add up to.
    (
        "sums: sense wire, reversed, measurement gone",
        "*-sense-wire-broken hv-module-reversed hv-pack-voltage-*",
    ),
    (
        "modules in the wrong place, swapped",
        "hv-modules-exchanged* hv-swap-*",
    ),
    (
        "welded, not closing",
        "hv-both-poles-* hv-one-pole-* hv-switch-* rack-transistors-*",
    ),
    (
        "decay, other sources",
        "hv-capacitors-not-empty hv-inverter-feeds-terminals rack-sister-holds-terminals",
    ),
    (
        "measured before and after the breaker, reading wrong",
        "hv-breaker-* hv-terminal-reading-*",
    ),
    (
        "pre-charge and fuse",
        "hv-precharge-* hv-load-at-precharge hv-fuse-* hv-slow-contactors",
    ),
    (
        "spread, balancing, flat curve",
        "hv-balancing hv-flat-part-hides-charge hv-weak-cell",
    ),
    ("cells out of limits", "hv-cell-*"),
    (
        "another chemistry",
        "hv-other-chemistry hv-steep-curve-shows-charge",
    ),
    ("far below the minimum", "hv-empty-beyond-minimum"),
    (
        "resistance, inner short",
        "hv-resistive-cell hv-internal-short",
    ),
    (
        "temperatures",
        "hv-sensor-* hv-one-module-warm hv-too-hot hv-derated",
    ),
    (
        "readings that stand or are not there",
        "hv-readings-frozen hv-sense-connector-loose",
    ),
    ("insulation", "hv-insulation-*"),
    ("charge against voltage", "hv-charge-report-drifted"),
    (
        "current: sign, rest, product",
        "hv-current-* hv-power-does-not-multiply",
    ),
    ("in service", "hv-running"),
    ("the unit's clock", "hv-clock-is-wrong"),
];

fn fits(pattern: &str, name: &str) -> bool {
    match pattern.split_once('*') {
        Some((head, tail)) => name.starts_with(head) && name.ends_with(tail),
        None => name == pattern,
    }
}

#[test]
fn everything_that_goes_wrong_in_the_field_has_a_scenario() {
    let names: BTreeSet<&str> = Scenario::shipped().iter().map(|(name, _)| *name).collect();
    let mut unsaid = names.clone();
    for (what, shown) in SHOWN {
        for pattern in shown.split(' ') {
            assert!(
                names.iter().any(|name| fits(pattern, name)),
                "{what}: no {pattern}"
            );
            unsaid.retain(|name| !fits(pattern, name));
        }
    }
    assert!(
        unsaid.is_empty(),
        "nothing says what these show: {unsaid:?}"
    );
}
