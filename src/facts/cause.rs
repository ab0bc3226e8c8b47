//! A cause of a bus problem, a bad line or a silent inverter, weighed.
//!
//! Does not: weigh ([`crate::judge`] does).

/// A possible reason of what is seen, with its share among all that were weighed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cause {
    /// Stable id.
    pub id: &'static str,
    /// Share in per mille.
    pub per_mille: u32,
    /// In the words of a technician.
    pub meaning: &'static str,
    /// Observations that speak for it.
    pub reasons_for: Vec<String>,
    /// Observations that speak against it.
    pub reasons_against: Vec<String>,
    /// Id of the step that settles it.
    pub settled_by: &'static str,
    /// What to mind meanwhile; may be empty.
    pub caution: &'static str,
}
