//! A unit that has every point of every known model, so that their map can be shown without a unit.

use std::collections::BTreeMap;

use super::compose::{NoMap, UnitAt, map_of};
use super::data::{Model, ModelPoint, models};
use super::walk::{Chain, ChainEnd, FoundModel};
use crate::line::{LineSettings, Parity};
use crate::model::Kind;

/// The map of a made-up unit: one string, one module with a model of its own, two cells, everything
/// implemented. Content is invented; only that it is there counts.
///
/// # Errors
/// Where the data of this package cannot be read, which a test excludes.
pub fn example() -> Result<String, NoMap> {
    let known = models().map_err(|error| NoMap::Data(error.to_string()))?;
    let mut chain = Chain {
        mark: 40_000,
        models: Vec::new(),
        end: ChainEnd::Whole(40_002),
        words: BTreeMap::new(),
    };
    let mut at = 40_002;
    for model in &known.models {
        let repeats: u16 = match &model.block {
            None => 0,
            Some(block) if block.name == "cell" => 2,
            Some(_) => 1,
        };
        let stride = model.block.as_ref().map_or(0, |block| block.stride);
        let found = FoundModel {
            id: model.id,
            at,
            length: model.length + repeats * stride,
        };
        fill(&mut chain.words, model, &found, repeats);
        at += found.length + 2;
        chain.models.push(found);
    }
    chain.end = ChainEnd::Whole(at);
    let line = LineSettings {
        baud: 9_600,
        parity: Parity::None,
        stop_bits: 1,
    };
    map_of(&chain, UnitAt { unit: 1, line })
}

fn fill(words: &mut BTreeMap<u16, u16>, model: &Model, found: &FoundModel, repeats: u16) {
    let mut put = |point: &ModelPoint, start: u16| {
        let content = match (point.name.as_str(), point.kind) {
            ("Typ", _) => 4,
            ("WChaRteMax" | "WDisChaRteMax" | "V", _) => 100,
            (name, Kind::U16) if name.contains("CellV") => 3,
            (_, Kind::String) => 0x4141,
            (_, Kind::Bits32) | (_, Kind::I16) => 0,
            _ => 1,
        };
        for n in 0..point.width() {
            words.insert(
                start + point.at + n,
                if point.kind == Kind::U32 && n == 0 {
                    0
                } else {
                    content
                },
            );
        }
    };
    for point in &model.points {
        put(point, found.at);
    }
    if let Some(block) = &model.block {
        for n in 0..repeats {
            for point in &block.points {
                put(point, found.at + block.at + n * block.stride);
            }
        }
    }
}
