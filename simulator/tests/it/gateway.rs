//! Gateways in virtual time: what each of their habits looks like to a client on the network.
//!
//! Kind of all set-ups: invented; kind of expectations: derived from the habit's own rule, unless
//! a test says otherwise.

use std::time::Duration;

use packside_profiles::{Class, Role};
use packside_simulator::{MischiefKind, News, Scenario, Site, Way};
use proptest::prelude::*;

use crate::stage::{profile, read, rtu, s};

const HV: &str = "generic-hv-stack";

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.8, sub-function 00: the data come back
const ECHO: [u8; 5] = [8, 0, 0, 0xa5, 0x37];

/// Reads the state and the words after it: eight input registers from 0.
const STATE: [u8; 5] = [4, 0, 0, 0, 8];

/// A site behind a gateway, and what has reached its clients.
struct Cabinet {
    site: Site,
    came: Vec<(Duration, u32, Vec<u8>)>,
    closed: Vec<(Duration, u32)>,
}

impl Cabinet {
    /// A scenario of the high-voltage stack; `rest` follows the obligatory keys.
    fn new(rest: &str, way: Way) -> Self {
        let head = format!(
            "format = 3\nname = \"test\"\ntitle = \"invented\"\nprofile = \"{HV}\"\nlook_at = \"1s\"\n"
        );
        let scenario = Scenario::load(&format!("{head}{rest}"), "test.toml");
        let scenario = scenario.unwrap_or_else(|e| panic!("{e}"));
        Self {
            site: Site::new(&scenario, &profile(HV), way, scenario.seed),
            came: Vec::new(),
            closed: Vec::new(),
        }
    }

    fn tcp(rest: &str) -> Self {
        Self::new(rest, Way::Tcp)
    }

    fn at(&mut self, seconds: f64) -> &mut Self {
        for news in self.site.advance(s(seconds)) {
            match news {
                News::Bytes(one) => self.came.push((one.at, one.client.unwrap(), one.bytes)),
                News::Closed { at, client } => self.closed.push((at, client.unwrap())),
            }
        }
        self
    }

    fn connect(&mut self, seconds: f64, client: u32) -> &mut Self {
        self.at(seconds);
        self.site.connect(s(seconds), client);
        self
    }

    /// Asks on Modbus TCP.
    fn ask(
        &mut self,
        seconds: f64,
        client: u32,
        transaction: u8,
        unit: u8,
        pdu: &[u8],
    ) -> &mut Self {
        self.at(seconds);
        self.site
            .send_from(client, s(seconds), &tcp(transaction, unit, pdu));
        self
    }

    /// What has come to a client since the last call, all in one.
    fn taken(&mut self, client: u32) -> Vec<u8> {
        let (ours, others) = std::mem::take(&mut self.came)
            .into_iter()
            .partition::<Vec<_>, _>(|(_, to, _)| *to == client);
        self.came = others;
        ours.into_iter().flat_map(|(_, _, bytes)| bytes).collect()
    }
}

fn tcp(transaction: u8, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u8::try_from(pdu.len() + 1).unwrap();
    [&[0, transaction, 0, 0, 0, length, unit], pdu].concat()
}

#[test]
fn gateway_answers_what_the_unit_answers_with_the_transaction_of_the_question() {
    let mut cabinet = Cabinet::tcp("");
    cabinet.connect(5.0, 1).ask(5.0, 1, 9, 1, &ECHO).at(6.0);
    assert_eq!(cabinet.taken(1), tcp(9, 1, &ECHO));
    // Exceptions of the unit come through as they are: an address that no map has.
    cabinet.ask(7.0, 1, 10, 1, &[4, 0x7f, 0, 0, 1]).at(8.0);
    assert_eq!(cabinet.taken(1), tcp(10, 1, &[0x84, 2]));
}

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, section 7: 0B, gateway target device failed to
//         respond; 0A, gateway path unavailable; 06, server device busy
#[test]
fn gateway_names_what_keeps_it_from_answering() {
    let mut silent = Cabinet::tcp("[gateway]\ntime_out = \"400ms\"\n");
    silent.connect(5.0, 1).ask(5.0, 1, 1, 7, &ECHO).at(5.40);
    assert!(silent.taken(1).is_empty(), "before its time-out is over");
    silent.at(5.5);
    assert_eq!(silent.taken(1), tcp(1, 7, &[0x88, 0x0b]));

    let mut mute = Cabinet::tcp("[gateway]\nwhen_silent = \"nothing\"\n");
    mute.connect(5.0, 1).ask(5.0, 1, 1, 7, &ECHO).at(20.0);
    assert!(mute.taken(1).is_empty());

    let mut no_path = Cabinet::tcp("[[event]]\nat = \"4s\"\ngateway = \"no-path\"\n");
    no_path.connect(5.0, 1).ask(5.0, 1, 1, 1, &ECHO).at(6.0);
    assert_eq!(no_path.taken(1), tcp(1, 1, &[0x88, 0x0a]));

    let mut busy = Cabinet::tcp("[gateway]\nqueue = 1\n");
    busy.connect(5.0, 1);
    for transaction in 1..=3 {
        busy.ask(5.0, 1, transaction, 1, &ECHO);
    }
    busy.at(6.0);
    // The first goes on the line at once, the second waits, the third is refused before either is
    // answered.
    let expected = [tcp(3, 1, &[0x88, 6]), tcp(1, 1, &ECHO), tcp(2, 1, &ECHO)];
    assert_eq!(busy.taken(1), expected.concat());
}

// Kind: derived (a queue of 20 and one on the line; what is beyond that is told so at once)
#[test]
fn flood_of_one_client_fills_the_queue_and_the_other_is_told_so() {
    let mut cabinet = Cabinet::tcp("[gateway]\nqueue = 20\n");
    cabinet.connect(5.0, 1).connect(5.0, 2);
    let question = tcp(1, 1, &ECHO);
    cabinet.ask(5.0, 1, 1, 1, &ECHO);
    cabinet.site.send_from(1, s(5.0), &question.repeat(500));
    cabinet.ask(5.0, 2, 7, 1, &ECHO).at(5.01);
    assert_eq!(cabinet.taken(2), tcp(7, 1, &[0x88, 6]));
    cabinet.ask(15.0, 2, 8, 1, &ECHO).at(16.0);
    assert_eq!(cabinet.taken(2), tcp(8, 1, &ECHO));
    let flood = cabinet.taken(1);
    let refusal = tcp(1, 1, &[0x88, 6]);
    let refused = 500 - 20;
    assert_eq!(flood.len(), refused * refusal.len() + 21 * question.len());
}

#[test]
fn questions_wait_for_each_other_and_a_silent_unit_holds_everybody_up() {
    let mut cabinet = Cabinet::tcp("[gateway]\ntime_out = \"1s\"\nretries = 1\n");
    cabinet.connect(5.0, 1).connect(5.0, 2);
    cabinet.ask(5.0, 1, 1, 7, &ECHO).ask(5.1, 2, 1, 1, &ECHO);
    cabinet.at(6.9);
    assert!(cabinet.taken(2).is_empty(), "it waits behind 2 x 1 s");
    cabinet.at(7.3);
    assert_eq!(cabinet.taken(2), tcp(1, 1, &ECHO));
    assert_eq!(cabinet.taken(1), tcp(1, 7, &[0x88, 0x0b]));
}

#[test]
fn queue_grows_when_questions_come_faster_than_the_time_out() {
    let mut cabinet = Cabinet::tcp("[gateway]\ntime_out = \"2s\"\n");
    cabinet.connect(5.0, 1);
    for n in 0..10u8 {
        cabinet.ask(5.0 + f64::from(n), 1, n, 7, &ECHO);
    }
    cabinet.at(15.0);
    assert!(
        cabinet.site.state_line().ends_with("waiting 6"),
        "{}",
        cabinet.site.state_line()
    );
    // The answer to the last question comes when its client has long given up.
    cabinet.at(30.0);
    let last = cabinet.came.last().unwrap();
    assert!(last.0 > s(24.9) && last.2[1] == 9, "{last:?}");
}

#[test]
fn cache_outlives_the_unit() {
    let silence = "[[event]]\nat = \"20s\"\nanswers = false\n";
    let mut cabinet = Cabinet::tcp(&format!("[gateway]\ncache_outlives = true\n{silence}"));
    cabinet.connect(10.0, 1).ask(10.0, 1, 1, 1, &STATE).at(12.0);
    let living = cabinet.taken(1);
    cabinet.ask(30.0, 1, 1, 1, &STATE).at(32.0);
    assert_eq!(cabinet.taken(1), living);
    // What was never read is not there.
    cabinet.ask(40.0, 1, 1, 1, &[4, 0, 20, 0, 1]).at(42.0);
    assert_eq!(cabinet.taken(1), tcp(1, 1, &[0x84, 0x0b]));
}

#[test]
fn cache_answers_at_once_and_for_as_long_as_it_says() {
    let mut cabinet = Cabinet::tcp("[gateway]\ncache = \"20s\"\n");
    // Heartbeat of the unit among them: it moves every second.
    let heartbeat = [4, 0, 9, 0, 1];
    cabinet
        .connect(10.0, 1)
        .ask(10.0, 1, 1, 1, &heartbeat)
        .at(12.0);
    let first = cabinet.taken(1);
    cabinet.ask(25.0, 1, 1, 1, &heartbeat).at(25.01);
    assert_eq!(cabinet.taken(1), first, "at once, and the same");
    cabinet.ask(40.0, 1, 1, 1, &heartbeat).at(42.0);
    assert_ne!(cabinet.taken(1), first);
}

#[test]
fn own_polling_fills_the_cache_and_can_be_taken_for_the_inverter() {
    let plan = "[gateway]\npolls_every = \"10s\"\ncache = \"30s\"\n";
    let mut cabinet = Cabinet::tcp(plan);
    cabinet
        .connect(20.0, 1)
        .ask(20.0, 1, 1, 1, &STATE)
        .at(20.01);
    assert_eq!(
        cabinet.taken(1).len(),
        9 + 16,
        "answered from what it read itself"
    );
    // The rack takes any question for its inverter.
    let text = format!(
        "format = 3\nname = \"t\"\ntitle = \"t\"\nprofile = \"generic-lv-rack\"\nlook_at = \"1s\"\n{plan}"
    );
    let scenario = Scenario::load(&text, "t").unwrap();
    let map = profile("generic-lv-rack");
    let silent = |way| {
        let mut site = Site::new(&scenario, &map, way, 1);
        drop(site.advance(s(300.0)));
        let flags = &site.world().truth().units[0].flags;
        let of_class = map
            .flags
            .iter()
            .filter(|f| f.class == Class::InverterSilent);
        of_class.into_iter().any(|f| flags.contains(&f.id))
    };
    assert!(silent(Way::Serial) && !silent(Way::Tcp));
}

#[test]
fn own_units_are_the_gateway_itself() {
    let mut cabinet = Cabinet::tcp("[gateway]\nown_units = [0, 255]\n");
    cabinet
        .connect(5.0, 1)
        .ask(5.0, 1, 1, 255, &[3, 0, 0, 0, 1])
        .at(5.1);
    assert_eq!(cabinet.taken(1), tcp(1, 255, &[3, 2, 0x67, 0x61]));
    cabinet.ask(6.0, 1, 2, 255, &[3, 0, 200, 0, 1]).at(6.1);
    assert_eq!(cabinet.taken(1), tcp(2, 255, &[0x83, 2]));
}

#[test]
fn crowded_gateway_refuses_or_throws_the_oldest_out() {
    let plan = "[gateway]\nconnections = 1\n";
    let mut refusing = Cabinet::tcp(plan);
    refusing
        .connect(5.0, 1)
        .connect(6.0, 2)
        .ask(7.0, 1, 1, 1, &ECHO)
        .at(8.0);
    assert_eq!(refusing.closed.iter().map(|c| c.1).collect::<Vec<_>>(), [2]);
    assert_eq!(refusing.taken(1), tcp(1, 1, &ECHO));

    let mut throwing = Cabinet::tcp(&format!("{plan}when_crowded = \"oldest-out\"\n"));
    throwing
        .connect(5.0, 1)
        .connect(6.0, 2)
        .ask(7.0, 2, 1, 1, &ECHO)
        .at(8.0);
    assert_eq!(throwing.closed.iter().map(|c| c.1).collect::<Vec<_>>(), [1]);
    assert_eq!(throwing.taken(2), tcp(1, 1, &ECHO));
}

#[test]
fn rival_and_client_throw_each_other_out() {
    let mut cabinet = Cabinet::tcp(
        "[gateway]\nconnections = 1\nwhen_crowded = \"oldest-out\"\nrival = { from = \"10s\", every = \"1s\", comes_back = \"5s\" }\n",
    );
    cabinet.connect(5.0, 1).at(12.0);
    assert_eq!(cabinet.closed.len(), 1);
    cabinet.connect(13.0, 2).at(17.0);
    assert_eq!(cabinet.closed.len(), 1, "the rival is out now");
    cabinet.at(20.0);
    assert_eq!(cabinet.closed.last().unwrap().1, 2, "and back after 5 s");
}

// Kind: derived (whoever vanishes without a word holds its place until the gateway gives it up: last
//       heard at 20 s, given up 30 s later)
#[test]
fn vanished_client_holds_its_place_until_the_gateway_gives_it_up() {
    let mut cabinet = Cabinet::tcp(
        "[gateway]\nconnections = 1\nidle_close = \"30s\"\nrival = { every = \"5s\", until = \"21s\", comes_back = \"1s\" }\n",
    );
    cabinet.connect(45.0, 1).at(46.0);
    assert_eq!(cabinet.closed.iter().map(|c| c.1).collect::<Vec<_>>(), [1]);
    cabinet.connect(52.0, 2).ask(53.0, 2, 1, 1, &ECHO).at(54.0);
    assert_eq!(cabinet.taken(2), tcp(1, 1, &ECHO));
}

// Kind: derived (the gateway takes the first answer that fits, and is done with that question)
#[test]
fn second_answer_to_one_question_never_reaches_a_patient_client() {
    let map = profile(HV);
    let charge = map.points.iter().find(|p| p.role == Role::Soc).unwrap();
    let question = read(charge.table.unwrap(), charge.address, 1);
    let answers = |own: &str, other: &str| {
        let mut cabinet = Cabinet::tcp(&format!(
            "[stack]\nsoc = 60\nanswer_time = \"{own}\"\n[neighbour]\naddress = 1\nsoc = 20\nanswer_time = \"{other}\"\n",
        ));
        cabinet.connect(20.0, 1);
        let mut answers = Vec::new();
        for turn in 0..20u8 {
            let now = 20.0 + f64::from(turn);
            cabinet.ask(now, 1, turn, 1, &question).at(now + 0.99);
            answers.push(cabinet.taken(1).split_off(7));
        }
        answers
    };
    let ours = answers("20ms", "400ms");
    let theirs = answers("400ms", "20ms");
    assert!(ours.iter().all(|one| *one == ours[0]), "{ours:02x?}");
    assert!(theirs.iter().all(|one| *one == theirs[0]), "{theirs:02x?}");
    assert_ne!(ours[0], theirs[0]);
}

#[test]
fn idle_connection_is_closed_or_forgotten_without_a_word() {
    let mut closing = Cabinet::tcp("[gateway]\nidle_close = \"30s\"\n");
    closing.connect(5.0, 1).ask(20.0, 1, 1, 1, &ECHO).at(49.9);
    assert!(closing.closed.is_empty());
    closing.at(51.0);
    assert_eq!(closing.closed.len(), 1);

    let mut forgetting = Cabinet::tcp("[gateway]\nidle_lost = \"30s\"\n");
    forgetting
        .connect(5.0, 1)
        .ask(40.0, 1, 1, 1, &ECHO)
        .at(100.0);
    assert!(forgetting.taken(1).is_empty() && forgetting.closed.is_empty());
    forgetting
        .connect(101.0, 2)
        .ask(101.0, 2, 1, 1, &ECHO)
        .at(102.0);
    assert_eq!(forgetting.taken(2), tcp(1, 1, &ECHO));
}

#[test]
fn gateway_that_lost_its_supply_says_nothing_and_resets_old_connections_afterwards() {
    let mut cabinet = Cabinet::tcp(
        "[[event]]\nat = \"10s\"\ngateway = \"off\"\n[[event]]\nat = \"20s\"\ngateway = \"works\"\n",
    );
    cabinet.connect(5.0, 1).ask(12.0, 1, 1, 1, &ECHO).at(19.0);
    assert!(!cabinet.site.is_reachable());
    assert!(cabinet.taken(1).is_empty() && cabinet.closed.is_empty());
    cabinet.ask(21.0, 1, 2, 1, &ECHO).at(22.0);
    assert!(cabinet.site.is_reachable());
    assert_eq!(cabinet.closed.len(), 1);
}

#[test]
fn hanging_gateway_takes_everything_and_says_nothing() {
    let mut cabinet = Cabinet::tcp("[[event]]\nat = \"1s\"\ngateway = \"hangs\"\n");
    cabinet.connect(5.0, 1).ask(5.0, 1, 1, 1, &ECHO).at(60.0);
    assert!(cabinet.taken(1).is_empty() && cabinet.closed.is_empty());
    assert!(cabinet.site.is_reachable());
}

#[test]
fn text_in_the_stream_stands_between_frames() {
    let mut cabinet = Cabinet::tcp("[gateway]\nsays = \"still here\\r\\n\"\nsays_every = \"3s\"\n");
    cabinet.connect(1.0, 1).ask(2.0, 1, 1, 1, &ECHO).at(4.0);
    assert_eq!(
        cabinet.taken(1),
        [tcp(1, 1, &ECHO), b"still here\r\n".to_vec()].concat()
    );
}

#[test]
fn own_bad_habits_spoil_answers_and_are_counted() {
    let with = |kind: &str| {
        let plan = format!("[[gateway.mischief]]\nkind = \"{kind}\"\ntimes = 1\ndelay = \"3s\"\n");
        let mut cabinet = Cabinet::tcp(&plan);
        cabinet.connect(5.0, 1).ask(5.0, 1, 1, 1, &ECHO).at(7.0);
        let first = cabinet.taken(1);
        cabinet.at(20.0);
        assert_eq!(
            cabinet.site.mischief_counts().values().sum::<u32>(),
            1,
            "{kind}"
        );
        (first, cabinet.taken(1))
    };
    let good = tcp(1, 1, &ECHO);
    assert_eq!(with("drop"), (vec![], vec![]));
    assert_eq!(with("late"), (vec![], good.clone()));
    assert_eq!(with("twice"), (good.clone(), good.clone()));
    let (foreign, _) = with("foreign");
    assert!(foreign.ends_with(&good) && foreign.len() > good.len() && foreign[6] == 2);
    assert_eq!(with("wrong-unit").0, tcp(1, 2, &ECHO));
}

#[test]
fn gateway_at_another_speed_than_its_units_finds_them_silent() {
    let mut cabinet = Cabinet::tcp("[gateway]\nline = \"19200-8E1\"\n");
    cabinet.connect(5.0, 1).ask(5.0, 1, 1, 1, &ECHO).at(7.0);
    assert_eq!(cabinet.taken(1), tcp(1, 1, &[0x88, 0x0b]));
}

#[test]
fn transparent_gateway_passes_on_what_everybody_says() {
    let mut cabinet = Cabinet::new("[inverter]\nevery = \"5s\"\n", Way::RtuOverTcp);
    cabinet.connect(1.0, 1).at(11.0);
    let heard = cabinet.taken(1);
    // The inverter's sign of life and its question for the state.
    assert!(heard.windows(2).any(|w| w == [1, 6]) && heard.windows(2).any(|w| w == [1, 4]));
    let question = rtu(1, &ECHO);
    cabinet.site.send_from(1, s(12.0), &question);
    cabinet.at(13.0);
    assert_eq!(cabinet.taken(1), question);
}

#[test]
fn gateway_with_the_other_framing_connects_and_makes_no_sense() {
    // The tool speaks Modbus TCP, the gateway passes bytes on: no unit takes that for a question.
    let mut passes = Cabinet::tcp("[gateway]\nspeaks = \"rtu\"\n");
    passes.connect(5.0, 1).ask(5.0, 1, 1, 1, &ECHO).at(9.0);
    assert!(passes.taken(1).is_empty() && passes.closed.is_empty());
    let mut wraps = Cabinet::new("[gateway]\nspeaks = \"tcp\"\n", Way::RtuOverTcp);
    wraps.connect(5.0, 1);
    wraps.site.send_from(1, s(5.0), &rtu(1, &ECHO));
    wraps.at(9.0);
    assert!(wraps.taken(1).is_empty());
}

#[test]
fn latency_and_lost_packets_delay_and_never_reorder() {
    let plan = "[gateway]\nlatency = \"150ms\"\njitter = \"100ms\"\nloss = 10\n";
    let mut cabinet = Cabinet::tcp(plan);
    cabinet.connect(1.0, 1);
    for n in 0..100u8 {
        cabinet.ask(2.0 + f64::from(n), 1, n, 1, &ECHO);
    }
    cabinet.at(200.0);
    let order: Vec<u8> = cabinet.came.iter().map(|(_, _, bytes)| bytes[1]).collect();
    assert_eq!(order, (0..100).collect::<Vec<u8>>());
    for (n, (at, _, _)) in (0..).zip(&cabinet.came) {
        assert!(*at >= s(2.3 + f64::from(n)), "twice the latency at least");
    }
}

#[test]
fn pulled_out_adapter_passes_nothing_until_it_is_back() {
    let text = "[inverter]\nevery = \"1s\"\n[[event]]\nat = \"10s\"\nadapter = false\n[[event]]\nat = \"20s\"\nadapter = true\n";
    let scenario = Scenario::load(
        &format!(
            "format = 3\nname = \"t\"\ntitle = \"t\"\nprofile = \"{HV}\"\nlook_at = \"1s\"\n{text}"
        ),
        "t",
    )
    .unwrap();
    let mut site = Site::new(&scenario, &profile(HV), Way::Serial, 1);
    let mut news = site.advance(s(15.0));
    assert_eq!(
        news.pop(),
        Some(News::Closed {
            at: s(10.0),
            client: None
        })
    );
    assert!(!news.is_empty() && !site.is_reachable());
    site.send_from(0, s(15.0), &rtu(1, &ECHO));
    let news = site.advance(s(25.0));
    assert!(site.is_reachable() && !news.is_empty());
    let first = |one: &News| match one {
        News::Bytes(arrival) => arrival.at,
        News::Closed { at, .. } => *at,
    };
    assert!(news.iter().map(first).all(|at| at >= s(20.0)));
}

#[test]
fn same_seed_gives_identical_news() {
    let plan = "[gateway]\njitter = \"50ms\"\nloss = 5\npolls_every = \"7s\"\n[[gateway.mischief]]\nkind = \"late\"\nchance = 20\ndelay = \"2s\"\n";
    let run = || {
        let mut cabinet = Cabinet::tcp(plan);
        cabinet.connect(1.0, 1);
        for n in 0..60u8 {
            cabinet.ask(2.0 + f64::from(n), 1, n, 1, &STATE);
        }
        cabinet.at(100.0);
        (
            cabinet.came,
            cabinet.site.mischief_counts()[&MischiefKind::Late],
        )
    };
    let (came, late) = run();
    assert!(late > 3 && came.len() == 60, "{late} {}", came.len());
    assert_eq!(run(), (came, late));
}

// Kind: invented
#[test]
fn err_gateway_table_with_mistakes_names_them_all() {
    let text = "format = 3\nname = \"x\"\ntitle = \"y\"\nprofile = \"generic-hv-stack\"\nlook_at = \"1s\"\n[gateway]\nloss = 99\nsays = \"\"\nconnections = 0\ncache = \"0s\"\n[[gateway.mischief]]\nkind = \"echo\"\n";
    let error = Scenario::load(text, "x.toml").unwrap_err().to_string();
    for part in [
        "5 mistakes",
        "x.toml:7:8: gateway, loss: expected 0 to 90, found 99",
        "gateway, says: expected 1 to 300 bytes, found 0",
        "gateway, connections: expected 1 to 64, found 0",
        "gateway, cache: expected 1ms to 86400s, found 0ns",
        "gateway, mischief: expected a bad habit of answers, found echo",
    ] {
        assert!(error.contains(part), "no {part} in:\n{error}");
    }
    let old = text.replace("format = 3", "format = 2");
    let error = Scenario::load(&old, "x.toml").unwrap_err().to_string();
    assert!(
        error.contains("gateway: expected format = 3 for this key, found 2"),
        "{error}"
    );
}

proptest! {
    #[test]
    fn site_with_any_bytes_of_any_clients_stays_alive(
        calls in prop::collection::vec((0u8..5, 0u32..4, 0u64..3000, prop::collection::vec(any::<u8>(), 0..300)), 1..20),
        way in prop::sample::select(vec![Way::Serial, Way::Tcp, Way::RtuOverTcp]),
        rest in prop::sample::select(vec!["", "[gateway]\nconnections = 1\nqueue = 2\ncache = \"9s\"\npolls_every = \"1s\"\nidle_lost = \"1s\"\n"]),
    ) {
        let mut cabinet = Cabinet::new(rest, way);
        let mut now = Duration::ZERO;
        for (call, client, ms, bytes) in calls {
            now += Duration::from_millis(ms);
            match call {
                0 => cabinet.site.connect(now, client),
                1 => cabinet.site.disconnect(client),
                2 => drop(cabinet.site.advance(now)),
                3 => cabinet.site.send_from(client, now, &tcp(1, 1, &bytes[..bytes.len().min(200)])),
                _ => cabinet.site.send_from(client, now, &bytes),
            }
        }
        drop(cabinet.site.advance(now + s(30.0)));
    }
}
