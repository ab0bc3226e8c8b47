//! Holds ways to read registers against physics: what adds up, moves together, flows or counts.
//!
//! Input: images of registers with their times, and what a draft says of each point, or nothing at all.
//! Output: for each point how well it is known, the reading, the rivals, and the evidence as data.
//!
//! Does not: read a line or a file, know a map, decide a verdict, or speak.
//!
//! # Why nothing is a percentage
//! A sum of 96 cells that follows the pack voltage through four volts is no likelihood but a proof; a
//! number that lies where many lie is none. So there are four grades and the reason beside each.

mod bench;
mod blocks;
mod claim;
mod current;
mod decades;
mod extremes;
mod flow;
mod images;
mod learn;
mod pack;
mod plausible;
mod proposal;
mod reading;
mod relate;
mod slow;
mod stack;
mod suppose;
mod text;
mod viable;
mod voltage;
mod weigh;

pub use claim::{Claim, Evidence, Extreme, Named, Outcome, Shift, Weighed, differences};
pub use images::{Images, MOST_IMAGES, Register};
pub use learn::learn;
pub use proposal::Proposal;
pub use reading::Reading;
pub use weigh::weigh;
