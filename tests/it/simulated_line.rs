//! A simulated link at other line settings than the unit's: garbled both ways, as on a real line.

use std::time::Duration;

use packside::ask::Outcome;
use packside::event::{Consent, LinkKind, What};
use packside::link::{Quiet, Wake};
use packside::simulated::Simulated;
use packside::simulated::open_simulated_as;
use packside::wire::{Ask, Question};
use packside_profiles::model::Table;
use packside_profiles::{Known, LineSettings, Profile};
use packside_simulator::Scenario;

fn opened(line: Option<&str>) -> (Quiet, Profile) {
    let scenario = Scenario::find("hv-running").unwrap();
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let line = line.map(|line| line.parse::<LineSettings>().unwrap());
    // Between two rounds of the inverter, which comes every 5 s.
    let how = Simulated {
        age: Duration::from_secs(62),
        line,
        ..Simulated::default()
    };
    (open_simulated_as(&scenario, &profile, how), profile)
}

/// What is heard in 12 s, in which the inverter asks at least twice.
fn heard(line: Option<&str>) -> Vec<u8> {
    let (mut quiet, _) = opened(line);
    quiet.listen(Duration::from_secs(12)).unwrap();
    let bytes = quiet.drain().into_iter().filter_map(|event| {
        if let What::In(bytes) = event.what {
            Some(bytes)
        } else {
            None
        }
    });
    bytes.flatten().collect()
}

fn is_answered(line: Option<&str>) -> bool {
    let (quiet, profile) = opened(line);
    let wake = Wake::of(Some(&profile), &Known::default(), &[]);
    let proof = quiet
        .prove(&wake, Duration::ZERO, Consent::default())
        .unwrap();
    let functions = &profile.answering.functions;
    let mut asking = quiet.ask(proof, functions).map_err(|_| "refused").unwrap();
    let question = Question::Read {
        table: Table::Input,
        address: 0,
        count: 1,
    };
    let ask = Ask { unit: 1, question };
    let exchange = asking.ask(ask, Duration::from_millis(600)).unwrap();
    matches!(
        exchange.outcome,
        Outcome::Answered(_) | Outcome::Exception(_)
    )
}

// Kind: derived (a unit drops what does not fit its settings; those of the map, given or not, do)
#[test]
fn simulated_link_garbles_exactly_where_its_settings_are_not_the_units() {
    let clean = heard(None);
    assert!(clean.len() >= 60, "{}", clean.len());
    assert_eq!(heard(Some("9600-8E1")), clean);
    assert!(is_answered(None) && is_answered(Some("9600-8E1")));
    for other in ["19200-8E1", "4800-8E1", "9600-8O1", "115200-8N1"] {
        let came = heard(Some(other));
        // Bad characters are kept as they came: with another parity alone they are right.
        let is_right = other == "9600-8O1";
        assert!(!came.is_empty(), "{other}");
        assert_eq!(came == clean, is_right, "{other}: {came:02x?}");
        assert!(!is_answered(Some(other)), "{other}");
    }
}

#[test]
fn simulated_link_says_our_settings_not_the_units() {
    let (quiet, _) = opened(Some("19200-8N1"));
    assert!(matches!(quiet.facts().kind, LinkKind::Simulated { .. }));
    let line = quiet.facts().line().unwrap();
    assert_eq!(line.to_string(), "19200-8N1");
}
