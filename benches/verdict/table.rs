//! Counts of many runs, and their text.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use packside::facts::VerdictKind;

use super::Outcome;
use super::cases::{Case, LinkName};

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
    /// Cases with the gate filled, those still undecided, and those of them that had to be decided.
    pub(crate) filled: [usize; 3],
    /// The same of all in which every required point was read, whether or not it is of one unit and
    /// known to be fresh.
    pub(crate) read: [usize; 3],
    /// Undecided ones by name, gate filled.
    pub(crate) undecided: BTreeMap<String, usize>,
    /// Why those with every required point read are undecided.
    pub(crate) open: BTreeMap<&'static str, usize>,
    /// Traceless faults, and those listed as not tested.
    pub(crate) traceless: [usize; 2],
    /// Right kinds.
    pub(crate) right: usize,
    /// By expected and given verdict.
    pub(crate) confusion: BTreeMap<(String, &'static str), usize>,
    /// By link.
    pub(crate) links: BTreeMap<LinkName, usize>,
    /// Seeds by case and link, of the core and of the others.
    pub(crate) seeds: [BTreeMap<(String, LinkName), usize>; 2],
    /// Cases that could not be run, by name.
    pub(crate) left_out: BTreeMap<String, usize>,
    /// Roots missed, by name.
    pub(crate) roots_missed: BTreeMap<String, usize>,
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
        let of = &mut self.seeds[usize::from(!case.core)];
        *of.entry((case.name.clone(), case.link)).or_default() += 1;
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
        let undecided = outcome.kind == VerdictKind::Undecided;
        let count = |of: &mut [usize; 3]| {
            of[0] += 1;
            of[1] += usize::from(undecided);
            of[2] += usize::from(undecided && !outcome.right);
        };
        if outcome.gate_filled {
            count(&mut self.filled);
            if undecided {
                let why = outcome.open.first().copied().unwrap_or_default();
                let key = format!("{} ({why})", case.name);
                *self.undecided.entry(key).or_default() += 1;
            }
        }
        if outcome.all_read {
            count(&mut self.read);
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
        self.undecided_text(&mut out);
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
        for (of, what) in self.seeds.iter().zip(["core", "other"]) {
            let _ = writeln!(out, "{}", smallest(of, what));
        }
        let left: Vec<String> = self
            .left_out
            .iter()
            .map(|(name, n)| format!("{name} x{n}"))
            .collect();
        let _ = writeln!(
            out,
            "left out: {} runs {}",
            self.left_out.values().sum::<usize>(),
            left.join(", ")
        );
        self.lists(&mut out);
        out
    }

    /// The share of undecided ones, by two readings of "everything was read".
    fn undecided_text(&self, out: &mut String) {
        let share = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
        for (of, what) in [
            (self.filled, "the gate is filled"),
            (
                self.read,
                "every required point was read, of whichever unit and age",
            ),
        ] {
            let [all, open, wrongly] = of;
            let _ = writeln!(
                out,
                "undecided although {what}: {:.2} % ({open} of {all}), where that is wrong: {:.2} % ({wrongly})",
                share(open, all),
                share(wrongly, all)
            );
        }
        for (id, n) in &self.open {
            let _ = writeln!(out, "  {n:>6}  {id}");
        }
        let mut undecided: Vec<_> = self.undecided.iter().collect();
        undecided.sort_by_key(|(_, n)| std::cmp::Reverse(**n));
        for (name, n) in undecided.into_iter().take(25) {
            let _ = writeln!(out, "  gate filled, undecided x{n}: {name}");
        }
    }

    /// The confusion matrix, and what was wrong, by name.
    fn lists(&self, out: &mut String) {
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
    }
}

/// The smallest number of seeds of a case, and of a case by one of its links.
fn smallest(seeds: &BTreeMap<(String, LinkName), usize>, what: &str) -> String {
    let mut cases: BTreeMap<&str, usize> = BTreeMap::new();
    for ((name, _), n) in seeds {
        // The moments of one scenario are looked at by turns.
        let case = name
            .split_once('@')
            .map_or(name.as_str(), |(scenario, _)| scenario);
        *cases.entry(case).or_default() += n;
    }
    let least = cases.iter().min_by_key(|(_, n)| **n);
    let by_link = seeds.iter().min_by_key(|(_, n)| **n);
    match (least, by_link) {
        (Some((case, n)), Some(((name, link), by_link))) => format!(
            "{what} cases: {}, the fewest seeds {n} ({case}), by one link {by_link} ({name} by {link:?})",
            cases.len()
        ),
        _ => format!("{what} cases: none"),
    }
}
