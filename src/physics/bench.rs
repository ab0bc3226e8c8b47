//! A draft placed in one way, while it is weighed.
//!
//! Does not: weigh anything itself.

use packside_profiles::Role;

use super::claim::{Claim, Evidence};
use super::images::Images;
use super::viable::{Candidate, Viable};

/// One way to place the whole draft, weighed.
pub(crate) struct Bench<'a> {
    pub(crate) images: &'a Images,
    /// The claims, with the roles that were supposed here.
    pub(crate) claims: Vec<Claim>,
    pub(crate) viable: Vec<Viable>,
    /// Places in `viable[..].candidates` that the unit itself showed.
    pub(crate) proven: Vec<Option<Vec<usize>>>,
    pub(crate) evidence: Vec<Vec<Evidence>>,
    /// Points that are not what the document says they are for.
    pub(crate) disproven: Vec<bool>,
    /// Strings of cells side by side, where the sum of the cells tells.
    pub(crate) strings: Option<usize>,
    /// What speaks for this place of the whole draft, nats.
    pub(crate) score: f64,
}

impl Bench<'_> {
    /// Points of a role.
    pub(crate) fn of(&self, role: Role) -> Vec<usize> {
        let claims = self.claims.iter().enumerate();
        let here = claims.filter(|(_, claim)| claim.role == role && !claim.is_part);
        here.map(|(index, _)| index).collect()
    }

    /// The reading that stands for a point now: proven, else next to the document.
    pub(crate) fn best(&self, index: usize) -> Option<&Candidate> {
        let candidates = &self.viable.get(index)?.candidates;
        let proven = self.proven.get(index)?.as_ref();
        match proven.and_then(|proven| proven.first()) {
            Some(place) => candidates.get(*place),
            None => candidates.first(),
        }
    }

    /// The candidates of a point.
    pub(crate) fn candidates(&self, index: usize) -> &[Candidate] {
        self.viable
            .get(index)
            .map_or(&[], |viable| &viable.candidates)
    }

    /// Notes that the unit showed these readings of a point, with the reason.
    pub(crate) fn prove(&mut self, index: usize, places: Vec<usize>, why: Evidence) {
        if let Some(proven) = self.proven.get_mut(index).filter(|_| !places.is_empty()) {
            *proven = Some(places);
        }
        self.note(index, why);
    }

    /// Notes that others add up with the reading that stands for a point now.
    pub(crate) fn back(&mut self, index: usize, why: Evidence) {
        let Some(best) = self.best(index) else { return };
        let candidates = self.candidates(index).iter().enumerate();
        let same = candidates.filter(|(_, one)| one.is_same(best));
        let places = same.map(|(place, _)| place).collect();
        self.prove(index, places, why);
    }

    /// Notes that a point is not what the document says it is for, with the reason where there is no other yet.
    pub(crate) fn disprove(&mut self, index: usize, why: Option<Evidence>) {
        if let Some(disproven) = self.disproven.get_mut(index) {
            *disproven = true;
        }
        if let Some(why) = why {
            self.note(index, why);
        }
    }

    /// Takes away the candidates that are excluded, without calling the rest proven.
    pub(crate) fn keep(&mut self, index: usize, left: &[usize]) {
        if let Some(viable) = self.viable.get_mut(index) {
            let mut place = 0;
            viable.candidates.retain(|_| {
                place += 1;
                left.contains(&(place - 1))
            });
        }
    }

    /// Notes that what a document says of a point is odd: what is nearly as near to it is not excluded.
    pub(crate) fn doubt(&mut self, index: usize) {
        let candidates = self
            .viable
            .get_mut(index)
            .map(|viable| &mut viable.candidates);
        for candidate in candidates
            .into_iter()
            .flatten()
            .filter(|one| one.cost < 0.5)
        {
            candidate.cost += 0.6;
        }
    }

    /// Notes what speaks for a point without proving it.
    pub(crate) fn note(&mut self, index: usize, why: Evidence) {
        if let Some(evidence) = self.evidence.get_mut(index) {
            evidence.push(why);
        }
    }
}
