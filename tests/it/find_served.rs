//! `find` and what follows it over real links on this computer: the simulator served in real time, and
//! doubles that answer from a table.
//!
//! Kind of all units, makers and serials here: invented, unless said beside.

use std::io::{Read as _, Write as _};
use std::path::Path;
use std::process::Output;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use packside_simulator::Scenario;
use packside_simulator::serve::{Options, Place, Server};

use super::tool::{flat, packside, stderr, stdout};

/// A served scenario, ended when this is dropped.
pub(crate) struct Served {
    /// Host and port, or name of the terminal.
    pub(crate) reach: String,
    ended: Arc<AtomicBool>,
}

impl Served {
    /// Serves a scenario from 100 s after power-up on.
    pub(crate) fn start(name: &str, place: &Place) -> Self {
        let scenario = Scenario::find(name).unwrap();
        let profile = scenario.load_map(None).unwrap().profile;
        let options = Options {
            start_at: Duration::from_secs(100),
            ..Options::of(&scenario)
        };
        let mut server = Server::open(&scenario, &profile, place, &options).unwrap();
        let ended = Arc::new(AtomicBool::new(false));
        let (reach, seen) = (server.reach().to_owned(), Arc::clone(&ended));
        std::thread::spawn(move || server.run(|_| !seen.load(Ordering::Relaxed)).unwrap());
        Self { reach, ended }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
    }
}

/// An address of this computer, and any free port.
pub(crate) fn anywhere() -> String {
    "127.0.0.1:0".to_owned()
}

/// Runs the tool with its own config folder, and tells both streams where the code is another.
fn run(config: &Path, code: i32, words: &[&str]) -> Output {
    let folder = ["--config", config.to_str().unwrap()];
    let output = packside(&[words, &folder].concat());
    let (out, err) = (stdout(&output), stderr(&output));
    assert_eq!(output.status.code(), Some(code), "{words:?}\n{out}\n{err}");
    output
}

/// From nothing but the place to a verdict, in two commands; then from the place's name.
fn two_commands(scenario: &str, place: &Place, option: &str, verdict: &str, code: i32) {
    let folder = tempfile::tempdir().unwrap();
    let served = Served::start(scenario, place);
    let find = [
        "find",
        option,
        &served.reach,
        "--listen-first",
        "1",
        "--may-wake",
    ];
    let found = stdout(&run(folder.path(), 0, &find));
    let next = found.lines().last().unwrap();
    let words: Vec<&str> = next
        .strip_prefix("next: packside ")
        .unwrap()
        .split(' ')
        .collect();
    assert_eq!(words[words.len() - 2], "--config", "{next}");
    let words = [
        &words[..words.len() - 2],
        &["--may-wake", "--listen-first", "1"],
    ]
    .concat();
    let look = stdout(&run(folder.path(), code, &words));
    assert!(look.starts_with(verdict), "{look}");

    let words = [&find[..], &["--save", "cellar"]].concat();
    let found = stdout(&run(folder.path(), 0, &words));
    assert!(
        found.contains("\nnext: packside check --at cellar --config "),
        "{found}"
    );
    let at = [
        "check",
        "--at",
        "cellar",
        "--may-wake",
        "--listen-first",
        "1",
    ];
    let look = stdout(&run(folder.path(), code, &at));
    assert!(look.starts_with(verdict), "{look}");

    // Another unit there: no verdict about it.
    let kept = folder.path().join("places/cellar.toml");
    let text = std::fs::read_to_string(&kept).unwrap();
    let serial = text
        .lines()
        .find(|line| line.starts_with("unit_serial"))
        .unwrap();
    std::fs::write(&kept, text.replace(serial, "unit_serial = \"ANOTHER-1\"")).unwrap();
    let other = run(folder.path(), 4, &at);
    assert!(stdout(&other).is_empty(), "{}", stdout(&other));
    let said = "--at cellar: expected the unit with serial ANOTHER-1, found SIM";
    assert!(stderr(&other).contains(said), "{}", stderr(&other));
}

#[cfg(unix)]
#[test]
fn find_leads_to_a_verdict_over_a_pseudo_terminal() {
    two_commands(
        "hv-other-parity",
        &Place::Pty,
        "--serial",
        "AWAITING INVERTER",
        5,
    );
}

// Kind: derived (one window of silence, heard once: the look that follows does not listen again, the one behind
// it does)
#[cfg(unix)]
#[test]
fn find_has_listened_for_the_look_that_follows() {
    let folder = tempfile::tempdir().unwrap();
    let served = Served::start("hv-waiting", &Place::Pty);
    let window = ["--listen-first", "2"];
    let find = ["find", "--serial", &served.reach, "--may-wake"];
    let found = stdout(&run(folder.path(), 0, &[&find[..], &window].concat()));
    let flat = flat(&found);
    assert!(flat.contains("does not listen first once more"), "{found}");
    let next = found.lines().last().unwrap();
    let words = next.strip_prefix("next: packside ").unwrap();
    let words: Vec<&str> = words.split(' ').collect();
    let words = [&words[..words.len() - 2], &window, &["--may-wake"]].concat();
    let first = stderr(&run(folder.path(), 5, &words));
    assert!(
        first.contains("of silence on this line just before: that counts until"),
        "{first}"
    );
    assert!(!first.contains("listening"), "{first}");
    let second = stderr(&run(folder.path(), 5, &words));
    assert!(!second.contains("just before"), "{second}");
    assert!(second.contains("listening"), "{second}");
}

#[test]
fn find_leads_to_a_verdict_over_modbus_tcp() {
    two_commands(
        "hv-waiting",
        &Place::Tcp(anywhere()),
        "--gateway",
        "AWAITING INVERTER",
        5,
    );
}

// The rack takes any question for its inverter's, so that after ours nobody knows whether it is spoken to.
// The framing is not given: no Modbus TCP answer comes, so that it is listened to before it is asked in RTU.
#[test]
fn find_leads_to_a_verdict_over_rtu_bytes_on_tcp() {
    let place = Place::RtuOverTcp(anywhere());
    two_commands("rack-waiting", &place, "--gateway", "UNDECIDED", 6);
}

// The framing is not given: bytes that come unasked tell it, before one is sent.
#[test]
fn find_sends_no_rtu_question_where_rtu_is_heard_over_tcp() {
    let folder = tempfile::tempdir().unwrap();
    let served = Served::start("hv-running", &Place::RtuOverTcp(anywhere()));
    let words = ["find", "--gateway", &served.reach];
    let heard = flat(&stdout(&run(folder.path(), 0, &words)));
    assert!(
        heard.starts_with("OCCUPIED somebody talks here at the gateway's own settings"),
        "{heard}"
    );
    assert!(heard.contains("not a byte was sent"), "{heard}");
}

/// A Modbus TCP unit at address 7 that knows only the functions of this table.
fn double(answers: fn(&[u8]) -> Vec<u8>) -> String {
    let listener = std::net::TcpListener::bind(anywhere()).unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let mut head = [0; 7];
            while stream.read_exact(&mut head).is_ok() {
                let mut pdu = vec![0; usize::from(head[5]) - 1];
                stream.read_exact(&mut pdu).unwrap();
                let answer = if head[6] == 7 {
                    answers(&pdu)
                } else {
                    vec![pdu[0] | 0x80, 0x0b]
                };
                head[5] = u8::try_from(answer.len() + 1).unwrap();
                stream.write_all(&[&head[..], &answer].concat()).unwrap();
            }
        }
    });
    address
}

fn json_of(address: &str) -> serde_json::Value {
    let words = [
        "find",
        "--gateway",
        address,
        "--may-wake",
        "--listen-first",
        "0",
        "--format",
        "json",
    ];
    serde_json::from_str(&stdout(&packside(&words))).unwrap()
}

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.21 (the three basic objects, as in its example) and 6.13 (server id,
//         run indicator FF); the texts are invented
#[test]
fn find_tells_what_a_unit_says_of_itself() {
    let address = double(|pdu| match pdu {
        [0x2b, 0x0e, 1, 0] => {
            let texts = [&b"Invented Storage"[..], b"Stack 12", b"V2.11"];
            let objects = (0u8..).zip(texts);
            let objects = objects.flat_map(|(id, text)| [&[id, text.len() as u8], text].concat());
            [
                &[0x2b, 0x0e, 1, 1, 0, 0, 3][..],
                &objects.collect::<Vec<u8>>(),
            ]
            .concat()
        }
        [0x11] => vec![0x11, 3, 0x42, 0xff, 0x07],
        [function, ..] => vec![function | 0x80, 2],
        [] => Vec::new(),
    });
    let object = json_of(&address);
    let unit = &object["found"][0];
    assert_eq!((&unit["unit"], &unit["exception"]), (&7.into(), &2.into()));
    assert_eq!(unit["profile"], serde_json::Value::Null);
    assert_eq!(unit["device"][0]["text"], "Invented Storage");
    assert_eq!(unit["device"][1]["text"], "Stack 12");
    assert_eq!(unit["device"][2]["text"], "V2.11");
    assert_eq!(unit["server_id"], "42ff07");
    // Every known map is named, with the reason that speaks against it.
    let candidates = unit["candidates"].as_array().unwrap();
    let ruled_out = candidates
        .iter()
        .all(|one| one["fits"] == false && one["reasons"][0].is_string());
    assert!(ruled_out && candidates.len() > 1, "{candidates:?}");

    let words = [
        "find",
        "--gateway",
        &address,
        "--may-wake",
        "--listen-first",
        "0",
    ];
    let text = flat(&stdout(&packside(&words)));
    let first =
        "settings: not one of the known maps, says of itself Invented Storage Stack 12 Address 7";
    assert!(text.contains(first), "{text}");
}

// Kind:   published
// Source: SunSpec Device Information Model Specification, "SunS" (0x53756e53) at holding register 40000
#[test]
fn find_recognises_the_mark_of_the_open_models() {
    let address = double(|pdu| match pdu {
        [3, 0x9c, 0x40, 0, 2] => vec![3, 4, 0x53, 0x75, 0x6e, 0x53],
        [function, ..] => vec![function | 0x80, 2],
        [] => Vec::new(),
    });
    let unit = &json_of(&address)["found"][0];
    assert_eq!(unit["sunspec_register"], 40_000);
}

// Kind: derived (247 addresses x 24 settings x 3 waits, 16 addresses again at each, and slow looks at these at 5
// settings, are 18248)
#[test]
fn err_find_resume_beyond_the_last_question() {
    let output = packside(&["find", "--simulated", "hv-waiting", "--resume", "99999999"]);
    assert_eq!(output.status.code(), Some(2));
    let said = "--resume: expected at most 18247, found 99999999";
    assert!(stderr(&output).contains(said), "{}", stderr(&output));
}

// Kind: invented (weak firmware that falls silent after a function it does not know)
#[test]
fn find_says_where_a_unit_fell_silent_after_a_rare_function() {
    static HUNG: AtomicBool = AtomicBool::new(false);
    let address = double(|pdu| {
        if pdu[0] == 0x2b {
            HUNG.store(true, Ordering::Relaxed);
        }
        let code = if HUNG.load(Ordering::Relaxed) {
            0x0b
        } else {
            2
        };
        vec![pdu[0] | 0x80, code]
    });
    let unit = &json_of(&address)["found"][0];
    let oddity = unit["oddities"][0].as_str().unwrap_or_default();
    assert!(
        oddity.starts_with("it has fallen silent after function 2b hex"),
        "{unit}"
    );
}

/// Everything that came until there are so many bytes.
#[cfg(unix)]
fn questions(wire: &mut super::wire_end::WireEnd, bytes: usize) -> Vec<u8> {
    let mut heard = Vec::new();
    while heard.len() < bytes {
        wire.read_to_end(&mut heard).unwrap();
        std::thread::yield_now();
    }
    heard
}

// Kind: derived (the order is the same in every run, so that its number says where to go on)
#[cfg(unix)]
#[test]
fn find_stopped_by_ctrl_c_goes_on_where_it_was() {
    use packside::find::{Plan, Search, SearchWant};
    use packside::wire::sealed;

    let (mut wire, port) = super::wire_end::pair();
    let search = |more: &[&str]| {
        super::tool::heeding_interrupts()
            .args([
                "find",
                "--serial",
                &port,
                "--listen-first",
                "0.2",
                "--may-wake",
            ])
            .args(more)
            .env_remove("PACKSIDE_CONFIG")
            .env("PACKSIDE_STATE", super::tool::STATE)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap()
    };
    let stop = |tool: std::process::Child| {
        let id = tool.id().to_string();
        std::process::Command::new("kill")
            .args(["-INT", &id])
            .status()
            .unwrap();
        tool.wait_with_output().unwrap()
    };
    let tool = search(&[]);
    let mut asked = questions(&mut wire, 12 * 8);
    let output = stop(tool);
    asked.extend(questions(&mut wire, 0));
    let text = stdout(&output);
    assert_eq!(output.status.code(), Some(130), "{text}");
    assert!(
        text.starts_with("STOPPED  nothing was found so far"),
        "{text}"
    );
    let next = text.lines().last().unwrap();
    let (command, number) = next.rsplit_once(' ').unwrap();
    assert_eq!(
        command,
        format!("next: packside find --serial {port} --listen-first 0.2 --may-wake --resume")
    );
    let skip: usize = number.parse().unwrap();
    let whole = asked.len() / 8;
    assert!(skip == whole || skip + 1 == whole, "{skip} of {whole}");

    let tool = search(&["--resume", number]);
    let first = questions(&mut wire, 8);
    stop(tool);
    let plan = Plan {
        skip,
        ..Plan::everything(Duration::ZERO)
    };
    let profiles = packside_profiles::shipped().iter();
    let profiles: Vec<_> = profiles
        .map(|(id, _)| packside_profiles::find(id, None).unwrap().profile)
        .collect();
    let SearchWant::Ask { ask, .. } = Search::new(plan, &profiles).wanted() else {
        panic!("nothing is left");
    };
    let expected = sealed([&[ask.unit], ask.encode_pdu().as_slice()].concat());
    assert_eq!(first[..8], expected);
}
