//! A storage unit, its lamps, its line and its inverter, without the hardware.
//!
//! Input: a [`Scenario`], a profile, a seed, a client's bytes with their times. Output: the bytes
//! that reach the client with their times, lamps, and the truth behind them. Everything is found
//! by the roles and classes of the profile; no register number stands here.
//!
//! Does not: share code with the tool's own codec (two witnesses), judge anything, or know a real
//! product. Whatever it prints says that it is simulated.
//!
//! # Invariants
//! - Time is a parameter; only [`serve`] reads a clock. All chance comes from one seed: same
//!   scenario, profile, seed and client's bytes, same answers to the byte.
//! - Any bytes: no panic, bounded memory.

mod cell_plan;
pub mod compose;
mod control;
mod control_check;
mod control_plan;
mod dice;
mod frame;
mod fuzzing;
mod gateway;
mod lamp;
mod line_plan;
mod map;
mod mischief;
mod mischief_plan;
mod pack;
mod protect;
mod registers;
mod scenario;
mod scenario_check;
mod scenario_error;
mod scenario_file;
pub mod serve;
mod shipped;
mod site;
pub mod uart;
mod unit;
mod world;

pub use cell_plan::{CellPlan, CircuitPlan, Defect, LampPlan, Pole, Swap, Terminals};
pub use control_plan::{Button, ControlPlan, Protection, Saying};
pub use frame::Framing;
pub use fuzzing::any_clients;
pub use gateway::{GatewayPlan, GatewayState, News, Rival, WhenCrowded, WhenFull, WhenSilent};
pub use line_plan::{Chatter, LinePlan, Neighbour, Noise, NoiseSource, SecondClient};
pub use map::Map;
pub use mischief_plan::{Mischief, MischiefKind};
pub use scenario::{Event, Expect, InverterPlan, InverterReads, Scenario, Stack, time_from_text};
pub use scenario_error::{Mistake, ScenarioError};
pub use site::{Site, Way};
pub use world::{Arrival, Truth, UnitTruth, World};
