//! `packside profile answer`: what a person at the unit knows settles what registers alone leave open.
//!
//! At most five questions, most gain first; old, new and the reason are shown, and nothing is changed without a
//! word. Does not: know what an answer excludes ([`crate::draft`] does), or read more than the draft names.

use std::path::PathBuf;

use clap::Args;
use packside_profiles::model::{Needs, Point};
use packside_profiles::{Known, Layout, Role, as_written, explain};

use super::amend;
use super::given::CheckOutcome;
use super::weigh::{self, SourceArgs, Written, written};
use crate::cli::args::typed;
use crate::cli::failure::{Failure, LOCAL, USAGE, failure};
use crate::cli::out;
use crate::cli::prompt::{self, Typed};
use crate::cli::visit::{print_steps, read_answers};
use crate::draft::{self, Bearing, Held, Question, Settled, Told, Way};
use crate::event::AnswerValue;
use crate::physics::Shift;
use crate::show::json::{self, draft::Draft};
use crate::show::paper;
use crate::visit::{AnswerKind, Part, VisitStep, understand};
use crate::words::{answers as words, physics};

/// Arguments of `profile answer`.
#[derive(Debug, Clone, Args)]
#[command(after_help = "\
Examples:
  packside profile answer my-map.toml                                   what was read last stands in the draft
  packside profile answer my-map.toml --gateway 192.0.2.7 --may-wake    read it now: no hands near the terminals
  packside profile answer my-map.toml --answers answers.toml --accept   from a file")]
pub(super) struct AnswerArgs {
    /// The draft, a file
    draft: PathBuf,
    /// Where registers come from.
    #[command(flatten)]
    source: SourceArgs,
    /// Take answers from a file, ask nobody
    ///
    /// A TOML file, as --print-answers prints one. What it does not answer is left open.
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// An answers file to fill in; then end
    ///
    /// It has the questions that would settle something in this draft. =FILE writes it there.
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true, conflicts_with = "answers")]
    print_answers: Option<Option<PathBuf>>,
    /// Write over a file, never over a recording
    #[arg(long, requires = "print_answers")]
    replace: bool,
    /// Take over what the answers settle, without asking
    #[arg(long)]
    accept: bool,
}

/// Runs the command.
pub(super) fn run(args: &AnswerArgs, as_json: bool) -> Result<CheckOutcome, Failure> {
    let written = written(&args.draft)?;
    let mut held = draft::held(&written.profile);
    if args.source.is_given() {
        let (images, _) = weigh::images(&args.source, &written)?;
        held.extend(draft::held_in(&written.profile, &images, Shift::NONE));
    }
    let steps = steps(&written, &held);
    if let Some(to) = &args.print_answers {
        return print_steps(&steps, to.as_deref(), args.replace)
            .map(|exit| (String::new(), String::new(), exit));
    }
    let told = if steps.is_empty() {
        Vec::new()
    } else {
        told(args, &steps)?
    };
    let settled = draft::settle(&written.profile, &held, &told);
    let said: Vec<(&Settled, String)> = settled
        .iter()
        .map(|one| (one, words::why(one, asked(one, &told))))
        .collect();
    let (takes, contradicted): (Vec<_>, Vec<_>) = said
        .into_iter()
        .partition(|(one, _)| one.bearing != Bearing::Contradicted);
    let text = amend::answered(&written.text, &written.profile, &takes).map_err(|why| {
        let message = format!("{}: {why}", packside_profiles::shown(&written.path));
        failure(LOCAL, "profile", message, None)
    })?;
    if as_json {
        if args.accept {
            weigh::write(&written.path, &text)?;
        }
        return Ok((object(&text, &written)?, String::new(), 0));
    }
    out::result(&shown(&written, &steps, &takes, &contradicted));
    let next = format!("\nnext: packside profile check {}\n", typed(&args.draft));
    let is_taken = match (takes.is_empty(), args.accept, out::interactive()) {
        (true, ..) => false,
        (false, true, _) => true,
        (false, false, true) => {
            prompt::key("Take this over? y/n: ", "yn") == Typed::Text("y".to_owned())
        }
        (false, false, false) => {
            let hint = "nothing was changed: --accept takes over what the answers settle\n";
            return Ok((String::new(), hint.to_owned(), 0));
        }
    };
    if is_taken {
        weigh::write(&written.path, &text)?;
    }
    Ok((next, String::new(), 0))
}

/// The number that was answered to what settled a point.
fn asked(settled: &Settled, told: &[Told]) -> Option<f64> {
    told.iter().find_map(|one| match one {
        Told::Number(question, number) if settled.by == Some(*question) => Some(*number),
        _ => None,
    })
}

/// The questions as steps, which are asked and read from files as those of a visit.
fn steps(written: &Written, held: &Held) -> Vec<VisitStep> {
    let asked = draft::questions(&written.profile, held);
    let one = |(question, ids): (Question, Vec<String>)| VisitStep {
        id: question.id().to_owned(),
        part: Part::WithInverter,
        kind: kind(question, &ids, written, held),
        text: format!("{}.", words::question(question)),
        needs: Needs::Look,
        caution: None,
        only_after_fault: false,
    };
    asked.into_iter().map(one).collect()
}

fn kind(question: Question, ids: &[String], written: &Written, held: &Held) -> AnswerKind {
    let number = |unit, lowest, highest| AnswerKind::Number {
        unit,
        lowest,
        highest,
    };
    match question {
        Question::Amperes => number("A", -2_000.0, 2_000.0),
        Question::Volts => number("V", 5.0, 2_000.0),
        Question::Charge => number("%", 0.0, 100.0),
        Question::Room => number("degC", -40.0, 60.0),
        Question::PoweredUp => number("min", 0.0, 10_000_000.0),
        Question::DeadVoltage => {
            let all = ids.iter().map(|id| {
                let text = place(written, id, held);
                (id.clone(), text.unwrap_or_default())
            });
            AnswerKind::OneOf(all.collect())
        }
    }
}

/// Which register a point is, and what it reads.
fn place(written: &Written, id: &str, held: &Held) -> Option<String> {
    let profile = &written.profile;
    let index = profile.points.iter().position(|point| point.id == id)?;
    let point = profile.points.get(index)?;
    let layout = Layout::new(profile, &Known::default());
    let here = layout.instances.iter().find(|one| one.point == index)?;
    let ways = draft::ways(point);
    let volts = ways.first().and_then(|way| draft::number(point, way, held));
    let reads = volts.map_or_else(String::new, |volts| format!(", read {volts:.1} V"));
    let table = explain::table(here.table);
    Some(format!("{id} ({table} {}{reads})", here.address))
}

/// The answers, from a file or a person.
fn told(args: &AnswerArgs, steps: &[VisitStep]) -> Result<Vec<Told>, Failure> {
    if let Some(path) = &args.answers {
        let hint = "packside profile answer DRAFT --print-answers prints a file to be filled in";
        let file = read_answers(path, steps, hint)?;
        let answers = file.answers.into_iter();
        return Ok(answers
            .filter_map(|(id, (value, _))| as_told(&id, &value))
            .collect());
    }
    if !out::interactive() {
        let hint = "give --answers FILE where nobody can answer; --print-answers prints one";
        let message = "profile answer asks a person, and there is no terminal here";
        return Err(failure(USAGE, "usage", message, Some(hint.to_owned())));
    }
    let mut all = Vec::new();
    for (place, step) in steps.iter().enumerate() {
        out::say(&format!("\nQuestion {} of {}", place + 1, steps.len()));
        let mut text = String::new();
        paper::wrap(&mut text, &step.text, "", "");
        out::say(text.trim_end());
        match ask(step) {
            Some(Some(value)) => all.extend(as_told(&step.id, &value)),
            Some(None) => {}
            None => break,
        }
    }
    out::say("");
    Ok(all)
}

/// What a person answers: nothing inside where it is not known, nothing at all where no more is asked.
fn ask(step: &VisitStep) -> Option<Option<AnswerValue>> {
    let prompt = match &step.kind {
        AnswerKind::OneOf(choices) => {
            for (place, (_, text)) in choices.iter().enumerate() {
                out::say(&format!("   {}  {text}", place + 1));
            }
            format!(
                "   1 to {}, then Enter; s not known, q enough > ",
                choices.len()
            )
        }
        AnswerKind::Number { unit, .. } => {
            let unit = unit.replace("deg", "°");
            format!("   in {unit}, then Enter; s not known, q enough > ")
        }
        _ => return None,
    };
    loop {
        let Typed::Text(typed) = prompt::line(&prompt) else {
            return None;
        };
        match typed.as_str() {
            "s" | "" => return Some(None),
            "q" => return None,
            typed => match understand(step, &typed.into()) {
                Ok(value) => return Some(Some(value)),
                Err(why) => out::say(&format!("   {why}")),
            },
        }
    }
}

fn as_told(id: &str, value: &AnswerValue) -> Option<Told> {
    let question = Question::ALL.into_iter().find(|one| one.id() == id)?;
    match value {
        AnswerValue::Number(number, _) => Some(Told::Number(question, *number)),
        AnswerValue::Choice(id) => Some(Told::Dead(id.as_given().to_owned())),
        _ => None,
    }
}

fn object(text: &str, written: &Written) -> Result<String, Failure> {
    let name = packside_profiles::shown(&written.path);
    let profile = as_written(text, &name).map_err(|problems| {
        let hint = Some("this is a defect of packside itself".to_owned());
        failure(LOCAL, "internal", problems.to_string().trim_end(), hint)
    })?;
    let source = profile.draft.as_ref().map(|head| head.source.clone());
    let source = source.map_or_else(String::new, |source| source.as_given().to_owned());
    Ok(json::line(&Draft::of(&profile, source, Some(name))))
}

/// What the answers came to, for people.
fn shown(
    written: &Written,
    steps: &[VisitStep],
    takes: &[(&Settled, String)],
    contradicted: &[(&Settled, String)],
) -> String {
    let mut text = String::new();
    if steps.is_empty() {
        let nothing = "No question would settle anything in this draft. What has never been read is not asked about: \
                       packside profile try reads it first.";
        paper::wrap(&mut text, nothing, "", "");
        return text;
    }
    if takes.is_empty() && contradicted.is_empty() {
        text.push_str("Nothing was settled.\n");
    }
    let is_one = |one: &Settled| one.left.len() == 1;
    let groups = [
        ("Settled", takes, true),
        ("Fewer readings left", takes, false),
    ];
    for (title, all, one_left) in groups {
        let here: Vec<_> = all
            .iter()
            .filter(|(one, _)| is_one(one) == one_left)
            .collect();
        if !here.is_empty() {
            text.push_str(&format!("{title} ({})\n", here.len()));
        }
        for (one, why) in here {
            line(&mut text, written, one, why);
        }
    }
    if !contradicted.is_empty() {
        text.push_str(&format!(
            "Draft and answer contradict each other: nothing was changed ({})\n",
            contradicted.len()
        ));
    }
    for (one, why) in contradicted {
        line(&mut text, written, one, why);
    }
    text
}

/// One point: old, new, reason.
fn line(text: &mut String, written: &Written, settled: &Settled, why: &str) {
    let Some(point) = written.profile.points.get(settled.point) else {
        return;
    };
    let left = settled.left.iter().map(|one| way(point, one));
    let left: Vec<String> = left.collect();
    let mut old = settled.old;
    old.reading.positive = point.positive;
    let old = way(point, &old);
    let new = left.join("; or ");
    let change = match (settled.bearing, left.len()) {
        // The whole list is that of `profile why`.
        (_, 4..) => format!("{} readings are left", left.len()),
        (Bearing::Contradicted, _) => new,
        _ if old == new => new,
        _ => format!("{old} -> {new}"),
    };
    let grade = match settled.bearing {
        Bearing::Contradicted => String::new(),
        _ => format!(" [{}]", settled.grade(point).id()),
    };
    let row = format!("{}: {change}{grade}: {why}", point.id);
    paper::wrap(text, &row, "  ", "      ");
}

/// A way to understand a point: how it is read, and what it is for where that is in doubt.
fn way(point: &Point, way: &Way) -> String {
    let reading = physics::reading(&way.reading);
    if way.role == point.role && point.role != Role::Other {
        return reading;
    }
    format!("{} {reading}", way.role.id())
}
