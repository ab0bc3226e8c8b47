//! Integration tests, one binary.

mod link_asking;
mod link_open;
mod link_rules;
mod link_watch;
mod peer;
mod scripted;
