//! The screens of every scenario on paper of every width: no line wider, no word lost, one screen.
//!
//! Kind of all expectations: derived (from the width of the paper), over invented scenarios.

use packside::judge::judge;
use packside::show::paper::{self, Paper, columns};
use packside::show::screen::{self, Around};
use packside_simulator::Scenario;

/// The next command is one line, so that it can be pasted.
const COMMAND: &str = "next: packside check --simulated it";

#[test]
fn no_line_is_wider_than_the_paper_and_nothing_is_lost() {
    let mut tall = Vec::new();
    for (name, text) in Scenario::shipped() {
        let scenario = Scenario::load(text, name).unwrap();
        let profile = packside_profiles::find(&scenario.profile, None)
            .unwrap()
            .profile;
        let events =
            packside::simulated::rehearsal::look(&scenario, &profile, scenario.look_at, None);
        let judgement = judge(&events, Some(&profile), None);
        let around = Around {
            colour: false,
            kept: Some("look.visit.jsonl"),
            command: COMMAND,
        };
        let on = |width: usize, plain: bool| {
            paper::lay(Paper { width, plain });
            let glance = screen::glance(&judgement, Some(&profile), None, &around);
            let full = screen::look(&judgement, Some(&profile), None, &around);
            paper::lay(Paper::default());
            (glance, full)
        };
        let (_, widest) = on(160, false);
        for width in [40, 60, 80, 120] {
            let (glance, full) = on(width, false);
            for line in glance
                .lines()
                .chain(full.lines())
                .filter(|line| *line != COMMAND)
            {
                assert!(columns(line) <= width, "{name} at {width} columns: {line}");
            }
            for word in words_of(&widest) {
                assert!(
                    full.contains(word),
                    "{name} at {width} columns: {word:?} is lost or cut in\n{full}"
                );
            }
            if width == 80 && glance.lines().count() > 24 {
                tall.push(format!("{name}: {} lines", glance.lines().count()));
            }
        }
        let (glance, full) = on(80, true);
        assert!(
            glance.is_ascii() && full.is_ascii(),
            "{name}:\n{glance}{full}"
        );
    }
    // A screen that has more lines than a small terminal says too much in its first lines.
    assert!(tall.is_empty(), "{}", tall.join("\n"));
}

/// The words of a screen, without pictures; longer ones than the narrowest paper may go on below.
fn words_of(screen: &str) -> impl Iterator<Item = &str> {
    let is_picture = |word: &str| word.chars().all(|c| "·▁▂▃▄▅▆▇█".contains(c));
    let scale = screen
        .lines()
        .filter(|line| !line.contains("height: how many"));
    let words = scale.flat_map(str::split_whitespace);
    words.filter(move |word| !is_picture(word) && columns(word) < 30)
}
