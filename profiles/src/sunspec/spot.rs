//! Where the instances of a point stand in a chain, and what they are called.

use super::data::{MODULE, Model, ModelPoint};
use super::walk::FoundModel;

/// Where the instances of a point stand, and what they are called.
pub(super) struct Spot<'a> {
    pub(super) model: &'a Model,
    /// Before ids: `string_2_`.
    pub(super) prefix: String,
    /// The same of the part that carries the scale points.
    pub(super) scales: String,
    /// Before words: `string 2: `.
    pub(super) label: String,
    /// Registers of the ids of the models in which the instances stand, with their lengths.
    pub(super) models: Vec<FoundModel>,
    /// First register of each instance.
    pub(super) starts: Vec<u16>,
    pub(super) group: Option<String>,
    /// Repetitions in each instance, and the registers from one to the next.
    pub(super) repeat: Option<(Vec<u16>, u16)>,
    /// Whether its points may have the roles that only one can have.
    pub(super) alone: bool,
}

impl FoundModel {
    pub(super) const NONE: Self = Self {
        id: 0,
        at: 0,
        length: 0,
    };
}

impl<'a> Spot<'a> {
    /// The part of one model that does not repeat.
    pub(super) fn alone(
        model: &'a Model,
        found: FoundModel,
        prefix: &str,
        label: &str,
        alone: bool,
    ) -> Self {
        Self {
            model,
            prefix: prefix.to_owned(),
            scales: prefix.to_owned(),
            label: label.to_owned(),
            models: vec![found],
            starts: Vec::new(),
            group: None,
            repeat: None,
            alone,
        }
    }

    /// Whether the first such model is long enough for a point.
    pub(super) fn has_room(&self, point: &ModelPoint, address: u16) -> bool {
        let last = |found: &FoundModel| u32::from(found.last());
        let end = |first: u16| u32::from(first) + u32::from(point.width()) - 1;
        match (&self.group, self.models.as_slice()) {
            (None, [found]) => end(address) <= last(found),
            (Some(_), models) if self.repeat.is_none() && self.model.id == MODULE => models
                .iter()
                .all(|found| end(found.at.saturating_add(address)) <= last(found)),
            _ => true,
        }
    }

    /// First registers of all instances of a point at this address.
    pub(super) fn firsts(&self, address: u16) -> Vec<u16> {
        if self.group.is_none() {
            return vec![address];
        }
        let mut firsts = Vec::new();
        for (n, start) in self.starts.iter().enumerate() {
            let first = start.saturating_add(address);
            match &self.repeat {
                None => firsts.push(first),
                Some((counts, stride)) => {
                    let count = counts.get(n).copied().unwrap_or_default();
                    firsts.extend((0..count).map(|item| first.saturating_add(item * stride)));
                }
            }
        }
        firsts
    }
}

/// Blocks that fit between their first register and the end of the model.
pub(super) fn repeats(found: &FoundModel, at: u16, stride: u16) -> u16 {
    let left = (found.length + 2).saturating_sub(at);
    left / stride.max(1)
}
