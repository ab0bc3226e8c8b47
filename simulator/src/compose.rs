//! Composes worlds: one thing wrong with the unit (or nothing), one thing wrong around it.
//!
//! Input: a pair and a seed. Output: the text of a scenario, read back as any scenario is, with the
//! verdicts that must follow, and what a careful judge must never overlook. Does not: judge.
//!
//! # Why text
//! Every composed world can be written to a file and looked at again with `--simulated FILE`.
//!
//! # What must follow
//! A fault of the unit decides wherever a valid answer can carry it; around it only the line can
//! keep the judge from hearing of it, and then the verdict is open, never clean. All parameters are
//! invented, drawn from the ranges that stand here.

use std::fmt::Write as _;

use crate::dice::Dice;
use crate::scenario::Scenario;
use crate::scenario_error::ScenarioError;

/// How well answers of the unit come through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reach {
    /// All of them, at latest when asked again.
    Clear,
    /// Some; what is missing must be named.
    Poor,
    /// None that can be relied on.
    Mute,
}

/// What is wrong with the unit.
struct Inside {
    id: &'static str,
    /// Root that must be found; nothing for a sound unit.
    root: Option<&'static str>,
    nature: Nature,
    /// Lines of the stack table, then of events; `{t}` is the moment it begins.
    stack: &'static str,
    events: &'static str,
}

/// What a thing that is wrong means for the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Nature {
    Sound,
    /// Keeps the unit from running, and is no defect.
    Condition,
    Fault,
    /// A fault that changes nothing that could be read; the id under which it is listed as not tested.
    Traceless(&'static str),
}

/// What is wrong around the unit.
struct Around {
    id: &'static str,
    /// Verdicts about a sound unit.
    sound: &'static [&'static str],
    reach: Reach,
    /// Whether it can be behind a gateway that speaks Modbus TCP too.
    by_tcp: bool,
    /// Scenario text; `{a}` and `{b}` are two numbers from the ranges.
    text: &'static str,
    a: (f64, f64),
    b: (f64, f64),
}

/// A unit and its surroundings, by number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Pair {
    rack: bool,
    inside: usize,
    around: usize,
}

impl Pair {
    /// Number of the diagonal on which it stands in the table of things inside and things around: of
    /// any few diagonals in a row, each thing inside and each thing around has a pair.
    pub fn diagonal(self) -> usize {
        self.inside + self.around
    }
}

/// Every pair, but those that cannot be: a defect that shows as soon as the switches have to close is
/// traceless only while they have not been asked to.
pub fn pairs() -> Vec<Pair> {
    let can_be = |pair: &Pair| {
        let (insides, arounds) = tables(pair.rack);
        let traceless = insides
            .get(pair.inside)
            .is_some_and(|one| matches!(one.nature, Nature::Traceless(_)));
        let closes = arounds.get(pair.around).is_some_and(|one| {
            one.sound.contains(&"normal") || one.sound.contains(&"inverter-lost")
        });
        !(traceless && closes)
    };
    let all = |rack: bool| {
        let (inside, around) = tables(rack);
        let around = around.len();
        (0..inside.len()).flat_map(move |inside| {
            (0..around).map(move |around| Pair {
                rack,
                inside,
                around,
            })
        })
    };
    all(false).chain(all(true)).filter(can_be).collect()
}

/// The pair of these two, in the stack or in the rack.
pub fn pair_named(rack: bool, inside: &str, around: &str) -> Option<Pair> {
    let (insides, arounds) = tables(rack);
    Some(Pair {
        rack,
        inside: insides.iter().position(|one| one.id == inside)?,
        around: arounds.iter().position(|one| one.id == around)?,
    })
}

/// How far a world departs from its profile's figures: 1 is not at all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Rates, delays and periods.
    pub times: f64,
    /// The silence time of the supervision.
    pub silence: f64,
    /// Spread of the cells, within what a sound unit may have.
    pub spread: f64,
}

impl Default for Stretch {
    fn default() -> Self {
        Self {
            times: 1.0,
            silence: 1.0,
            spread: 1.0,
        }
    }
}

/// A composed world.
#[derive(Debug, Clone)]
pub struct Composed {
    /// The scenario.
    pub scenario: Scenario,
    /// Its text, as a file has it.
    pub text: String,
    /// What is wrong with the unit.
    pub inside: &'static str,
    /// What is wrong around it.
    pub around: &'static str,
    /// Whether a real fault exists that can be read; clean verdicts are dangerous then.
    pub real_fault: bool,
    /// The root that must come first.
    pub root: Option<&'static str>,
    /// A fault that shows nowhere must be listed under this id.
    pub not_tested: Option<&'static str>,
    /// Whether it can be behind a gateway that speaks Modbus TCP too.
    pub by_tcp: bool,
    /// Whether nothing valid of the unit can be heard.
    pub mute: bool,
}

/// Composes a world.
///
/// # Errors
/// Where the tables of this file do not make a scenario; a test shows that they do.
pub fn compose(pair: Pair, seed: u64, stretch: Stretch) -> Result<Composed, ScenarioError> {
    let (insides, arounds) = tables(pair.rack);
    let (inside, around) = insides
        .get(pair.inside)
        .zip(arounds.get(pair.around))
        .ok_or_else(|| ScenarioError::Unknown {
            name: format!("pair {} with {}", pair.inside, pair.around).into(),
        })?;
    build(pair.rack, inside, around, seed, stretch)
}

/// Lines that are bad until they are mended, each with a thing that is wrong with the unit: a look
/// before must say nothing false, a look after [`HEALED_S`] must be right.
pub fn healing() -> Vec<(usize, usize)> {
    let count = STACK_INSIDE.len();
    let fits = |inside: &usize| {
        let one = STACK_INSIDE.get(*inside);
        one.is_some_and(|one| !matches!(one.nature, Nature::Traceless(_)))
    };
    let healing = 0..HEALING.len();
    healing
        .flat_map(|around| (0..count).filter(fits).map(move |inside| (inside, around)))
        .collect()
}

/// When the lines of [`healing`] are mended, seconds since power-up.
pub const HEALED_S: u64 = 140;

/// Composes a world whose line is mended at [`HEALED_S`].
///
/// # Errors
/// As [`compose`].
pub fn compose_healing(which: (usize, usize), seed: u64) -> Result<Composed, ScenarioError> {
    let (inside, around) = STACK_INSIDE
        .get(which.0)
        .zip(HEALING.get(which.1))
        .ok_or_else(|| ScenarioError::Unknown {
            name: format!("healing {which:?}").into(),
        })?;
    build(false, inside, around, seed, Stretch::default())
}

/// Defects that show nowhere until the inverter has the switches closed, by number below.
pub const TRACELESS: usize = HIDDEN.len();

/// Composes a world with one of them, and the same world without it. The inverter begins to ask at
/// [`INVERTER_COMES_S`].
///
/// # Errors
/// As [`compose`].
pub fn compose_traceless(which: usize, seed: u64) -> Result<(Composed, Composed), ScenarioError> {
    let inside = HIDDEN.get(which).ok_or_else(|| ScenarioError::Unknown {
        name: format!("traceless {which}").into(),
    })?;
    let with = |inside| build(false, inside, &LATE_INVERTER, seed, Stretch::default());
    Ok((with(inside)?, with(&SOUND)?))
}

/// When the inverter of [`compose_traceless`] begins to ask, seconds since power-up.
pub const INVERTER_COMES_S: u64 = 130;

/// A world in which no valid answer comes because of this cause, named as the tool names it;
/// nothing where it cannot be simulated.
pub fn soft(cause: &str, seed: u64) -> Option<Composed> {
    let mut dice = Dice::fork(seed, 78);
    let fitting: Vec<&(&str, Around)> = SOFT.iter().filter(|(id, _)| *id == cause).collect();
    let (_, around) = fitting.get(dice.below(fitting.len()))?;
    // Half of the time an inverter asks on the same pair, as it would in the field.
    let inverter = if dice.percent(50.0) && !around.text.contains("[inverter]") {
        "[inverter]\nfrom = \"5s\"\nevery = \"4s\"\n"
    } else {
        ""
    };
    let text = format!("{}{inverter}", around.text);
    build_from(false, &SOUND, around, &text, seed, Stretch::default()).ok()
}

fn build(
    rack: bool,
    inside: &Inside,
    around: &Around,
    seed: u64,
    stretch: Stretch,
) -> Result<Composed, ScenarioError> {
    build_from(rack, inside, around, around.text, seed, stretch)
}

/// Writes the text and reads it back.
fn build_from(
    rack: bool,
    inside: &Inside,
    around: &Around,
    around_text: &str,
    seed: u64,
    stretch: Stretch,
) -> Result<Composed, ScenarioError> {
    let mut dice = Dice::fork(seed, 77);
    let mut between =
        |(low, high): (f64, f64)| low + (high - low) * (dice.around_zero() + 1.0) / 2.0;
    let begins = between((22.0, 85.0));
    let (a, b) = (between(around.a), between(around.b));
    let soc = between((35.0, 85.0));
    let celsius = between((12.0, 33.0));
    let (profile, silence, look_at) = if rack {
        ("generic-lv-rack", 90.0, 125.0)
    } else {
        ("generic-hv-stack", 45.0, 110.0)
    };
    let (stack_lines, tables_of_around) = around_text.split_once('|').unwrap_or(("", around_text));
    let of_kind = match (rack, around_text.contains("packs_expected")) {
        (false, _) => "modules = 5\nfirmware = \"2.4\"",
        (true, false) => "packs = 3\nfirmware = \"1.5\"",
        (true, true) => "firmware = \"1.5\"",
    };
    let fill = |template: &str| {
        template
            .replace("{t}", &format!("{begins:.1}s"))
            .replace("{a}", &format!("{:.3}", a * stretch.times))
            .replace("{b}", &format!("{b:.3}"))
    };
    let verdicts = must_follow(inside, around);
    let mut text =
        String::from("# Composed and INVENTED: no real unit, no real product.\nformat = 3\n");
    let _ = writeln!(
        text,
        "name = \"{0}--{1}\"\ntitle = \"composed: {0} inside, {1} around\"\nprofile = \"{profile}\"\nseed = {seed}\n\
         look_at = \"{look_at}s\"\n[stack]\n{of_kind}\nsoc = {soc:.1}\ntemperature = {celsius:.1}\nspread_mv = {2:.1}\n\
         silence = \"{3:.1}s\"\n{4}\n{stack_lines}\n{5}\n{6}\n[[expect]]\nat = \"{look_at}s\"\nverdict = {verdicts:?}",
        inside.id,
        around.id,
        3.0 * stretch.spread,
        silence * stretch.silence,
        inside.stack,
        fill(tables_of_around),
        fill(inside.events),
    );
    let scenario = Scenario::load(&text, "composed")?;
    Ok(Composed {
        scenario,
        text,
        inside: inside.id,
        around: around.id,
        real_fault: inside.nature == Nature::Fault,
        root: inside
            .root
            .filter(|_| verdicts == ["fault"] || verdicts == ["not-ready"]),
        not_tested: match inside.nature {
            Nature::Traceless(id) => Some(id),
            _ => None,
        },
        by_tcp: around.by_tcp,
        mute: around.reach == Reach::Mute,
    })
}

/// The verdicts that may follow.
fn must_follow(inside: &Inside, around: &Around) -> Vec<&'static str> {
    let open = ["undecided", "bus-problem"];
    let current_flows = around.text.contains("current");
    let with = |first: &'static str| [&[first], open.as_slice()].concat();
    match (inside.nature, around.reach) {
        (Nature::Sound | Nature::Traceless(_), _) => around.sound.to_vec(),
        (_, Reach::Mute) => open.to_vec(),
        // A spread is judged at rest only; under load the careful verdict is open.
        (Nature::Fault, Reach::Clear) if inside.id.ends_with("-at-rest") && current_flows => {
            with("fault")
        }
        (Nature::Fault, Reach::Clear) => vec!["fault"],
        (Nature::Fault, Reach::Poor) => with("fault"),
        (Nature::Condition, Reach::Clear) => vec!["not-ready"],
        (Nature::Condition, Reach::Poor) => with("not-ready"),
    }
}

fn tables(rack: bool) -> (&'static [Inside], &'static [Around]) {
    if rack {
        (RACK_INSIDE, RACK_AROUND)
    } else {
        (STACK_INSIDE, STACK_AROUND)
    }
}

const fn fault(
    id: &'static str,
    root: &'static str,
    stack: &'static str,
    events: &'static str,
) -> Inside {
    Inside {
        id,
        root: Some(root),
        nature: Nature::Fault,
        stack,
        events,
    }
}

const fn condition(id: &'static str, root: &'static str, events: &'static str) -> Inside {
    Inside {
        id,
        root: Some(root),
        nature: Nature::Condition,
        stack: "",
        events,
    }
}

/// A defect that shows nowhere until the switches have to close.
const fn traceless(id: &'static str, not_tested: &'static str, events: &'static str) -> Inside {
    Inside {
        id,
        root: None,
        nature: Nature::Traceless(not_tested),
        stack: "",
        events,
    }
}

const SOUND: Inside = Inside {
    id: "sound",
    root: None,
    nature: Nature::Sound,
    stack: "",
    events: "",
};

/// A flag that a scenario holds up: the unit says it, no number shows it.
macro_rules! flagged {
    ($id:literal, $root:literal) => {
        fault(
            $id,
            $root,
            "",
            concat!("[[event]]\nat = \"{t}\"\nraise = \"", $id, "\"\n"),
        )
    };
}

#[rustfmt::skip]
const STACK_INSIDE: &[Inside] = &[
    SOUND,
    traceless("fuse-open-unseen", "main-fuse", "[[event]]\nat = \"0s\"\ndefect = \"fuse-open\"\n"),
    traceless("pre-charge-open-unseen", "pre-charge", "[[event]]\nat = \"0s\"\ndefect = \"precharge-open\"\n"),
    condition("cold", "under-temperature", "[[event]]\nat = \"{t}\"\ncelsius = -14\n"),
    condition("door-open", "door-open", "[[event]]\nat = \"{t}\"\nraise = \"door-open\"\n"),
    condition("off-button", "off-button", "[[event]]\nat = \"{t}\"\nraise = \"off-button\"\n"),
    condition("charge-low", "low-charge", "[[event]]\nat = \"{t}\"\nsoc = 4\n"),
    fault("insulation-low", "insulation-low", "", "[[event]]\nat = \"{t}\"\ninsulation_kohm = 42\n"),
    fault("insulation-low-unflagged", "insulation-low", "suppress = [\"insulation-low\"]", "[[event]]\nat = \"{t}\"\ninsulation_kohm = 42\n"),
    fault("door-and-insulation", "insulation-low", "", "[[event]]\nat = \"20s\"\nraise = \"door-open\"\n[[event]]\nat = \"{t}\"\ninsulation_kohm = 42\n"),
    fault("cell-high", "cell-over-voltage", "", "[[event]]\nat = \"{t}\"\nmodule = 2\ncell = 9\nvolts = 3.72\n"),
    fault("cell-high-unflagged", "cell-over-voltage", "suppress = [\"cell-high\", \"cells-apart\"]", "[[event]]\nat = \"{t}\"\nmodule = 2\ncell = 9\nvolts = 3.72\n"),
    fault("cell-low-alone", "cell-under-voltage", "", "[[event]]\nat = \"{t}\"\nmodule = 4\ncell = 30\nvolts = 2.6\n"),
    fault("cell-below-minimum", "cell-below-minimum", "", "[[event]]\nat = \"{t}\"\nmodule = 1\ncell = 1\nvolts = 1.7\n"),
    fault("cell-below-minimum-unflagged", "cell-below-minimum", "suppress = [\"cell-lost\", \"cell-low\", \"cells-apart\"]", "[[event]]\nat = \"{t}\"\nmodule = 1\ncell = 1\nvolts = 1.7\n"),
    fault("cell-wire-lost", "cell-below-minimum", "", "[[event]]\nat = \"{t}\"\nmodule = 3\ncell = 12\nlost = true\n"),
    fault("cells-apart-at-rest", "cell-imbalance", "", "[[event]]\nat = \"{t}\"\nmodule = 5\ncell = 2\nvolts = 3.05\n"),
    fault("sensor-lost", "sensor-fault", "", "[[event]]\nat = \"{t}\"\nmodule = 3\nsensor = 5\nlost = true\n"),
    fault("sensor-lost-unflagged", "sensor-fault", "suppress = [\"sensor-lost\"]", "[[event]]\nat = \"{t}\"\nmodule = 3\nsensor = 5\nlost = true\n"),
    fault("hot", "over-temperature", "", "[[event]]\nat = \"{t}\"\ncelsius = 61\n"),
    fault("hot-spot", "over-temperature", "", "[[event]]\nat = \"{t}\"\nmodule = 2\nsensor = 3\ncelsius = 66\n"),
    fault("warm-module-at-rest", "temperature-imbalance", "", "[[event]]\nat = \"{t}\"\nmodule = 2\ncelsius = 49.5\n"),
    fault("frozen", "control-unit-fault", "", "[[event]]\nat = \"{t}\"\nfrozen = true\n"),
    flagged!("modules-unheard", "internal-communication"),
    flagged!("charge-current-high", "over-current"),
    flagged!("short-circuit", "short-circuit"),
    flagged!("switch-wrong", "switch-fault"),
    flagged!("pre-charge-failed", "precharge-failed"),
    flagged!("fuse-open", "fuse-open"),
    flagged!("modules-mismatch", "configuration-fault"),
    flagged!("control-unit-broken", "control-unit-fault"),
];

const NONE: (f64, f64) = (0.0, 0.0);
const AWAITING: &[&str] = &["awaiting-inverter"];
const AWAITING_OR_OPEN: &[&str] = &["awaiting-inverter", "undecided", "bus-problem"];
const NORMAL_OR_OPEN: &[&str] = &["normal", "undecided", "bus-problem"];
const OPEN: &[&str] = &["undecided", "bus-problem"];
const BUS: &[&str] = &["bus-problem"];

const fn around(
    id: &'static str,
    sound: &'static [&'static str],
    reach: Reach,
    text: &'static str,
) -> Around {
    Around {
        id,
        sound,
        reach,
        by_tcp: false,
        text,
        a: NONE,
        b: NONE,
    }
}

#[rustfmt::skip]
const STACK_AROUND: &[Around] = &[
    Around { by_tcp: true, ..around("never-spoke", AWAITING, Reach::Clear, "") },
    Around { by_tcp: true, a: (1.0, 5.0), b: (20.0, 40.0), ..around("fell-silent", &["inverter-lost"], Reach::Clear, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\nuntil = \"{b}s\"\n") },
    Around { by_tcp: true, a: (2.0, 5.0), b: (-30.0, 30.0), ..around("in-service", &["normal"], Reach::Clear, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\ncurrent = {b}\n") },
    Around { a: (2.0, 5.0), ..around("inverter-other-speed", AWAITING, Reach::Clear, "[line]\ninverter = \"19200-8E1\"\n[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\n") },
    Around { a: (2.0, 5.0), ..around("inverter-pair-swapped", AWAITING_OR_OPEN, Reach::Poor, "[line]\ninverter_swapped = true\n[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\n") },
    Around { a: (2.0, 5.0), ..around("inverter-asks-another", &["awaiting-inverter", "undecided"], Reach::Poor, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\npolls = [7]\n") },
    Around { a: (0.05, 0.4), ..around("noise-light", AWAITING_OR_OPEN, Reach::Poor, "[[noise]]\nper_second = {a}\nwidth_us = 80\n") },
    Around { a: (3.0, 5.0), b: (2.0, 8.0), ..around("noise-with-power", NORMAL_OR_OPEN, Reach::Poor, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\nretries = 2\ncurrent = 12.5\n[[noise]]\nper_second = {b}\nwidth_us = 80\nfollows = \"inverter-power\"\n") },
    Around { by_tcp: true, a: (0.65, 1.2), b: (5.0, 25.0), ..around("late-answers", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"late\"\ndelay = \"{a}s\"\nchance = {b}\n") },
    Around { by_tcp: true, b: (5.0, 20.0), ..around("lost-answers", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"drop\"\nchance = {b}\n") },
    Around { b: (5.0, 20.0), ..around("damaged-answers", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"damage\"\namount = 3\nchance = {b}\n") },
    Around { b: (5.0, 20.0), ..around("cut-answers", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"cut\"\namount = 4\nchance = {b}\n") },
    Around { b: (5.0, 20.0), ..around("noise-before-answers", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"garbage\"\namount = 6\nchance = {b}\n") },
    Around { by_tcp: true, a: (0.1, 0.9), b: (5.0, 30.0), ..around("answers-twice", AWAITING_OR_OPEN, Reach::Poor, "[[mischief]]\nkind = \"twice\"\ndelay = \"{a}s\"\nchance = {b}\n") },
    around("echoing-adapter", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"echo\"\n"),
    Around { a: (0.004, 0.016), ..around("adapter-holds-back", AWAITING, Reach::Clear, "[line]\nhold_back = \"{a}s\"\n") },
    Around { a: (2.0, 5.0), b: (1.5, 3.0), ..around("two-clients", NORMAL_OR_OPEN, Reach::Poor, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\nretries = 2\n[second_client]\nfrom = \"3s\"\nevery = \"{b}s\"\n") },
    around("no-common-wire", AWAITING_OR_OPEN, Reach::Poor, "[line]\ncommon_wire = false\nidle = \"floating\"\n"),
    Around { by_tcp: true, ..around("alarm-word-refused", &["undecided"], Reach::Poor, "[[mischief]]\nkind = \"exception\"\nrole = \"alarm_word\"\ncode = 2\n") },
    around("two-units-one-address", OPEN, Reach::Poor, "[neighbour]\naddress = 1\nsoc = 31\ntemperature = 12\n"),
    around("two-units-in-turn", OPEN, Reach::Poor, "[neighbour]\naddress = 1\nsoc = 31\ntemperature = 12\nanswer_time = \"400ms\"\n"),
    around("sound-neighbour", AWAITING, Reach::Clear, "[neighbour]\naddress = 2\nsoc = 31\n"),
    around("tool-pair-swapped", BUS, Reach::Mute, "[line]\ntool_swapped = true\n"),
    around("unit-pair-swapped", BUS, Reach::Mute, "[line]\nunit_swapped = true\n"),
    around("unit-other-speed", BUS, Reach::Mute, "[line]\nunit = \"19200-8E1\"\n"),
    around("unit-other-address", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\n"),
    Around { by_tcp: true, ..around("no-answer", BUS, Reach::Mute, "[[event]]\nat = \"15s\"\nanswers = false\n") },
    Around { a: (0.3, 0.9), ..around("other-protocol", AWAITING_OR_OPEN, Reach::Poor, "[chatter]\ntext = \"T=21.5 H=40 OK\\r\\n\"\nevery = \"{a}s\"\n") },
];

#[rustfmt::skip]
const HEALING: &[Around] = &[
    around("no-answer-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"no-answer\"\nuntil = \"140s\"\n"),
    Around { b: (40.0, 100.0), ..around("lost-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"drop\"\nchance = {b}\nuntil = \"140s\"\n") },
    Around { b: (40.0, 100.0), ..around("damaged-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"damage\"\namount = 5\nchance = {b}\nuntil = \"140s\"\n") },
    Around { b: (40.0, 100.0), ..around("cut-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"cut\"\namount = 5\nchance = {b}\nuntil = \"140s\"\n") },
    Around { b: (40.0, 100.0), ..around("late-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"late\"\ndelay = \"900ms\"\nchance = {b}\nuntil = \"140s\"\n") },
    Around { a: (2.0, 12.0), ..around("noise-until", AWAITING, Reach::Clear, "[[noise]]\nper_second = {a}\nwidth_us = 90\nuntil = \"140s\"\n") },
    around("refused-until", AWAITING, Reach::Clear, "[[mischief]]\nkind = \"exception\"\nrole = \"alarm_word\"\ncode = 4\nuntil = \"140s\"\n"),
];

#[rustfmt::skip]
const HIDDEN: &[Inside] = &[
    traceless("fuse-open", "main-fuse", "[[event]]\nat = \"0s\"\ndefect = \"fuse-open\"\n"),
    traceless("pre-charge-open", "pre-charge", "[[event]]\nat = \"0s\"\ndefect = \"precharge-open\"\n"),
    traceless("switch-stays-open", "main-switches", "[[event]]\nat = \"0s\"\ndefect = \"switch-stays-open\"\npole = \"plus\"\n"),
    traceless("load-at-pre-charge", "pre-charge", "[circuit]\nload_ohm = 470\n"),
    traceless("insulation-behind-switches", "inverter-side-insulation", "[circuit]\ninsulation_kohm = 40\ninsulation_in = [\"standby\", \"running\"]\n"),
];

const LATE_INVERTER: Around = Around {
    a: (2.0, 5.0),
    ..around(
        "inverter-comes",
        AWAITING,
        Reach::Clear,
        "[inverter]\nfrom = \"130s\"\nevery = \"{a}s\"\n",
    )
};

/// Worlds without a valid answer, by cause.
#[rustfmt::skip]
const SOFT: &[(&str, Around)] = &[
    ("pair-swapped", around("tool-swapped", BUS, Reach::Mute, "[line]\ntool_swapped = true\n")),
    ("pair-swapped", around("unit-swapped", BUS, Reach::Mute, "[line]\nunit_swapped = true\n")),
    ("wrong-speed-or-format", around("unit-19200", BUS, Reach::Mute, "[line]\nunit = \"19200-8E1\"\n")),
    ("wrong-speed-or-format", around("unit-38400", BUS, Reach::Mute, "[line]\nunit = \"38400-8N1\"\n")),
    ("wrong-speed-or-format", around("unit-4800", BUS, Reach::Mute, "[line]\nunit = \"4800-8E1\"\n")),
    ("wrong-speed-or-format", around("unit-other-parity", BUS, Reach::Mute, "[line]\nunit = \"9600-8O1\"\n")),
    ("wrong-address", around("other-address", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\n[inverter]\nfrom = \"5s\"\nevery = \"4s\"\npolls = [5]\n[neighbour]\naddress = 5\n")),
    ("wrong-address", around("other-address-quiet", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\n")),
    ("wrong-socket", around("dead-socket", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\nunit = 1\n[inverter]\nfrom = \"900s\"\n")),
    ("wire-open", around("open-wire", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\nunit = 1\n[inverter]\nfrom = \"900s\"\n")),
    ("unit-off", around("unit-off", BUS, Reach::Mute, "[[event]]\nat = \"15s\"\nanswers = false\n")),
    ("disturbed-line", Around { a: (20.0, 60.0), ..around("much-noise", BUS, Reach::Mute, "[[noise]]\nper_second = {a}\nwidth_us = 90\n") }),
    ("slow-unit", Around { a: (0.7, 1.5), ..around("always-late", BUS, Reach::Mute, "[[mischief]]\nkind = \"late\"\ndelay = \"{a}s\"\n") }),
    ("other-protocol", Around { a: (0.2, 1.0), ..around("text", BUS, Reach::Mute, "[[mischief]]\nkind = \"no-answer\"\n[chatter]\ntext = \"T=21.5 H=40 OK\\r\\n\"\nevery = \"{a}s\"\n") }),
    ("no-common-wire", around("floating", BUS, Reach::Mute, "[line]\ncommon_wire = false\nidle = \"floating\"\n")),
    ("adapter-gone", Around { b: (104.2, 106.0), ..around("adapter-out", BUS, Reach::Mute, "[[event]]\nat = \"{b}s\"\nadapter = false\n") }),
    ("two-units-one-address", around("two-units", BUS, Reach::Mute, "[neighbour]\naddress = 1\nsoc = 31\n")),
];

#[rustfmt::skip]
const RACK_INSIDE: &[Inside] = &[
    SOUND,
    condition("cold", "under-temperature", "[[event]]\nat = \"{t}\"\ncelsius = -14\n"),
    fault("second-sensor-lost", "sensor-fault", "", "[[event]]\nat = \"{t}\"\npack = 2\nsensor = 3\nlost = true\n"),
    fault("third-sensor-lost-unflagged", "sensor-fault", "suppress = [\"sensor-lost\"]", "[[event]]\nat = \"{t}\"\npack = 3\nsensor = 1\nlost = true\n"),
    fault("second-cell-high", "cell-over-voltage", "", "[[event]]\nat = \"{t}\"\npack = 2\ncell = 9\nvolts = 3.72\n"),
    fault("third-cell-lost", "cell-below-minimum", "", "[[event]]\nat = \"{t}\"\npack = 3\ncell = 1\nvolts = 1.7\n"),
    fault("cold-hides-cell", "cell-below-minimum", "suppress = [\"cell-lost\", \"cell-low\"]", "[[event]]\nat = \"20s\"\npack = 2\ncelsius = -14\n[[event]]\nat = \"{t}\"\npack = 2\ncell = 4\nvolts = 1.6\n"),
    fault("first-frozen", "control-unit-fault", "", "[[event]]\nat = \"{t}\"\npack = 1\nfrozen = true\n"),
    flagged!("short-circuit", "short-circuit"),
    flagged!("measuring-unheard", "internal-communication"),
    flagged!("switch-wrong", "switch-fault"),
    flagged!("packs-mismatch", "configuration-fault"),
];

#[rustfmt::skip]
const RACK_AROUND: &[Around] = &[
    Around { by_tcp: true, ..around("never-spoke", &["awaiting-inverter", "undecided"], Reach::Clear, "") },
    Around { by_tcp: true, a: (2.0, 5.0), b: (20.0, 30.0), ..around("fell-silent", &["inverter-lost", "awaiting-inverter", "undecided"], Reach::Clear, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\nuntil = \"{b}s\"\n") },
    Around { by_tcp: true, a: (2.0, 5.0), b: (-30.0, 30.0), ..around("in-service", &["normal", "undecided"], Reach::Poor, "[inverter]\nfrom = \"5s\"\nevery = \"{a}s\"\ncurrent = {b}\n") },
    Around { by_tcp: true, ..around("pack-missing", &["undecided"], Reach::Poor, "packs = 2\npacks_expected = 3|") },
    Around { by_tcp: true, b: (5.0, 20.0), ..around("lost-answers", &["awaiting-inverter", "undecided", "bus-problem"], Reach::Poor, "[[mischief]]\nkind = \"drop\"\nchance = {b}\n") },
    Around { a: (0.05, 0.4), ..around("noise-light", &["awaiting-inverter", "undecided", "bus-problem"], Reach::Poor, "[[noise]]\nper_second = {a}\nwidth_us = 50\n") },
    around("no-answer", BUS, Reach::Mute, "[[event]]\nat = \"15s\"\nanswers = false\n"),
];

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented (the tables of this file)
    #[test]
    fn every_pair_makes_a_scenario_and_they_are_enough() {
        let pairs = pairs();
        assert!(pairs.len() >= 100, "{}", pairs.len());
        for pair in pairs {
            let composed = compose(pair, 5, Stretch::default());
            assert!(
                composed.is_ok(),
                "{}",
                composed.err().map_or_else(String::new, |e| e.to_string())
            );
        }
    }

    // Kind: invented
    #[test]
    fn every_traceless_world_makes_a_scenario_and_its_sound_twin() {
        for which in 0..TRACELESS {
            let (hidden, sound) = compose_traceless(which, 3).unwrap();
            assert!(hidden.not_tested.is_some() && sound.not_tested.is_none());
        }
        assert!(compose_traceless(TRACELESS, 3).is_err());
    }

    // Kind: invented
    #[test]
    fn every_healing_and_every_soft_world_makes_a_scenario() {
        assert!(
            healing()
                .iter()
                .all(|which| compose_healing(*which, 3).is_ok())
        );
        for (cause, _) in SOFT {
            assert!((0..20).all(|seed| soft(cause, seed).is_some()), "{cause}");
        }
        assert!(soft("no-such-cause", 1).is_none());
    }

    #[test]
    fn same_seed_composes_the_same_text() {
        for pair in pairs() {
            let text = |seed| compose(pair, seed, Stretch::default()).map(|c| c.text);
            assert_eq!(text(7), text(7));
            assert_ne!(text(7), text(8));
        }
    }
}
