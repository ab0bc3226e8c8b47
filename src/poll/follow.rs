//! Follows one unit closely: the same short reads over and over, as fast as the line allows.
//!
//! Around a transition a whole cycle is too slow: a pre-charge takes a tenth of a second to two. So
//! only what changes then is read: state, flags, supervision, pack and terminal voltage, current.
//!
//! Does not: send, wait, judge, or split what the unit refuses (a look before it has done that).

use packside_profiles::model::{Point, Profile};
use packside_profiles::{Known, Layout, Role};

use super::plan::{Cost, Read, absolute, plan};
use super::wanted::{avoided, is_quick};
use crate::wire::{Ask, Question};

/// The short reads of one unit, in turn and without end.
#[derive(Debug, Clone)]
pub struct Follow {
    unit: u8,
    reads: Vec<Read>,
    next: usize,
}

impl Follow {
    /// Follows this unit address.
    pub fn new(profile: &Profile, unit: u8, cost: &Cost) -> Self {
        Self::points(profile, unit, cost, |point| is_followed(point.role))
    }

    /// Follows only the codes of this unit address that take turns.
    pub fn codes(profile: &Profile, unit: u8, cost: &Cost) -> Self {
        Self::points(profile, unit, cost, |point| point.rotates)
    }

    fn points(
        profile: &Profile,
        unit: u8,
        cost: &Cost,
        is_wanted: impl Fn(&Point) -> bool,
    ) -> Self {
        let known = Known::default();
        let wanted: Vec<_> = Layout::new(profile, &known)
            .instances
            .into_iter()
            .filter(|instance| {
                let point = profile.points.get(instance.point);
                point.is_some_and(&is_wanted)
            })
            .collect();
        let spans = absolute(&profile.spans, &known);
        let reads = plan(&wanted, &spans, &avoided(profile, &known), cost);
        Self {
            unit,
            reads,
            next: 0,
        }
    }

    /// Reads in one round.
    pub fn round(&self) -> usize {
        self.reads.len()
    }

    /// The next question; nothing where the profile has none of these points.
    pub fn next_ask(&mut self) -> Option<Ask> {
        let read = self.reads.get(self.next)?;
        self.next = (self.next + 1) % self.reads.len().max(1);
        Some(Ask {
            unit: self.unit,
            question: Question::Read {
                table: read.table,
                address: read.address,
                count: read.count,
            },
        })
    }
}

fn is_followed(role: Role) -> bool {
    let moves = matches!(
        role,
        Role::PackVoltage
            | Role::TerminalVoltage
            | Role::PackCurrent
            | Role::PackPower
            | Role::Switches
    );
    moves || is_quick(role)
}
