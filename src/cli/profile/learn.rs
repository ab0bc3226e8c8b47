//! `packside profile learn`: a draft from what was read of a unit, without any document.
//!
//! Of a line only what others ask is overheard; a unit is asked for nothing but registers that `--read` names.
//!
//! Does not: propose what no physics tells: alarm words, states, codes, limits, the
//! inverter's flag.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use packside_profiles::model::{Kind, Made, Table as Space};
use packside_profiles::{Role, as_written, explain};
use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, value};

use super::amend::{as_table, ask_for, rival_table, set, set_words, short};
use super::given::{CheckOutcome, write_draft};
use super::weigh::{self, Kept, SourceArgs, Written, kept, of_talk};
use crate::ask::Talk;
use crate::cli::args::typed;
use crate::cli::failure::{BUS, Failure, LOCAL, USAGE, failure};
use crate::cli::listen::overhear;
use crate::physics::{Images, Proposal, Register, learn};
use crate::show::json::{self, draft::Draft};
use crate::show::paper;
use crate::wire::Framing;
use crate::words::physics as words;

/// Arguments of `profile learn`.
#[derive(Debug, Clone, Args)]
#[command(after_help = "\
Examples:
  packside profile learn FILE --output my-map.toml                   from a recording
  packside profile learn --serial /dev/ttyUSB0 --output my-map.toml  overhear the inverter's polling
  packside profile learn --gateway 192.0.2.7 --read input:0-99 --seconds 600   ask for these registers")]
pub(super) struct LearnArgs {
    /// A recording, or lines of register images
    #[arg(group = "place")]
    file: Option<PathBuf>,
    /// Where registers come from.
    #[command(flatten)]
    source: SourceArgs,
    /// Ask for these registers, as on the wire (input:0-99); without it nothing is asked
    ///
    /// Several times for several stretches. A register may clear when it is read: name only those that may be read.
    #[arg(long, value_name = "TABLE:FROM-TO", value_parser = stretch)]
    read: Vec<Stretch>,
    /// Write the draft into this file
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Write over it if it is there already
    #[arg(long, requires = "output")]
    replace: bool,
}

/// Registers that may be read: table, first, last.
#[derive(Debug, Clone, Copy)]
struct Stretch(Space, u16, u16);

fn stretch(text: &str) -> Result<Stretch, String> {
    let wrong = || format!("expected a table and registers as input:0-99, found \"{text}\"");
    let (table, numbers) = text.split_once(':').ok_or_else(wrong)?;
    let table = match table {
        "input" => Space::Input,
        "holding" => Space::Holding,
        _ => return Err(wrong()),
    };
    let (from, to) = numbers.split_once('-').unwrap_or((numbers, numbers));
    let (from, to) = (
        from.parse().map_err(|_| wrong())?,
        to.parse().map_err(|_| wrong())?,
    );
    if to < from || to - from >= MOST_READ {
        return Err(format!(
            "expected at most {MOST_READ} registers, the first before the last, found \"{text}\""
        ));
    }
    Ok(Stretch(table, from, to))
}

/// Most registers of one stretch that is asked for.
const MOST_READ: u16 = 1_000;

/// How long a line is listened to, or a unit read, unless said otherwise.
const USUAL: Duration = Duration::from_secs(600);

/// Runs the command.
pub(super) fn run(args: &LearnArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let (images, origin) = images(args)?;
    let proposals = learn(&images);
    let text = draft_of(&proposals, &images, &origin)?;
    if let Some(path) = &args.output {
        let inputs = [&args.file, &args.source.images];
        let inputs: Vec<PathBuf> = inputs.into_iter().flatten().cloned().collect();
        write_draft(path, &text, &inputs, args.replace)?;
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

/// Images of a file, of what was overheard, or of what was asked for.
fn images(args: &LearnArgs) -> Result<(Images, String), Failure> {
    if let Some(file) = &args.file {
        return of_file(file, args);
    }
    let source = &args.source;
    let from = Kept {
        images: source.images.as_deref(),
        recording: source.link.place.recording.as_deref(),
        unit: source.unit,
        session: source.session.session,
    };
    if let Some(found) = kept(&from, None)? {
        return Ok(found);
    }
    if !source.is_given() {
        let message = "expected a file, --images, --recording, --serial or --gateway, found none";
        let hint = "packside profile learn --serial PORT overhears what an inverter asks";
        return Err(failure(USAGE, "usage", message, Some(hint.to_owned())));
    }
    if !args.read.is_empty() {
        return asked(args);
    }
    let place = &source.link.place;
    if place.gateway.is_some() && place.framing() == Framing::Tcp {
        let message = "nothing can be overheard behind a Modbus TCP gateway, and nothing is asked unless told";
        let hint =
            "--read input:0-99 names registers that may be read; or listen on the serial side";
        return Err(failure(
            USAGE,
            "cannot-overhear",
            message,
            Some(hint.to_owned()),
        ));
    }
    let events = overhear(&source.link, source.seconds.unwrap_or(USUAL))?;
    let talk = Talk::of(events.iter());
    let name = place.as_typed().unwrap_or_default();
    let images =
        of_talk(&talk, source.unit, None, &name, (BUS, "bus")).map_err(|mut failure| {
            let hint = "packside listen says who asks here, and at which line settings";
            failure.hint = Some(hint.to_owned());
            failure
        })?;
    Ok((images, name))
}

/// Images of registers that may be read: asked for again and again.
fn asked(args: &LearnArgs) -> Result<(Images, String), Failure> {
    let mut text = head("--read");
    for Stretch(table, from, to) in &args.read {
        let table = explain::table(*table);
        text.push_str(&format!(
            "[[span]]\ntable = \"{table}\"\nfrom = {from}\nto = {to}\n"
        ));
        for register in *from..=*to {
            text.push_str(&format!(
                "[[point]]\nid = \"{table}_{register}\"\nrole = \"other\"\ntable = \"{table}\"\n\
                 address = {register}\ntype = \"u16\"\n"
            ));
        }
    }
    let profile = as_written(&text, "--read").map_err(|problems| {
        let message = format!("--read: {}", problems.to_string().trim_end());
        failure(USAGE, "usage", message, None)
    })?;
    let written = Written {
        path: PathBuf::from("--read"),
        text,
        profile,
    };
    let mut source = args.source.clone();
    source.seconds = source.seconds.or(Some(USUAL));
    weigh::images(&source, &written)
}

/// Images of a file, whatever it is.
fn of_file(file: &Path, args: &LearnArgs) -> Result<(Images, String), Failure> {
    let mut begin = String::new();
    if let Ok(text) = packside_profiles::read_text(file) {
        begin = text.chars().take(40).collect();
    }
    let is_recording = begin
        .trim_start_matches('\u{feff}')
        .starts_with("{\"type\":\"header\"");
    let from = Kept {
        images: Some(file).filter(|_| !is_recording),
        recording: Some(file).filter(|_| is_recording),
        unit: args.source.unit,
        session: None,
    };
    let found = kept(&from, None)?;
    found.ok_or_else(|| failure(LOCAL, "images", "expected images, found none", None))
}

/// What stands at the head of a learnt draft.
fn head(origin: &str) -> String {
    let date: String = crate::link::wall().0.chars().take(10).collect();
    let profile = packside_profiles::begun(Made::Learn, origin, "learnt", &date);
    packside_profiles::draft_text(&profile)
}

/// The text of a draft with everything that was found.
fn draft_of(proposals: &[Proposal], images: &Images, origin: &str) -> Result<String, Failure> {
    let wrong = |why: toml_edit::TomlError| failure(LOCAL, "internal", why.to_string(), None);
    let mut document: DocumentMut = head(origin).parse().map_err(wrong)?;
    let mut taken = BTreeMap::new();
    let spans = spans(proposals);
    let (mut groups, mut points) = (ArrayOfTables::new(), ArrayOfTables::new());
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
        for (place, run) in pieces.iter().enumerate() {
            let count: &mut u32 = taken.entry(name).or_default();
            *count += 1;
            let id = if *count == 1 {
                name.to_owned()
            } else {
                format!("{name}_{count}")
            };
            // A role stands once in a map: of a block in uneven pieces the first has it.
            let mut point = point(proposal, images, run, &id, place > 0);
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

/// Everything that was read and is in a point, as stretches without holes.
fn spans(proposals: &[Proposal]) -> ArrayOfTables {
    let mut taken: BTreeSet<(&str, u16)> = BTreeSet::new();
    for proposal in proposals {
        let table = explain::table(proposal.table);
        for first in &proposal.instances {
            let all = (0..proposal.registers).filter_map(|further| first.checked_add(further));
            taken.extend(all.map(|register| (table, register)));
        }
    }
    let taken: Vec<(&str, u16)> = taken.into_iter().collect();
    let goes_on = |one: &(&str, u16), next: &(&str, u16)| {
        one.0 == next.0 && one.1.checked_add(1) == Some(next.1)
    };
    let stretch = |run: &[(&str, u16)]| {
        let ((name, from), (_, to)) = (run.first()?, run.last()?);
        let mut table = Table::new();
        set(&mut table, "table", *name);
        set(&mut table, "from", i64::from(*from));
        set(&mut table, "to", i64::from(*to));
        Some(table)
    };
    taken.chunk_by(goes_on).filter_map(stretch).collect()
}

fn point(proposal: &Proposal, images: &Images, run: &[u16], id: &str, is_again: bool) -> Table {
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
    let first = run.first().copied().unwrap_or_default();
    let words = last_words(
        images,
        Register::new(proposal.table, first),
        proposal.registers,
    );
    ask_for(&mut table, role);
    let standing = standing(proposal, &words, is_again);
    table.insert("draft", Item::Table(standing));
    table
}

/// What registers held last; of a text nothing, which stands there already.
fn last_words(images: &Images, first: Register, registers: u16) -> Vec<u16> {
    let all = (0..registers.min(5)).map(|further| {
        let row = images.row(first.plus(further)?)?;
        row.iter().rev().flatten().next().copied()
    });
    let words: Vec<u16> = all.collect::<Option<_>>().unwrap_or_default();
    if words.len() > 4 { Vec::new() } else { words }
}

fn standing(proposal: &Proposal, words: &[u16], is_again: bool) -> Table {
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
    let mut evidence: Vec<Table> = evidence.collect();
    if evidence.is_empty() && !words.is_empty() {
        let mut seen = Table::new();
        set(&mut seen, "by", "line");
        evidence.push(seen);
    }
    set_words(evidence.last_mut(), words);
    let evidence: ArrayOfTables = evidence.into_iter().collect();
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
        let mut roles: Vec<&str> = Vec::new();
        for (role, _) in &proposal.rivals {
            let name = match role {
                Role::Other => "something else",
                role => role.id(),
            };
            if !roles.contains(&name) {
                roles.push(name);
            }
        }
        let rivals = if roles.is_empty() {
            String::new()
        } else {
            format!(", may be: {}", roles.join(", "))
        };
        let why = if why.is_empty() {
            String::new()
        } else {
            format!(": {}", why.join("; "))
        };
        let line = format!(
            "{} {first}{many} {} {} [{}]{rivals}{why}",
            explain::table(proposal.table),
            proposal.role,
            words::reading(&proposal.reading),
            proposal.grade.id(),
        );
        paper::wrap(&mut text, &line, "  ", "      ");
    }
    let never = "Not looked for, since no number tells them: alarm words, states, codes, limits, the inverter's flag. As \
                 long as they are missing no clean verdict is given.";
    paper::wrap(&mut text, never, "", "");
    text
}
