//! Cases to run: every expectation of the shipped scenarios and every composed pair, by number, with
//! its seed, link and truth.
//!
//! # How seeds are spread
//! `plan` runs scenarios and *core* pairs (about every seventh, so that each thing inside meets each thing
//! around in turn) with many seeds, all other pairs with fewer; seed by seed, so that a run that is
//! cut short has some of everything. A scenario with several moments is looked at by turns. The link
//! goes by the seed, through all that fit.

use std::time::Duration;

use packside::facts::VerdictKind;
use packside_profiles::model::Limits;
use packside_profiles::{Profile, Role};
use packside_simulator::compose::{Composed, Pair, Stretch, compose, pairs};
use packside_simulator::{Scenario, Way};

use super::is_clean;

/// What is to be looked at, and what must follow.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    /// For people; with the seed it finds the case again.
    pub(crate) name: String,
    /// The scenario.
    pub(crate) scenario: Scenario,
    /// When, since power-up.
    pub(crate) at: Duration,
    /// Right verdicts.
    pub(crate) expected: Vec<String>,
    /// Root that must come first.
    pub(crate) root: Option<String>,
    /// A real fault exists that can be read.
    pub(crate) real_fault: bool,
    /// Nothing at all is wrong with the unit.
    pub(crate) is_sound: bool,
    /// A traceless fault must be listed under this id.
    pub(crate) not_tested: Option<&'static str>,
    /// Which link.
    pub(crate) link: LinkName,
    /// One of those that every round runs with many seeds.
    pub(crate) core: bool,
    /// How far the map's limits are moved towards what a sound unit shows: 0 not at all, 1 onto it.
    pub(crate) limits: f64,
}

impl Case {
    /// Whether any verdict that says no fault was found can be right.
    pub(crate) fn may_be_clean(&self) -> bool {
        let clean = VerdictKind::ALL.iter().filter(|kind| is_clean(**kind));
        let mut ids = clean.map(|kind| kind.id());
        ids.any(|id| self.expected.iter().any(|expected| expected == id))
    }
}

/// The links that a case may be looked at by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum LinkName {
    /// The pair itself.
    Pair,
    /// An adapter that holds back for 16 ms.
    Adapter,
    /// A gateway that speaks Modbus TCP.
    Gateway,
    /// A gateway that passes RTU bytes over TCP.
    RtuGateway,
    /// As the scenario says.
    AsTold,
}

/// What is to be looked at, by number.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Which {
    /// A shipped scenario, in the order of their list.
    Scenario(usize),
    /// A composed pair.
    Pair(Pair),
}

/// One case, not made yet: what, seed, and whether it is one of the core.
pub(crate) type Planned = (Which, u64, bool);

/// One of so many pairs is in the core.
const CORE: usize = 7;

/// Scenarios and core pairs with `core` seeds each, the other pairs with `others`.
pub(crate) fn plan(core: u64, others: u64) -> Vec<Planned> {
    let turns: Vec<u64> = Scenario::shipped().iter().map(turns).collect();
    let pairs = pairs();
    let mut all: Vec<Planned> = Vec::new();
    // Every moment of a scenario by every link gets at least a fifth of the seeds.
    let of_scenario = |turns: &u64| core.max(turns * core / 5);
    let longest = turns.iter().map(of_scenario).max().unwrap_or(core);
    for seed in 0..longest.max(others) {
        for (n, turns) in turns.iter().enumerate() {
            if seed < of_scenario(turns) {
                all.push((Which::Scenario(n), seed, true));
            }
        }
        for pair in &pairs {
            let is_core = pair.diagonal() % CORE == 0;
            if seed < if is_core { core } else { others } {
                all.push((Which::Pair(*pair), seed, is_core));
            }
        }
    }
    all
}

/// Moments of a scenario times the links it is looked at by: after so many seeds each had its turn.
fn turns((name, text): &(&str, &str)) -> u64 {
    Scenario::load(text, name).map_or(1, |scenario| {
        let links = 1 + u64::from(takes_adapter(&scenario));
        scenario.expects.len().max(1) as u64 * links
    })
}

/// Whether an adapter that holds back fits: on a serial line, where the scenario names none.
fn takes_adapter(scenario: &Scenario) -> bool {
    scenario.way() == Way::Serial && scenario.line.hold_back.is_none()
}

/// Every so-manieth of one round of everything.
pub(crate) fn sample(every: usize) -> Vec<Planned> {
    // The seeds differ, so that a sample has all links and moments.
    let round = plan(1, 1).into_iter().step_by(every).enumerate();
    round
        .map(|(n, (which, _, core))| (which, n as u64, core))
        .collect()
}

/// What stands in the way of running a case: its name.
pub(crate) type LeftOut = String;

/// Makes a case.
pub(crate) fn make(planned: &Planned, stretch: &Worlds) -> Result<Case, LeftOut> {
    let (which, seed, core) = *planned;
    match which {
        Which::Scenario(n) => scenario_case(n, seed),
        Which::Pair(pair) => {
            // Pairs of one round do not share their seed.
            let own = seed * 1000 + pair.diagonal() as u64;
            pair_case(pair, own, seed, stretch).map(|case| Case { core, ..case })
        }
    }
}

/// How worlds depart from their profile, by seed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Worlds {
    /// Not at all.
    AsTold,
    /// Rates, delays, periods, the silence time, the spread of the cells and the map's limits.
    Perturbed,
}

impl Worlds {
    fn of(self, seed: u64) -> (Stretch, f64) {
        let even = |salt: u64| {
            let mixed = (seed ^ salt).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
            mixed as f64 / f64::from(1u32 << 24)
        };
        match self {
            Self::AsTold => (Stretch::default(), 0.0),
            Self::Perturbed => {
                let stretch = Stretch {
                    times: 0.5 * 4f64.powf(even(1)),
                    silence: 0.8 + 0.4 * even(2),
                    spread: 0.5 + 9.0 * even(3),
                };
                (stretch, 0.8 * even(4))
            }
        }
    }
}

fn scenario_case(number: usize, seed: u64) -> Result<Case, LeftOut> {
    let (name, text) = Scenario::shipped()
        .get(number)
        .ok_or_else(|| format!("scenario {number}"))?;
    let mut scenario = Scenario::load(text, name).map_err(|_| (*name).to_owned())?;
    scenario.seed = scenario.seed.wrapping_add(seed.wrapping_mul(7919));
    let moments = scenario.expects.len().max(1) as u64;
    let expect = scenario
        .expects
        .get((seed % moments) as usize)
        .cloned()
        .ok_or_else(|| format!("{name} (expects nothing)"))?;
    let link = if takes_adapter(&scenario) && (seed / moments) % 2 == 1 {
        LinkName::Adapter
    } else {
        LinkName::AsTold
    };
    hold_back(&mut scenario, link);
    let only = |kind: &str| expect.verdict == [kind];
    let root = expect.roots.first();
    Ok(Case {
        name: format!("{name}@{}", expect.at.as_secs()),
        at: expect.at,
        root: root
            .filter(|_| expect.roots.len() == 1 && only("fault"))
            .cloned(),
        real_fault: only("fault"),
        is_sound: only("normal") || only("awaiting-inverter") || only("bus-problem"),
        not_tested: None,
        link,
        core: true,
        limits: 0.0,
        expected: expect.verdict,
        scenario,
    })
}

fn hold_back(scenario: &mut Scenario, link: LinkName) {
    if link == LinkName::Adapter && scenario.line.hold_back.is_none() {
        scenario.line.hold_back = Some(Duration::from_millis(16));
    }
}

/// A composed pair; `turn` says by which of the links that fit.
fn pair_case(pair: Pair, seed: u64, turn: u64, worlds: &Worlds) -> Result<Case, LeftOut> {
    let (stretch, limits) = worlds.of(seed);
    let composed = compose(pair, seed, stretch).map_err(|_| format!("{pair:?}"))?;
    let fitting: &[LinkName] = if composed.by_tcp {
        &[
            LinkName::Pair,
            LinkName::Adapter,
            LinkName::Gateway,
            LinkName::RtuGateway,
        ]
    } else {
        &[LinkName::Pair, LinkName::Adapter]
    };
    let link = fitting[(turn % fitting.len() as u64) as usize];
    let mut case = case_of(composed, link)?;
    case.limits = limits;
    // What is warm beside the others is too hot where the limit comes down below it.
    let warm = case.name.starts_with("warm-module") && WARM > 58.0 - limits * (58.0 - 38.0);
    if warm && case.root.is_some() {
        case.root = Some("over-temperature".to_owned());
    }
    Ok(case)
}

/// The module of `warm-module-at-rest` has so many degrees.
const WARM: f64 = 49.5;

/// The case of a composed world.
pub(crate) fn case_of(composed: Composed, link: LinkName) -> Result<Case, LeftOut> {
    let name = format!("{}--{}", composed.inside, composed.around);
    let mut scenario = composed.scenario;
    hold_back(&mut scenario, link);
    let mut expect = scenario
        .expects
        .first()
        .ok_or_else(|| name.clone())?
        .clone();
    // Behind a gateway a counter that stands still may be the gateway's memory.
    let behind = matches!(link, LinkName::Gateway | LinkName::RtuGateway);
    if behind && composed.inside.ends_with("frozen") && !composed.mute {
        expect.verdict.push("undecided".to_owned());
    }
    Ok(Case {
        name,
        at: expect.at,
        expected: expect.verdict,
        root: composed.root.map(str::to_owned),
        real_fault: composed.real_fault && !composed.mute,
        is_sound: composed.inside == "sound",
        not_tested: composed.not_tested,
        link,
        core: false,
        limits: 0.0,
        scenario,
    })
}

/// What a sound unit of the composed worlds shows at most, by role: lowest, highest.
// Kind: derived (charge 35 to 85 %, 12 to 33 degrees, at most 30 A either way; compose.rs)
const SOUND: &[(Role, f64, f64)] = &[
    (Role::CellVoltage, 3.18, 3.42),
    (Role::CellVoltageMax, 3.18, 3.42),
    (Role::CellVoltageMin, 3.18, 3.42),
    (Role::CellTemperature, 8.0, 38.0),
    (Role::CellTemperatureMax, 8.0, 38.0),
    (Role::CellTemperatureMin, 8.0, 38.0),
    (Role::PackCurrent, -35.0, 35.0),
    (Role::Soc, 30.0, 90.0),
    (Role::Insulation, 2000.0, 4000.0),
];

/// Moves a map's limits by this share towards what a sound unit shows: it stays within them, and what is
/// beyond them stays so.
pub(crate) fn move_limits(profile: &mut Profile, share: f64) {
    for point in &mut profile.points {
        let Some((_, lowest, highest)) = SOUND.iter().find(|(role, ..)| *role == point.role) else {
            continue;
        };
        let to = |limit: Option<f64>, sound: f64| limit.map(|l| l + share * (sound - l));
        point.limits = Limits {
            alarm_below: to(point.limits.alarm_below, *lowest),
            warn_below: to(point.limits.warn_below, *lowest),
            warn_above: to(point.limits.warn_above, *highest),
            alarm_above: to(point.limits.alarm_above, *highest),
            ..point.limits
        };
    }
}
