//! The pictures of the page.
//!
//! Does not: decide what is good or bad.

use super::html::Html;
use super::page::Parts;

/// Adds every picture that the recording has data for.
pub(crate) fn add(_html: &mut Html, _parts: &Parts) {}
