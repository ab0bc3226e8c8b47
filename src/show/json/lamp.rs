//! What a lamp was seen to do, `packside.lamp/1`.
//!
//! Of a single lamp all its fields stand at the top as well.

use std::collections::BTreeMap;

use packside_profiles::StateKind;
use packside_profiles::model::Profile;
use serde::Serialize;

use crate::lamp::{Edge as SeenEdge, Meaning as Meant, Ranking, RateBand, Rhythm, Unclear};

/// Patterns less probable than this are left out.
const LEAST: f64 = 0.001;

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Answer {
    /// `packside.lamp/1`.
    pub schema: &'static str,
    /// Id of the register map.
    pub profile: Option<String>,
    /// The lamp, where there is only one.
    #[serde(flatten)]
    pub only: Option<Lamp>,
    /// Where there are several: every lamp was recognised (at least 0.9).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enough: Option<bool>,
    /// Codes of the map that fit all lamps. Empty: unknown, never sound.
    pub meanings: Vec<Meaning>,
    /// Every lamp.
    pub lamps: Vec<Lamp>,
    /// The film, where it was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub film: Option<Film>,
    /// The next step.
    pub next: String,
}

/// A code of the map.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Meaning {
    /// Its id.
    pub code: String,
    /// What it means.
    pub meaning: String,
    /// Flags, any of which may be up.
    pub flags: Vec<String>,
    /// Any alarm may be up.
    pub any_alarm: bool,
    /// States, any of which it may be.
    #[cfg_attr(test, schemars(with = "Vec<String>"))]
    pub states: Vec<StateKind>,
    /// Holds only where these lamps, which nobody saw, show these patterns.
    pub if_also: BTreeMap<String, String>,
}

/// One lamp and what was seen of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Lamp {
    /// Its id.
    pub lamp: String,
    /// Patterns, the most probable first.
    pub patterns: Vec<Pattern>,
    /// Probability that it is no known pattern.
    pub none_of_these: f64,
    /// The pattern that holds, the later one where it changed.
    pub recognised: Option<String>,
    /// Whether it was recognised.
    pub enough: bool,
    /// How long one repetition lasts.
    pub period_s: Option<f64>,
    /// `slow` or `normal` by IEC 60073, of the repetition.
    pub rate_band: Option<&'static str>,
    /// As seen; of a description one repetition, of taps with one key lighting-up only.
    pub edges: Vec<Edge>,
    /// How long it was watched.
    pub watched_s: Option<f64>,
    /// Where it changed while it was watched.
    pub changed: Option<Change>,
    /// Patterns that what was seen cannot tell apart.
    pub not_separated: Vec<String>,
    /// What it does where that is sure and no pattern has it: `recognised` is null, `enough` is true.
    pub unnamed: Option<Unnamed>,
    /// Why nothing follows: `too-quick`, `slow-edges` (both: look with the eye, or film at another rate),
    /// `lit-time` (one key does not tell how long it stays lit).
    pub unclear: Option<&'static str>,
    /// Where it lies in a film.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<PlaceInFilm>,
}

/// A film.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Film {
    /// How long it was looked at.
    pub watched_s: f64,
    /// Its rate.
    pub frames_per_s: f64,
    /// Pixels of a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// It went on for longer than was looked at.
    pub went_on: bool,
    /// Frames that were the one before again.
    pub repeated: usize,
    /// Frames that show another scene.
    pub lost: usize,
    /// The farthest the picture moved, in pixels.
    pub moved_px: f64,
    /// Places that change without a rhythm, left out.
    pub others: usize,
}

/// A place in a film, in pixels of its first frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlaceInFilm {
    /// Its number in the still, from 1.
    pub number: usize,
    /// Left edge.
    pub left: usize,
    /// Upper edge.
    pub top: usize,
    /// Right edge.
    pub right: usize,
    /// Lower edge.
    pub bottom: usize,
    /// `red`, `amber`, `green`, `blue`, `white`; null if it does not tell.
    pub colour: Option<&'static str>,
    /// Lamps of the map that it may be.
    pub may_be: Vec<String>,
    /// It left the picture, or the picture was lost.
    pub went_away: bool,
}

/// A pattern without a name.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unnamed {
    /// In words, as in `5 flashes, pause 1 s`. Not stable.
    pub text: String,
    /// Flashes in one repetition.
    pub flashes: usize,
    /// On, off, on, off, ... the longest darkness last.
    pub cycle_s: Vec<f64>,
    /// Whether on and off were told apart.
    pub lit_times: bool,
    /// Whether the length of the pause is known.
    pub pause_known: bool,
}

/// A pattern and how probable it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Pattern {
    /// Its id.
    pub id: String,
    /// 0 to 1.
    pub probability: f64,
}

/// The lamp lit up or went out.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Edge {
    /// When.
    pub at_s: f64,
    /// Whether it is lit from then on.
    pub lit: bool,
}

/// A change of pattern.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Change {
    /// When.
    pub at_s: f64,
    /// The pattern until then.
    pub before: String,
    /// The pattern from then on.
    pub after: String,
}

impl Answer {
    /// The answer about these lamps.
    pub fn new(
        profile: Option<&Profile>,
        lamps: Vec<Lamp>,
        meanings: &[Meant],
        next: String,
    ) -> Self {
        let only = match lamps.as_slice() {
            [only] => Some(only.clone()),
            _ => None,
        };
        let enough = lamps.iter().all(|lamp| lamp.enough);
        Self {
            schema: "packside.lamp/1",
            profile: profile.map(|profile| profile.profile.id.clone()),
            enough: only.is_none().then_some(enough),
            only,
            meanings: meanings.iter().map(Meaning::of).collect(),
            lamps,
            film: None,
            next,
        }
    }
}

impl Meaning {
    fn of(meant: &Meant) -> Self {
        Self {
            code: meant.code.clone(),
            meaning: meant.meaning.clone(),
            flags: meant.flags.clone(),
            any_alarm: meant.any_alarm,
            states: meant.states.clone(),
            if_also: meant.if_also.iter().cloned().collect(),
        }
    }
}

impl Lamp {
    /// One lamp, what was seen of it, and how long it was watched.
    pub fn of(lamp: &str, ranking: &Ranking, edges: &[SeenEdge], watched_ms: Option<f64>) -> Self {
        let seconds = |ms: f64| (ms / 10.0).round() / 100.0;
        let period_ms = ranking.first().and_then(|one| one.period_ms);
        let shown = ranking.ranked.iter().filter(|one| one.probability >= LEAST);
        let close = ranking.leaders();
        let not_separated = if close.len() > 1 {
            close.iter().map(|one| one.id.clone()).collect()
        } else {
            Vec::new()
        };
        Self {
            lamp: lamp.to_owned(),
            patterns: shown
                .map(|one| Pattern {
                    id: one.id.clone(),
                    probability: one.probability,
                })
                .collect(),
            none_of_these: ranking.other,
            recognised: ranking.latest().map(str::to_owned),
            enough: ranking.enough,
            period_s: period_ms.map(seconds),
            rate_band: period_ms.and_then(RateBand::of_period).map(RateBand::id),
            edges: edges
                .iter()
                .map(|edge| Edge {
                    at_s: edge.at_ms.round() / 1000.0,
                    lit: edge.lit,
                })
                .collect(),
            watched_s: watched_ms.map(seconds),
            changed: ranking.change.as_ref().map(|change| Change {
                at_s: seconds(change.at_ms),
                before: change.before.clone(),
                after: change.after.clone(),
            }),
            not_separated,
            unnamed: ranking.unnamed.as_ref().map(Unnamed::of),
            unclear: ranking.unclear.map(Unclear::id),
            place: None,
        }
    }
}

impl Unnamed {
    fn of(rhythm: &Rhythm) -> Self {
        let cycle = rhythm.cycle_ms.iter();
        Self {
            text: rhythm.to_string(),
            flashes: rhythm.flashes(),
            cycle_s: cycle.map(|ms| ms.round() / 1000.0).collect(),
            lit_times: rhythm.lit_times,
            pause_known: rhythm.pause_known,
        }
    }
}
