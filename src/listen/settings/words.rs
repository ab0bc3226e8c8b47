//! What was found, how sure it is and what to do next, in plain words.
//!
//! Texts are not stable; [`super::Explanation::id`] is.

use packside_profiles::LineSettings;

use super::{Class, Explanation, Hypothesis, Protocol};

/// Three sentences for a technician.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sentences {
    /// What was found.
    pub found: String,
    /// How sure that is.
    pub sure: String,
    /// What to do next.
    pub next: String,
}

impl Explanation {
    /// The explanation in plain words.
    pub fn words(&self) -> Sentences {
        match &self.class {
            Class::Nothing => nothing(self),
            Class::Exact(settings) => exact(self, *settings),
            Class::Equivalent(settings) => equivalent(self, settings),
            Class::Survives(hypotheses) => survives(self, hypotheses),
            Class::OtherProtocol(protocol) => other(self, *protocol),
            Class::Lost(next) => lost(self, next),
        }
    }
}

fn nothing(it: &Explanation) -> Sentences {
    let found = match it.evidence.characters {
        0 => format!("not one byte was heard at {}", it.ours),
        1 => format!(
            "one byte was heard at {}, too little to tell anything",
            it.ours
        ),
        few => format!(
            "{few} bytes were heard at {}, too few to tell anything",
            it.ours
        ),
    };
    Sentences {
        found,
        sure: "open: silence does not tell a quiet client from an open wire".to_owned(),
        next: "see that the inverter is on and set to this battery, then check socket, wire and common".to_owned(),
    }
}

fn exact(it: &Explanation, settings: LineSettings) -> Sentences {
    Sentences {
        found: format!("{} read right at {settings}", frames(it)),
        sure: sure(it),
        next: "keep these settings".to_owned(),
    }
}

fn equivalent(it: &Explanation, settings: &[LineSettings]) -> Sentences {
    let found = match settings {
        [one] => format!(
            "{} read right, but the marks of the port show that the senders use {one}, not our {}",
            frames(it),
            it.ours
        ),
        several => format!(
            "{} read right at {}; the senders may use {}",
            frames(it),
            it.ours,
            list(several)
        ),
    };
    let next = match settings {
        [one] => format!("listening works as it is; before asking, set {one}"),
        _ => "listening works as it is; before asking, look up parity and stop bits in the unit's manual: \
              a unit drops questions with the wrong ones without a word"
            .to_owned(),
    };
    Sentences {
        found,
        sure: sure(it),
        next,
    }
}

fn survives(it: &Explanation, hypotheses: &[Hypothesis]) -> Sentences {
    let all_swapped = hypotheses.iter().all(|one| one.is_swapped);
    let settings: Vec<LineSettings> = hypotheses.iter().map(|one| one.settings).collect();
    let settings = list(&settings);
    let is_ours = hypotheses.iter().any(|one| one.settings == it.ours);
    if all_swapped {
        let listen = if is_ours {
            String::new()
        } else {
            format!(", then listen at {settings}")
        };
        return Sentences {
            found: format!(
                "the two wires of the pair are swapped: {} read right as {settings} after turning the level round",
                frames(it)
            ),
            sure: sure(it),
            next: format!(
                "swap D0 and D1 (A and B) at one end, here rather than at the unit{listen}"
            ),
        };
    }
    Sentences {
        found: format!(
            "the senders use {settings}, we listened at {}: {} read right after cutting the bits again",
            it.ours,
            frames(it)
        ),
        sure: sure(it),
        next: format!("listen at {settings}"),
    }
}

fn other(it: &Explanation, protocol: Protocol) -> Sentences {
    let bits = |is_seven_bit| {
        if is_seven_bit {
            " in characters of seven bits with parity"
        } else {
            ""
        }
    };
    match protocol {
        Protocol::ModbusAscii {
            frames,
            is_seven_bit,
        } => Sentences {
            found: format!(
                "this is Modbus ASCII{}, not Modbus RTU: {} with a right check value",
                bits(is_seven_bit),
                counted(frames, "frame")
            ),
            sure: if frames >= 4 { "proven" } else { "likely" }.to_owned(),
            next: "set the inverter and the unit to RTU, or look for the RTU socket".to_owned(),
        },
        Protocol::Text { is_seven_bit } => Sentences {
            found: format!(
                "{} of printable text{}: no Modbus, perhaps a service console or another device",
                counted(it.evidence.fitted, "character"),
                bits(is_seven_bit)
            ),
            sure: "likely".to_owned(),
            next: "see whether the cable is in the right socket".to_owned(),
        },
    }
}

fn lost(it: &Explanation, next: &[LineSettings]) -> Sentences {
    let first: Vec<LineSettings> = next.iter().take(3).copied().collect();
    let next = if first.is_empty() {
        "every setting was tried: check the pair, the common wire and the socket".to_owned()
    } else {
        format!("listen, without sending, at {}", list(&first))
    };
    Sentences {
        found: format!(
            "in the last {} at {} no frame can be made out under any setting they could still show",
            counted(it.evidence.characters, "byte"),
            it.ours
        ),
        sure: "open: another rate, another protocol or a bad line".to_owned(),
        next,
    }
}

fn frames(it: &Explanation) -> String {
    counted(it.evidence.frames, "frame")
}

fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

fn sure(it: &Explanation) -> String {
    let share = it.evidence.fitted * 100 / it.evidence.characters.max(1);
    if it.is_proven() {
        return format!(
            "proven: {share} % of the bytes fit, an accident is less likely than one in a million"
        );
    }
    format!(
        "likely: {share} % of the bytes fit, but {} different is too little to rule out an accident",
        counted(it.evidence.different, "frame")
    )
}

fn list(settings: &[LineSettings]) -> String {
    let texts: Vec<String> = settings.iter().map(ToString::to_string).collect();
    match texts.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}
