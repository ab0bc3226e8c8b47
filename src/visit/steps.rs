//! The steps of a visit, from door to door: what is asked, and what is measured.
//!
//! Input: a profile. Output: the list of steps in order. What a profile asks at a step of the same
//! name replaces the text here; its other steps are put where it says.
//!
//! Does not: ask, measure or judge.

use packside_profiles::model::{InverterFamily, ManualStep, Needs, Profile};

use super::Lamps;

/// Where in the visit a step belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Nothing is switched on.
    BeforePower,
    /// The unit is on, the inverter is not connected.
    Alone,
    /// The communication cable.
    Cable,
    /// Unit and inverter are on.
    WithInverter,
    /// Before leaving.
    After,
}

impl Part {
    /// Heading.
    pub fn title(self) -> &'static str {
        match self {
            Self::BeforePower => "Before power",
            Self::Alone => "Power-up without the inverter",
            Self::Cable => "Communication cable",
            Self::WithInverter => "Power-up with the inverter",
            Self::After => "Before leaving",
        }
    }
}

/// Names of steps, as people say them; of another one its own words.
const NAMES: [(&str, &str); 24] = [
    ("who", "Checked by"),
    ("where", "Place"),
    ("sound-outside", "Sound outside"),
    ("site", "Place as the manual wants it"),
    ("ambient-temperature", "Temperature of the room"),
    ("ambient-humidity", "Humidity of the room"),
    ("stored-charge", "Charge in storage"),
    ("stored-days", "Days since the last charge"),
    ("stored-coldest", "Coldest in storage"),
    ("stored-warmest", "Warmest in storage"),
    ("nameplate-capacity", "Capacity of a module"),
    ("storage", "Fit by its storage"),
    ("earth", "Earth and bonding"),
    ("latches", "Connectors"),
    ("polarity", "Polarity of the DC cable"),
    ("inverter-setting", "Battery set at the inverter"),
    ("inverter-family", "Family of the inverter"),
    ("plugged", "This computer is plugged in at"),
    ("power-up-alone", "Power-up without the inverter"),
    ("lamps-alone", "Lamps without the inverter"),
    ("cable", "Communication cable"),
    ("with-inverter", "Power-up with the inverter"),
    ("monitoring", "Remote monitoring"),
    ("handed-over", "Told the customer"),
];

impl VisitStep {
    /// Its name for people.
    pub fn name(&self) -> String {
        let known = NAMES.iter().find(|(id, _)| *id == self.id);
        known.map_or_else(|| of_id(&self.id), |(_, name)| (*name).to_owned())
    }

    /// Minutes that it takes a person who is used to it.
    // Kind: common practice
    pub(super) fn minutes(&self, silence_s: u32) -> f64 {
        let silence = f64::from(silence_s) / 60.0;
        match (&self.kind, self.needs) {
            (AnswerKind::Measured(Measure::Alone), _) => silence + 1.0,
            (AnswerKind::Measured(Measure::PowerCycle), _) => silence + 4.0,
            (AnswerKind::Measured(Measure::Swap), _) => silence + 30.0,
            (AnswerKind::Measured(_), _) => 4.0,
            (AnswerKind::Storage, _) => 0.0,
            (_, Needs::Look) => 0.5,
            (_, Needs::Operate | Needs::LowVoltage | Needs::UnitOff) => 3.0,
            (_, Needs::LiveDc) => 5.0,
        }
    }
}

/// An id as words.
fn of_id(id: &str) -> String {
    let words = id.replace('-', " ");
    let mut letters = words.chars();
    let first = letters.next().map(|letter| letter.to_ascii_uppercase());
    first.into_iter().chain(letters).collect()
}

/// How a step is answered.
#[derive(Debug, Clone, PartialEq)]
pub enum AnswerKind {
    /// In order, or not.
    Confirm,
    /// A number.
    Number {
        /// Its unit.
        unit: &'static str,
        /// Lowest that can be meant.
        lowest: f64,
        /// Highest that can be meant.
        highest: f64,
    },
    /// Anything written.
    Words,
    /// One of these: id and text.
    OneOf(Vec<(String, String)>),
    /// Lamps, tapped or in words.
    Lamps(Lamps),
    /// Computed from earlier answers.
    Storage,
    /// Found out by the tool on the wire.
    Measured(Measure),
}

/// What the tool finds out by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// The unit powered up alone, until its silence time has passed.
    Alone,
    /// The unit with its inverter, followed until it runs.
    WithInverter,
    /// The cells under a step of the current.
    Load,
    /// Everything once more after the power was cycled.
    PowerCycle,
    /// Everything once more after modules were swapped.
    Swap,
}

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitStep {
    /// Stable name, also in answers files.
    pub id: String,
    /// Where it belongs.
    pub part: Part,
    /// How it is answered.
    pub kind: AnswerKind,
    /// What is asked or done.
    pub text: String,
    /// What needs touching.
    pub needs: Needs,
    /// Said before it.
    pub caution: Option<&'static str>,
    /// Only asked after a fault was found.
    pub only_after_fault: bool,
}

const LIVE_DC: &str = "Live DC: the stack itself cannot be made dead. Two people, rated gloves and tester, the maker's manual.";
const HANDS_OFF: &str = "Nobody has hands near the terminals: a unit may pre-charge and close its switches, and most 48 V \
                         packs are live at once.";
const SWITCHES_OFF: &str = "Everything was read and recorded first. Hazardous voltage stays inside the stack; wait for the \
                            inverter's capacitors; never open connectors or breakers under load.";
const LEAVE: &str = "Hot, hissing, smoking, swollen or smelling: leave, call the fire service. Flooded: stay out of the water.";

/// The steps for units of this profile.
#[expect(clippy::too_many_lines, reason = "a table, one entry per step")]
pub fn steps(profile: &Profile) -> Vec<VisitStep> {
    let mut all = vec![
        ask(
            "who",
            Part::BeforePower,
            AnswerKind::Words,
            "Who makes this check?",
        ),
        ask(
            "where",
            Part::BeforePower,
            AnswerKind::Words,
            "Where is the unit (site, room)?",
        ),
        caution(
            ask(
                "sound-outside",
                Part::BeforePower,
                AnswerKind::Confirm,
                "All modules dry, cool, in shape, without smell, never dropped?",
            ),
            LEAVE,
        ),
        ask(
            "site",
            Part::BeforePower,
            AnswerKind::Confirm,
            "Place as the manual wants it: clearances, level floor, air flow, no direct sun?",
        ),
        number(
            "ambient-temperature",
            "degC",
            (-40.0, 70.0),
            "Temperature of the room?",
        ),
        number(
            "ambient-humidity",
            "%",
            (0.0, 100.0),
            "Relative humidity of the room?",
        ),
        number(
            "stored-charge",
            "%",
            (0.0, 100.0),
            "State of charge at the last charge (label or papers)?",
        ),
        number(
            "stored-days",
            "days",
            (0.0, 5000.0),
            "Days since the last charge?",
        ),
        number(
            "stored-coldest",
            "degC",
            (-60.0, 90.0),
            "The coldest that the modules may have been since then?",
        ),
        number(
            "stored-warmest",
            "degC",
            (-60.0, 90.0),
            "The warmest that the modules may have been since then?",
        ),
        number(
            "nameplate-capacity",
            "Ah",
            (1.0, 5000.0),
            "Capacity of a module on its nameplate?",
        ),
        ask(
            "storage",
            Part::BeforePower,
            AnswerKind::Storage,
            "Fit to install, by its storage",
        ),
        ask(
            "nameplates",
            Part::BeforePower,
            AnswerKind::Confirm,
            "Right modules in the right order: serial numbers against positions noted or photographed?",
        ),
        needs(
            ask(
                "earth",
                Part::BeforePower,
                AnswerKind::Confirm,
                "Earth and bonding connected, torque by the maker's manual?",
            ),
            Needs::UnitOff,
        ),
        ask(
            "latches",
            Part::BeforePower,
            AnswerKind::Confirm,
            "Every connector latched?",
        ),
        caution(
            needs(
                ask(
                    "polarity",
                    Part::BeforePower,
                    AnswerKind::Confirm,
                    "Isolator open: polarity of the DC cable at the inverter end right, by meter?",
                ),
                Needs::LiveDc,
            ),
            LIVE_DC,
        ),
        ask(
            "inverter-setting",
            Part::BeforePower,
            AnswerKind::Words,
            "Battery type and firmware, as the inverter's own screen shows them?",
        ),
        ask(
            "inverter-family",
            Part::BeforePower,
            AnswerKind::OneOf(families(profile)),
            "Family of the inverter?",
        ),
        ask(
            "plugged",
            Part::BeforePower,
            AnswerKind::OneOf(sockets()),
            "Where is this computer plugged in?",
        ),
        caution(
            needs(
                ask(
                    "switched-on",
                    Part::Alone,
                    AnswerKind::Confirm,
                    "Isolator open, inverter not connected to the communication socket: unit switched on by the manual?",
                ),
                Needs::LiveDc,
            ),
            HANDS_OFF,
        ),
        measure(
            "power-up-alone",
            Part::Alone,
            Measure::Alone,
            "Power-up without the inverter, followed on the wire",
        ),
        ask(
            "lamps-alone",
            Part::Alone,
            AnswerKind::Lamps(Lamps::of(profile)),
            "Lamps of the unit now, as you see them?",
        ),
        needs(
            ask(
                "cable",
                Part::Cable,
                AnswerKind::Confirm,
                "Right socket, pair, polarity and common wire; ends terminated; address and line settings as planned?",
            ),
            Needs::LowVoltage,
        ),
        caution(
            needs(
                ask(
                    "inverter-on",
                    Part::WithInverter,
                    AnswerKind::Confirm,
                    "Cable in, isolator closed by the manual, inverter powered and set to this battery?",
                ),
                Needs::LiveDc,
            ),
            HANDS_OFF,
        ),
        measure(
            "with-inverter",
            Part::WithInverter,
            Measure::WithInverter,
            "Power-up with the inverter, followed on the wire",
        ),
        ask(
            "lamps-with-inverter",
            Part::WithInverter,
            AnswerKind::Lamps(Lamps::of(profile)),
            "Lamps of the unit with its inverter, as you see them?",
        ),
        measure(
            "load-test",
            Part::WithInverter,
            Measure::Load,
            "Small charge or discharge set at the inverter: cells at rest and under load",
        ),
        caution(
            after_fault(needs(
                measure(
                    "power-cycle",
                    Part::After,
                    Measure::PowerCycle,
                    "Unit switched off and on again by the manual, then read: whether the fault returns",
                ),
                Needs::UnitOff,
            )),
            SWITCHES_OFF,
        ),
        ask(
            "monitoring",
            Part::After,
            AnswerKind::Confirm,
            "Remote monitoring reachable, unit visible there?",
        ),
        ask(
            "handed-over",
            Part::After,
            AnswerKind::Confirm,
            "Customer told what was found, what was not tested, and whom to call?",
        ),
    ];
    if profile.unit.swap_allowed {
        all.insert(after("power-cycle", &all), swap_test());
    }
    if profile.lamps.is_empty() {
        all.retain(|step| !matches!(step.kind, AnswerKind::Lamps(_)));
    }
    for own in &profile.manual_steps {
        take_in(&mut all, own);
    }
    all
}

/// Place behind a step.
fn after(id: &str, all: &[VisitStep]) -> usize {
    let place = all.iter().position(|step| step.id == id);
    place.map_or(all.len(), |place| place + 1)
}

/// Only where the maker allows it, as the profile says.
fn swap_test() -> VisitStep {
    let text = "Two modules swapped by the manual, unit off, then read: whether the fault follows the module or stays at the position";
    let step = measure("swap-test", Part::After, Measure::Swap, text);
    caution(after_fault(needs(step, Needs::LiveDc)), SWITCHES_OFF)
}

/// Puts a step of the profile into the list: in place of the one of the same name, else at the end
/// of its part.
fn take_in(all: &mut Vec<VisitStep>, own: &ManualStep) {
    let part = match own.when.as_str() {
        "before-power" => Part::BeforePower,
        "power-up" => Part::Alone,
        "with-inverter" => Part::WithInverter,
        _ => Part::After,
    };
    if let Some(same) = all.iter_mut().find(|step| step.id == own.id) {
        same.text = own.text.clean().into_owned();
        same.needs = own.needs;
        return;
    }
    let mut step = ask(&own.id, part, AnswerKind::Confirm, &own.text.clean());
    step.needs = own.needs;
    if own.needs == Needs::LiveDc {
        step.caution = Some(LIVE_DC);
    }
    // What is measured in a part comes after what a person does in it.
    let measured =
        |other: &VisitStep| matches!(other.kind, AnswerKind::Measured(_)) && other.part == part;
    let place = all
        .iter()
        .position(measured)
        .or_else(|| all.iter().position(|other| other.part > part));
    all.insert(place.unwrap_or(all.len()), step);
}

fn ask(id: &str, part: Part, kind: AnswerKind, text: &str) -> VisitStep {
    VisitStep {
        id: id.to_owned(),
        part,
        kind,
        text: text.to_owned(),
        needs: Needs::Look,
        caution: None,
        only_after_fault: false,
    }
}

fn number(id: &str, unit: &'static str, (lowest, highest): (f64, f64), text: &str) -> VisitStep {
    let kind = AnswerKind::Number {
        unit,
        lowest,
        highest,
    };
    ask(id, Part::BeforePower, kind, text)
}

fn measure(id: &str, part: Part, measure: Measure, text: &str) -> VisitStep {
    ask(id, part, AnswerKind::Measured(measure), text)
}

fn needs(step: VisitStep, needs: Needs) -> VisitStep {
    VisitStep { needs, ..step }
}

fn caution(step: VisitStep, caution: &'static str) -> VisitStep {
    VisitStep {
        caution: Some(caution),
        ..step
    }
}

fn after_fault(step: VisitStep) -> VisitStep {
    VisitStep {
        only_after_fault: true,
        ..step
    }
}

fn families(profile: &Profile) -> Vec<(String, String)> {
    let known = profile.inverter_families.iter().map(|family| {
        let needs = format!(
            "{} (control unit from {}, battery type \"{}\")",
            family.name.clean(),
            family.firmware_from,
            family.battery_type.clean()
        );
        (family_id(family), needs)
    });
    known
        .chain([("another".to_owned(), "another one, or not known".to_owned())])
        .collect()
}

/// A family's name as the id of a choice.
pub(super) fn family_id(family: &InverterFamily) -> String {
    family.name.clean().to_lowercase().replace(' ', "-")
}

fn sockets() -> Vec<(String, String)> {
    let choice = |id: &str, text: &str| (id.to_owned(), text.to_owned());
    vec![
        choice("service", "a service socket, or a gateway"),
        choice(
            "instead-of-inverter",
            "the inverter's own socket (its data cable is unplugged meanwhile)",
        ),
        choice("across-the-pair", "across the pair, as a second device"),
    ]
}
