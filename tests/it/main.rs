//! Integration tests, one binary.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a test may fail loudly, and prints its table"
)]

mod adversary;
mod bad_input;
mod captures;
mod cases;
mod described;
mod docs;
mod examples;
mod find;
mod find_served;
mod free_texts;
mod from_table;
mod fuzzed;
mod growing;
mod held_back;
mod honest;
mod hostile;
mod house;
mod judged;
mod killed;
mod lamp;
mod link_asking;
mod link_open;
mod link_rules;
mod link_watch;
mod links;
mod listed;
mod listen;
mod listen_figures;
mod mutants;
mod not_tested;
mod own_map;
mod paper;
mod peer;
mod recording;
mod report;
mod retest;
mod scenarios;
mod score;
mod scripted;
mod settings;
mod settings_grid;
mod settings_line;
mod settled;
mod simulated_line;
#[cfg(unix)]
mod terminal;
mod tool;
mod traffic;
mod unit_index;
mod unlisted;
mod verdict;
mod visits;
mod watch;
mod weighed;
mod wire_end;
mod wordings;
