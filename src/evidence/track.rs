//! What is known of one instance: its last sample, and what the rules need of those before.
//!
//! Input: its samples, one by one. Does not: know other instances.

use std::time::Duration;

use packside_profiles::model::Point;
use packside_profiles::{Decoded, Foreign, Quality, Role, Value};

use super::excursion::Excursion;
use super::heat::Heat;
use super::map::Map;
use super::samples::{Given, usable};
use super::stamp::Stamp;
use super::words::{WordMemory, word};

/// Most different serial numbers of one place that are told apart.
const TEXTS: usize = 8;

/// Samples so far apart confirm each other.
// Kind: common practice
pub(crate) const CONFIRMS: Duration = Duration::from_secs(1);

/// Whether an answer came, and in it no value.
fn has_no_value(given: &Given) -> bool {
    matches!(given, Given::Decoded(decoded) if decoded.quality != Quality::Good)
}

/// What an instance gave last.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Last {
    /// When the answer was complete.
    pub(crate) at: Stamp,
    /// What it was.
    pub(crate) what: Given,
}

/// What is known of one instance.
#[derive(Debug, Clone, Default)]
pub(crate) struct Track {
    /// What was read last.
    pub(crate) last: Option<Last>,
    /// The last usable number, and when.
    pub(crate) number: Option<(Stamp, f64)>,
    /// The usable number before that, and when.
    pub(crate) before: Option<(Stamp, f64)>,
    /// When it was beyond an alarm limit, if it ever was.
    pub(crate) excursion: Option<Box<Excursion>>,
    /// Its last samples had no value, in two of them far enough apart.
    pub(crate) lost_twice: bool,
    /// The question that gave the last sample: there are fewer than 256.
    pub(super) from: Option<u8>,
    kept: Option<Box<Kept>>,
}

/// What a rule needs of earlier samples of one instance.
#[derive(Debug, Clone)]
enum Kept {
    Words(WordMemory),
    /// Different texts, in the order in which they came.
    Texts(Vec<Foreign>),
    /// What a temperature did.
    Heat(Heat),
}

impl Track {
    pub(super) fn new(map: &Map, point: usize) -> Self {
        let role = map.point(point).map(|point| point.role);
        let kept = match role {
            Some(Role::Serial | Role::ModuleSerial) => Some(Kept::Texts(Vec::new())),
            _ if map.tells_heat(point) => Some(Kept::Heat(Heat::default())),
            _ => map
                .words_of(point)
                .map(|flags| Kept::Words(WordMemory::new(flags.len()))),
        };
        Self {
            kept: kept.map(Box::new),
            ..Self::default()
        }
    }

    /// Its words, where it is one.
    pub(crate) fn words(&self) -> Option<&WordMemory> {
        match self.kept.as_deref() {
            Some(Kept::Words(words)) => Some(words),
            _ => None,
        }
    }

    /// The different texts that it gave, where it is a serial number.
    pub(crate) fn texts(&self) -> &[Foreign] {
        match self.kept.as_deref() {
            Some(Kept::Texts(texts)) => texts,
            _ => &[],
        }
    }

    /// What it did, where it is a temperature.
    pub(crate) fn heat(&self) -> Option<&Heat> {
        match self.kept.as_deref() {
            Some(Kept::Heat(heat)) => Some(heat),
            _ => None,
        }
    }

    /// Its words, to be marked.
    pub(super) fn words_mut(&mut self) -> Option<&mut WordMemory> {
        match self.kept.as_deref_mut() {
            Some(Kept::Words(words)) => Some(words),
            _ => None,
        }
    }

    /// What it did, where it is a temperature, to go on.
    pub(super) fn heat_mut(&mut self) -> Option<&mut Heat> {
        match self.kept.as_deref_mut() {
            Some(Kept::Heat(heat)) => Some(heat),
            _ => None,
        }
    }

    /// Bytes that it holds beside itself.
    pub(super) fn held(&self) -> usize {
        let text = |text: &Foreign| size_of::<Foreign>() + text.as_given().len();
        let last = match self.last.as_ref().map(|last| &last.what) {
            Some(Given::Decoded(Decoded {
                value: Some(Value::Text(value)),
                ..
            })) => value.as_given().len(),
            _ => 0,
        };
        let kept = self.kept.as_deref().map_or(0, |kept| {
            size_of::<Kept>()
                + match kept {
                    Kept::Words(words) => words.held(),
                    Kept::Texts(texts) => texts.iter().map(text).sum(),
                    Kept::Heat(heat) => heat.held(),
                }
        });
        last + kept
            + self
                .excursion
                .as_ref()
                .map_or(0, |_| size_of::<Excursion>())
    }

    /// Whether it was read in the answer that was complete at this moment.
    pub(super) fn is_of(&self, at: Stamp) -> bool {
        self.last.as_ref().is_some_and(|last| last.at == at)
    }

    /// The number in the answer that was complete at this moment.
    pub(super) fn number_of(&self, at: Stamp) -> Option<f64> {
        let (when, number) = self.number?;
        (when == at && self.is_of(at)).then_some(number)
    }

    /// The word in the answer that was complete at this moment.
    pub(super) fn word_of(&self, at: Stamp) -> Option<u64> {
        word(&self.last.as_ref().filter(|last| last.at == at)?.what)
    }

    pub(super) fn take(&mut self, at: Stamp, what: Given, map: &Map, point: (usize, &Point)) {
        let new = usable(&what);
        self.keep(at, &what, map, point);
        if let Some(new) = new {
            if point.1.valid_when.is_none() {
                let good_before = self.number.map(|(when, _)| when);
                Excursion::take(
                    &mut self.excursion,
                    (at, new),
                    good_before,
                    point.1,
                    map.for_excursions(),
                );
            }
            self.before = self.number;
            self.number = Some((at, new));
        }
        self.lost_twice = has_no_value(&what) && self.is_lost_again(at, map);
        self.last = Some(Last { at, what });
    }

    /// Whether it has no value once more, in a sample far enough from the last one.
    fn is_lost_again(&self, at: Stamp, map: &Map) -> bool {
        let apart = CONFIRMS.max(Duration::from_secs_f64(map.profile.refresh_s()));
        let before = self.last.as_ref().filter(|last| has_no_value(&last.what));
        let is_another = |last: &Last| at.since(last.at).is_none_or(|since| since >= apart);
        before.is_some_and(|last| self.lost_twice || is_another(last))
    }

    fn keep(&mut self, at: Stamp, what: &Given, map: &Map, (index, point): (usize, &Point)) {
        match self.kept.as_deref_mut() {
            Some(Kept::Words(words)) => {
                if let Some((raw, flags)) = word(what).zip(map.words_of(index)) {
                    words.take(at, raw, point, flags, map);
                }
            }
            Some(Kept::Texts(texts)) => {
                if let Given::Decoded(Decoded {
                    value: Some(Value::Text(text)),
                    ..
                }) = what
                    && texts.len() < TEXTS
                    && !texts.contains(text)
                {
                    texts.push(text.clone());
                }
            }
            Some(Kept::Heat(_)) | None => {}
        }
    }

    /// Forgets its texts but for that of the answer that was complete at this moment.
    pub(super) fn begin_texts_at(&mut self, at: Stamp) {
        let now = match &self.last {
            Some(Last {
                at: when,
                what:
                    Given::Decoded(Decoded {
                        value: Some(Value::Text(text)),
                        ..
                    }),
            }) if *when == at => Some(text.clone()),
            _ => None,
        };
        if let Some(Kept::Texts(texts)) = self.kept.as_deref_mut() {
            *texts = now.into_iter().collect();
        }
    }

    /// The same registers came again.
    pub(super) fn again(&mut self, at: Stamp, map: &Map, point: (usize, &Point)) {
        self.lost_twice = self.is_lost_again(at, map);
        let Some(last) = &mut self.last else { return };
        last.at = at;
        if let Some(new) = usable(&last.what) {
            if self.excursion.is_some() && point.1.valid_when.is_none() {
                Excursion::take(
                    &mut self.excursion,
                    (at, new),
                    None,
                    point.1,
                    map.for_excursions(),
                );
            }
            self.before = self.number;
            self.number = Some((at, new));
        }
        if matches!(self.kept.as_deref(), Some(Kept::Words(_))) {
            let what = last.what.clone();
            self.keep(at, &what, map, point);
        }
    }
}
