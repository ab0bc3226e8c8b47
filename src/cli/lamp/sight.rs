//! What was seen of lamps, and all that is shown of it.

use packside_profiles::Foreign;
use packside_profiles::model::Profile;

use super::super::args::typed;
use super::film;
use crate::lamp::{Edge, Meaning, Pattern, Ranking};

/// One lamp and what was seen of it.
pub(super) struct LampSight {
    /// Which lamp.
    pub(super) lamp: String,
    /// Patterns, the most probable first.
    pub(super) ranking: Ranking,
    /// Edges as seen; of a description one repetition.
    pub(super) edges: Vec<Edge>,
    /// How it was seen.
    pub(super) how: How,
    /// How long it was watched, where it was.
    pub(super) watched_ms: Option<f64>,
    /// Where it lies in a film.
    pub(super) place: Option<film::FilmPlace>,
}

impl LampSight {
    pub(super) fn filmed((lamp, ranking, place): film::FilmSight) -> Self {
        let seen = place.lamp.seen.as_ref();
        Self {
            lamp,
            ranking,
            edges: seen.map(|seen| seen.edges.clone()).unwrap_or_default(),
            how: How::Watched,
            watched_ms: Some(place.lamp.watched_ms),
            place: Some(place),
        }
    }

    /// Its name, where a lamp of the map is meant and no place in a film that may be several.
    pub(super) fn lamp_or_blank(&self) -> &str {
        let known = self
            .place
            .as_ref()
            .is_none_or(|place| place.may_be == [self.lamp.as_str()]);
        if known { &self.lamp } else { "LAMP" }
    }
}

/// How a lamp was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum How {
    /// Put into words.
    Told,
    /// Tapped at every lighting-up.
    Tapped,
    /// Both edges are known: a trace, or two keys.
    Watched,
}

/// Everything that is shown.
pub(super) struct LampAnswer<'a> {
    pub(super) profile: Option<&'a Profile>,
    /// Its name as it was given.
    pub(super) profile_name: Option<&'a Foreign>,
    pub(super) patterns: Vec<Pattern>,
    pub(super) sights: Vec<LampSight>,
    pub(super) meanings: Vec<Meaning>,
    /// The film, where it was one.
    pub(super) film: Option<film::AboutFilm>,
}

impl LampAnswer<'_> {
    /// Whether every lamp was recognised.
    pub(super) fn enough(&self) -> bool {
        !self.sights.is_empty() && self.sights.iter().all(|sight| sight.ranking.enough)
    }

    /// The profile where it is given, else what to put there.
    pub(super) fn profile_name(&self) -> String {
        self.profile_name.map_or_else(|| "NAME".to_owned(), typed)
    }
}
