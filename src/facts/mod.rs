//! The words of a judgement as data: readings, findings, doubts, sights, steps, the health of a line.
//!
//! Input: evidence. Output: readings and health; and the types in which everything that judging says
//! is expressed.
//!
//! Does not: decide what follows from them ([`crate::judge`] does).

pub mod cause;
mod closed;
pub mod doubt;
pub mod fact;
pub mod headline;
pub(crate) mod health;
pub mod judgement;
pub(crate) mod readings;
pub mod sight;
pub(crate) mod step;

pub use crate::evidence::share::Share;
pub use cause::{Cause, CauseKind};
pub use doubt::{Doubt, DoubtKind};
pub use fact::{Fact, FactKind};
pub use headline::Headline;
pub use health::Health;
pub use judgement::{
    Basis, Bus, Certainty, Disposition, FactKey, Finding, Identity, Judgement, MemberSummary,
    ModuleIdentity, NotTested, Reading, ReadingQuality, Reason, Source, UnitState, ValueRemark,
    Verdict, VerdictKind, Why,
};
pub use sight::{Sight, SightKind};
pub use step::NextStep;
