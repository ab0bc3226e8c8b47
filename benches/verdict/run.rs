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
use packside_simulator::compose::{
    Composed, HEALED_S, Pair, Stretch, compose, compose_healing, healing, pairs,
};
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
    /// Cases of which everything needed was read, those still undecided, and those of them
    /// that had to be decided.
    pub(crate) filled: [usize; 3],
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
    let link = fitting[usize::try_from(seed / 7).unwrap_or(0) % fitting.len()];
    case_of(composed, link)
}

fn case_of(composed: Composed, link: LinkName) -> Option<Case> {
    let mut scenario = composed.scenario;
    if link == LinkName::Adapter && scenario.line.hold_back.is_none() {
        scenario.line.hold_back = Some(Duration::from_millis(16));
    }
    let mut expect = scenario.expects.first()?.clone();
    // Behind a gateway a counter that stands still may be the gateway's memory.
    let behind = matches!(link, LinkName::Gateway | LinkName::RtuGateway);
    if behind && composed.inside.ends_with("frozen") && !composed.mute {
        expect.verdict.push("undecided".to_owned());
    }
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

/// What a line that is mended did to the verdict.
#[derive(Debug, Default)]
pub(crate) struct Phases {
    runs: usize,
    /// While the line was bad: sound called faulty, or a fault overlooked.
    pub(crate) false_before: Vec<String>,
    /// After it was mended: cycles until the right verdict; the last place is "not within three".
    pub(crate) after: [usize; 4],
    pub(crate) late: Vec<String>,
}

/// Lines that are bad and then mended, `n` of them.
pub(crate) fn phases(n: usize) -> Phases {
    let Some(found) = packside_profiles::find("generic-hv-stack", None).ok() else {
        return Phases::default();
    };
    let profile = found.profile;
    let all = healing();
    let mut phases = Phases::default();
    for number in 0..n {
        let seed = 5000 + number as u64;
        let composed = compose_healing(all[number % all.len()], seed).ok();
        let Some(case) = composed.and_then(|c| case_of(c, LinkName::Pair)) else {
            continue;
        };
        phases.take(&case, &profile);
    }
    phases
}

impl Phases {
    fn take(&mut self, case: &Case, profile: &Profile) {
        let mut session = Rehearsal::open(&case.scenario, profile, case.at, Some(Way::Serial));
        let before = judge(session.look(), Some(profile), None).verdict.kind;
        let named =
            |kind: VerdictKind| format!("{} seed {}: {}", case.name, case.scenario.seed, kind.id());
        self.runs += 1;
        if (case.is_sound && before == VerdictKind::Fault) || (case.real_fault && is_clean(before))
        {
            self.false_before.push(named(before));
        }
        // The session began so long before the look that its window of listening was over by then.
        let window = packside::link::quiet_window(Some(profile));
        let healed =
            Duration::from_secs(HEALED_S + 1).saturating_sub(case.at.saturating_sub(window));
        session.wait(healed);
        let mut last = before;
        for cycle in 0..3 {
            let judgement = judge(session.look(), Some(profile), None);
            last = judgement.verdict.kind;
            if case.expected.iter().any(|id| id == last.id()) {
                self.after[cycle] += 1;
                return;
            }
        }
        self.after[3] += 1;
        self.late.push(named(last));
    }

    /// The figures as text.
    pub(crate) fn text(&self) -> String {
        let [one, two, three, later] = self.after;
        let mut out = format!(
            "== a line that is bad, then mended: {} runs\nfalse statements about the battery while it was bad: {}\n\
             right in the first look after: {one}, second: {two}, third: {three}, not within three: {later}\n",
            self.runs,
            self.false_before.len()
        );
        for line in self.false_before.iter().chain(&self.late).take(40) {
            let _ = writeln!(out, "  {line}");
        }
        out
    }
}

/// Every so-manieth case of the first round: a sample over all kinds.
pub(crate) fn sample(every: usize) -> Vec<Case> {
    let round = pairs().len() + scenario_cases(0).len();
    cases(0, round, &|_| Stretch::default())
        .into_iter()
        .step_by(every)
        .collect()
}

/// Cases number `from` to `to`: pairs and scenarios by turns, seed by seed.
pub(crate) fn cases(from: usize, to: usize, stretch: &dyn Fn(u64) -> Stretch) -> Vec<Case> {
    let all = pairs();
    let shipped = scenario_cases(0).len();
    let round = all.len() + shipped;
    (from..to)
        .filter_map(|number| {
            let seed = u64::try_from(number / round).unwrap_or(0);
            match all.get(number % round) {
                Some(pair) => {
                    let seed = seed * 1000 + number as u64 % 1000;
                    pair_case(*pair, seed, stretch(seed))
                }
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
    let next = AtomicUsize::new(0);
    let table = Mutex::new(Table::default());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    // The map as the scenario has it: some change how the supervision is fed.
                    let Ok(profile) = case.scenario.load_map(None) else {
                        continue;
                    };
                    let outcome = run(case, &profile.profile);
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
        let told = matches!(outcome.kind, VerdictKind::Fault | VerdictKind::NotReady);
        if let Some(at) = outcome.root_at.filter(|_| outcome.right && told) {
            self.roots[0] += 1;
            self.roots[1] += usize::from(at == 0);
            self.roots[2] += usize::from(at < 3);
            if at > 0 {
                *self.roots_missed.entry(case.name.clone()).or_default() += 1;
            }
        }
        if outcome.gate_filled {
            self.filled[0] += 1;
            let undecided = outcome.kind == VerdictKind::Undecided;
            self.filled[1] += usize::from(undecided);
            self.filled[2] += usize::from(undecided && !outcome.right);
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
        let [filled, open, wrongly] = self.filled;
        let _ = writeln!(
            out,
            "undecided although every required point was read: {:.2} % ({open} of {filled}), where that is wrong: {:.2} % ({wrongly})",
            share(open, filled),
            share(wrongly, filled)
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
