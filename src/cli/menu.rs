//! The short menu of a bare `packside` on a terminal.

use super::failure::{Failure, USAGE, failure};
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

/// Shows the menu; without a terminal, or for a program, it is wrong usage.
pub(crate) fn run(as_json: bool, colour: bool) -> Result<u8, Failure> {
    if as_json || !out::interactive() {
        let message = "no command given: expected one of find, check, watch, listen, lamp, visit, report, profile, retest, demo";
        let hint = Some("packside --help".to_owned());
        return Err(failure(USAGE, "usage", message, hint));
    }
    out::say(MENU);
    loop {
        out::say("\nWhich one?");
        match out::answer().as_deref() {
            Some("1") => return demo::run(false, colour),
            Some("2") => return Ok(told("packside find")),
            Some("3") => {
                return Ok(told(
                    "packside check --serial PORT --profile generic-hv-stack",
                ));
            }
            Some("4") => {
                return Ok(told(
                    "packside check --gateway HOST --profile generic-hv-stack",
                ));
            }
            Some("5") => {
                return Ok(told(
                    "packside watch --serial PORT --profile generic-hv-stack",
                ));
            }
            Some("6") => return Ok(told("packside listen --serial PORT")),
            Some("7") => {
                return Ok(told(
                    "packside visit --serial PORT --profile generic-hv-stack",
                ));
            }
            Some("8") => {
                return Ok(out::outcome(lamp::run(
                    &lamp::LampArgs::bare(),
                    false,
                    colour,
                )));
            }
            Some("9") => return Ok(told("packside profile list")),
            Some("q" | "Q") | None => return Ok(0),
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
