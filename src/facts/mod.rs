//! The words of a judgement as data: readings, findings, doubts, sights, steps, the health of a line.
//!
//! Input: evidence. Output: readings and health; and the types in which everything that judging says
//! is expressed.
//!
//! Does not: decide what follows from them ([`crate::judge`] does).

pub mod cause;
pub mod caution;
mod closed;
pub mod detail;
pub mod doubt;
pub mod fact;
mod finding;
pub mod headline;
pub(crate) mod health;
pub mod judgement;
pub mod not_tested;
pub(crate) mod readings;
pub mod remedy;
pub mod sight;
mod spots;
pub mod step;
mod verdict;
pub mod whereabouts;

pub use crate::evidence::share::Share;
pub use cause::{Cause, CauseKind};
pub use doubt::{Doubt, DoubtKind};
pub use fact::{Fact, FactKind};
pub use headline::Headline;
pub use health::Health;
pub use judgement::{
    Basis, Bus, Certainty, Disposition, FactKey, Finding, Identity, Judgement, MemberSummary,
    ModuleIdentity, Reading, ReadingQuality, Reason, Source, UnitState, ValueRemark, Verdict,
    VerdictKind, Why,
};
pub use not_tested::NotTested;
pub use sight::{Sight, SightKind};
pub use step::{NextStep, Step, StepKind};
