//! The short menu of a bare `packside` on a terminal.

use super::failure::USAGE;
use super::{demo, lamp, out};

const MENU: &str = "\
packside: a real fault, or an inverter that is not talking yet?

  1  see it work on a simulated stack, nothing needed      packside demo
  2  an unknown cable: which port, settings, address       packside find
  3  look at a unit on a serial adapter                    packside check --serial PORT --profile NAME
  4  look at a unit behind a TCP gateway                   packside check --gateway HOST --profile NAME
  5  keep looking, and see what changes                    packside watch --serial PORT --profile NAME
  6  overhear a bus without sending a byte                 packside listen --serial PORT
  7  the guided power-up check, recorded                   packside visit --serial PORT --profile NAME
  8  say what a blinking lamp means                        packside lamp
  9  the register maps it knows                            packside profile list
  q  leave

Hazardous voltage is inside a unit even when it is switched off: `packside --help` carries the cautions.";

/// Shows the menu; without a terminal it is wrong usage.
pub(crate) fn run(colour: bool) -> u8 {
    if !out::interactive() {
        out::say(
            "error: no command given: expected one of find, check, watch, listen, lamp, visit, report, profile, retest, demo",
        );
        out::say("hint: packside --help");
        return USAGE;
    }
    out::say(MENU);
    loop {
        out::say("\nWhich one?");
        match out::answer().as_deref() {
            Some("1") => return demo::run(false, colour),
            Some("2") => return told("packside find"),
            Some("3") => return told("packside check --serial PORT --profile generic-hv-stack"),
            Some("4") => return told("packside check --gateway HOST --profile generic-hv-stack"),
            Some("5") => return told("packside watch --serial PORT --profile generic-hv-stack"),
            Some("6") => return told("packside listen --serial PORT"),
            Some("7") => return told("packside visit --serial PORT --profile generic-hv-stack"),
            Some("8") => return out::outcome(lamp::run(&lamp::LampArgs::bare(), false, colour)),
            Some("9") => return told("packside profile list"),
            Some("q" | "Q") | None => return 0,
            Some(other) => out::say(&format!("expected 1 to 9 or q, found \"{other}\"")),
        }
    }
}

/// These need an answer that only the command line can carry.
fn told(command: &str) -> u8 {
    out::say("Type this, with your own values where it has capitals:");
    out::result(&format!("{command}\n"));
    0
}
