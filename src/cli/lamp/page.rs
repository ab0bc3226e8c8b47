//! The answer as text: what was seen as a line of time above the recognised pattern, what it means, what it
//! is worth, and the next step as the last line. As wide as the paper, good without colour.

use std::fmt::Write as _;

use packside_profiles::StateKind;

use super::super::args::typed;
use super::film;
use super::sight::{How, LampAnswer, LampSight};
use crate::lamp::{
    Difference, Edge, Pattern, Ranking, RateBand, Rhythm, Unclear, look_alikes, rivals,
};
use crate::show::paper::paper;
use crate::show::screen::wrap;

/// Columns before a line of time.
const MARGIN: usize = 18;

/// Columns of a line of time, as many as the paper has room for.
fn picture_columns() -> u32 {
    let room = paper().width.saturating_sub(MARGIN + 2);
    u32::try_from(room).unwrap_or(u32::MAX).clamp(16, 72)
}

/// The whole page.
pub(super) fn text(answer: &LampAnswer<'_>, colour: bool) -> String {
    let mut out = String::new();
    if let Some(about) = &answer.film {
        wrap(&mut out, &film::about(about), "", "  ");
        if answer.sights.is_empty() {
            let none = "NO PLACE BLINKS in this film. A lamp that is steady or dark is not found by film: look at it.";
            wrap(&mut out, none, "", "  ");
        }
        let _ = writeln!(out);
    }
    for sight in &answer.sights {
        sighted(&mut out, answer, sight, colour);
    }
    meaning(&mut out, answer);
    worth(&mut out, answer);
    let _ = writeln!(out, "\nnext: {}", next(answer));
    out
}

/// The command that comes next, and why where it is not plain.
pub(super) fn next(answer: &LampAnswer<'_>) -> String {
    if !answer.enough() {
        return watch_again(answer);
    }
    let lamps: String = answer
        .sights
        .iter()
        .filter_map(|sight| {
            Some(format!(
                " --lamp {}={}",
                sight.lamp_or_blank(),
                sight.ranking.latest()?
            ))
        })
        .collect();
    format!(
        "packside check --serial PORT --profile {}{lamps}",
        answer.profile_name()
    )
}

/// One lamp: its name, its pattern, the pictures, what cannot be told apart.
fn sighted(out: &mut String, answer: &LampAnswer<'_>, sight: &LampSight, colour: bool) {
    let ranking = &sight.ranking;
    let known = answer
        .profile
        .and_then(|profile| profile.lamps.iter().find(|lamp| lamp.id == sight.lamp));
    let lamp = match known {
        Some(lamp) => format!(
            "lamp \"{}\" ({}, {})",
            lamp.id,
            lamp.colour.clean(),
            lamp.place.clean()
        ),
        None if sight.place.is_some() => sight.lamp.clone(),
        None => "the lamp".to_owned(),
    };
    let (bold, plain) = if colour {
        ("\u{1b}[1m", "\u{1b}[0m")
    } else {
        ("", "")
    };
    let recognised = headline(ranking);
    let mut text = String::new();
    wrap(&mut text, &format!("{recognised}: {lamp}"), "", "  ");
    out.push_str(&text.replacen(&recognised, &format!("{bold}{recognised}{plain}"), 1));
    if let Some(change) = &ranking.change {
        let text = format!(
            "It changed while it was watched: {} until {:.1} s, {} from then on. What follows is about the latter.",
            change.before,
            change.at_ms / 1000.0,
            change.after
        );
        wrap(out, &text, "  ", "  ");
    }
    if let Some(place) = &sight.place {
        wrap(out, &film::where_it_is(place), "  ", "  ");
        let frame_ms = answer
            .film
            .as_ref()
            .map_or(40.0, |about| about.footage.shape.frame_ms);
        if let Some(remark) = film::remark(place, ranking, frame_ms) {
            wrap(out, &remark, "  ", "  ");
        }
    }
    if let Some(why) = ranking.unclear {
        wrap(out, why_unclear(why), "  ", "  ");
    }
    pictures(out, answer, sight);
    if let Some((one, other, differs)) = rivals(ranking, &answer.patterns) {
        wrap(
            out,
            &format!(
                "Not told apart by what was seen: {one} and {other}. {}.",
                separating(differs)
            ),
            "  ",
            "  ",
        );
    }
    for (own, standard) in look_alikes(&answer.patterns) {
        if ranking
            .leaders()
            .iter()
            .any(|leader| leader.id == own || leader.id == standard)
        {
            let text =
                format!("This map's {own} and the standard {standard} look the same to the eye.");
            wrap(out, &text, "  ", "  ");
        }
    }
    let _ = writeln!(out);
}

fn why_unclear(why: Unclear) -> &'static str {
    match why {
        Unclear::TooQuick => {
            "Something changes quicker than the samples follow: a lamp that flickers, one dimmed by pulses, or light from \
             the mains. Look at it with the eye, or film it at another frame rate."
        }
        Unclear::SlowEdges => {
            "It takes several samples to light up: a dimmed lamp drifts so against the rate of a camera and may be steady. \
             Look at it with the eye, or film it at another frame rate."
        }
        Unclear::LitTime => {
            "One key does not tell how long it stays lit: a short flash, or half the time lit and half dark?"
        }
    }
}

fn headline(ranking: &Ranking) -> String {
    let share = |one: f64| format!("{:.0} %", (one * 100.0).clamp(1.0, 99.0));
    if let Some(rhythm) = &ranking.unnamed {
        return format!("{} (no standard name)", rhythm.to_string().to_uppercase());
    }
    if matches!(
        ranking.unclear,
        Some(Unclear::TooQuick | Unclear::SlowEdges)
    ) {
        return "CANNOT TELL".to_owned();
    }
    match (&ranking.change, ranking.first()) {
        (Some(change), _) => format!("CHANGED TO {}", change.after.to_uppercase()),
        (None, Some(first)) if ranking.enough => {
            format!(
                "{} (recognised, {})",
                first.id.to_uppercase(),
                share(first.probability)
            )
        }
        (None, Some(first)) => {
            format!(
                "PERHAPS {} ({}, not enough)",
                first.id.to_uppercase(),
                share(first.probability)
            )
        }
        (None, None) => "NO KNOWN PATTERN".to_owned(),
    }
}

/// What was seen above what was recognised, on the same scale.
fn pictures(out: &mut String, answer: &LampAnswer<'_>, sight: &LampSight) {
    let ranking = &sight.ranking;
    let unnamed = ranking.unnamed.as_ref().map(Rhythm::pattern);
    let recognised = ranking
        .latest()
        .and_then(|id| answer.patterns.iter().find(|pattern| pattern.id == id))
        .or(unnamed.as_ref());
    let fitted = ranking.first().and_then(|first| first.period_ms);
    let period_ms = fitted
        .or_else(|| recognised.map(|pattern| f64::from(pattern.period_ms())))
        .unwrap_or(0.0);
    let scale = TimeScale::for_period(period_ms);
    let from_ms = beginning(sight);
    let mut row = |name: &str, picture: &str| {
        let line = format!("  {name:<MARGIN$}{picture}");
        let _ = writeln!(out, "{}", line.trim_end());
    };
    let mut drawn = false;
    if !sight.edges.is_empty() {
        let name = match sight.how {
            How::Told => "as told",
            How::Tapped => "tapped",
            How::Watched => "seen",
        };
        row(name, &seen_picture(sight, &scale, from_ms));
        drawn = true;
    }
    if let Some(pattern) = recognised {
        let name = if unnamed.is_some() {
            "what repeats"
        } else {
            &pattern.id
        };
        row(name, &pattern_picture(pattern, period_ms, &scale));
        drawn = true;
    }
    if !drawn {
        return;
    }
    let repeats = if period_ms > 0.0 && recognised.is_some_and(|pattern| !pattern.is_steady()) {
        let band = RateBand::of_period(period_ms)
            .map(|band| format!(" (IEC 60073: {})", band.id()))
            .unwrap_or_default();
        format!("; it repeats every {:.2} s{band}", period_ms / 1000.0)
    } else {
        String::new()
    };
    let key = format!(
        "One column is {:.3} s, {LIT} is lit{repeats}.",
        scale.column_ms / 1000.0
    );
    wrap(out, &key, "  ", "  ");
}

/// How much time one column stands for.
struct TimeScale {
    column_ms: f64,
}

impl TimeScale {
    /// So that flashes are wide enough to see and at least two repetitions fit.
    fn for_period(period_ms: f64) -> Self {
        let column_ms = match period_ms {
            period if period > 4800.0 => 200.0,
            period if period > 1700.0 => 100.0,
            period if period > 0.0 && period < 200.0 => 25.0,
            _ => 50.0,
        };
        Self { column_ms }
    }

    /// The middles of the columns, ms.
    fn middles(&self) -> impl Iterator<Item = f64> {
        let column_ms = self.column_ms;
        (0..picture_columns()).map(move |column| (f64::from(column) + 0.5) * column_ms)
    }
}

const LIT: char = '#';
const DARK: char = '.';

/// A pattern from the beginning of its cycle, stretched to the period that was seen.
fn pattern_picture(pattern: &Pattern, period_ms: f64, scale: &TimeScale) -> String {
    if pattern.is_steady() {
        let mark = if pattern.id == "off" { DARK } else { LIT };
        return mark.to_string().repeat(picture_columns() as usize);
    }
    let stretch = f64::from(pattern.period_ms()) / period_ms;
    let lit = |at: f64| pattern.is_on_at(whole_ms(at * stretch));
    scale
        .middles()
        .map(|at| if lit(at) { LIT } else { DARK })
        .collect()
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
fn whole_ms(at: f64) -> u32 {
    at.clamp(0.0, 1e9) as u32
}

/// What was seen, from the beginning of a repetition.
fn seen_picture(sight: &LampSight, scale: &TimeScale, from_ms: f64) -> String {
    let half = scale.column_ms / 2.0;
    let tapped = |at: f64| {
        sight
            .edges
            .iter()
            .any(|edge| (edge.at_ms - at - half).abs() <= half)
    };
    let described_ms = described_period(&sight.edges, &sight.ranking);
    let lit = |at: f64| {
        let at = if sight.how == How::Told {
            at % described_ms
        } else {
            at
        };
        sight
            .edges
            .iter()
            .rfind(|edge| edge.at_ms <= at)
            .is_some_and(|edge| edge.lit)
    };
    let last_ms = match sight.how {
        How::Told => f64::INFINITY,
        _ => sight
            .edges
            .last()
            .map_or(0.0, |edge| edge.at_ms + scale.column_ms),
    };
    let marks = scale.middles().map(|column| {
        let at = from_ms + column;
        if at > last_ms {
            ' '
        } else if sight.how == How::Tapped {
            // A tap tells when the lamp lit up, not for how long.
            if tapped(at) { '|' } else { ' ' }
        } else if lit(at) {
            LIT
        } else {
            DARK
        }
    });
    marks.collect()
}

/// Length of a described repetition, ms.
fn described_period(edges: &[Edge], ranking: &Ranking) -> f64 {
    let last = edges.last().map_or(0.0, |edge| edge.at_ms);
    let period = ranking
        .ranked
        .first()
        .and_then(|first| first.period_ms)
        .unwrap_or(0.0);
    if period > last { period } else { last + 1.0 }
}

/// The lighting-up after the first long darkness among the first ones: there a repetition begins.
fn beginning(sight: &LampSight) -> f64 {
    if sight.how == How::Told {
        return 0.0;
    }
    let after_ms = sight
        .ranking
        .change
        .as_ref()
        .map_or(f64::NEG_INFINITY, |change| change.at_ms);
    let edges: Vec<&Edge> = sight
        .edges
        .iter()
        .filter(|edge| edge.at_ms >= after_ms)
        .collect();
    let first = edges
        .iter()
        .find(|edge| edge.lit)
        .map_or(0.0, |edge| edge.at_ms);
    let pauses: Vec<(f64, f64)> = edges
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] if after.lit => Some((after.at_ms - before.at_ms, after.at_ms)),
            _ => None,
        })
        .take(8)
        .collect();
    let lengths = pauses.iter().map(|pause| pause.0);
    let shortest = lengths.clone().fold(f64::INFINITY, f64::min);
    let longest = lengths.fold(0.0, f64::max);
    let long = pauses
        .iter()
        .find(|pause| longest > 1.5 * shortest && pause.0 > 0.7 * longest);
    long.map_or(first, |pause| pause.1)
}

/// What would tell two patterns apart, as an instruction.
fn separating(differs: Difference) -> String {
    let seconds = |ms: u32| format!("{:.1} s", f64::from(ms) / 1000.0);
    match differs {
        Difference::LitOrDark => {
            "Brightness alone cannot tell steady light from darkness: look at it".to_owned()
        }
        Difference::Changes => "Look whether it changes at all".to_owned(),
        Difference::FlashCount(one, other) => {
            format!("Count the flashes between two long pauses: {one} or {other}")
        }
        Difference::Period(one, other) => {
            format!(
                "Time ten repetitions: each {} or {}",
                seconds(one),
                seconds(other)
            )
        }
        Difference::LitTime(one, other) => {
            format!(
                "Look how long it stays lit: {} or {}",
                seconds(one),
                seconds(other)
            )
        }
        Difference::Nothing => "Nothing the eye could see tells them apart".to_owned(),
    }
}

fn meaning(out: &mut String, answer: &LampAnswer<'_>) {
    let _ = writeln!(out, "What it means");
    for rhythm in answer
        .sights
        .iter()
        .filter_map(|sight| sight.ranking.unnamed.as_ref())
    {
        let text = format!(
            "{rhythm}: no standard name. A register map or the maker's manual may give it a meaning; in a map: \
             [[lamp_pattern]] id = \"NAME\", cycle_ms = {:?}",
            rhythm.pattern().cycle_ms
        );
        wrap(out, &text, "  ", "  ");
    }
    if answer.meanings.is_empty() {
        let unknown = match (answer.profile, answer.sights.len()) {
            (None, _) => {
                "unknown: a standard gives a pattern its name; what it means for this unit stands in its register map \
                 (--profile; packside profile list)"
            }
            (Some(_), 1) => "unknown: this map gives the pattern no meaning on this lamp",
            (Some(_), _) => "unknown: no code of this map fits these lamps together",
        };
        wrap(out, unknown, "  ", "  ");
    }
    for meaning in &answer.meanings {
        let also: Vec<String> = meaning
            .if_also
            .iter()
            .map(|(lamp, pattern)| format!("{lamp} {pattern}"))
            .collect();
        let also = if also.is_empty() {
            String::new()
        } else {
            format!(" (if also: {})", also.join(", "))
        };
        wrap(out, &format!("{}{also}", meaning.meaning), "  - ", "    ");
    }
}

/// What the sighting is worth for the verdict.
fn worth(out: &mut String, answer: &LampAnswer<'_>) {
    let _ = writeln!(out, "\nWhat it is worth");
    let alarm = answer
        .meanings
        .iter()
        .any(|one| one.any_alarm || one.states.contains(&StateKind::Fault));
    let other = answer
        .meanings
        .iter()
        .any(|one| !one.any_alarm && !one.states.contains(&StateKind::Fault));
    let text = match (alarm, other) {
        (false, false) => "Between a real fault and a silent inverter it weighs nothing.",
        (true, true) => {
            "A real alarm fits, and something harmless fits as well: the lamp does not decide, the registers do."
        }
        (true, false) => {
            "It speaks for a fault. Read everything before anybody switches off, restarts or resets."
        }
        (false, true) => {
            "No alarm is in it. A fault may still be there: the lamp does not show all."
        }
    };
    wrap(out, text, "  ", "  ");
    wrap(
        out,
        "This alone does not prove the unit sound, and dark never means sound.",
        "  ",
        "  ",
    );
    if answer.sights.iter().any(|sight| sight.lamp == "fault") && answer.profile.is_none() {
        wrap(
            out,
            "Remark: the Modbus serial line specification (3.7) recommends an error lamp that is steady for an internal \
             fault and flashes for communication or configuration. No maker is bound by it: no evidence.",
            "  ",
            "  ",
        );
    }
}

/// What to do where what was seen does not suffice.
fn watch_again(answer: &LampAnswer<'_>) -> String {
    let weak = answer.sights.iter().find(|sight| !sight.ranking.enough);
    if answer.film.is_some() && answer.sights.is_empty() {
        return "look whether it is lit or dark, then packside lamp --seen steady, or --seen dark"
            .to_owned();
    }
    if let Some(sight) = weak.filter(|sight| sight.place.is_some()) {
        return film::again(&sight.ranking);
    }
    match weak.and_then(|sight| sight.ranking.unclear) {
        Some(Unclear::TooQuick | Unclear::SlowEdges) => {
            return "look at it with the eye, then packside lamp --seen TEXT".to_owned();
        }
        Some(Unclear::LitTime) => {
            return "packside lamp   (tap j when it lights up and f when it goes out)".to_owned();
        }
        None => {}
    }
    let differs = weak
        .and_then(|sight| rivals(&sight.ranking, &answer.patterns))
        .map(|(_, _, differs)| differs);
    if differs == Some(Difference::LitOrDark) {
        return "look whether it is lit or dark, then packside lamp --seen steady, or --seen dark"
            .to_owned();
    }
    let profile = answer
        .profile_name
        .map(|name| format!(" --profile {}", typed(name)))
        .unwrap_or_default();
    let lamp = weak
        .filter(|_| answer.profile.is_some())
        .map(|sight| format!(" --lamp {}", sight.lamp));
    format!(
        "packside lamp{profile}{}   (watch it for 5 s more and tap along)",
        lamp.unwrap_or_default()
    )
}
