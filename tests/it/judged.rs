//! What a technician must be able to rely on in single verdicts, each by a shipped scenario.
//!
//! Kind of all expectations: invented (the scenarios), judged by FIELD practice.

use std::time::Duration;

use packside::facts::caution::Caution;
use packside::facts::{FactKind, Judgement, NextStep, Sight, Why};
use packside::judge::judge;
use packside::simulated::rehearsal::look;
use packside::words::{next_step as text_of, reasons};
use packside_profiles::model::{FedBy, Needs};
use packside_simulator::Scenario;

fn judged_at(name: &str, at: Duration) -> Judgement {
    let scenario = Scenario::find(name).unwrap();
    let profile = scenario.load_map(None).unwrap().profile;
    judge(look(&scenario, &profile, at, None), Some(&profile), None)
}

fn judged(name: &str) -> Judgement {
    judged_at(name, Scenario::find(name).unwrap().look_at)
}

fn kind(judgement: &Judgement) -> &'static str {
    judgement.verdict.kind.id()
}

fn step<'a>(judgement: &'a Judgement, id: &str) -> Option<&'a NextStep> {
    judgement.verdict.next.iter().find(|step| step.id() == id)
}

fn why(judgement: &Judgement) -> String {
    reasons(judgement).join("\n")
}

fn not_tested(judgement: &Judgement) -> Vec<&str> {
    judgement.not_tested.iter().map(|item| item.id()).collect()
}

#[test]
fn silent_pack_of_a_rack_is_named_in_the_headline_with_its_step() {
    let judgement = judged("rack-member-missing");
    assert_eq!(kind(&judgement), "undecided");
    assert_eq!(
        packside::words::summary(&judgement),
        "Pack 3 of 3 (address 3) gives no answer; packs 1 and 2: no fault seen so far."
    );
    let step = step(&judgement, "missing-pack").unwrap();
    assert!(
        text_of(&judgement, step).starts_with("address 3: "),
        "{}",
        text_of(&judgement, step)
    );
    assert!(!judgement.verdict.gate_filled);
}

// The map says that only writes feed the supervision, and the unit takes any question for its inverter.
#[test]
fn unit_that_our_own_questions_woke_is_never_normal_even_where_the_map_is_wrong() {
    for seed in 0..8 {
        let mut scenario = Scenario::find("hv-any-question-feeds").unwrap();
        scenario.seed += seed;
        let right = scenario.load_map(None).unwrap().profile;
        let mut wrong = right.clone();
        wrong.inverter.fed_by = FedBy::Writes;
        let events = look(&scenario, &right, Duration::from_secs(90), None);
        let judgement = judge(&events, Some(&wrong), None);
        assert_eq!(kind(&judgement), "undecided", "{seed}: {}", why(&judgement));
        assert!(why(&judgement).contains("IT WOKE AFTER OUR QUESTIONS"));
    }
}

#[test]
fn awaiting_says_that_our_own_questions_are_taken_for_the_inverter_and_warns_of_live_terminals() {
    let judgement = judged("hv-any-question-feeds");
    assert_eq!(kind(&judgement), "awaiting-inverter");
    assert!(why(&judgement).contains("takes our questions for the inverter"));
    let live = |r: &&packside::facts::Reading| {
        r.role == packside_profiles::Role::TerminalVoltage && r.number().is_some_and(|v| v > 60.0)
    };
    if judgement.readings.iter().any(|r| live(&r)) {
        assert!(matches!(
            judgement.verdict.why[0].why,
            Why::Caution(Caution::WokenByUs { .. })
        ));
    }
}

#[test]
fn terminals_that_carry_voltage_are_never_called_dead_without_contradiction() {
    for name in [
        "hv-both-poles-welded",
        "hv-both-poles-welded-unsaid",
        "hv-terminal-reading-frozen",
        "hv-inverter-feeds-terminals",
    ] {
        let judgement = judged(name);
        let dead = judgement
            .findings
            .iter()
            .filter(|f| f.id == "terminals-dead");
        for finding in dead {
            assert!(finding.fact.is_contradicted(), "{name}: {finding:?}");
            assert!(
                matches!(
                    judgement.verdict.why[0].why,
                    Why::Caution(Caution::Contradicted { .. } | Caution::ShouldBeDead { .. })
                ),
                "{name}"
            );
        }
    }
}

#[test]
fn no_step_charges_while_a_cell_must_never_be_charged() {
    let judgement = judged("hv-empty-beyond-minimum");
    assert_eq!(judgement.roots().first(), Some(&"cell-below-minimum"));
    for step in &judgement.verdict.next {
        assert!(
            !text_of(&judgement, step).contains("charge only"),
            "{}",
            text_of(&judgement, step)
        );
        assert!(
            !text_of(&judgement, step).contains("charge as"),
            "{}",
            text_of(&judgement, step)
        );
    }
    let low = judgement.findings.iter().filter(|f| f.is_root_alarm());
    for root in low {
        assert_ne!(
            root.disposition.map(|d| d.id()),
            Some("correct-on-site"),
            "{}",
            root.id
        );
    }
}

#[test]
fn empty_pack_is_charged_by_one_step_that_is_no_mere_look() {
    let judgement = judged("hv-empty");
    assert_eq!(kind(&judgement), "not-ready");
    let lift = judgement
        .verdict
        .next
        .iter()
        .filter(|s| s.id() == "lift-condition");
    let lift: Vec<&NextStep> = lift.collect();
    assert_eq!(lift.len(), 1, "{lift:#?}");
    // Kind: common practice (the inverter charges it, under the unit's own control: somebody operates it).
    assert_eq!(lift[0].needs, Needs::Operate);
}

#[test]
fn hot_spot_beside_a_low_cell_outranks_a_loose_sensor_and_is_set_apart() {
    let judgement = judged("hv-internal-short");
    assert_eq!(kind(&judgement), "fault");
    assert_ne!(judgement.roots().first(), Some(&"sensor-fault"));
    let root = judgement
        .findings
        .iter()
        .find(|f| f.id == "over-temperature");
    let root = root.unwrap_or_else(|| panic!("{}", why(&judgement)));
    assert_eq!(root.disposition.map(|d| d.id()), Some("quarantine"));
}

#[test]
fn charge_report_that_cells_at_rest_contradict_is_remarked_and_the_curve_is_not_called_flat() {
    let judgement = judged("hv-charge-report-drifted");
    let has = |id| judgement.findings.iter().any(|f| f.id == id);
    assert!(
        has("charge-against-voltage") && !has("flat-curve"),
        "{}",
        why(&judgement)
    );
    assert!(!not_tested(&judgement).contains(&"charge-report"));
}

#[test]
fn current_that_no_second_meter_confirms_stays_not_tested() {
    assert!(not_tested(&judged("hv-current-sensor-reversed")).contains(&"current-sensor"));
}

#[test]
fn broken_sense_wire_is_the_one_root_and_what_it_makes_seem_wrong_follows() {
    for name in ["hv-sense-wire-broken", "rack-sense-wire-broken"] {
        let judgement = judged(name);
        assert_eq!(judgement.roots(), ["sensor-fault"], "{name}");
    }
}

#[test]
fn connector_with_many_cells_is_told_once_and_nothing_is_charged_meanwhile() {
    let judgement = judged("hv-sense-connector-loose");
    assert_eq!(kind(&judgement), "fault");
    assert_eq!(judgement.roots().first(), Some(&"sensor-fault"));
    let text = why(&judgement);
    assert!(text.contains("cells of module 4 can be read"), "{text}");
    let work = step(&judgement, "work-on-root").unwrap();
    assert!(
        text_of(&judgement, work).contains("do not charge"),
        "{}",
        text_of(&judgement, work)
    );
}

#[test]
fn cells_that_are_balanced_are_no_broken_sense_wire() {
    let judgement = judged("hv-balancing");
    assert!(
        !judgement.roots().contains(&"sensor-fault"),
        "{}",
        why(&judgement)
    );
}

#[test]
fn uptime_that_goes_back_once_is_a_restart_and_that_jumps_both_ways_two_units() {
    let open =
        |name| -> Vec<&'static str> { judged(name).verdict.open.iter().map(|o| o.id()).collect() };
    assert!(!open("hv-reboots-during-the-look").contains(&"two-units"));
    assert!(!open("hv-reboots-again-and-again").contains(&"two-units"));
    assert!(open("hv-two-units-in-turn").contains(&"two-units"));
}

#[test]
fn numbers_of_two_units_prove_no_root() {
    let judgement = judged("hv-two-units-in-turn");
    let roots = judgement.findings.iter().filter(|f| f.is_root_alarm());
    for root in roots {
        assert_eq!(root.sure.id(), "open", "{}", root.id);
    }
}

#[test]
fn valid_frames_of_others_are_not_weighed_as_garbage() {
    let judgement = judged("hv-dead-unit-inverter-asks");
    assert_eq!(kind(&judgement), "bus-problem");
    for cause in &judgement.verdict.considered {
        let garbage = |seen: &Sight| matches!(seen, Sight::Garbage { .. });
        assert!(!cause.reasons_for.iter().any(garbage), "{cause:?}");
    }
}

#[test]
fn unit_that_understands_it_is_asked_what_it_counted_of_a_damaged_line() {
    let mut damaged = 0;
    for seed in 0..8 {
        let pair =
            packside_simulator::compose::pair_named(false, "sound", "damaged-answers").unwrap();
        let world = packside_simulator::compose::compose(pair, seed, Default::default()).unwrap();
        let profile = world.scenario.load_map(None).unwrap().profile;
        let events = look(&world.scenario, &profile, world.scenario.look_at, None);
        let health = judge(&events, Some(&profile), None).bus.health;
        let Some(counted) = health.counted else {
            continue;
        };
        damaged += 1;
        // Answers are damaged here, questions are not.
        assert_eq!(counted.heard, counted.questions, "{seed}");
        let mut deaf = profile.clone();
        deaf.answering.functions = vec![3, 4];
        let events = look(&world.scenario, &deaf, world.scenario.look_at, None);
        assert_eq!(judge(&events, Some(&deaf), None).bus.health.counted, None);
    }
    assert!(damaged >= 2, "{damaged}");
}

#[test]
fn sum_that_no_later_current_stands_beside_proves_nothing_and_clears_nothing() {
    let scenario = Scenario::find("hv-module-reversed").unwrap();
    let profile = scenario.load_map(None).unwrap().profile;
    let events = look(&scenario, &profile, scenario.look_at, None);
    let whole = judge(&events, Some(&profile), None);
    assert_eq!(whole.roots(), ["configuration-fault"], "{}", why(&whole));
    // The same look, stopped before the current was read once more.
    let moments = events.iter().map(|event| event.at);
    let seen: Vec<Judgement> = moments
        .map(|moment| judge(&events, Some(&profile), Some(moment)))
        .filter(|cut| why(cut).contains("the current may have moved meanwhile"))
        .collect();
    println!("{} moments", seen.len());
    assert!(!seen.is_empty());
    for cut in seen {
        assert_eq!(kind(&cut), "undecided", "{}", why(&cut));
    }
}

// Kind: invented (the scenario)
#[test]
fn cell_that_gives_way_under_current_is_the_first_root_while_it_happens_and_soon_after() {
    for at in [20, 40] {
        let judgement = judged_at("hv-resistive-cell", Duration::from_secs(at));
        assert_eq!(kind(&judgement), "fault", "{at} s");
        let first = judgement.findings.iter().find(|f| f.root).unwrap();
        assert_eq!(first.id, "cell-resistance", "{at} s");
        let place = (first.place.module, first.place.item);
        assert_eq!(place, (Some(3), Some(17)), "{at} s");
    }
}

// Kind: invented (the scenario)
#[test]
fn code_that_takes_turns_is_read_until_every_fault_was_shown() {
    let scenario = Scenario::find("rack-codes-rotate").unwrap();
    let profile = scenario.load_map(None).unwrap().profile;
    for at in 117..=126 {
        let events = look(&scenario, &profile, Duration::from_secs(at), None);
        let judgement = judge(&events, Some(&profile), None);
        let mut roots = judgement.roots();
        roots.sort_unstable();
        assert_eq!(roots, ["sensor-fault", "switch-fault"], "{at} s");
    }
}

#[test]
fn swapped_pair_is_proven_by_what_is_heard_and_nothing_is_asked() {
    let judgement = judged("hv-pair-swapped");
    assert_eq!(kind(&judgement), "bus-problem");
    assert_eq!(judgement.bus.requests, 0);
    let first = judgement.verdict.causes.first().unwrap();
    assert!(
        first.id() == "pair-swapped" && first.per_mille >= 990,
        "{first:?}"
    );
    assert_eq!(judgement.verdict.next.len(), 1);
    assert!(step(&judgement, "swap-pair").is_some());
}

// Cells cannot be switched off: what is done between modules is work on live DC (FIELD).
#[test]
fn work_at_modules_sense_wires_and_welded_poles_is_live_dc() {
    for name in [
        "hv-fault-behind-lamp",
        "hv-sense-wire-broken",
        "hv-both-poles-welded",
        "hv-both-poles-welded-unsaid",
    ] {
        let judgement = judged(name);
        let step = step(&judgement, "work-on-root").unwrap();
        assert_eq!(
            step.needs,
            Needs::LiveDc,
            "{name}: {}",
            text_of(&judgement, step)
        );
    }
    // With one pole at earth the inverter's own isolator is live work as well, and comes before the stack.
    let near = judged("hv-fault-behind-lamp");
    let place = |id: &str| near.verdict.next.iter().position(|s| s.id() == id).unwrap();
    assert!(step(&near, "isolate-and-look-again").is_some_and(|s| s.needs == Needs::LiveDc));
    assert!(place("isolate-and-look-again") < place("work-on-root"));
}

#[test]
fn pack_that_would_connect_onto_others_of_another_voltage_is_kept_apart_whatever_else_is_wrong() {
    let judgement = judged("rack-packs-unlike");
    assert_eq!(
        (kind(&judgement), judgement.roots()),
        ("fault", vec!["sensor-fault"])
    );
    let unlike = judgement.findings.iter().find(|f| f.id == "packs-unlike");
    assert_eq!(unlike.unwrap().fact.kind(), FactKind::PacksUnlike);
    assert!(step(&judgement, "like-packs").is_some());
    assert!(step(&judged("rack-waiting"), "like-packs").is_none());
}
