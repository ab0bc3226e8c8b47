//! `packside demo`: the main job on a built-in simulated stack, twice, without hardware.
//!
//! First a sound unit powered up without its inverter, moment by moment; then a unit with the same
//! blinking lamp and a real fault behind it; then the difference. Virtual time, no question asked.

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::Profile;
use packside_simulator::World;

use super::failure::{Failure, LOCAL};
use super::out;
use super::reach::{LoadedProfile, scenario_of};
use crate::drive::{self, Link};
use crate::event::LinkFacts;
use crate::facts::{Judgement, VerdictKind};
use crate::session::{End, Manner, Session, Task};
use crate::show::json::demo::Demo;
use crate::show::json::{self, Check};
use crate::show::screen;
use crate::simulated::open_simulated;
use crate::words;

/// A story: scenario, what it shows, moments after power-up in seconds, whether the last one has its whole screen, and
/// how it must end.
struct Story {
    scenario: &'static str,
    title: &'static str,
    moments_s: &'static [u64],
    whole_screen: bool,
    ends: VerdictKind,
}

const STORIES: [Story; 2] = [
    Story {
        scenario: "hv-waiting",
        title: "A sound stack, powered up before its inverter talks",
        moments_s: &[4, 20, 60],
        whole_screen: false,
        ends: VerdictKind::AwaitingInverter,
    },
    Story {
        scenario: "hv-fault-behind-lamp",
        title: "Another stack, the same blinking lamp",
        moments_s: &[60],
        whole_screen: true,
        ends: VerdictKind::Fault,
    },
];

/// One moment of a story.
struct DemoMoment {
    after: u64,
    lamps: String,
    judgement: Judgement,
}

/// Runs the demo; 0 where both stories ended as told.
pub(crate) fn run(as_json: bool, colour: bool) -> Result<u8, Failure> {
    let mut ended_as_told = true;
    let mut endings = Vec::new();
    for (number, story) in STORIES.iter().enumerate() {
        let scenario = scenario_of(&story.scenario.into())?;
        let found = packside_profiles::find(&scenario.profile, None).map_err(|error| Failure {
            exit: LOCAL,
            kind: "profile",
            message: error.to_string(),
            hint: None,
        })?;
        let loaded = LoadedProfile::new(found.profile, &found.text);
        let (moments, facts) = live(story, &loaded.profile)?;
        let Some(last) = moments.last() else { continue };
        ended_as_told &= last.judgement.verdict.kind == story.ends;
        if as_json {
            let map = (&loaded.profile, loaded.sha256.as_str());
            let object = Check::of(&last.judgement, Some(map), Some(&facts));
            let object = Demo::new(story.scenario, story.ends.id(), object);
            out::result(&json::line(&object));
        } else {
            out::result(&story_text(
                number + 1,
                story,
                &moments,
                &loaded.profile,
                &facts,
                colour,
            ));
        }
        endings.push((last.lamps.clone(), words::summary(&last.judgement)));
    }
    if !as_json {
        out::result(&difference(&endings));
    }
    Ok(if ended_as_told { 0 } else { 7 })
}

/// Lives one story in virtual time, one session from power-up on.
fn live(story: &Story, profile: &Profile) -> Result<(Vec<DemoMoment>, LinkFacts), Failure> {
    let scenario = scenario_of(&story.scenario.into())?;
    let quiet = open_simulated(&scenario, profile, Duration::ZERO, None);
    let facts = quiet.facts().clone();
    let stuck = |message: String| Failure {
        exit: LOCAL,
        kind: "demo",
        message,
        hint: None,
    };
    // A session from power-up on: nobody else is there to be listened to.
    let manner = Manner {
        listen_first: Some(Duration::ZERO),
        ..Manner::of(profile.answering.unit)
    };
    let mut session = Session::new(Arc::new(profile.clone()), manner);
    let mut link = Link::of(quiet, &profile.answering.functions);
    let mut moments = Vec::new();
    for after in story.moments_s {
        let until = Duration::from_secs(*after);
        for task in [Task::Begin, Task::Wait { until }, Task::Look] {
            match drive::run(&mut session, task, &mut link, &mut ()) {
                End::Whole => {}
                End::Trouble { trouble, .. } => return Err(stuck(trouble.to_string())),
                end => return Err(stuck(format!("{end:?}"))),
            }
        }
        let mut world = World::new(&scenario, profile, scenario.seed);
        drop(world.advance(Duration::from_secs(*after)));
        let lamps: Vec<String> = profile
            .lamps
            .iter()
            .map(|lamp| format!("{} {}", lamp.id, world.lamp_pattern(&lamp.id)))
            .collect();
        let judgement = session.verdict(None);
        moments.push(DemoMoment {
            after: *after,
            lamps: lamps.join(", "),
            judgement,
        });
    }
    Ok((moments, facts))
}

fn story_text(
    number: usize,
    story: &Story,
    moments: &[DemoMoment],
    profile: &Profile,
    facts: &LinkFacts,
    colour: bool,
) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "STORY {number} (simulated): {}\n", story.title);
    for moment in moments {
        let lead = format!("{:>4} s after power-up   ", moment.after);
        screen::wrap(
            &mut text,
            &format!("lamps: {}", moment.lamps),
            &lead,
            "     ",
        );
        if !(story.whole_screen && moment.after == last_s(story)) {
            screen::headline(&mut text, "     ", &moment.judgement, colour);
        }
    }
    let Some(DemoMoment { judgement, .. }) = moments.last() else {
        return text;
    };
    let again = format!(
        "again: packside check --simulated {} --look-at {}",
        story.scenario,
        last_s(story)
    );
    let _ = writeln!(text);
    if story.whole_screen {
        let around = screen::Around {
            colour,
            kept: None,
            command: &again,
        };
        text.push_str(&screen::glance(
            judgement,
            Some(profile),
            Some(facts),
            &around,
        ));
    } else {
        if let Some(why) = words::reasons(judgement).first() {
            screen::wrap(&mut text, why, "     why  ", "          ");
        }
        if let Some(step) = screen::step(judgement, 0) {
            screen::wrap(&mut text, &step, "     do   ", "          ");
        }
        let _ = writeln!(text, "\n{again}");
    }
    let _ = writeln!(text);
    text
}

/// The last moment of a story.
fn last_s(story: &Story) -> u64 {
    story.moments_s.last().copied().unwrap_or_default()
}

/// What told the two apart.
fn difference(endings: &[(String, String)]) -> String {
    let mut text = String::new();
    if let [(first_lamps, first), (second_lamps, second)] = endings {
        let same = if first_lamps == second_lamps {
            "the same lamps"
        } else {
            "these lamps"
        };
        let _ = writeln!(text, "THE DIFFERENCE");
        let both = format!("Both show {same} ({first_lamps}), and neither has heard an inverter.");
        screen::wrap(&mut text, &both, "  ", "  ");
        let one =
            format!("1: {first} All flags are read and clear, and every number keeps its limits.");
        screen::wrap(&mut text, &one, "  ", "     ");
        let two = format!("2: {second} That never follows from a silent inverter.");
        screen::wrap(&mut text, &two, "  ", "     ");
        if first_lamps != second_lamps {
            screen::wrap(
                &mut text,
                &format!("(second stack: {second_lamps})"),
                "  ",
                "  ",
            );
        }
    }
    let _ = writeln!(
        text,
        "\nAll of this was simulated, with an invented register map."
    );
    let _ = writeln!(
        text,
        "next: packside check --simulated hv-fault-behind-lamp"
    );
    text
}
