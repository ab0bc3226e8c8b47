//! How far the shares of soft causes can be relied on.
//!
//! A cause is drawn from the tool's own priors, a world is made in which it is true, and the share
//! that the tool gives it is compared with how often it is true. Seeds from 1700000 on were never
//! tuned on. Causes that cannot be simulated are left out of the draw, and named.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use packside::facts::{Sight, VerdictKind};
use packside::judge::judge;
use packside::judge::priors_of_line as priors;
use packside::simulated::rehearsal::Rehearsal;
use packside_simulator::Way;
use packside_simulator::compose::soft;

/// Seeds from here on are kept for the figures.
pub(crate) const HELD_OUT: u64 = 1_700_000;

/// Shares against truth.
#[derive(Default)]
struct Calibration {
    /// By tenth of the share: sum of shares, true ones, all.
    bins: [(f64, f64, f64); 10],
    brier: f64,
    pairs: f64,
    worlds: usize,
    first_right: usize,
    answered: usize,
    /// Proven (99 % or more) and wrong.
    sure_wrong: usize,
    leading: BTreeMap<String, usize>,
    /// What was seen, by true cause.
    seen: BTreeMap<String, usize>,
}

fn draw(causes: &[(&'static str, i32)], seed: u64) -> &'static str {
    let total: u64 = causes.iter().map(|(_, bits)| 1u64 << (bits + 8)).sum();
    let mut at = seed
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        .rotate_left(31)
        .wrapping_mul(0xbf58_476d_1ce4_e5b9)
        % total;
    for (id, bits) in causes {
        let odds = 1u64 << (bits + 8);
        if at < odds {
            return id;
        }
        at -= odds;
    }
    causes[0].0
}

/// Where the plot is written.
pub(crate) const PLOT: &str = "target/verdict-reliability.svg";

/// Causes that cannot be simulated, and why.
const NOT_SIMULATED: &[(&str, &str)] = &[
    (
        "second-client",
        "whoever asks so often is heard before we ask, and the answers it gets are overheard: then there are answers",
    ),
    (
        "tool-mistake",
        "a world in which this very tool errs would have to know where it errs",
    ),
];

/// Runs and tells.
pub(crate) fn figures(worlds: usize, first_seed: u64) -> String {
    let all = priors();
    let (can, cannot): (Vec<_>, Vec<_>) =
        all.into_iter().partition(|(id, _)| soft(id, 1).is_some());
    let profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    let mut figures = Calibration::default();
    for number in 0..worlds as u64 {
        let seed = first_seed + number;
        let truth = draw(&can, seed);
        let Some(world) = soft(truth, seed) else {
            continue;
        };
        let mut session = Rehearsal::open(
            &world.scenario,
            &profile,
            Duration::from_secs(110),
            Some(Way::Serial),
        );
        let judgement = judge(session.look(), Some(&profile), None);
        if judgement.verdict.kind != VerdictKind::BusProblem {
            figures.answered += 1;
            continue;
        }
        figures.worlds += 1;
        let considered = &judgement.verdict.considered;
        let leader = considered.first().map_or("", |cause| cause.id());
        figures.first_right += usize::from(leader == truth);
        let sure = considered
            .first()
            .is_some_and(|cause| cause.per_mille >= 990);
        figures.sure_wrong += usize::from(sure && leader != truth);
        let mut kinds: Vec<&str> = considered
            .iter()
            .flat_map(|cause| cause.reasons_for.iter().chain(&cause.reasons_against))
            .map(Sight::id)
            .collect();
        kinds.sort_unstable();
        kinds.dedup();
        let seen = format!("{truth}: {}", kinds.join(" + "));
        *figures.seen.entry(seen).or_default() += 1;
        *figures
            .leading
            .entry(format!("{truth} -> {leader}"))
            .or_default() += 1;
        for cause in considered {
            let share = f64::from(cause.per_mille) / 1000.0;
            let is_true = if cause.id() == truth { 1.0 } else { 0.0 };
            let bin = &mut figures.bins[((share * 10.0) as usize).min(9)];
            bin.0 += share;
            bin.1 += is_true;
            bin.2 += 1.0;
            figures.brier += (share - is_true).powi(2);
            figures.pairs += 1.0;
        }
    }
    let mut told = format!(
        "== soft causes on a silent or garbled line, {worlds} worlds, seeds from {first_seed}\n{}\n",
        figures.text()
    );
    for (id, _) in &cannot {
        let why = NOT_SIMULATED.iter().find(|(known, _)| known == id);
        let why = why.map_or("no world of it yet", |(_, why)| why);
        let _ = writeln!(told, "left out of the draw: {id} ({why})");
    }
    if std::fs::write(PLOT, figures.plot()).is_ok() {
        let _ = writeln!(told, "reliability plot: {PLOT}");
    }
    told
}

impl Calibration {
    fn error(&self) -> f64 {
        let off: f64 = self
            .bins
            .iter()
            .map(|(shares, trues, _)| (shares - trues).abs())
            .sum();
        off / self.pairs.max(1.0)
    }

    fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "weighed {} worlds ({} more had a valid answer); right cause first {:.1} %; \"proven\" and wrong: {}",
            self.worlds,
            self.answered,
            100.0 * self.first_right as f64 / self.worlds.max(1) as f64,
            self.sure_wrong
        );
        let _ = writeln!(
            out,
            "calibration error over all shares {:.2} %, over shares of 10 % and more {:.2} %; Brier score {:.4}",
            100.0 * self.error(),
            100.0 * self.error_of_large(),
            self.brier / self.pairs.max(1.0)
        );
        for (index, (shares, trues, all)) in self.bins.iter().enumerate() {
            if *all > 0.0 {
                let _ = writeln!(
                    out,
                    "  told {:>2}..{:>3} %: {:>6} shares, mean {:>5.1} %, true {:>5.1} %",
                    index * 10,
                    index * 10 + 10,
                    all,
                    100.0 * shares / all,
                    100.0 * trues / all
                );
            }
        }
        for (seen, n) in &self.seen {
            let _ = writeln!(out, "  {n:>5}  {seen}");
        }
        for (pair, n) in &self.leading {
            let _ = writeln!(out, "  {n:>5}  {pair}");
        }
        out
    }

    /// Without the many shares near nothing, which are easily right.
    fn error_of_large(&self) -> f64 {
        let large = &self.bins[1..];
        let off: f64 = large
            .iter()
            .map(|(shares, trues, _)| (shares - trues).abs())
            .sum();
        off / large.iter().map(|(_, _, all)| all).sum::<f64>().max(1.0)
    }

    /// Told against true, one dot for each tenth.
    fn plot(&self) -> String {
        let mut svg = String::from(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 360 360\" font-family=\"sans-serif\" font-size=\"12\">\n\
             <rect width=\"360\" height=\"360\" fill=\"white\"/>\n\
             <path d=\"M40 320H340M40 320V20\" stroke=\"black\" fill=\"none\"/>\n\
             <path d=\"M40 320L340 20\" stroke=\"grey\" stroke-dasharray=\"4\"/>\n\
             <text x=\"120\" y=\"350\">share told, 0 to 100 %</text>\n\
             <text x=\"14\" y=\"230\" transform=\"rotate(-90 14 230)\">true, 0 to 100 %</text>\n",
        );
        for (shares, trues, all) in self.bins.iter().filter(|(_, _, all)| *all > 0.0) {
            let (x, y) = (40.0 + 300.0 * shares / all, 320.0 - 300.0 * trues / all);
            let radius = 3.0 + all.sqrt() / 10.0;
            let _ = writeln!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\" fill=\"#4060a0\" fill-opacity=\"0.6\"/>",
                radius.min(14.0)
            );
        }
        svg.push_str("</svg>\n");
        svg
    }
}
