//! Runs simulated cases through the judge and compares with what must follow.
//!
//! Input: planned cases. Output: a [`Table`]. Used by the figures (`cargo bench --bench verdict`) and,
//! with a short sample, by the tests.
//!
//! *Dangerous* is a clean verdict where a real fault exists that could have been read, where no clean verdict
//! is right at all, or where a traceless fault is not listed as not tested; and `bus-problem` for a real fault
//! where a valid answer came.

#[path = "cases.rs"]
pub(crate) mod cases;
#[path = "table.rs"]
pub(crate) mod table;
#[path = "traceless.rs"]
pub(crate) mod traceless;

use std::fmt::Write as _;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use packside::facts::{Judgement, ReadingQuality, VerdictKind};
use packside::judge::judge;
use packside::simulated::rehearsal::Rehearsal;
use packside_profiles::Profile;
use packside_simulator::Way;
use packside_simulator::compose::{HEALED_S, compose_healing, healing};

use cases::{Case, LeftOut, LinkName, Planned, Worlds, case_of};
use table::Table;

/// What came of a case.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    kind: VerdictKind,
    right: bool,
    dangerous: bool,
    bus_called_fault: bool,
    root_at: Option<usize>,
    gate_filled: bool,
    all_read: bool,
    open: Vec<&'static str>,
    traceless_listed: Option<bool>,
    why: Vec<String>,
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
        .map(|id| judgement.not_tested.iter().any(|item| item.id() == id));
    let answered = judgement.bus.answered > 0;
    let roots = judgement.roots();
    let needed = |point: &str| profile.points.iter().any(|p| p.id == point && p.required);
    let all_read = !judgement.readings.is_empty()
        && judgement
            .readings
            .iter()
            .filter(|reading| needed(&reading.point))
            .all(|reading| reading.quality == ReadingQuality::Good);
    Outcome {
        kind,
        right: case.expected.iter().any(|id| id == kind.id()),
        dangerous: (case.real_fault && (clean || (kind == VerdictKind::BusProblem && answered)))
            || (clean && (listed == Some(false) || !case.may_be_clean())),
        bus_called_fault: case.is_sound && kind == VerdictKind::Fault,
        root_at: case
            .root
            .as_ref()
            .map(|root| roots.iter().position(|id| id == root).unwrap_or(usize::MAX)),
        gate_filled: judgement.verdict.gate_filled,
        all_read,
        open: judgement.verdict.open.iter().map(|o| o.id()).collect(),
        traceless_listed: listed.filter(|_| clean),
        why: packside::words::reasons(judgement),
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
pub(crate) fn run_all(planned: &[Planned], worlds: Worlds) -> Table {
    let next = AtomicUsize::new(0);
    let table = Mutex::new(Table::default());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some(one) = planned.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let ran = run_one(one, &worlds);
                    if let Ok(mut table) = table.lock() {
                        match ran {
                            Ok((case, outcome)) => table.take(&case, &outcome),
                            Err(name) => *table.left_out.entry(name).or_default() += 1,
                        }
                    }
                }
            });
        }
    });
    table.into_inner().unwrap_or_default()
}

fn run_one(planned: &Planned, worlds: &Worlds) -> Result<(Case, Outcome), LeftOut> {
    let case = cases::make(planned, worlds)?;
    // The map as the scenario has it: some change how the supervision is fed.
    let loaded = case.scenario.load_map(None);
    let mut profile = loaded.map_err(|_| case.name.clone())?.profile;
    cases::move_limits(&mut profile, case.limits);
    let outcome = run(&case, &profile);
    Ok((case, outcome))
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
        let Some(case) = composed.and_then(|c| case_of(c, LinkName::Pair).ok()) else {
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
