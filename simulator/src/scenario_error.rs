//! What is wrong with a scenario, in words with their places.
//!
//! Input: what a reader found. Output: text for people, every mistake with line and caret. Does not:
//! find mistakes (see `scenario_file`).

use std::fmt;

use packside_profiles::Foreign;

use crate::scenario::Scenario;

/// One mistake in a scenario file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// Line, 1-based.
    pub line: usize,
    /// Column in characters, 1-based.
    pub column: usize,
    /// The line as it stands; of a long one what stands around the column.
    pub source: String,
    /// Where the column stands in it, characters, 0-based.
    pub caret: usize,
    /// Where: expected what, found what.
    pub message: String,
}

/// Mistakes printed before the rest is only counted, so that they fit a screen.
const PRINTED: usize = 10;

/// Why there is no scenario.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScenarioError {
    /// It has mistakes; all of them.
    Mistakes {
        /// File name.
        origin: Foreign,
        /// By line.
        list: Vec<Mistake>,
    },
    /// The file cannot be read.
    Unreadable {
        /// As given.
        path: Foreign,
        /// As the system says it.
        why: String,
    },
    /// Its register map is none, or none any more once the scenario has changed it.
    Map {
        /// Its name.
        scenario: Foreign,
        /// As the loader of maps says it.
        why: String,
    },
    /// There is none of that name.
    Unknown {
        /// As given.
        name: Foreign,
    },
}

impl std::error::Error for ScenarioError {}

impl fmt::Display for ScenarioError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Map { scenario, why } => {
                write!(f, "scenario {}: its register map: {why}", scenario.clean())
            }
            Self::Unreadable { path, why } => {
                write!(f, "scenario {}: cannot be read: {why}", path.clean())
            }
            Self::Unknown { name } => {
                let known = Scenario::shipped().iter().map(|(name, _)| *name);
                let near = packside_profiles::near_matches(name.as_given(), known);
                let near = match near.as_slice() {
                    [] => String::new(),
                    near => format!(" (near it: {})", near.join(", ")),
                };
                write!(
                    f,
                    "scenario \"{}\": expected a file or a name of `packside-simulator list`, found no such \
                     scenario{near}",
                    name.clean()
                )
            }
            Self::Mistakes { origin, list } => {
                let (n, origin) = (list.len(), origin.clean());
                write!(
                    f,
                    "{origin}: {n} {}",
                    if n == 1 { "mistake" } else { "mistakes" }
                )?;
                for Mistake {
                    line,
                    column,
                    source,
                    caret,
                    message,
                } in list.iter().take(PRINTED)
                {
                    write!(
                        f,
                        "\n{origin}:{line}:{column}: {message}\n{line:>5} | {source}"
                    )?;
                    write!(f, "\n      | {}^", " ".repeat(*caret))?;
                }
                if n > PRINTED {
                    write!(f, "\nand {} more", n - PRINTED)?;
                }
                Ok(())
            }
        }
    }
}
