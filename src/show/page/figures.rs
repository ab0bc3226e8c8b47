//! The pictures of the page, in their order.
//!
//! Does not: decide what is good or bad.

use super::html::Html;
use super::parts::Parts;
use super::parts::section;
use super::{cells, curves, resistance, timeline};

/// Adds every picture that the recording has data for.
pub(crate) fn add(html: &mut Html, parts: &Parts) {
    section(html, "Pictures", |inner| {
        timeline::add(inner, parts);
        cells::add(inner, parts);
        curves::temperatures(inner, parts);
        curves::under_load(inner, parts);
        resistance::add(inner, parts);
        curves::bus(inner, parts);
    });
}
