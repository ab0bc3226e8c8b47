//! Faults that show nowhere until the switches have to close: what the verdict says before, when they
//! first become visible, and whether it is right then.
//!
//! Truth does not come from the judge: a fault is visible from the first look in which an alarm word or
//! the state differs from that of the same world without it.

use std::fmt::Write as _;
use std::time::Duration;

use packside::facts::{Judgement, VerdictKind};
use packside::judge::judge;
use packside::simulated::rehearsal::Rehearsal;
use packside_profiles::{Profile, Role};
use packside_simulator::Way;
use packside_simulator::compose::{Composed, INVERTER_COMES_S, TRACELESS, compose_traceless};

use super::is_clean;

/// Looks this long after the inverter came before a fault counts as not shown.
const FOLLOWED: Duration = Duration::from_secs(120);
/// Between two looks.
const EVERY: Duration = Duration::from_secs(5);

/// What came of all runs.
#[derive(Debug, Default)]
pub(crate) struct Traceless {
    runs: usize,
    /// Before: clean verdicts, and those that listed the function as not tested.
    clean: usize,
    listed: usize,
    /// When each became visible, seconds since power-up.
    shown_at: Vec<f64>,
    /// Right at the first look in which it was visible, or at the one after.
    right: [usize; 2],
    /// Clean although visible, by name: dangerous.
    pub(crate) dangerous: Vec<String>,
    /// Never visible while followed.
    never: Vec<String>,
}

/// Runs `n` of them.
pub(crate) fn traceless(n: usize) -> Traceless {
    let mut all = Traceless::default();
    let Ok(found) = packside_profiles::find("generic-hv-stack", None) else {
        return all;
    };
    for number in 0..n {
        let seed = 7000 + number as u64;
        if let Ok((hidden, sound)) = compose_traceless(number % TRACELESS, seed) {
            all.take(&hidden, &sound, &found.profile);
        }
    }
    all
}

impl Traceless {
    fn take(&mut self, hidden: &Composed, sound: &Composed, profile: &Profile) {
        let name = format!("{} seed {}", hidden.inside, hidden.scenario.seed);
        let at = hidden.scenario.look_at;
        let open =
            |world: &Composed| Rehearsal::open(&world.scenario, profile, at, Some(Way::Serial));
        let (mut with, mut without) = (open(hidden), open(sound));
        let before = judge(with.look(), Some(profile), None);
        without.look();
        self.runs += 1;
        if is_clean(before.verdict.kind) {
            let listed = hidden.not_tested;
            self.clean += 1;
            self.listed += usize::from(before.not_tested.iter().any(|n| Some(n.id()) == listed));
        }
        // The session began its window of listening before the look.
        let began = at.saturating_sub(packside::link::quiet_window(Some(profile)));
        let mut now = Duration::from_secs(INVERTER_COMES_S);
        let end = now + FOLLOWED;
        let mut visible = 0;
        while now < end && visible < 2 {
            with.wait(now.saturating_sub(began));
            without.wait(now.saturating_sub(began));
            let judgement = judge(with.look(), Some(profile), None);
            let twin = judge(without.look(), Some(profile), None);
            if visible > 0 || differs(&judgement, &twin) {
                if visible == 0 {
                    self.shown_at.push((began + judgement.moment).as_secs_f64());
                }
                let kind = judgement.verdict.kind;
                if kind == VerdictKind::Fault {
                    self.right[visible] += 1;
                    return;
                }
                if is_clean(kind) {
                    self.dangerous.push(format!("{name}: {}", kind.id()));
                }
                visible += 1;
            }
            now = (began + judgement.moment).max(now) + EVERY;
        }
        if visible == 0 {
            self.never.push(name);
        }
    }

    /// The figures as text.
    pub(crate) fn text(&mut self) -> String {
        self.shown_at.sort_by(f64::total_cmp);
        let at = |percent: usize| {
            let place = self.shown_at.len() * percent / 100;
            let last = self.shown_at.len().saturating_sub(1);
            self.shown_at
                .get(place.min(last))
                .copied()
                .unwrap_or(f64::NAN)
        };
        let mut out = format!(
            "== faults that show nowhere until the switches have to close: {} runs, the inverter begins to ask at {INVERTER_COMES_S} s\n\
             before: {} clean verdicts, {} of them list the function as not tested\n\
             visible in {} runs, first at {:.0} s, half of them by {:.0} s, the last at {:.0} s after power-up\n\
             called fault in the look in which it became visible: {}, in the next: {}; called clean although visible: {}\n",
            self.runs,
            self.clean,
            self.listed,
            self.shown_at.len(),
            at(0),
            at(50),
            at(100),
            self.right[0],
            self.right[1],
            self.dangerous.len()
        );
        for line in self.dangerous.iter().take(20) {
            let _ = writeln!(out, "DANGEROUS: {line}");
        }
        for line in self.never.iter().take(20) {
            let _ = writeln!(out, "never visible while followed: {line}");
        }
        out
    }
}

/// Whether the registers of two units of the same age tell them apart.
fn differs(one: &Judgement, other: &Judgement) -> bool {
    let telling = |judgement: &Judgement| -> Vec<(String, Option<u64>)> {
        let readings = judgement.readings.iter();
        readings
            .filter(|r| matches!(r.role, Role::AlarmWord | Role::State))
            .map(|r| (r.name.clone(), r.raw))
            .collect()
    };
    telling(one) != telling(other)
}
