//! From maps and recordings to what [`crate::physics`] weighs.
//!
//! Input: a draft as it is written, lines of register images, or what was said on a link. Output: claims and
//! images. Does not: weigh anything, change a draft, or read a file.

mod claims;
mod images;

pub use claims::{claims, in_map};
pub use images::{ImageError, from_exchanges, from_lines, units};
