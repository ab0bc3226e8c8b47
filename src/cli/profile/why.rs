//! `packside profile why`: what speaks for a register of a draft, and what else it may be.
//!
//! Input: a draft, and a point by its id or one of its registers. What `try`, `learn` and answers found stands in the
//! draft; with a recording, images or a unit it is held against them first. Does not: change the draft.

use std::path::PathBuf;

use clap::Args;
use packside_profiles::model::{Footing, Point, Profile};
use packside_profiles::{Foreign, Instance, Known, Layout, as_written, explain};

use super::amend::Found;
use super::given::CheckOutcome;
use super::weigh::{self, SourceArgs, written};
use crate::cli::args::typed;
use crate::cli::failure::{Failure, LOCAL, USAGE, failure};
use crate::draft::{self, Held, Way};
use crate::show::json::{self, draft::Draft};
use crate::show::paper;
use crate::words::number::with_unit;
use crate::words::{answers, physics};

/// Arguments of `profile why`.
#[derive(Debug, Clone, Args)]
#[command(after_help = "\
Examples:
  packside profile why my-map.toml pack_current
  packside profile why my-map.toml 12                        a register, from 0 as on the wire
  packside profile why my-map.toml 12 --recording last       held against a recording first")]
pub(super) struct WhyArgs {
    /// The draft, a file
    draft: PathBuf,
    /// Id of a point, or a register as on the wire (12, 0x0C, input:12)
    register: Foreign,
    /// Where registers come from.
    #[command(flatten)]
    source: SourceArgs,
}

/// Runs the command.
pub(super) fn run(args: &WhyArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let mut written = written(&args.draft)?;
    let mut origin = packside_profiles::shown(&written.path);
    if args.source.is_given() {
        let (images, from) = weigh::images(&args.source, &written)?;
        let (points, outcome) = weigh::held_against(&written.profile, &images);
        let held = draft::held_in(&written.profile, &images, outcome.shift);
        let found = Found {
            profile: &written.profile,
            outcome: &outcome,
            points: &points,
            held: &held,
        };
        let text = weigh::amended(&written, &found, |_| true)?;
        written.profile = as_written(&text, &origin).map_err(|problems| {
            let hint = Some("this is a defect of packside itself".to_owned());
            failure(LOCAL, "internal", problems.to_string().trim_end(), hint)
        })?;
        origin = from;
    }
    let profile = &written.profile;
    let layout = Layout::new(profile, &Known::default());
    let found = meant(profile, &layout, args.register.as_given());
    if found.is_empty() {
        return Err(unknown(profile, &layout, args));
    }
    if as_json {
        let name = packside_profiles::shown(&written.path);
        let ids: Vec<&str> = found.iter().map(|(_, point)| point.id.as_str()).collect();
        let mut draft = Draft::of(profile, origin, Some(name));
        draft
            .points
            .retain(|point| ids.contains(&point.id.as_str()));
        draft
            .flags
            .retain(|flag| ids.contains(&flag.point.as_str()));
        return Ok((json::line(&draft), String::new(), 0));
    }
    let held = draft::held(profile);
    let mut text = String::new();
    for (index, point) in found {
        let here = layout.instances.iter().filter(|one| one.point == index);
        told(&mut text, profile, point, &here.collect::<Vec<_>>(), &held);
    }
    let next = draft::questions(profile, &held)
        .first()
        .map_or("try", |_| "answer");
    text.push_str(&format!(
        "next: packside profile {next} {}\n",
        typed(&args.draft)
    ));
    Ok((text, String::new(), 0))
}

/// The points that are meant by an id or a register.
fn meant<'p>(profile: &'p Profile, layout: &Layout, what: &str) -> Vec<(usize, &'p Point)> {
    let all = profile.points.iter().enumerate();
    let by_id: Vec<_> = all.clone().filter(|(_, point)| point.id == what).collect();
    let Some((table, register)) = register(what).filter(|_| by_id.is_empty()) else {
        return by_id;
    };
    let covers = |one: &Instance| {
        table.is_none_or(|table| explain::table(one.table) == table)
            && (one.address..one.address.saturating_add(one.registers)).contains(&register)
    };
    all.filter(|(index, _)| {
        let mut here = layout.instances.iter().filter(|one| one.point == *index);
        here.any(covers)
    })
    .collect()
}

/// A register as typed, with its table where that was said.
fn register(what: &str) -> Option<(Option<&str>, u16)> {
    let (table, number) = match what.split_once(':') {
        Some((table, number)) => (Some(table), number),
        None => (None, what),
    };
    let hex = number
        .strip_prefix("0x")
        .or_else(|| number.strip_prefix("0X"));
    let register = match hex {
        Some(hex) => u16::from_str_radix(hex, 16).ok()?,
        None => number.parse().ok()?,
    };
    Some((table, register))
}

fn unknown(profile: &Profile, layout: &Layout, args: &WhyArgs) -> Failure {
    let what = args.register.clean();
    let name = packside_profiles::shown(&args.draft);
    let message = match register(args.register.as_given()) {
        Some((_, register)) => {
            let all = layout.instances.iter();
            let near = all.min_by_key(|one| one.address.abs_diff(register));
            let near = near.and_then(|one| Some((profile.points.get(one.point)?, one)));
            let near = near.map_or_else(String::new, |(point, one)| {
                let table = explain::table(one.table);
                format!("; the nearest is {} ({table} {})", point.id, one.address)
            });
            format!("{name}: expected a register of a point, found {what}, which is in none{near}")
        }
        None => format!("{name}: expected the id of a point or a register, found \"{what}\""),
    };
    let hint = format!(
        "packside profile show {} names the points",
        typed(&args.draft)
    );
    failure(USAGE, "usage", message, Some(hint))
}

/// A point by its id, its registers, and as the document calls it.
fn head(point: &Point, here: &[&Instance]) -> String {
    let mut places = String::new();
    if let Some(first) = here.first() {
        places = format!(" ({} {}", explain::table(first.table), first.address);
        if here.len() > 1 {
            places.push_str(&format!(", x{}", here.len()));
        }
        places.push(')');
    }
    let named = if point.name.as_given().is_empty() {
        String::new()
    } else {
        format!(", \"{}\"", point.name.clean())
    };
    format!("{}{places}{named}\n", point.id)
}

/// Everything that is known of a point.
fn told(text: &mut String, profile: &Profile, point: &Point, here: &[&Instance], held: &Held) {
    let ways = draft::ways(point);
    let standing = point.draft.clone().unwrap_or_default();
    let is_draft = point.draft.is_some();
    text.push_str(&head(point, here));
    let own = Way {
        role: point.role,
        reading: ways
            .first()
            .map_or_else(|| crate::physics::Reading::plain(1.0), |way| way.reading),
    };
    let words = held.get(&point.id);
    let raw = words.map_or_else(String::new, |words| {
        let words: Vec<String> = words.iter().map(|word| format!("{word:#06x}")).collect();
        format!(" (held {})", words.join(" "))
    });
    let mut line =
        |indent: &str, row: &str| paper::wrap(text, row, indent, &format!("{indent}    "));
    let stands = format!("stands as: {}{raw}", read(point, &own, held));
    line("  ", &stands);
    let open: Vec<&str> = standing.open.iter().map(|key| key.id()).collect();
    let grade = match standing.grade {
        _ if !is_draft => "as the map says".to_owned(),
        Footing::Checked => "checked: the unit itself shows it".to_owned(),
        Footing::AsDocumentSays => "as the document says".to_owned(),
        Footing::Narrowed => format!("narrowed; in doubt: {}", open.join(", ")),
        Footing::Open => format!("open; in doubt: {}", open.join(", ")),
    };
    line("  ", &grade);
    for said in &standing.evidence {
        let place = said
            .line
            .map_or_else(String::new, |line| format!(", line {line}"));
        let what = said.text.clean();
        if !what.is_empty() {
            line("  ", &format!("{}{place}: {what}", said.by.id()));
        }
    }
    let others: Vec<&Way> = ways.iter().filter(|way| **way != own).collect();
    if !others.is_empty() {
        line("  ", "not excluded:");
    }
    for way in others {
        line("    ", &read(point, way, held));
    }
    let asked = draft::questions(profile, held);
    let asked = asked.iter().find(|(_, ids)| ids.contains(&point.id));
    if let Some((question, _)) = asked {
        line(
            "  ",
            &format!("would settle it: {}", answers::settles(*question)),
        );
    } else if !standing.open.is_empty() && is_draft {
        line(
            "  ",
            "would settle it: the document, or a reading while current flows",
        );
    }
    text.push('\n');
}

/// A way with what it reads.
fn read(point: &Point, way: &Way, held: &Held) -> String {
    let unit = match physics::unit(way.role) {
        "" => point.unit.as_given(),
        unit => unit,
    };
    let number = draft::number(point, way, held);
    let number = number.map_or_else(String::new, |number| {
        format!(", reads {}", with_unit(number, unit))
    });
    format!(
        "{} {}{number}",
        way.role.id(),
        physics::reading(&way.reading)
    )
}
