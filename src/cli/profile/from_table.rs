//! `packside profile from-table`: a draft of a map from a maker's register list.
//!
//! Says what it took each column for, what is open, and every row that is in no point with what to do.

use std::fmt::Write as _;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use clap::Args;
use packside_profiles::model::{Numbering, Scalar};
use packside_profiles::{Foreign, clean, limits_needed};

use super::given::{CheckOutcome, write_draft};
use crate::cli::failure::{Failure, LOCAL, failure};
use crate::cli::heard;
use crate::show::json::draft as json;
use crate::show::json::line;
use crate::show::paper;
use crate::table::{Drafted, Holds, MOST_BYTES, NotRead, draft};
use crate::words::table as words;

/// Options of the command.
#[derive(Debug, Clone, Args)]
#[command(after_help = "\
Examples:
  packside profile from-table registers.csv                     say how it is understood
  packside profile from-table registers.xlsx -o my-map.toml     write the draft
  packside profile check my-map.toml                            what is still open or blank
  packside profile try my-map.toml --gateway 192.0.2.7 --may-wake   hold it against the unit")]
pub(super) struct FromTableArgs {
    /// The register list: CSV, TSV, pasted columns, XLSX, XLS or ODS
    file: PathBuf,
    /// Write the draft to this file
    #[arg(short, long, value_name = "DRAFT")]
    output: Option<PathBuf>,
    /// Write over a file that is no map
    #[arg(long, requires = "output")]
    replace: bool,
    /// Short name of the map [default: that of the list]
    #[arg(long, value_name = "NAME")]
    name: Option<Foreign>,
}

/// Runs the command.
pub(super) fn run(args: &FromTableArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let source = file_name(&args.file);
    let id = match &args.name {
        Some(name) => plain_name(name.as_given()),
        None => plain_name(
            &args
                .file
                .file_stem()
                .map(packside_profiles::shown)
                .unwrap_or_default(),
        ),
    };
    let date = heard::now().strftime("%Y-%m-%d").to_string();
    let bytes = read(&args.file)?;
    let drafted = draft(&bytes, &source, &id, &date).map_err(|why| {
        let message = format!(
            "{}: {}",
            packside_profiles::shown(&args.file),
            clean(&why.to_string())
        );
        failure(LOCAL, "table", message, Some(words::to_do(&why).to_owned()))
    })?;
    if let Some(path) = &args.output {
        let text = packside_profiles::draft_text(&drafted.profile);
        let inputs = std::slice::from_ref(&args.file);
        write_draft(path, &text, inputs, args.replace)?;
    }
    let written = args
        .output
        .as_ref()
        .map(|path| packside_profiles::shown(&path));
    let stdout = if as_json {
        line(&as_object(&drafted, &source, written))
    } else {
        text(&drafted, &args.file, written.as_deref())
    };
    Ok((stdout, String::new(), 0))
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .map_or_else(|| "table".into(), packside_profiles::shown)
}

/// A plain name for the map: letters, digits and dashes.
fn plain_name(name: &str) -> String {
    let stem = name.to_lowercase();
    let plain: String = stem
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .take(48)
        .collect();
    let plain = plain.trim_matches('-');
    if plain.is_empty() {
        "my-battery".to_owned()
    } else {
        plain.to_owned()
    }
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    let name = packside_profiles::shown(&path);
    let trouble = |why: std::io::Error| {
        failure(
            LOCAL,
            "file",
            format!("{name}: cannot be read: {why}"),
            None,
        )
    };
    let file = packside_profiles::open_file(path).map_err(trouble)?;
    let mut bytes = Vec::new();
    file.take(MOST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(trouble)?;
    if bytes.len() as u64 > MOST_BYTES {
        let message = format!(
            "{name}: expected a register list of at most {} MB, found more",
            MOST_BYTES >> 20
        );
        return Err(failure(
            LOCAL,
            "file",
            message,
            Some("leave out everything but the table".to_owned()),
        ));
    }
    Ok(bytes)
}

/// The draft for programs.
fn as_object(drafted: &Drafted, source: &str, written: Option<String>) -> json::Draft {
    let mut object = json::Draft::of(&drafted.profile, source.to_owned(), written);
    object.columns = (1..)
        .zip(&drafted.columns)
        .map(|(number, column)| json::Column {
            column: number,
            header: column.header.as_str().into(),
            taken_as: column.holds.id().to_owned(),
            why: words::why_column(column),
        })
        .collect();
    object.unread = drafted
        .unread
        .iter()
        .map(|row| json::Row {
            line: row.line,
            text: row.text.clone(),
            why: Foreign::from(row.why.words()),
            to_do: Some(row.why.to_do().to_owned()),
        })
        .collect();
    object
}

/// Rows of a kind that are shown; the rest is counted.
const MOST_SHOWN: usize = 40;

/// The draft for people.
fn text(drafted: &Drafted, file: &Path, written: Option<&str>) -> String {
    let profile = &drafted.profile;
    let mut out = String::new();
    let _ = writeln!(out, "{}: {}", file_name(file), words::footings(profile));
    let header = drafted.header.map_or_else(
        || "no headings found".to_owned(),
        |line| format!("headings in line {line}"),
    );
    let _ = writeln!(out, "\nThe table ({}; {header})", words::form(drafted));
    if drafted.form.cut {
        out.push_str("  TOO LONG: what is beyond 20000 rows or 64 columns was not read\n");
    }
    for column in drafted
        .columns
        .iter()
        .filter(|column| !(column.header.is_empty() && column.holds == Holds::Nothing))
    {
        let heading = if column.header.is_empty() {
            "(no heading)".into()
        } else {
            clean(&column.header)
        };
        let row = format!(
            "{heading:<22} {}: {}",
            words::holds(column.holds),
            words::why_column(column)
        );
        paper::wrap(&mut out, &row, "  ", "      ");
    }
    let numbering = match profile.addresses {
        Numbering::From0 => "from 0",
        Numbering::From1 => "from 1",
        Numbering::WithTable => "with the table in front",
    };
    paper::wrap(
        &mut out,
        &format!("Registers count {numbering}: {}", words::counted(drafted)),
        "  ",
        "      ",
    );
    points(&mut out, drafted);
    open(&mut out, drafted);
    unread(&mut out, drafted);
    let next = match written {
        Some(path) => format!("next: packside profile check {path}"),
        None => format!(
            "next: packside profile from-table {} -o {}.toml",
            packside_profiles::shown(&file),
            profile.profile.id
        ),
    };
    let _ = write!(out, "\n{next}\n");
    out
}

/// What was found, in the order of the map.
fn points(out: &mut String, drafted: &Drafted) {
    out.push_str("\nWhat was found\n");
    let profile = &drafted.profile;
    let layout = packside_profiles::Layout::new(profile, &packside_profiles::Known::default());
    let mut shown = 0;
    for (index, point) in profile.points.iter().enumerate() {
        let is_open = point
            .draft
            .as_ref()
            .is_some_and(|standing| !standing.grade.is_firm());
        if point.role == packside_profiles::Role::Other && !is_open {
            continue;
        }
        shown += 1;
        if shown > MOST_SHOWN {
            continue;
        }
        let here: Vec<u16> = layout
            .instances
            .iter()
            .filter(|one| one.point == index)
            .map(|one| one.address)
            .collect();
        let first = here.first().copied().unwrap_or(point.address);
        let times = if here.len() > 1 {
            format!(" x{}", here.len())
        } else {
            String::new()
        };
        let mark = if is_open { "?" } else { " " };
        let step = if point.scale == packside_profiles::model::Decimal::default() {
            String::new()
        } else {
            format!(" x {}", point.scale.value())
        };
        let table = profile
            .table_of(point)
            .map(packside_profiles::explain::table)
            .unwrap_or_default();
        let what = if point.role == packside_profiles::Role::Other {
            point.name.clean()
        } else {
            point.role.id().into()
        };
        let kind = packside_profiles::explain::kind_name(point.kind);
        let row = format!(
            "{what:<22} {table} {first}{times} {kind}{step} {}",
            point.unit.clean()
        );
        paper::wrap(out, row.trim_end(), &format!("{mark} "), "      ");
        if let Some(open) = words::open_of(point) {
            paper::wrap(out, &format!("open: {open}"), "      ", "        ");
        }
    }
    if shown > MOST_SHOWN {
        let _ = writeln!(
            out,
            "  and {} more (--format json names all)",
            shown - MOST_SHOWN
        );
    }
    let others = profile.points.len() - shown;
    if others > 0 {
        let _ = writeln!(out, "  {others} others are read and shown, never judged");
    }
}

/// What the list does not say, and what it says by which such a unit is known.
fn open(out: &mut String, drafted: &Drafted) {
    let profile = &drafted.profile;
    for rule in &profile.recognise {
        if let Scalar::Number(number) = &rule.equals {
            let said = format!(
                "Such a unit is known by {} = {number}, which the list says is always there",
                rule.point
            );
            out.push('\n');
            paper::wrap(out, &said, "", "  ");
        }
    }
    let Some(head) = &profile.draft else {
        return;
    };
    let limits = profile
        .points
        .iter()
        .filter(|point| !limits_needed(point.role).is_empty());
    let limits = limits.count();
    let mut blank: Vec<String> = head.open.clone();
    if limits > 0 {
        blank.push(format!("limits of {limits} points"));
    }
    blank.push("the whole of [cell]".to_owned());
    if profile.recognise.is_empty() {
        blank.push("[[recognise]]".to_owned());
    }
    out.push_str("\nThe list does not say\n");
    paper::wrap(out, &blank.join(", "), "  ", "  ");
    out.push_str("  In the draft each is a blank, \"?\", with what belongs there beside it.\n");
}

fn unread(out: &mut String, drafted: &Drafted) {
    let rows: Vec<_> = drafted
        .unread
        .iter()
        .filter(|row| row.why != NotRead::Reserved)
        .collect();
    let reserved = drafted.unread.len() - rows.len();
    if !rows.is_empty() {
        let _ = writeln!(out, "\nRows that are in no point ({})", rows.len());
    }
    for row in rows.iter().take(MOST_SHOWN) {
        let text: String = row.text.clean().chars().take(60).collect();
        paper::wrap(
            out,
            &format!("line {}: {}: {text}", row.line, row.why.words()),
            "  ",
            "      ",
        );
        paper::wrap(out, row.why.to_do(), "      ", "      ");
    }
    if rows.len() > MOST_SHOWN {
        let _ = writeln!(
            out,
            "  and {} more (--format json names all)",
            rows.len() - MOST_SHOWN
        );
    }
    if reserved > 0 {
        let _ = writeln!(
            out,
            "\n{reserved} rows say that they are reserved: not read"
        );
    }
}
