//! `packside profile learn`: a draft from what was read of a unit, without any document.
//!
//! Does not: ask a unit anything, or propose what no physics tells: alarm words, states, codes, limits, the
//! inverter's flag.

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::Args;
use packside_profiles::model::Kind;
use packside_profiles::{Role, as_written, explain};
use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, value};

use super::amend::{as_table, rival_table, set};
use super::given::CheckOutcome;
use super::weigh::{Kept, kept};
use crate::cli::args::typed;
use crate::cli::failure::{Failure, LOCAL, failure};
use crate::cli::output::Output;
use crate::physics::{Images, Proposal, learn};
use crate::show::json::{self, draft::Draft};
use crate::show::paper;
use crate::words::physics as words;

/// Arguments of `profile learn`.
#[derive(Debug, Clone, Args)]
pub(super) struct LearnArgs {
    /// A recording, or lines of register images
    file: PathBuf,
    /// Unit address, where the file has several
    #[arg(long, value_name = "N", value_parser = crate::cli::args::unit_address)]
    unit: Option<u8>,
    /// Write the draft into this file
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Write over it if it is there already
    #[arg(long, requires = "output")]
    replace: bool,
}

/// What stands at the head of a learnt draft: careful guesses, all of them named as open.
const HEAD: &str = "format = 3

[draft]
made = \"learn\"
source = \"\"
# What no register tells. Find each in the maker's document, correct it, and take it off the list.
open = [\"answering.line\", \"answering.unit\", \"inverter.silence_s\", \"inverter.flag\", \"unit.chemistry\", \"unit.cells_per_module\"]

[profile]
id = \"learnt\"
title = \"Learnt from registers\"
document = \"none: learnt from registers\"
revision = \"none\"
author = \"packside profile learn\"
date = \"2000-01-01\"
verified_on_hardware = false

[answering]
line = \"9600-8N1\"
unit = 1
answer_time_ms = 100
time_out_ms = 1000
functions = [3, 4]

[inverter]
port = \"unknown\"
fed_by = \"unknown\"
silence_s = 60

[unit]
switch = \"contactor\"
terminals_without_inverter = \"live\"
self_test_s = 10
cells_per_module = 16
chemistry = \"unknown\"
rest_current = 1.0
";

/// Runs the command.
pub(super) fn run(args: &LearnArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let (images, origin) = images(args)?;
    let proposals = learn(&images);
    let text = draft_of(&proposals, &origin)?;
    if let Some(path) = &args.output {
        let output = Output {
            option: "--output",
            path,
            kind: "a draft",
            is_kind: |begin| begin.starts_with("format = "),
            inputs: std::slice::from_ref(&args.file),
            replace: Some(args.replace),
        };
        output.write(&text)?;
    }
    let draft = args
        .output
        .as_ref()
        .map(|path| packside_profiles::shown(&path));
    if as_json {
        let profile = as_written(&text, "the learnt draft").map_err(|problems| {
            let hint = Some("this is a defect of packside itself".to_owned());
            failure(LOCAL, "internal", problems.to_string().trim_end(), hint)
        })?;
        return Ok((
            json::line(&Draft::of(&profile, origin, draft)),
            String::new(),
            0,
        ));
    }
    let mut told = told(&proposals, &images, &origin);
    let next = args.output.as_ref().map_or_else(
        || "the same with --output my-map.toml keeps it".to_owned(),
        |path| format!("packside profile check {}", typed(path)),
    );
    told.push_str(&format!("\nnext: {next}\n"));
    Ok((told, String::new(), 0))
}

/// Images of the file, whatever it is.
fn images(args: &LearnArgs) -> Result<(Images, String), Failure> {
    let mut begin = String::new();
    if let Ok(text) = packside_profiles::read_text(&args.file) {
        begin = text.chars().take(40).collect();
    }
    let is_recording = begin
        .trim_start_matches('\u{feff}')
        .starts_with("{\"type\":\"header\"");
    let from = Kept {
        images: Some(args.file.as_path()).filter(|_| !is_recording),
        recording: Some(args.file.as_path()).filter(|_| is_recording),
        unit: args.unit,
        session: None,
    };
    let found = kept(&from, None)?;
    found.ok_or_else(|| failure(LOCAL, "images", "expected images, found none", None))
}

/// The text of a draft with everything that was found.
fn draft_of(proposals: &[Proposal], origin: &str) -> Result<String, Failure> {
    let wrong = |why: toml_edit::TomlError| failure(LOCAL, "internal", why.to_string(), None);
    let mut document: DocumentMut = HEAD.parse().map_err(wrong)?;
    if let Some(head) = document.get_mut("draft").and_then(Item::as_table_mut) {
        set(head, "source", origin);
    }
    let date: String = crate::link::wall().0.chars().take(10).collect();
    if let Some(head) = document.get_mut("profile").and_then(Item::as_table_mut) {
        set(head, "date", date);
    }
    let mut taken = BTreeMap::new();
    let (mut spans, mut groups, mut points) = (
        ArrayOfTables::new(),
        ArrayOfTables::new(),
        ArrayOfTables::new(),
    );
    for proposal in proposals {
        let name = match proposal.role {
            Role::Other => "unknown",
            role => role.id(),
        };
        let runs = runs(proposal);
        let first = runs.first().map_or(&[][..], Vec::as_slice);
        let is_even = runs.iter().all(|run| run.len() == first.len());
        let pieces: Vec<&[u16]> = if is_even {
            vec![first]
        } else {
            runs.iter().map(Vec::as_slice).collect()
        };
        for run in &runs {
            spans.push(span(proposal, run));
        }
        for (place, run) in pieces.iter().enumerate() {
            let count: &mut u32 = taken.entry(name).or_default();
            *count += 1;
            let id = if *count == 1 {
                name.to_owned()
            } else {
                format!("{name}_{count}")
            };
            // A role stands once in a map: of a block in uneven pieces the first has it.
            let mut point = point(proposal, run, &id, place > 0);
            if is_even && runs.len() > 1 {
                groups.push(group(proposal, &runs, &id));
                set(&mut point, "group", id.as_str());
                set(&mut point, "address", 0);
                point.remove("table");
            }
            points.push(point);
        }
    }
    for (name, tables) in [("span", spans), ("group", groups), ("point", points)] {
        if !tables.is_empty() {
            document.insert(name, Item::ArrayOfTables(tables));
        }
    }
    Ok(document.to_string())
}

/// Records in which a block stands.
fn group(proposal: &Proposal, runs: &[Vec<u16>], id: &str) -> Table {
    let mut table = Table::new();
    let starts = runs.iter().filter_map(|run| run.first());
    let count = i64::try_from(runs.len()).unwrap_or(1);
    set(&mut table, "id", id);
    set(&mut table, "table", explain::table(proposal.table));
    set(&mut table, "count", count);
    set(&mut table, "at_most", count);
    set(
        &mut table,
        "starts",
        starts.map(|start| i64::from(*start)).collect::<Array>(),
    );
    table
}

/// Places of a proposal, split where their distance changes.
fn runs(proposal: &Proposal) -> Vec<Vec<u16>> {
    let mut all: Vec<Vec<u16>> = Vec::new();
    for address in &proposal.instances {
        let goes_on = all.last().is_some_and(|run| match run.as_slice() {
            [.., one, two] => address.checked_sub(*two) == two.checked_sub(*one),
            [one] => address
                .checked_sub(*one)
                .is_some_and(|step| step <= proposal.registers),
            [] => true,
        });
        match all.last_mut().filter(|_| goes_on) {
            Some(run) => run.push(*address),
            None => all.push(vec![*address]),
        }
    }
    all
}

fn span(proposal: &Proposal, run: &[u16]) -> Table {
    let mut table = Table::new();
    let first = run.first().copied().unwrap_or_default();
    let last = run.last().copied().unwrap_or_default();
    set(&mut table, "table", explain::table(proposal.table));
    set(&mut table, "from", i64::from(first));
    set(
        &mut table,
        "to",
        i64::from(last) + i64::from(proposal.registers.saturating_sub(1)),
    );
    table
}

fn point(proposal: &Proposal, run: &[u16], id: &str, is_again: bool) -> Table {
    let mut table = Table::new();
    let reading = &proposal.reading;
    let role = if is_again { Role::Other } else { proposal.role };
    set(&mut table, "id", id);
    set(&mut table, "role", role.id());
    set(&mut table, "table", explain::table(proposal.table));
    set(
        &mut table,
        "address",
        i64::from(run.first().copied().unwrap_or_default()),
    );
    set(&mut table, "type", explain::kind_name(reading.kind));
    if reading.kind == Kind::String {
        set(&mut table, "registers", i64::from(proposal.registers));
    } else {
        set(&mut table, "order", words::order(reading.order));
        set(&mut table, "scale", short(reading.scale));
        set(&mut table, "offset", short(reading.offset));
    }
    set(&mut table, "unit", proposal.unit);
    if let Some(positive) = reading.positive {
        set(&mut table, "positive", words::direction(positive));
    }
    if let [one, two, ..] = run {
        let mut repeat = InlineTable::new();
        repeat.insert("count", i64::try_from(run.len()).unwrap_or(1).into());
        repeat.insert("stride", i64::from(two.saturating_sub(*one)).into());
        repeat.insert("name", "number".into());
        table.insert("repeat", value(repeat));
    }
    table.insert("draft", Item::Table(standing(proposal, is_again)));
    table
}

fn standing(proposal: &Proposal, is_again: bool) -> Table {
    let mut draft = Table::new();
    let mut open: Vec<&str> = proposal.open.iter().map(|key| key.id()).collect();
    if is_again && !open.contains(&"role") {
        open.push("role");
    }
    let grade = if is_again {
        "narrowed"
    } else {
        proposal.grade.id()
    };
    set(&mut draft, "grade", grade);
    if !open.is_empty() {
        set(&mut draft, "open", open.into_iter().collect::<Array>());
    }
    let evidence = proposal
        .evidence
        .iter()
        .map(|said| as_table(proposal.role, said, "line"));
    let evidence: ArrayOfTables = evidence.collect();
    if !evidence.is_empty() {
        draft.insert("evidence", Item::ArrayOfTables(evidence));
    }
    let own = is_again.then_some((proposal.role, proposal.reading));
    let rivals = proposal.rivals.iter().copied().chain(own);
    let rivals: ArrayOfTables = rivals
        .map(|(role, reading)| {
            let mut rival = rival_table(&proposal.reading, &reading);
            if role != proposal.role || is_again {
                set(&mut rival, "role", role.id());
            }
            rival
        })
        .collect();
    if !rivals.is_empty() {
        draft.insert("rival", Item::ArrayOfTables(rivals));
    }
    draft
}

/// A short decimal again, after arithmetic.
fn short(number: f64) -> f64 {
    format!("{number:.9}").parse().unwrap_or(number)
}

/// What was found, for people.
fn told(proposals: &[Proposal], images: &Images, origin: &str) -> String {
    let mut text = String::new();
    let seen = images.registers().count();
    let head = format!("{origin}: {} images of {seen} registers", images.count());
    paper::wrap(&mut text, &head, "", "  ");
    for proposal in proposals {
        let first = proposal.instances.first().copied().unwrap_or_default();
        let count = proposal.instances.len();
        let many = if count > 1 {
            format!(" x{count}")
        } else {
            String::new()
        };
        let why: Vec<String> = proposal
            .evidence
            .iter()
            .map(|one| words::evidence(proposal.role, one))
            .collect();
        let mut roles: Vec<&str> = proposal.rivals.iter().map(|(role, _)| role.id()).collect();
        roles.dedup();
        let rivals = if proposal.rivals.is_empty() {
            String::new()
        } else {
            format!(", may be: {}", roles.join(", "))
        };
        let line = format!(
            "{} {first}{many} {} {} [{}]{rivals}: {}",
            explain::table(proposal.table),
            proposal.role,
            words::reading(&proposal.reading),
            proposal.grade.id(),
            why.join("; ")
        );
        paper::wrap(&mut text, &line, "  ", "      ");
    }
    let never = "Not looked for, since no number tells them: alarm words, states, codes, limits, the inverter's flag. As \
                 long as they are missing no clean verdict is given.";
    paper::wrap(&mut text, never, "", "");
    text
}
