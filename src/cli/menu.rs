//! A bare `packside` on a terminal: single keys lead to the command that fits, which is shown and then run.
//!
//! Does not: know anything that the commands do not; every way through it ends with one that can be typed.

use super::args::typed;
use super::failure::{Failure, USAGE, failure};
use super::out;
use super::prompt::{self, Typed};

/// What is asked first.
const BEGIN: &str = "\
packside reads a battery storage unit and says: a real fault, or an inverter
that is not talking yet? It only reads. Hazardous voltage is inside even when
switched off, and asking may wake a unit.

What do you have?
   u  a unit, and a cable from it to this computer
   g  a unit behind a network gateway, near or far
   r  a recording of an earlier look
   l  only a lamp that blinks
   t  nothing yet: try it on a simulated unit
   q  leave";

/// What can be done with a unit that is reached.
const WITH_UNIT: &str = "
What now?
   c  look once, and get the verdict
   w  keep looking, and see what changes
   v  the guided check, from door to door";

/// The simulated units of the first try.
const TO_TRY: &str = "
Which one?
   b  both stories behind the same lamp, told side by side
   w  a unit that waits for its inverter
   f  a unit with a real fault
   v  the guided check, on a unit that is put into service";

/// Leads to a command and gives its words; without a terminal, or for a program, it is wrong usage. Nothing
/// where the person leaves.
pub(crate) fn lead(as_json: bool) -> Result<Option<Vec<String>>, Failure> {
    if as_json || !out::interactive() {
        let message = "no command given: expected one of find, check, watch, listen, lamp, visit, report, profile, retest, demo";
        let hint = Some("packside --help".to_owned());
        return Err(failure(USAGE, "usage", message, hint));
    }
    out::say(BEGIN);
    let words = match key("ugrltq").as_deref() {
        Some("u") => cable(),
        Some("g") => gateway(),
        Some("r") => recording(),
        Some("l") => lamp(),
        Some("t") => simulated(),
        _ => None,
    };
    let Some(words) = words else {
        return Ok(None);
    };
    let shown: Vec<String> = words.iter().map(typed).collect();
    out::say(&format!("\nThe command:  packside {}", shown.join(" ")));
    Ok(go().then_some(words))
}

/// A key of these; nothing where the person leaves.
fn key(allowed: &str) -> Option<String> {
    match prompt::key("key > ", allowed) {
        Typed::Text(key) if key != "q" => Some(key),
        _ => None,
    }
}

/// A line that is not empty; nothing where the person leaves.
fn line(prompt: &str) -> Option<String> {
    match prompt::line(prompt) {
        Typed::Text(text) if !text.is_empty() && text != "q" => Some(text),
        _ => None,
    }
}

/// Whether the command is to be run.
fn go() -> bool {
    matches!(prompt::key("g go, q leave > ", "gq"), Typed::Text(key) if key == "g")
}

fn words(parts: &[&str]) -> Vec<String> {
    parts.iter().map(|part| (*part).to_owned()).collect()
}

/// A unit at hand: which adapter, which map, what to do.
fn cable() -> Option<Vec<String>> {
    let mut ports = crate::link::ports();
    ports.retain(|port| port.adapter.is_some());
    let port = match ports.as_slice() {
        [] => {
            out::say(
                "\nNo serial adapter is plugged into this computer.\n   w  wait for one to be plugged in\n   n  name the port yourself",
            );
            match key("wnq")?.as_str() {
                "w" => return Some(words(&["find", "--wait"])),
                _ => line("port, for example /dev/ttyUSB0 or COM3 > ")?,
            }
        }
        [only] => {
            out::say(&format!("\nThe one adapter here: {}", only.name));
            only.name.clone()
        }
        several => {
            out::say("\nWhich adapter?");
            let names: Vec<&str> = several.iter().map(|port| port.name.as_str()).collect();
            one_of(&names)?
        }
    };
    with_map("--serial", &port)
}

fn gateway() -> Option<Vec<String>> {
    let host = line("\naddress of the gateway, for example 192.0.2.7 > ")?;
    with_map("--gateway", &host)
}

/// Which map, and what to do with it.
fn with_map(option: &str, place: &str) -> Option<Vec<String>> {
    let folder = packside_profiles::config_folder(None, |name| std::env::var_os(name));
    let maps = packside_profiles::load::known(folder.as_deref());
    out::say("\nWhich register map?\n   n  not known: find out what answers");
    let shown = maps.get(..9).unwrap_or(&maps);
    for (number, map) in shown.iter().enumerate() {
        out::say(&format!("   {}  {}", number + 1, map.clean()));
    }
    let pressed = key(&format!("{}nq", digits(shown.len())))?;
    if pressed == "n" {
        return Some(words(&["find", option, place]));
    }
    let map = chosen(&pressed, shown)?.as_given();
    out::say(WITH_UNIT);
    let command = match key("cwvq")?.as_str() {
        "c" => "check",
        "w" => "watch",
        _ => "visit",
    };
    Some(words(&[command, option, place, "--profile", map]))
}

fn recording() -> Option<Vec<String>> {
    let file = match prompt::line("\nits file, or Enter for the newest look > ") {
        Typed::Text(file) if file.is_empty() => "last".to_owned(),
        Typed::Text(file) if file != "q" => file,
        _ => return None,
    };
    out::say(
        "\nWhat now?\n   j  judge it again\n   p  make the page to hand over, page.html\n   u  is it unchanged?",
    );
    Some(match key("jpuq")?.as_str() {
        "j" => words(&["check", "--recording", &file]),
        "p" => words(&["report", &file, "-o", "page.html"]),
        _ => words(&["report", &file, "--verify"]),
    })
}

fn lamp() -> Option<Vec<String>> {
    let maps: Vec<&str> = packside_profiles::shipped()
        .iter()
        .map(|(name, _)| *name)
        .collect();
    out::say("\nA lamp alone never proves a unit sound. Whose lamp is it?\n   n  not known");
    for (number, map) in maps.iter().enumerate() {
        out::say(&format!("   {}  {map}", number + 1));
    }
    let pressed = key(&format!("{}nq", digits(maps.len())))?;
    Some(match chosen(&pressed, &maps) {
        Some(map) => words(&["lamp", "--profile", map]),
        None => words(&["lamp"]),
    })
}

fn simulated() -> Option<Vec<String>> {
    out::say(TO_TRY);
    Some(match key("bwfvq")?.as_str() {
        "b" => words(&["demo"]),
        "w" => words(&["check", "--simulated", "hv-waiting"]),
        "f" => words(&["check", "--simulated", "hv-fault-behind-lamp"]),
        _ => words(&["visit", "--simulated", "hv-commissioning"]),
    })
}

/// One of several, by its number.
fn one_of(names: &[&str]) -> Option<String> {
    let shown = names.get(..9).unwrap_or(names);
    for (number, name) in shown.iter().enumerate() {
        out::say(&format!("   {}  {name}", number + 1));
    }
    let pressed = key(&format!("{}q", digits(shown.len())))?;
    chosen(&pressed, shown).map(|name| (*name).to_owned())
}

/// The keys of so many choices.
fn digits(count: usize) -> String {
    ('1'..='9').take(count).collect()
}

/// The choice with this number.
fn chosen<'a, T>(pressed: &str, all: &'a [T]) -> Option<&'a T> {
    let number: usize = pressed.parse().ok()?;
    all.get(number.checked_sub(1)?)
}
