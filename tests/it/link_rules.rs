//! The rules by which a quiet link may begin to ask, on a virtual port.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use super::scripted::Scripted;
use packside::ask::{Exchange, Outcome};
use packside::event::{Consent, LinkFacts, LinkKind, What};
use packside::link::{Arrived, Grounds, MayWake, NotShown, Port, PortGone, Quiet, Wake};
use packside::poll::{Cost, Look, LookWant, Read, may_read};
use packside::wire::Framing;
use packside::wire::{Answer, Question};
use packside_profiles::Known;
use packside_profiles::model::{Base, FedBy, Profile, Span, Table};

const WINDOW: Duration = Duration::from_secs(12);
const WAKES: Consent = Consent {
    may_wake: true,
    beside_others: false,
};
const BESIDE: Consent = Consent {
    may_wake: false,
    beside_others: true,
};

fn seconds(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

fn quiet(kind: LinkKind, framing: Framing, consent: Consent, coming: &[u64]) -> Quiet {
    let facts = LinkFacts {
        kind,
        framing,
        plugged: None,
        consent,
    };
    let coming = coming.iter().map(|at| (seconds(*at), vec![0x55])).collect();
    Quiet::over(Box::new(Scripted::mute(facts, coming)), Box::new(|_| {}))
}

fn serial(coming: &[u64]) -> Quiet {
    let line = "9600-8E1".parse().unwrap();
    quiet(
        LinkKind::Serial {
            port: "COM7".into(),
            line,
        },
        Framing::Rtu,
        Consent::default(),
        coming,
    )
}

fn gateway(framing: Framing, consent: Consent) -> Quiet {
    quiet(
        LinkKind::Gateway {
            address: "cabinet:502".into(),
        },
        framing,
        consent,
        &[],
    )
}

/// A profile that says only what feeds the supervision.
pub(crate) fn profile(fed_by: &str) -> Profile {
    let text = format!(
        "format = 1\n\
         profile = {{ id = \"x\", title = \"x\", document = \"x\", revision = \"x\", author = \"x\", date = \"x\", \
         verified_on_hardware = false }}\n\
         answering = {{ line = \"9600-8E1\", unit = 1, answer_time_ms = 5, time_out_ms = 500, functions = [4] }}\n\
         inverter = {{ port = \"this-bus\", fed_by = \"{fed_by}\", silence_s = 45 }}\n\
         unit = {{ switch = \"contactor\", terminals_without_inverter = \"dead\", self_test_s = 3.0, \
         cells_per_module = 30, chemistry = \"LFP\", rest_current = 1.0 }}\n"
    );
    toml::from_str(&text).unwrap()
}

fn wake(fed_by: &str, reads_of: &[(u16, u16)], planned: (u16, u16)) -> Wake {
    let mut profile = profile(fed_by);
    let span = |(from, to): &(u16, u16)| Span {
        table: Table::Input,
        base: Base::Absolute,
        from: *from,
        to: *to,
    };
    profile.inverter.reads_of = reads_of.iter().map(span).collect();
    let (address, count) = planned;
    let read = Read {
        table: Table::Input,
        address,
        count,
        instances: vec![],
    };
    Wake::of(Some(&profile), &Known::default(), &[read])
}

// Kind: derived
// Source: the wake rule: any-request, unknown, no profile, and reads-of covering a planned read
#[test]
fn wake_rule_follows_the_profile() {
    let planned = (10, 5);
    assert_eq!(
        Wake::of(None, &Known::default(), &[]).why(),
        Some(MayWake::NoProfile)
    );
    assert_eq!(
        wake("any-request", &[], planned).why(),
        Some(MayWake::AnyRequest)
    );
    assert_eq!(wake("unknown", &[], planned).why(), Some(MayWake::Unknown));
    assert_eq!(
        wake("reads-of", &[(14, 14)], planned).why(),
        Some(MayWake::PlannedRead)
    );
    assert_eq!(wake("reads-of", &[(15, 20)], planned).why(), None);
    assert_eq!(wake("writes", &[], planned).why(), None);
    assert_eq!(wake("other-port", &[], planned).why(), None);
}

// Kind: invented
#[test]
fn wake_rule_takes_an_unplaced_model_for_a_planned_read() {
    let mut profile = profile("reads-of");
    profile.inverter.reads_of = vec![Span {
        table: Table::Holding,
        base: Base::Model(802),
        from: 0,
        to: 3,
    }];
    assert_eq!(profile.inverter.fed_by, FedBy::ReadsOf);
    assert_eq!(
        Wake::of(Some(&profile), &Known::default(), &[]).why(),
        Some(MayWake::PlannedRead)
    );
}

// Kind: invented
#[test]
fn line_is_shown_silent_only_after_the_whole_window() {
    let harmless = wake("writes", &[], (0, 1));
    let mut quiet = serial(&[5]);
    assert!(
        !quiet.listen_for_silence(WINDOW, seconds(15)).unwrap(),
        "a byte at 5 s breaks the silence"
    );
    let not_silent = NotShown::NotSilent {
        silent: seconds(10),
        window: WINDOW,
    };
    assert_eq!(
        quiet.prove(&harmless, WINDOW, Consent::default()),
        Err(not_silent)
    );
    assert!(quiet.listen_for_silence(WINDOW, seconds(60)).unwrap());
    assert_eq!(quiet.now(), seconds(17));
    assert_eq!(
        quiet
            .prove(&harmless, WINDOW, Consent::default())
            .unwrap()
            .grounds(),
        Grounds::HeardSilent(WINDOW)
    );
}

// Kind: invented
#[test]
fn proof_of_silence_is_void_once_a_byte_has_come() {
    let mut quiet = serial(&[12]);
    quiet.listen(Duration::from_millis(11_999)).unwrap();
    let window = seconds(11);
    let proof = quiet
        .prove(&wake("writes", &[], (0, 1)), window, Consent::default())
        .unwrap();
    assert!(
        quiet.ask(proof.clone(), &[4]).is_ok(),
        "nothing has come yet"
    );
    let mut quiet = serial(&[11]);
    quiet.listen(Duration::from_millis(10_999)).unwrap();
    quiet.listen(seconds(11)).unwrap();
    let Err(refused) = quiet.ask(proof, &[4]) else {
        panic!("asked into a conversation")
    };
    assert_eq!(
        refused.1,
        NotShown::NotSilent {
            silent: Duration::ZERO,
            window
        }
    );
}

// Kind: derived
// Source: the rule: where asking may wake the unit, only the explicit word on every real link
#[test]
fn waking_needs_the_explicit_word_on_every_real_link() {
    let risky = wake("any-request", &[], (0, 1));
    let refused = Err(NotShown::MayWake {
        why: MayWake::AnyRequest,
    });
    let mut silent = serial(&[]);
    assert!(silent.listen_for_silence(WINDOW, seconds(60)).unwrap());
    for link in [
        &silent,
        &gateway(Framing::Tcp, Consent::default()),
        &gateway(Framing::Rtu, Consent::default()),
    ] {
        assert_eq!(link.prove(&risky, WINDOW, Consent::default()), refused);
        assert_eq!(link.prove(&risky, WINDOW, BESIDE), refused);
    }
    let grounds = |link: &Quiet, said| link.prove(&risky, WINDOW, said).map(|p| p.grounds());
    assert_eq!(
        grounds(&silent, WAKES),
        Ok(Grounds::HeardSilent(WINDOW)),
        "its word does not stand for listening"
    );
    let said = gateway(Framing::Tcp, WAKES);
    assert_eq!(
        grounds(&said, Consent::default()),
        Ok(Grounds::CannotOverhear)
    );
    let busy = gateway(Framing::Rtu, WAKES);
    let (silent, window) = (Duration::ZERO, WINDOW);
    assert_eq!(
        grounds(&busy, Consent::default()),
        Err(NotShown::NotSilent { silent, window }),
        "its word does not stand for the other one"
    );
    assert_eq!(grounds(&busy, BESIDE), Ok(Grounds::BesideOthers));
    let line = "9600-8E1".parse().unwrap();
    let simulated = quiet(
        LinkKind::Simulated {
            scenario: "x".into(),
            line: Some(line),
        },
        Framing::Rtu,
        Consent::default(),
        &[],
    );
    assert_eq!(
        simulated
            .prove(&risky, WINDOW, Consent::default())
            .unwrap()
            .grounds(),
        Grounds::Simulated
    );
}

// Kind: invented
#[test]
fn only_modbus_tcp_cannot_be_overheard() {
    let harmless = wake("other-port", &[], (0, 1));
    let tcp = gateway(Framing::Tcp, Consent::default())
        .prove(&harmless, WINDOW, Consent::default())
        .unwrap();
    assert_eq!(tcp.grounds(), Grounds::CannotOverhear);
    let rtu =
        gateway(Framing::Rtu, Consent::default()).prove(&harmless, WINDOW, Consent::default());
    assert_eq!(
        rtu,
        Err(NotShown::NotSilent {
            silent: Duration::ZERO,
            window: WINDOW
        })
    );
}

// Kind: invented
#[test]
fn err_not_shown_says_why_and_what_to_do() {
    let refused = NotShown::MayWake {
        why: MayWake::AnyRequest,
    };
    assert_eq!(
        format!("{refused}\nhint: {}", refused.hint()),
        "not asking: this unit takes any request for its inverter; any question may then wake the unit, \
         and it may close its switches\n\
         hint: make sure that nobody works at the terminals, then give --may-wake"
    );
    let refused = NotShown::NotSilent {
        silent: seconds(3),
        window: WINDOW,
    };
    assert_eq!(
        refused.to_string(),
        "not asking: the line was heard for only 3.0s without a byte, 12.0s are needed"
    );
    let refused = serial(&[]).prove(
        &wake("writes", &[], (0, 1)),
        Duration::ZERO,
        Consent::default(),
    );
    assert_eq!(refused, Err(NotShown::NotListened));
    assert_eq!(
        format!(
            "{}\nhint: {}",
            NotShown::NotListened,
            NotShown::NotListened.hint()
        ),
        "not asking: without listening first it is not shown that nobody else asks on this line\n\
         hint: leave --listen-first out, or make sure that nobody else asks and give --beside-others"
    );
}

/// The reads of one look at a unit that answers 5 to everything.
fn reads_of_a_look(profile: &Profile) -> Vec<Read> {
    let cost = Cost {
        line: Some(profile.answering.line),
        answer_time: Duration::from_millis(5),
    };
    let mut look = Look::new(Arc::new(profile.clone()), 1, true, cost);
    let (mut now, mut reads) = (Duration::ZERO, Vec::new());
    loop {
        let ask = match look.next(now) {
            LookWant::Done => return reads,
            LookWant::WaitUntil(at) => {
                now = at;
                continue;
            }
            LookWant::Ask(ask) => ask,
        };
        let Question::Read {
            table,
            address,
            count,
        } = ask.question
        else {
            continue;
        };
        reads.push(Read {
            table,
            address,
            count,
            instances: vec![],
        });
        now += Duration::from_millis(100);
        look.take(&Exchange {
            number: 1,
            ask,
            asked_at: now,
            sent_at: Some(now),
            ended_at: now,
            first_byte_at: None,
            outcome: Outcome::Answered(Answer::Registers(vec![5; count.into()])),
            strays: vec![],
            fence: false,
        });
    }
}

// Kind: derived
// Source: the wake rule: a read that feeds the supervision is not made for the sake of what stands beside it
#[test]
fn look_keeps_off_registers_that_feed_the_supervision_and_that_nobody_wants() {
    let mut profile = packside_profiles::find("generic-hv-stack", None)
        .unwrap()
        .profile;
    profile.inverter.fed_by = FedBy::ReadsOf;
    let wanted = may_read(&profile);
    let usual = reads_of_a_look(&profile);
    let mut bridged = 0;
    for span in profile.spans.clone() {
        for register in span.from..=span.to {
            let feeding = Span {
                from: register,
                to: register,
                ..span.clone()
            };
            if wanted.iter().any(|read| read.touches(&feeding)) {
                continue;
            }
            bridged += usize::from(usual.iter().any(|read| read.touches(&feeding)));
            profile.inverter.reads_of = vec![feeding.clone()];
            let wake = Wake::of(Some(&profile), &Known::default(), &wanted);
            assert_eq!(wake.why(), None, "nothing wanted stands at {feeding:?}");
            let reads = reads_of_a_look(&profile);
            assert!(
                !reads.iter().any(|read| read.touches(&feeding)),
                "{feeding:?}"
            );
        }
    }
    assert!(bridged > 0, "else the test shows nothing");
}

/// An end that sends zeros as fast as they are read, whenever it is opened.
struct Floods {
    facts: LinkFacts,
    now: Duration,
    opened: Arc<AtomicU32>,
}

impl Port for Floods {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.now
    }

    fn send(&mut self, _: &[u8]) -> Result<Duration, PortGone> {
        Ok(self.now)
    }

    fn wait(&mut self, _: Duration) -> Arrived {
        self.now += Duration::from_micros(100);
        Arrived::Bytes(self.now, vec![0; 4096])
    }

    fn rest(&mut self, until: Duration) -> bool {
        self.now = self.now.max(until);
        true
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        self.opened.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }
}

// Kind: derived (half a second at first, then twice as long each time up to a minute, each up to a quarter
// shorter: 0.38 to 0.5, 0.75 to 1, 1.5 to 2, 3 to 4 s; and 128 kB at once, 16 kB and a second's after that)
#[test]
fn flood_is_no_answer_and_is_opened_again_with_pauses_that_grow() {
    let opened = Arc::new(AtomicU32::new(0));
    let port = Floods {
        facts: serial(&[]).facts().clone(),
        now: Duration::ZERO,
        opened: Arc::clone(&opened),
    };
    let mut quiet = Quiet::over(Box::new(port), Box::new(|_| {}));
    let (mut heard, mut floods) = (0, 0);
    while quiet.now() < seconds(10) {
        let until = quiet.now() + Duration::from_millis(500);
        floods += u32::from(quiet.listen(until).is_err());
        heard += quiet
            .drain()
            .iter()
            .map(|event| match &event.what {
                What::In(bytes) => bytes.len(),
                _ => 0,
            })
            .sum::<usize>();
    }
    let opened = opened.load(Ordering::Relaxed);
    assert!((3..=5).contains(&opened), "opened {opened} times");
    assert!(floods > opened, "each is said");
    assert!((100_000..240_000).contains(&heard), "{heard} bytes");
}
