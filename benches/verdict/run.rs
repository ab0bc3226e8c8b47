//! Runs simulated cases through the judge and counts what came of them.
//!
//! Input: scenarios and composed pairs, seeds, links. Output: a [`Table`]. Used by the figures
//! (`cargo bench --bench verdict`) and, with a short sample, by the tests.
//!
//! *Dangerous* is a clean verdict where a real fault exists that could have been read, or one that
//! is traceless and not listed as not tested; and `bus-problem` where a valid answer came.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use packside::cli::rehearse::Rehearsal;
use packside::diagnose::{Judgement, ReadingQuality, VerdictKind, judge};
use packside_profiles::Profile;
use packside_simulator::compose::{Pair, Stretch, compose, pairs};
use packside_simulator::{Scenario, Way};

/// What is to be looked at, and what must follow.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    /// For people; with the seed it finds the case again.
    pub(crate) name: String,
    /// The scenario.
    pub(crate) scenario: Scenario,
    /// Its text, where it was composed.
    pub(crate) text: Option<String>,
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

/// What came of a case.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    kind: VerdictKind,
    right: bool,
    dangerous: bool,
    bus_called_fault: bool,
    root_at: Option<usize>,
    gate_filled: bool,
    open: Vec<&'static str>,
    traceless_listed: Option<bool>,
    why: Vec<String>,
}

/// Counts over all cases.
#[derive(Debug, Clone, Default)]
pub(crate) struct Table {
    /// Cases run.
    pub(crate) runs: usize,
    /// Dangerous verdicts, each by name.
    pub(crate) dangerous: Vec<String>,
    /// Sound units called faulty.
    pub(crate) bus_called_fault: Vec<String>,
    /// Wrong kinds, by name and verdict, with how often and one seed and reason.
    pub(crate) wrong: BTreeMap<String, (usize, String)>,
    /// Cases with a single right root, those with it first, and in the first three.
    pub(crate) roots: [usize; 3],
    /// Cases of which everything needed was read, and those still undecided.
    pub(crate) filled: [usize; 2],
    /// Why they are undecided.
    pub(crate) open: BTreeMap<&'static str, usize>,
    /// Traceless faults, and those listed as not tested.
    pub(crate) traceless: [usize; 2],
    /// Right kinds.
    pub(crate) right: usize,
    /// By expected and given verdict.
    pub(crate) confusion: BTreeMap<(String, &'static str), usize>,
    /// By link.
    pub(crate) links: BTreeMap<LinkName, usize>,
    /// Roots missed, by name.
    pub(crate) roots_missed: BTreeMap<String, usize>,
}

/// Every expectation of the shipped scenarios, with a seed.
pub(crate) fn scenario_cases(seed: u64) -> Vec<Case> {
    let mut cases = Vec::new();
    for (name, text) in Scenario::shipped() {
        let Ok(mut scenario) = Scenario::load(text, name) else {
            continue;
        };
        scenario.seed = scenario.seed.wrapping_add(seed.wrapping_mul(7919));
        for expect in &scenario.expects {
            let only = |kind: &str| expect.verdict == [kind];
            cases.push(Case {
                name: format!("{name}@{}", expect.at.as_secs()),
                text: None,
                at: expect.at,
                expected: expect.verdict.clone(),
                root: expect
                    .roots
                    .first()
                    .filter(|_| expect.roots.len() == 1 && only("fault"))
                    .cloned(),
                real_fault: only("fault"),
                is_sound: only("normal") || only("awaiting-inverter") || only("bus-problem"),
                not_tested: None,
                link: LinkName::AsTold,
                scenario: scenario.clone(),
            });
        }
    }
    cases
}

/// A composed pair, with a seed and the link drawn from it.
pub(crate) fn pair_case(pair: Pair, seed: u64, stretch: Stretch) -> Option<Case> {
    let composed = compose(pair, seed, stretch).ok()?;
    let mut scenario = composed.scenario;
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
    let link = fitting[usize::try_from(seed).unwrap_or(0) % fitting.len()];
    if link == LinkName::Adapter && scenario.line.hold_back.is_none() {
        scenario.line.hold_back = Some(Duration::from_millis(16));
    }
    let expect = scenario.expects.first()?.clone();
    Some(Case {
        name: format!("{}--{}", composed.inside, composed.around),
        text: Some(composed.text),
        at: expect.at,
        expected: expect.verdict,
        root: composed.root.map(str::to_owned),
        real_fault: composed.real_fault && !composed.mute,
        is_sound: composed.inside == "sound",
        not_tested: composed.not_tested,
        link,
        scenario,
    })
}

/// Cases number `from` to `to`: pairs and scenarios by turns, seed by seed.
pub(crate) fn cases(from: usize, to: usize, stretch: Stretch) -> Vec<Case> {
    let all = pairs();
    let shipped = scenario_cases(0).len();
    let round = all.len() + shipped;
    (from..to)
        .filter_map(|number| {
            let seed = u64::try_from(number / round).unwrap_or(0);
            match all.get(number % round) {
                Some(pair) => pair_case(*pair, seed * 1000 + number as u64 % 1000, stretch),
                None => scenario_cases(seed)
                    .into_iter()
                    .nth(number % round - all.len()),
            }
        })
        .collect()
}

/// Looks, judges, compares.
pub(crate) fn run(case: &Case, profile: &Profile) -> Outcome {
    let way = match case.link {
        LinkName::AsTold => None,
        LinkName::Gateway => Some(Way::Tcp),
        LinkName::RtuGateway => Some(Way::RtuOverTcp),
        LinkName::Pair | LinkName::Adapter => Some(Way::Serial),
    };
    let mut session = Rehearsal::open(&case.scenario, profile, case.at, way);
    let judgement = judge(session.look(), Some(profile), None);
    outcome(case, profile, &judgement)
}

/// Compares a judgement with what must follow.
pub(crate) fn outcome(case: &Case, profile: &Profile, judgement: &Judgement) -> Outcome {
    let kind = judgement.verdict.kind;
    let clean = is_clean(kind);
    let listed = case
        .not_tested
        .map(|id| judgement.not_tested.iter().any(|item| item.id == id));
    let answered = judgement.bus.answered > 0;
    let roots = judgement.roots();
    let needed = |point: &str| profile.points.iter().any(|p| p.id == point && p.required);
    let gate_filled = !judgement.readings.is_empty()
        && judgement
            .readings
            .iter()
            .filter(|reading| needed(&reading.point))
            .all(|reading| reading.quality == ReadingQuality::Good);
    Outcome {
        kind,
        right: case.expected.iter().any(|id| id == kind.id()),
        dangerous: (case.real_fault && (clean || (kind == VerdictKind::BusProblem && answered)))
            || (clean && listed == Some(false)),
        bus_called_fault: case.is_sound && kind == VerdictKind::Fault,
        root_at: case
            .root
            .as_ref()
            .map(|root| roots.iter().position(|id| id == root).unwrap_or(usize::MAX)),
        gate_filled,
        open: judgement.verdict.open.iter().map(|o| o.id).collect(),
        traceless_listed: listed.filter(|_| clean),
        why: judgement.verdict.why.clone(),
    }
}

/// Whether a verdict says that no fault was found.
pub(crate) fn is_clean(kind: VerdictKind) -> bool {
    matches!(
        kind,
        VerdictKind::Normal
            | VerdictKind::NotReady
            | VerdictKind::AwaitingInverter
            | VerdictKind::InverterLost
    )
}

/// Runs all cases on all cores.
pub(crate) fn run_all(cases: &[Case]) -> Table {
    let profiles: BTreeMap<String, Profile> = ["generic-hv-stack", "generic-lv-rack"]
        .into_iter()
        .filter_map(|id| {
            Some((
                id.to_owned(),
                packside_profiles::find(id, None).ok()?.profile,
            ))
        })
        .collect();
    let next = AtomicUsize::new(0);
    let table = Mutex::new(Table::default());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let Some(profile) = profiles.get(&case.scenario.profile) else {
                        continue;
                    };
                    let outcome = run(case, profile);
                    if let Ok(mut table) = table.lock() {
                        table.take(case, &outcome);
                    }
                }
            });
        }
    });
    table.into_inner().unwrap_or_default()
}

impl Table {
    /// Counts one outcome.
    pub(crate) fn take(&mut self, case: &Case, outcome: &Outcome) {
        let named = || {
            format!(
                "{} seed {} by {:?}: {} ({})",
                case.name,
                case.scenario.seed,
                case.link,
                outcome.kind.id(),
                outcome.why.first().map_or("", String::as_str)
            )
        };
        self.runs += 1;
        self.right += usize::from(outcome.right);
        *self.links.entry(case.link).or_default() += 1;
        let row = (case.expected.join("/"), outcome.kind.id());
        *self.confusion.entry(row).or_default() += 1;
        if outcome.dangerous {
            self.dangerous.push(named());
        }
        if outcome.bus_called_fault {
            self.bus_called_fault.push(named());
        }
        if !outcome.right {
            let key = format!("{} by {:?}: {}", case.name, case.link, outcome.kind.id());
            self.wrong.entry(key).or_insert_with(|| (0, named())).0 += 1;
        }
        if let Some(at) = outcome.root_at.filter(|_| outcome.right) {
            self.roots[0] += 1;
            self.roots[1] += usize::from(at == 0);
            self.roots[2] += usize::from(at < 3);
            if at > 0 {
                *self.roots_missed.entry(case.name.clone()).or_default() += 1;
            }
        }
        if outcome.gate_filled {
            self.filled[0] += 1;
            self.filled[1] += usize::from(outcome.kind == VerdictKind::Undecided);
            for id in &outcome.open {
                *self.open.entry(id).or_default() += 1;
            }
        }
        if let Some(listed) = outcome.traceless_listed {
            self.traceless[0] += 1;
            self.traceless[1] += usize::from(listed);
        }
    }

    /// The figures as text.
    pub(crate) fn text(&self) -> String {
        let mut out = String::new();
        let bound = 300.0 / self.runs.max(1) as f64;
        let _ = writeln!(
            out,
            "dangerous: {} of {} simulated, upper bound {bound:.3} % (3/N)",
            self.dangerous.len(),
            self.runs
        );
        let _ = writeln!(
            out,
            "sound unit called faulty: {}",
            self.bus_called_fault.len()
        );
        let share = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
        let _ = writeln!(
            out,
            "right kind: {:.2} % ({} of {})",
            share(self.right, self.runs),
            self.right,
            self.runs
        );
        let [all, first, three] = self.roots;
        let _ = writeln!(
            out,
            "right root first: {:.2} %, in the first three: {:.2} % (of {all})",
            share(first, all),
            share(three, all)
        );
        let [filled, open] = self.filled;
        let _ = writeln!(
            out,
            "undecided although every required point was read: {:.2} % ({open} of {filled})",
            share(open, filled)
        );
        for (id, n) in &self.open {
            let _ = writeln!(out, "  {n:>6}  {id}");
        }
        let [traceless, listed] = self.traceless;
        let _ = writeln!(
            out,
            "traceless faults under a clean verdict: {traceless}, listed as not tested: {listed}"
        );
        let links: Vec<String> = self
            .links
            .iter()
            .map(|(link, n)| format!("{link:?} {n}"))
            .collect();
        let _ = writeln!(out, "links: {}", links.join(", "));
        let _ = writeln!(out, "\nconfusion (expected -> given)");
        for ((expected, given), n) in &self.confusion {
            let _ = writeln!(out, "  {n:>6}  {expected:<48} -> {given}");
        }
        for (title, list) in [
            ("DANGEROUS", &self.dangerous),
            ("SOUND CALLED FAULTY", &self.bus_called_fault),
        ] {
            for line in list.iter().take(40) {
                let _ = writeln!(out, "{title}: {line}");
            }
        }
        for (n, sample) in self.wrong.values().take(60) {
            let _ = writeln!(out, "wrong x{n}: {sample}");
        }
        for (name, n) in self.roots_missed.iter().take(30) {
            let _ = writeln!(out, "root not first x{n}: {name}");
        }
        out
    }
}
