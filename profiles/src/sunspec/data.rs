//! The models as data.

use serde::Deserialize;

use crate::meaning::{Class, Role, StateKind};
use crate::model::{Kind, LiesIn, Severity};

/// Ids of the models that have a meaning here.
pub(super) const COMMON: u16 = 1;
pub(super) const BANK: u16 = 802;
pub(super) const STRINGS: u16 = 803;
pub(super) const STRING: u16 = 804;
pub(super) const MODULE: u16 = 805;

/// All models that are known, and what their flags mean.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Models {
    /// What judges where no limit is known.
    pub(super) floor: Floor,
    /// In the order of their ids.
    #[serde(rename = "model")]
    pub models: Vec<Model>,
    /// What bits and codes mean, in whatever model they stand.
    #[serde(rename = "flag")]
    pub(super) flags: Vec<ModelFlag>,
}

/// What every lithium-ion cell bears, and other numbers of a unit of which nothing else is known.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Floor {
    pub(super) cell_v: [f64; 2],
    /// From this average on it is no chemistry with lower cells.
    pub(super) cell_average_from_v: f64,
    pub(super) cell_possible_v: [f64; 2],
    pub(super) temperature_c: [f64; 2],
    pub(super) temperature_possible_c: [f64; 2],
    pub(super) charge_c: [f64; 2],
    pub(super) rate: f64,
    pub(super) rest_current_a: f64,
    pub(super) silence_s: u32,
}

/// One model.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Model {
    /// Its id in the chain.
    pub id: u16,
    /// What is called so: `bank`, `string`.
    pub name: String,
    /// Registers of the part that does not repeat, without id and length.
    pub length: u16,
    /// Points of that part; `at` counts from the register of the id.
    pub points: Vec<ModelPoint>,
    /// What repeats until the model ends.
    pub block: Option<Block>,
}

/// A block that repeats until the model ends.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// What one is: `string`, `module`, `cell`.
    pub name: String,
    /// First register of the first one, from the register of the id.
    pub at: u16,
    /// Registers of one.
    pub stride: u16,
    /// Its points; `at` counts from its first register.
    pub points: Vec<ModelPoint>,
}

/// One point of a model.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ModelPoint {
    /// Its name in the model.
    pub name: String,
    /// Its first register.
    pub at: u16,
    /// How registers make a value.
    #[serde(rename = "type")]
    pub kind: Kind,
    /// Registers of a text.
    pub registers: Option<u16>,
    /// What it is for, where it is judged.
    pub role: Option<Role>,
    /// Physical unit.
    #[serde(default)]
    pub unit: String,
    /// The point of the same model that scales it.
    pub scale: Option<String>,
    /// Every unit with this model must have it.
    #[serde(default)]
    pub mandatory: bool,
    /// In words.
    pub words: String,
    /// Names of its values.
    #[serde(default)]
    pub values: Vec<ModelValue>,
}

/// A value of an enumeration, and for the state what it means.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
pub enum ModelValue {
    /// With its meaning.
    State(u64, String, StateKind),
    /// Only named.
    Named(u64, String),
}

/// A bit or code.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ModelFlag {
    pub(super) id: String,
    /// Models and points in which it stands.
    #[serde(rename = "in")]
    pub(super) places: Vec<(u16, String)>,
    pub(super) bit: Option<u8>,
    #[serde(default)]
    pub(super) values: Vec<u64>,
    pub(super) active: Option<u8>,
    pub(super) class: Class,
    pub(super) severity: Severity,
    pub(super) lies_in: LiesIn,
    pub(super) meaning: String,
    #[serde(default, rename = "do")]
    pub(super) to_do: String,
    /// Ids of statuses of the same string that it brings along.
    #[serde(default)]
    pub(super) brings: Vec<String>,
}

impl ModelPoint {
    /// Registers that it takes.
    pub fn width(&self) -> u16 {
        crate::words_of(self.kind).unwrap_or_else(|| self.registers.unwrap_or(1))
    }
}

impl Models {
    /// The model with this id.
    pub fn get(&self, id: u16) -> Option<&Model> {
        self.models.iter().find(|model| model.id == id)
    }
}

/// The models that this package knows.
///
/// # Errors
/// Where the data that come with this package cannot be read, which a test excludes.
pub fn models() -> Result<Models, toml::de::Error> {
    toml::from_str(include_str!("../../sunspec/models.toml"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_point_reaches_out_of_its_model_or_into_another() {
        let models = models().unwrap();
        for model in &models.models {
            let mut taken = vec![false; usize::from(model.length) + 2];
            for point in &model.points {
                for at in point.at..point.at + point.width() {
                    assert!(at >= 2 && !std::mem::replace(&mut taken[usize::from(at)], true));
                }
            }
            if let Some(block) = &model.block {
                assert_eq!(block.at, model.length + 2);
                assert!(
                    block
                        .points
                        .iter()
                        .all(|p| p.at + p.width() <= block.stride)
                );
            }
        }
    }

    #[test]
    fn every_flag_stands_in_points_that_there_are() {
        let models = models().unwrap();
        for (flag, (id, name)) in models
            .flags
            .iter()
            .flat_map(|flag| flag.places.iter().map(move |place| (flag, place)))
        {
            let model = models.get(*id).unwrap();
            let block = model.block.iter().flat_map(|block| &block.points);
            let point = model.points.iter().chain(block).find(|p| p.name == *name);
            assert!(point.is_some(), "{}: {id} {name}", flag.id);
        }
    }
}
