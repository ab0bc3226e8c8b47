//! Entry point for fuzzing: bytes become clients that connect, leave, wait and send anything.
//!
//! Input: any bytes. Output: nothing; a defect is a panic, a time-out or memory without end. Does
//! not: know what is right.

use std::time::Duration;

use crate::{Scenario, Site, Way};

/// Longest piece that one client sends at once.
const PIECE: usize = 300;

/// Sets up one of the ways to a unit by the first byte, and does what the others say.
pub fn any_clients(data: &[u8]) {
    const PLANS: [&str; 3] = [
        "",
        "[gateway]\nconnections = 1\nqueue = 2\ncache = \"9s\"\npolls_every = \"1s\"\nidle_lost = \"1s\"\n",
        "[control]\nhangs_on = [17]\n[second_client]\n[inverter]\nevery = \"200ms\"\n[line]\nhold_back = \"16ms\"\n",
    ];
    let Some((first, mut rest)) = data.split_first() else {
        return;
    };
    let plan = PLANS
        .get(usize::from(first / 3) % PLANS.len())
        .copied()
        .unwrap_or_default();
    let text = format!(
        "format = 3\nname = \"any\"\ntitle = \"any\"\nprofile = \"generic-hv-stack\"\nlook_at = \"1s\"\n{plan}"
    );
    let way = match first % 3 {
        0 => Way::Serial,
        1 => Way::Tcp,
        _ => Way::RtuOverTcp,
    };
    let Some((scenario, map)) = Scenario::load(&text, "any").ok().and_then(|scenario| {
        let map = scenario.load_map(None).ok()?;
        Some((scenario, map))
    }) else {
        return;
    };
    let mut site = Site::new(&scenario, &map.profile, way, 1);
    let mut now = Duration::ZERO;
    while let Some(([what, time, length], more)) = rest.split_first_chunk::<3>() {
        now += Duration::from_millis(u64::from(*time) * 4);
        let client = u32::from(what >> 4);
        let length = usize::from(*length).min(PIECE).min(more.len());
        let (bytes, left) = more.split_at(length);
        rest = left;
        match what % 8 {
            0 => site.connect(now, client),
            1 => site.disconnect(client),
            2 => drop(site.advance(now)),
            // Of itself a fuzzer hardly finds a frame that is taken: here one is made.
            3 => site.send_from(
                client,
                now,
                &crate::frame::wrap(crate::Framing::Rtu, 0, 1, bytes),
            ),
            4 => site.send_from(
                client,
                now,
                &crate::frame::wrap(crate::Framing::Tcp, 7, 1, bytes),
            ),
            _ => site.send_from(client, now, bytes),
        }
    }
    drop(site.advance(now + Duration::from_secs(20)));
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_clients_of_any_bytes_do_no_harm(data in prop::collection::vec(any::<u8>(), 0..600)) {
            super::any_clients(&data);
        }
    }
}
