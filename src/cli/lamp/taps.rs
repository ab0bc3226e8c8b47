//! Watching a lamp with a person who taps its rhythm.
//!
//! Does not: judge taps (see [`crate::lamp::Tapper`]) or read a clock (see [`super::keys`]).

use std::time::Duration;

use super::keys::{KeyReader, Pressed};
use super::sight::{How, LampSight};
use crate::cli::out;
use crate::lamp::{Pattern, Ranking, TapProgress, Tapper, Unclear};

const KEYS: &str = "
  space       at every lighting-up: for most lamps that is all
  j  and  f   instead, where flashes are long: j when it lights up, f when it goes out
  s           it shines steadily          d  it is dark and stays so
  Backspace   begin again                 Enter or q  done          Ctrl-C  leave
";
/// How often the line of progress is drawn where nothing is pressed.
const TICK: Duration = Duration::from_millis(250);
/// Without a key for this long the line says so.
const IDLE_MS: f64 = 4000.0;

/// Watches until the person is done. Nothing if broken off before anything was recognised.
pub(super) fn watch(lamp: &str, known: &[Pattern]) -> std::io::Result<Option<LampSight>> {
    out::say(&format!(
        "Watch the lamp \"{lamp}\" for a moment, then tap along, at least 5 s:{KEYS}"
    ));
    let mut tapper = Tapper::new();
    let stopped = tap(&mut tapper, known);
    out::status("");
    let stopped = stopped?;
    let progress = tapper.progress(known);
    let recognised = progress
        .as_ref()
        .is_some_and(|progress| progress.ranking.enough);
    if stopped && !recognised {
        return Ok(None);
    }
    let seen = tapper.seen();
    let both = seen.as_ref().is_some_and(|seen| seen.observer.both_edges);
    let ranking = progress.map_or_else(Ranking::unknown, |progress| progress.ranking);
    Ok(Some(LampSight {
        lamp: lamp.to_owned(),
        ranking,
        watched_ms: seen.as_ref().map(|seen| seen.to_ms - seen.from_ms),
        edges: seen.map(|seen| seen.edges).unwrap_or_default(),
        how: if both { How::Watched } else { How::Tapped },
        place: None,
    }))
}

/// Collects keys until done; true if broken off.
fn tap(tapper: &mut Tapper, known: &[Pattern]) -> std::io::Result<bool> {
    let keys = KeyReader::open()?;
    let mut progress: Option<TapProgress> = None;
    let mut last = Duration::ZERO;
    loop {
        let mut pressed = keys.next(TICK)?;
        let something = pressed.is_some();
        // All keys that wait are taken before anything is weighed, so that drawing never lags behind.
        while let Some((at, what)) = pressed {
            last = at;
            match what {
                Pressed::Told(key) => tapper.press(at, key),
                Pressed::Done => return Ok(false),
                Pressed::Stop => return Ok(true),
            }
            pressed = keys.next(Duration::ZERO)?;
        }
        if something {
            progress = tapper.progress(known);
        }
        let idle_ms = keys.now().saturating_sub(last).as_secs_f64() * 1000.0;
        out::status(&line(tapper, progress.as_ref(), idle_ms));
    }
}

/// One line: what is recognised so far, and whether that is enough.
fn line(tapper: &Tapper, progress: Option<&TapProgress>, idle_ms: f64) -> String {
    if tapper.is_empty() {
        return "waiting for the first tap".to_owned();
    }
    let Some(progress) = progress else {
        return "tap on: at least three taps are needed".to_owned();
    };
    if progress.ranking.unclear == Some(Unclear::LitTime) {
        return format!(
            "{} taps: a short flash, or half lit and half dark? Backspace, then j when it lights up, f when it goes out",
            progress.taps
        );
    }
    let so_far = match progress.ranking.first() {
        Some(first) => format!(
            "{} {:.0} %",
            first.id,
            (first.probability * 100.0).min(99.0)
        ),
        None => match progress.ranking.name() {
            Some(name) => format!("{name} (no standard name)"),
            None => "no known pattern yet".to_owned(),
        },
    };
    let what_now = if progress.more_ms <= 0.0 {
        "ENOUGH, press Enter".to_owned()
    } else if idle_ms > IDLE_MS {
        "not enough; tap on, or Backspace to begin again".to_owned()
    } else {
        format!("watch {:.0} s more", (progress.more_ms / 1000.0).ceil())
    };
    let watched = progress.watched_ms / 1000.0;
    format!(
        "{} taps in {watched:.1} s: {so_far}; {what_now}",
        progress.taps
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lamp::{Key, standard_patterns};

    fn said(taps_ms: &[u64], idle_ms: f64) -> String {
        let mut tapper = Tapper::new();
        for at in taps_ms {
            tapper.press(Duration::from_millis(*at), Key::Flash);
        }
        line(
            &tapper,
            tapper.progress(&standard_patterns()).as_ref(),
            idle_ms,
        )
    }

    // Kind: derived (a blinking lamp lights up every 0.4 s)
    #[test]
    fn line_says_what_is_recognised_and_when_it_is_enough() {
        let taps: Vec<u64> = (0..14).map(|n| n * 400).collect();
        assert_eq!(said(&[], 0.0), "waiting for the first tap");
        assert_eq!(
            said(&taps[..2], 0.0),
            "tap on: at least three taps are needed"
        );
        let early = said(&taps[..6], 0.0);
        assert!(early.starts_with("6 taps in 2.0 s: blinking"), "{early}");
        assert!(early.ends_with("watch 3 s more"), "{early}");
        assert!(said(&taps[..6], 9000.0).ends_with("Backspace to begin again"));
        assert!(said(&taps, 0.0).ends_with("ENOUGH, press Enter"));
    }
}
