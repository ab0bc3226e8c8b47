//! What stands between the cells and the inverter: switches, pre-charge, fuse, terminals.
//!
//! Input: orders of the control unit, the voltage of the pack, the current that the inverter would
//! make flow, time. Output: the voltage at the terminals, the charge that really went through, and
//! what a control unit can see by itself. Switches that are due in the middle of a step move there.
//! Does not: decide anything.
//!
//! # Picture
//! ```text
//!   pack + --+-- plus pole --------------+-- fuse -- breaker --+---------+--- inverter (a current)
//!            +-- pre-charge -- resistor -+                     |         |
//!                                                         capacitors   load
//!   pack - ---- minus pole ------------------------------------+---------+---
//! ```
//! While closed, the pack sets the voltage of the capacitors; the rush that evens out the rest when
//! the switches close takes microseconds, so its charge is counted and its current is not shown.

use std::time::Duration;

use packside_profiles::model::{Profile, SwitchKind};

use super::cell::decay;
use super::sense::Meter;
use crate::cell_plan::{CircuitPlan, Defect, Pole, Terminals};
use crate::scenario::Event;

/// What the control unit wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Order {
    /// All open.
    Open,
    /// Minus pole and pre-charge.
    Precharge,
    /// Both poles.
    Closed,
}

/// Share of the pack's voltage at which pre-charge counts as done.
// Kind: common practice (90 to 97 %)
const PRECHARGED: f64 = 0.95;
/// A contradiction must stand so long before it counts. Kind: invented.
const PATIENCE: Duration = Duration::from_millis(500);
/// After a failed pre-charge the resistor must cool down. Kind: invented.
const COOLING: Duration = Duration::from_secs(60);
/// Share of the pack's voltage below which closed switches do not lead to it. Kind: invented.
const DISCONNECTED: f64 = 0.9;

/// One switch.
#[derive(Debug, Clone, Default)]
struct Switch {
    closed: bool,
    wanted: bool,
    /// Time until it has moved.
    due: Option<Duration>,
    welded: bool,
    stays_open: bool,
}

impl Switch {
    fn order(&mut self, wanted: bool, travel: Duration) {
        if wanted != self.wanted {
            self.wanted = wanted;
            self.due = Some(travel);
        }
    }

    fn pass(&mut self, time: Duration) {
        self.due = self.due.map(|due| due.saturating_sub(time));
        if self.due.is_none_or(|due| due.is_zero()) {
            self.due = None;
            self.closed = if self.wanted {
                !self.stays_open || (self.closed && self.welded)
            } else {
                self.closed && self.welded
            };
        }
    }

    fn contradicts(&self) -> bool {
        self.due.is_none() && self.closed != self.wanted
    }
}

/// The circuit of one pack.
#[derive(Debug, Clone)]
pub(crate) struct Circuit {
    travel: Duration,
    precharge_ohm: f64,
    farad: f64,
    load_ohm: f64,
    other_source: Option<f64>,
    /// Voltage that packs beside this one hold at the terminals.
    pub(crate) bus: Option<f64>,
    longest_precharge: Option<Duration>,
    plus: Switch,
    minus: Switch,
    precharge: Switch,
    precharge_open: bool,
    fuse_open: bool,
    breaker_open: bool,
    measured: Terminals,
    order: Order,
    volts: f64,
    /// Voltage at the terminals.
    terminals: f64,
    meter: Meter,
    trying: Duration,
    cooling: Duration,
    contradicted: Duration,
    unconnected: Duration,
}

impl Circuit {
    /// All open, terminals dead.
    pub(crate) fn new(profile: &Profile, plan: &CircuitPlan) -> Self {
        let picture = &profile.unit;
        let travel = match picture.switch {
            // Kind: common practice (tens of milliseconds)
            SwitchKind::Contactor => plan.travel.unwrap_or(Duration::from_millis(25)),
            SwitchKind::SolidState => Duration::ZERO,
        };
        // Pre-charge to 95 % against the load takes about 3.4 time constants, so it ends in the
        // middle of the profile's times. Without pre-charge: 5 mF, invented.
        let middle = picture
            .precharge_s
            .map(|[short, long]| (short + long) / 2.0);
        let fitting = middle.map_or(0.005, |s| s.max(0.01) / 3.6 / plan.precharge_ohm);
        let farad = plan.capacitance_uf.map_or(fitting, |uf| uf * 1e-6);
        // Three per cent are left after the decay time: 3.5 time constants.
        let decay_s = picture.decay_s.unwrap_or(30.0).max(0.1);
        Self {
            travel,
            precharge_ohm: plan.precharge_ohm,
            farad,
            load_ohm: plan.load_ohm.unwrap_or(decay_s / 3.5 / farad),
            other_source: plan.other_source,
            bus: None,
            longest_precharge: picture
                .precharge_s
                .and_then(|[_, long]| Duration::try_from_secs_f64(long).ok()),
            plus: Switch::default(),
            minus: Switch::default(),
            precharge: Switch::default(),
            precharge_open: false,
            fuse_open: false,
            breaker_open: false,
            measured: plan.terminals,
            order: Order::Open,
            volts: 0.0,
            terminals: plan.other_source.unwrap_or_default(),
            meter: Meter::Sound,
            trying: Duration::ZERO,
            cooling: Duration::ZERO,
            contradicted: Duration::ZERO,
            unconnected: Duration::ZERO,
        }
    }

    /// Does what an event says about switches, pre-charge and fuse.
    pub(crate) fn apply(&mut self, event: &Event) {
        let is_wrong = event.defect.is_some();
        let Some(defect) = event.defect.or(event.mends) else {
            return;
        };
        let terminals = (Defect::TerminalVoltageFrozen, Defect::TerminalVoltageOpen);
        self.meter
            .apply(event, terminals.0, terminals.1, self.terminals);
        match defect {
            Defect::PrechargeOpen => self.precharge_open = is_wrong,
            Defect::FuseOpen => self.fuse_open = is_wrong,
            Defect::BreakerOpen => self.breaker_open = is_wrong,
            _ => {}
        }
        for (pole, switch) in [(Pole::Plus, &mut self.plus), (Pole::Minus, &mut self.minus)] {
            match defect {
                _ if event.pole.is_some_and(|chosen| chosen != pole) => {}
                Defect::SwitchWelded => switch.welded = is_wrong,
                Defect::SwitchStaysOpen => switch.stays_open = is_wrong,
                _ => {}
            }
            // A pole that is welded was closed when it happened, and one that drops out opens.
            switch.closed = (switch.closed || switch.welded) && !switch.stays_open;
        }
    }

    /// Takes an order.
    pub(crate) fn order(&mut self, order: Order) {
        self.order = order;
        self.plus.order(order == Order::Closed, self.travel);
        self.minus.order(order != Order::Open, self.travel);
        self.precharge.order(order == Order::Precharge, self.travel);
    }

    /// Goes on for a while. `volts` of the pack, `wanted` amperes into it by the inverter. Gives
    /// the charge into the pack, As: with the rush, and without it.
    pub(crate) fn step(&mut self, time: Duration, volts: f64, wanted: f64) -> (f64, f64) {
        self.volts = volts;
        let (mut charge, mut shown) = (0.0, 0.0);
        let mut left = time;
        loop {
            let due = [&self.plus, &self.minus, &self.precharge]
                .iter()
                .filter_map(|switch| switch.due)
                .min();
            let part = due.map_or(left, |due| due.min(left));
            let (rush, flow) = self.stretch(part.as_secs_f64(), wanted);
            charge += rush + flow;
            shown += flow;
            for switch in [&mut self.plus, &mut self.minus, &mut self.precharge] {
                switch.pass(part);
            }
            left -= part;
            if left.is_zero() && due.is_none_or(|due| due > part) {
                break;
            }
        }
        self.watch(time);
        (charge, shown)
    }

    /// A stretch in which no switch moves. Gives the charge of the rush and of the current.
    fn stretch(&mut self, seconds: f64, wanted: f64) -> (f64, f64) {
        let before = self.terminals;
        if self.is_connected() {
            self.terminals = self.volts;
            let load = self.volts / self.load_ohm;
            return (
                self.farad * (before - self.volts),
                (wanted - load) * seconds,
            );
        }
        if self.precharges() && self.leads_out() {
            let both = self.precharge_ohm + self.load_ohm;
            let aim = self.volts * self.load_ohm / both;
            let constant = self.farad * self.precharge_ohm * self.load_ohm / both;
            let left = decay(seconds / constant);
            self.terminals = aim + (before - aim) * left;
            let mean = aim * seconds + (before - aim) * constant * (1.0 - left);
            let flow = (self.volts * seconds - mean) / self.precharge_ohm;
            self.hold();
            return (0.0, -flow);
        }
        self.terminals *= decay(seconds / (self.farad * self.load_ohm));
        self.hold();
        (0.0, 0.0)
    }

    /// Other sources hold the terminals up.
    fn hold(&mut self) {
        for source in [self.other_source, self.bus].into_iter().flatten() {
            self.terminals = self.terminals.max(source);
        }
    }

    /// Counts how long something stands that should not.
    fn watch(&mut self, time: Duration) {
        let count = |so_far: Duration, stands: bool| {
            if stands {
                so_far + time
            } else {
                Duration::ZERO
            }
        };
        let contradicts = self.plus.contradicts() || self.minus.contradicts();
        self.contradicted = count(self.contradicted, contradicts);
        let both = self.plus.closed && self.minus.closed && self.order == Order::Closed;
        let low = self.terminals_seen() < DISCONNECTED * self.volts;
        self.unconnected = count(self.unconnected, both && low);
        self.trying = count(self.trying, self.order == Order::Precharge);
        self.cooling = self.cooling.saturating_sub(time);
        let longest = self.longest_precharge.unwrap_or(Duration::MAX);
        if self.trying > longest && !self.is_precharged() {
            self.cooling = COOLING;
            self.trying = Duration::ZERO;
        }
    }

    /// Whether the pack is really at the terminals.
    pub(crate) fn is_connected(&self) -> bool {
        self.plus.closed && self.minus.closed && self.leads_out()
    }

    /// Whether anything leads from the switches to the inverter.
    fn leads_out(&self) -> bool {
        !self.fuse_open && !self.breaker_open
    }

    fn precharges(&self) -> bool {
        self.minus.closed && self.precharge.closed && !self.precharge_open
    }

    /// Whether both poles are closed; the control unit sees it by contacts that move with them.
    pub(crate) fn poles(&self) -> (bool, bool) {
        (self.plus.closed, self.minus.closed)
    }

    /// Whether the terminals are near enough to the pack to close.
    pub(crate) fn is_precharged(&self) -> bool {
        self.terminals_seen() >= PRECHARGED * self.volts
    }

    /// Voltage at the terminals.
    pub(crate) fn terminals(&self) -> f64 {
        self.terminals
    }

    /// Voltage at the terminals, as the unit measures it.
    pub(crate) fn terminals_seen(&self) -> f64 {
        // With the breaker open only the switches lead there, and no capacitor makes it slow.
        let cut_off = self.breaker_open && self.measured == Terminals::BeforeBreaker;
        let by_switches = (self.plus.closed && self.minus.closed) || self.precharges();
        self.meter
            .read(match (cut_off, by_switches && !self.fuse_open) {
                (false, _) => self.terminals,
                (true, true) => self.volts,
                (true, false) => 0.0,
            })
    }

    /// Whether a pre-charge did not end in time, and the resistor still cools down.
    pub(crate) fn precharge_failed(&self) -> bool {
        !self.cooling.is_zero()
    }

    /// Whether a switch does not follow its order.
    pub(crate) fn is_contradicted(&self) -> bool {
        self.contradicted >= PATIENCE
    }

    /// Whether closed switches do not lead to the terminals.
    pub(crate) fn is_fuse_seen_open(&self) -> bool {
        self.unconnected >= PATIENCE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: Duration = Duration::from_millis(100);

    fn circuit(plan: &CircuitPlan) -> Circuit {
        let profile = packside_profiles::find("generic-hv-stack", None).unwrap();
        Circuit::new(&profile.profile, plan)
    }

    fn with(defect: Defect, pole: Option<Pole>) -> Event {
        Event {
            defect: Some(defect),
            pole,
            ..Event::default()
        }
    }

    // Kind: derived (closed form V (1 - e^(-t / RC)), R = 100 Ohm, C = 2 mF: 0.2 s, without a load)
    #[test]
    fn precharge_follows_the_closed_form() {
        let plan = CircuitPlan {
            precharge_ohm: 100.0,
            capacitance_uf: Some(2000.0),
            load_ohm: Some(1e9),
            travel: Some(Duration::ZERO),
            ..CircuitPlan::default()
        };
        let mut circuit = circuit(&plan);
        circuit.order(Order::Precharge);
        let mut charge = 0.0;
        for n in 1..=15u8 {
            charge += circuit.step(STEP, 400.0, 0.0).0;
            let seconds = f64::from(n) * 0.1;
            let wanted = 400.0 * (1.0 - (-seconds / 0.2).exp());
            assert!(
                (circuit.terminals - wanted).abs() < 1e-3,
                "{seconds} s: {}",
                circuit.terminals
            );
        }
        // What is in the capacitors came out of the pack.
        assert!(
            (charge + 0.002 * circuit.terminals).abs() < 1e-6,
            "{charge}"
        );
    }

    // Kind: derived (25 ms of travel within a step of 100 ms: pre-charge acts for 75 ms)
    #[test]
    fn travel_time_counts_within_a_step() {
        let plan = CircuitPlan {
            precharge_ohm: 100.0,
            capacitance_uf: Some(2000.0),
            load_ohm: Some(1e9),
            ..CircuitPlan::default()
        };
        let mut circuit = circuit(&plan);
        circuit.order(Order::Precharge);
        circuit.step(STEP, 400.0, 0.0);
        let wanted = 400.0 * (1.0 - (-0.075f64 / 0.2).exp());
        assert!(
            (circuit.terminals - wanted).abs() < 1e-3,
            "{}",
            circuit.terminals
        );
    }

    fn run(circuit: &mut Circuit, order: Order, seconds: u32) {
        circuit.order(order);
        for _ in 0..seconds * 10 {
            circuit.step(STEP, 400.0, 0.0);
        }
    }

    // Kind: derived (what each defect must lead to)
    #[test]
    fn defects_show_where_they_act() {
        let plan = CircuitPlan::default();
        let mut sound = circuit(&plan);
        run(&mut sound, Order::Precharge, 2);
        assert!(sound.is_precharged() && !sound.precharge_failed());
        run(&mut sound, Order::Closed, 2);
        assert!(sound.is_connected() && !sound.is_contradicted() && !sound.is_fuse_seen_open());
        assert!((sound.terminals - 400.0).abs() < 1e-9);
        // One pole welded: the other one opens the circuit, and the contradiction is seen.
        sound.apply(&with(Defect::SwitchWelded, Some(Pole::Plus)));
        run(&mut sound, Order::Open, 1);
        assert_eq!(sound.poles(), (true, false));
        assert!(sound.is_contradicted() && !sound.is_connected());
        // Both welded: the terminals stay live.
        let mut both = circuit(&plan);
        both.apply(&with(Defect::SwitchWelded, None));
        run(&mut both, Order::Open, 200);
        assert!((both.terminals - 400.0).abs() < 1e-9);
        // One pole does not close: terminals stay where pre-charge left them, then fall.
        let mut half = circuit(&plan);
        half.apply(&with(Defect::SwitchStaysOpen, Some(Pole::Plus)));
        run(&mut half, Order::Precharge, 2);
        run(&mut half, Order::Closed, 60);
        assert!(
            half.is_contradicted() && half.terminals < 40.0,
            "{}",
            half.terminals
        );
        // Burned resistor, and a blown fuse: pre-charge does not come.
        for defect in [Defect::PrechargeOpen, Defect::FuseOpen] {
            let mut broken = circuit(&plan);
            broken.apply(&with(defect, None));
            run(&mut broken, Order::Precharge, 3);
            assert!(
                broken.precharge_failed() && broken.terminals < 1.0,
                "{defect:?}"
            );
        }
        // A load on the direct-current side: pre-charge stops half-way.
        let mut loaded = circuit(&CircuitPlan {
            load_ohm: Some(470.0),
            ..plan
        });
        run(&mut loaded, Order::Precharge, 3);
        assert!(loaded.precharge_failed());
        assert!(
            (loaded.terminals - 200.0).abs() < 1.0,
            "{}",
            loaded.terminals
        );
    }

    // Kind: derived (the fuse goes while closed: contacts closed, terminals fall by the decay time)
    #[test]
    fn fuse_that_goes_in_service_is_seen_by_the_terminals() {
        let mut circuit = circuit(&CircuitPlan::default());
        run(&mut circuit, Order::Precharge, 2);
        run(&mut circuit, Order::Closed, 2);
        circuit.apply(&with(Defect::FuseOpen, None));
        run(&mut circuit, Order::Closed, 10);
        assert!(circuit.is_fuse_seen_open() && !circuit.is_contradicted());
        run(&mut circuit, Order::Closed, 50);
        assert!(circuit.terminals < 0.04 * 400.0, "{}", circuit.terminals);
    }
}
