//! What people said beside the wire: lamps as they saw them, answers to the steps of a visit.
//!
//! Does not: weigh them.

use super::stamp::Stamp;
use packside_profiles::Foreign;

use crate::event::{StepAnswer, What};

/// Most lamps, and most steps, that are kept: the last ones.
const MOST: usize = 512;

/// A lamp and the pattern it showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct LampSaid {
    pub(crate) lamp: Foreign,
    pub(crate) pattern: Foreign,
    /// When.
    pub(crate) at: Stamp,
    /// Flags that were up then, as they had just been read: unit and place in the map.
    pub(crate) beside: Vec<(u8, usize)>,
}

/// What people said last.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct People {
    /// The last sighting of each lamp, in the order of these.
    pub(crate) lamps: Vec<LampSaid>,
    /// The last answer to each step, in the order of these.
    pub(crate) answers: Vec<StepAnswer>,
}

impl People {
    /// Takes what happened at a moment.
    pub(crate) fn take(&mut self, at: Stamp, what: &What) {
        match what {
            What::Sighting { lamp, pattern } => {
                self.lamps.retain(|known| known.lamp != *lamp);
                self.lamps.push(LampSaid {
                    lamp: lamp.clone(),
                    pattern: pattern.clone(),
                    at,
                    beside: Vec::new(),
                });
            }
            What::Answer(answer) => {
                self.answers.retain(|known| known.step != answer.step);
                self.answers.push(answer.clone());
            }
            _ => return,
        }
        let surplus = self.lamps.len().saturating_sub(MOST);
        self.lamps.drain(..surplus);
        if self.answers.len() > MOST {
            // What is not in order is forgotten last.
            let in_order = self.answers.iter().position(|answer| !answer.says_no());
            self.answers.remove(in_order.unwrap_or_default());
        }
    }

    /// Keeps the flags that are up as a lamp was told.
    pub(crate) fn told_beside(&mut self, up: Vec<(u8, usize)>) {
        if let Some(lamp) = self.lamps.last_mut() {
            lamp.beside = up;
        }
    }
}
