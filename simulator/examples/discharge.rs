//! Prints what one cell does in a scenario: seconds and volts, one line for each step of time.
//!
//! `discharge SCENARIO [STEP_SECONDS] [END_SECONDS]`. For comparing the cells with an independent
//! model: see `tests/interop/discharge.py`.

#![allow(clippy::print_stdout, reason = "an example prints")]

use std::time::Duration;

use packside_simulator::{Scenario, World};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let name = arguments
        .next()
        .ok_or("usage: discharge SCENARIO [STEP_SECONDS] [END_SECONDS]")?;
    let mut number = |usual: f64| arguments.next().map_or(Ok(usual), |text| text.parse());
    let (step, end) = (number(10.0)?, number(3600.0)?);
    let (step, end) = (
        Duration::try_from_secs_f64(step)?,
        Duration::try_from_secs_f64(end)?,
    );
    let scenario = Scenario::find(&name)?;
    let profile = scenario.load_map(None)?.profile;
    let mut world = World::new(&scenario, &profile, scenario.seed);
    while world.now() < end {
        world.advance(world.now() + step.max(Duration::from_millis(1)));
        let volts = world
            .cell_volts(1, 1)
            .ok_or("the unit sees no first cell")?;
        println!("{:.3} {volts:.6}", world.now().as_secs_f64());
    }
    Ok(())
}
