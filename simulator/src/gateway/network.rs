//! The network before a gateway: connections, and when bytes arrive.
//!
//! Input: bytes with the time at which they are sent. Output: when they arrive. Does not: lose
//! bytes of a living connection; TCP does not either.
//!
//! # Invariants
//! - Bytes of one connection arrive in the order in which they were sent.
//! - A connection keeps at most [`HELD`](crate::frame::HELD) bytes of an incomplete question.

use std::time::Duration;

use super::plan::GatewayPlan;
use crate::dice::Dice;
use crate::frame::{Framing, Splitter};

/// How long a sender waits before it sends a lost packet again; twice as long each further time.
// Kind:   common practice
// Source: RFC 6298 wants a second at least; usual systems take 200 ms on a fast connection
const RESEND: Duration = Duration::from_millis(200);

/// How often the same packet is lost at most.
const LOST_AT_MOST: u32 = 5;

/// One client's connection, as the gateway has it.
#[derive(Debug, Clone)]
pub(super) struct Connection {
    pub(super) splitter: Splitter,
    /// Rises with each connection: the oldest has the lowest.
    pub(super) number: u64,
    /// When something was last said on it, either way.
    pub(super) used: Duration,
    /// Nothing passes on it any more, and nobody was told.
    pub(super) is_lost: bool,
    /// When the last bytes to the gateway, and those to the client, arrive.
    inbound: Duration,
    outbound: Duration,
}

impl Connection {
    pub(super) fn new(framing: Framing, number: u64, now: Duration) -> Self {
        Self {
            splitter: Splitter::new(framing),
            number,
            used: now,
            is_lost: false,
            inbound: now,
            outbound: now,
        }
    }

    /// When bytes that the client sends now are at the gateway.
    pub(super) fn inbound(
        &mut self,
        now: Duration,
        plan: &GatewayPlan,
        dice: &mut Dice,
    ) -> Duration {
        self.inbound = self.inbound.max(now + delay(plan, dice));
        self.inbound
    }

    /// When bytes that the gateway sends now are at the client.
    pub(super) fn outbound(
        &mut self,
        now: Duration,
        plan: &GatewayPlan,
        dice: &mut Dice,
    ) -> Duration {
        self.outbound = self.outbound.max(now + delay(plan, dice));
        self.outbound
    }
}

/// Time of one packet on the network.
fn delay(plan: &GatewayPlan, dice: &mut Dice) -> Duration {
    let mut delay = plan.latency;
    if !plan.jitter.is_zero() {
        // 4 u^3: mean 1, half of them below a half, at most 4. An exponential would need a
        // logarithm, which is not the same to the last bit on every machine.
        let share = f64::midpoint(dice.around_zero(), 1.0).max(0.0);
        delay += plan.jitter.mul_f64(4.0 * share * share * share);
    }
    let mut resend = RESEND;
    for _ in 0..LOST_AT_MOST {
        if !dice.percent(plan.loss) {
            break;
        }
        delay += resend;
        resend *= 2;
    }
    delay
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_ms(plan: &GatewayPlan) -> f64 {
        let mut dice = Dice::new(7);
        let times = 20_000;
        let sum: Duration = (0..times).map(|_| delay(plan, &mut dice)).sum();
        sum.as_secs_f64() * 1000.0 / f64::from(times)
    }

    // Kind: derived (the mean of 4 u^3 is 1: 40 + 15 ms)
    #[test]
    fn delay_has_the_mean_of_the_plan() {
        let plan = GatewayPlan {
            latency: Duration::from_millis(40),
            jitter: Duration::from_millis(15),
            ..GatewayPlan::default()
        };
        let mean = mean_ms(&plan);
        assert!((mean - 55.0).abs() < 0.5, "{mean}");
    }

    // Kind: derived (one in ten lost once, one in a hundred twice, ...: the mean of
    // 200 x 0.1 + 400 x 0.01 + 800 x 0.001 + ... = 20 / (1 - 0.2) = 25, up to the fifth time 24.99)
    #[test]
    fn lost_packets_come_late_by_the_time_of_sending_again() {
        let plan = GatewayPlan {
            latency: Duration::ZERO,
            loss: 10.0,
            ..GatewayPlan::default()
        };
        let mean = mean_ms(&plan);
        assert!((mean - 25.0).abs() < 1.5, "{mean}");
    }

    #[test]
    fn bytes_of_a_connection_never_overtake_each_other() {
        let plan = GatewayPlan {
            jitter: Duration::from_millis(100),
            loss: 20.0,
            ..GatewayPlan::default()
        };
        let mut dice = Dice::new(3);
        let mut connection = Connection::new(Framing::Tcp, 1, Duration::ZERO);
        let mut last = Duration::ZERO;
        for ms in 0..1000 {
            let now = Duration::from_millis(ms);
            let at = connection.outbound(now, &plan, &mut dice);
            assert!(at >= last && at >= now);
            last = at;
        }
    }
}
