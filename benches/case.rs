//! What a verdict costs after ten minutes and after a day, and what a case holds. Run:
//!
//!     cargo bench --bench case              one day, a look every ten seconds
//!     cargo bench --bench case -- 2         two hours
//!
//! The unit is simulated in virtual time; only taking the events and judging is measured, by the time that
//! passes around both: a busy machine makes these figures larger, never smaller.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    clippy::disallowed_methods,
    reason = "figures are printed, measured with a clock, and may fail loudly"
)]

use std::sync::Arc;
use std::time::{Duration, Instant};

use packside::event::{Consent, Event};
use packside::judge::Case;
use packside::link::{Asking, Wake};
use packside::poll::{Cost, Look, LookWant};
use packside::simulated::{Simulated, open_simulated_as};
use packside_profiles::Role;
use packside_profiles::model::Profile;
use packside_simulator::Scenario;

/// From the start of one look to that of the next.
const EVERY: Duration = Duration::from_secs(10);
const TEN_MINUTES: Duration = Duration::from_secs(600);
const HOUR: Duration = Duration::from_secs(3600);
/// Units side by side on one thread.
const UNITS: f64 = 500.0;

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|a| a != "--bench");
    let hours = arguments.next().map_or(24, |text| text.parse().unwrap());
    for name in ["hv-commissioning", "hv-noisy-line"] {
        watched(name, HOUR * hours);
    }
}

/// Times of the looks of a stretch: taking the events, and judging.
#[derive(Default)]
struct Spent {
    looks: u32,
    push: Duration,
    verdict: Duration,
}

impl Spent {
    fn add(&mut self, push: Duration, verdict: Duration) {
        self.looks += 1;
        self.push += push;
        self.verdict += verdict;
    }

    /// Microseconds a look: taking the events, judging.
    fn each(&self) -> (f64, f64) {
        let looks = f64::from(self.looks.max(1));
        (
            self.push.as_secs_f64() / looks * 1e6,
            self.verdict.as_secs_f64() / looks * 1e6,
        )
    }
}

/// Watches one unit for so long.
fn watched(name: &str, length: Duration) {
    let scenario = Scenario::find(name).unwrap();
    let profile = Arc::new(scenario.load_map(None).unwrap().profile);
    let mut asking = asked(&scenario, &profile);
    let mut case = Case::new(Some(Arc::clone(&profile)));
    let (mut first, mut last) = (Spent::default(), Spent::default());
    let (mut after_hour, mut events) = (None, 0);
    let began = asking.now();
    while asking.now() - began < length {
        let next = asking.now() + EVERY;
        let new = look(&mut asking, &profile, next);
        events += new.len();
        let start = Instant::now();
        for event in &new {
            case.push(event);
        }
        let pushed = start.elapsed();
        let start = Instant::now();
        let judgement = std::hint::black_box(case.verdict(case.moment()));
        let judged = start.elapsed();
        let passed = asking.now() - began;
        // The first ten minutes are not a unit in service: it starts, its inverter comes, what is wrong shows.
        if (TEN_MINUTES..TEN_MINUTES * 2).contains(&passed) {
            first.add(pushed, judged);
        }
        if passed + TEN_MINUTES >= length {
            last.add(pushed, judged);
        }
        if after_hour.is_none() && passed >= HOUR {
            after_hour = Some((case.held(), resident()));
        }
        if passed + EVERY * 2 >= length && last.looks > 0 && asking.now() - began >= length {
            let cells = judgement.readings.iter();
            let cells = cells.filter(|r| r.role == Role::CellVoltage).count();
            println!(
                "{name}: {cells} cells, {events} events, {} at the end",
                judgement.verdict.kind.id()
            );
        }
    }
    tell(&first, &last, after_hour, &case);
}

fn tell(first: &Spent, last: &Spent, after_hour: Option<(usize, f64)>, case: &Case) {
    let ((push_1, judge_1), (push_2, judge_2)) = (first.each(), last.each());
    println!(
        "  a look: taking its events {push_1:.0} µs from ten minutes on, {push_2:.0} µs at the end; verdict \
         {judge_1:.0} µs and {judge_2:.0} µs; ratio {:.2}",
        (push_2 + judge_2) / (push_1 + judge_1)
    );
    println!(
        "  held: {} kB at the end, {} units; the process has {:.1} MB",
        case.held() / 1000,
        case.units(),
        resident()
    );
    if let Some((held, process)) = after_hour {
        println!(
            "  after one hour: {} kB; the process had {process:.1} MB",
            held / 1000
        );
    }
    let share = UNITS * (push_2 + judge_2) / 1e6 / EVERY.as_secs_f64() * 100.0;
    println!("  {UNITS} units, a look every 10 s, on one thread: {share:.1} % of a core");
}

fn asked(scenario: &Scenario, profile: &Profile) -> Asking {
    let how = Simulated {
        age: scenario.look_at,
        ..Simulated::default()
    };
    let quiet = open_simulated_as(scenario, profile, how);
    let wake = Wake::of(None, &packside_profiles::Known::default(), &[]);
    let proof = quiet.prove(&wake, Duration::ZERO, Consent::BOTH).unwrap();
    quiet
        .ask(proof, &profile.answering.functions)
        .unwrap_or_else(|_| panic!("a simulated unit may be asked"))
}

/// One look, and the pause behind it.
fn look(asking: &mut Asking, profile: &Arc<Profile>, next: Duration) -> Vec<Event> {
    let cost = Cost {
        line: asking.line(),
        answer_time: Duration::from_millis(profile.answering.answer_time_ms.into()),
    };
    let time_out = Duration::from_millis(profile.answering.time_out_ms.into());
    let mut look = Look::new(Arc::clone(profile), profile.answering.unit, true, cost);
    loop {
        let trouble = match look.next(asking.now()) {
            LookWant::Done => break,
            LookWant::WaitUntil(at) => asking.idle(at).err(),
            LookWant::Ask(ask) => match asking.ask(ask, time_out) {
                Ok(exchange) => {
                    look.take(&exchange);
                    None
                }
                Err(trouble) => Some(trouble),
            },
        };
        if trouble.is_some() {
            break;
        }
    }
    if asking.now() < next {
        let _ = asking.idle(next);
    }
    asking.drain()
}

/// Memory of this process, MB; 0 where the system does not say it so.
fn resident() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS:"));
    let number = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok());
    number.unwrap_or_default() / 1000.0
}
