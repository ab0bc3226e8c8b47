//! The search: units anywhere on the simulated line, what else may be there, and the command itself.
//!
//! Units, places and oddities here are invented; line settings and addresses are those of the prior.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use packside::drive::find as run;
use packside::event::{Consent, LinkFacts, LinkKind, What};
use packside::find::{
    FindEnd, Findings, Found, FoundIdentity, Listening, Oddity, Overhear, Plan, Search, Volley,
    Wanted, Who, prior, who,
};
use packside::link::{Arrived, Asking, LinkTrouble, Pacing, Port, PortGone, Quiet, Wake};
use packside::simulated::Simulated;
use packside::simulated::open_simulated_as;
use packside::wire::Framing;
use packside_profiles::{Known, LineSettings, Profile};
use packside_simulator::{Scenario, Way};

use super::scripted::Scripted;
use super::tool::{packside, stderr, stdout};

fn profiles() -> Vec<Profile> {
    let shipped = packside_profiles::shipped().iter();
    shipped
        .map(|(id, _)| packside_profiles::find(id, None).unwrap().profile)
        .collect()
}

fn line(text: &str) -> LineSettings {
    text.parse().unwrap()
}

/// A link to a unit of a scenario, which may be changed, at another address than its map says.
fn quiet(text: &str, address: u8, way: Way) -> Quiet {
    let mut scenario = if text.contains('\n') {
        Scenario::load(text, "test").unwrap()
    } else {
        Scenario::find(text).unwrap()
    };
    let at = format!("[answering]\nunit = {address}").parse().unwrap();
    scenario.map = at;
    let map = scenario.load_map(None).unwrap().profile;
    let how = Simulated {
        age: Duration::from_secs(60),
        line: Some(prior::lines().next().unwrap().0),
        way: Some(way),
        ..Simulated::default()
    };
    open_simulated_as(&scenario, &map, how)
}

fn asking(quiet: Quiet) -> Asking {
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet
        .prove(&wake, Duration::ZERO, Consent::default())
        .unwrap();
    let mut asking = quiet.ask(proof, &run::FUNCTIONS).map_err(drop).unwrap();
    asking.pace(Pacing::FULL);
    asking
}

/// A scenario with the unit at these settings and this answer time.
fn unit_at(line: &str, answer_ms: u32, more: &str) -> String {
    format!(
        "format = 3\nname = \"somewhere\"\ntitle = \"a unit somewhere\"\nprofile = \"generic-hv-stack\"\nseed = 5\nlook_at = \"60s\"\n\
         [stack]\nanswer_time = \"{answer_ms}ms\"\n[line]\nunit = \"{line}\"\n{more}"
    )
}

/// Searches until the end, and asks the first one found who it is.
fn searched(
    quiet: Quiet,
) -> (
    Result<(), LinkTrouble>,
    Search,
    Option<(Found, FoundIdentity)>,
) {
    let profiles = profiles();
    let mut asking = asking(quiet);
    let mut search = Search::new(Plan::everything(Duration::ZERO), &profiles);
    let result = run::search(&mut asking, &mut search, |_| {});
    let found = search.found().first().cloned();
    let named = found.map(|found| {
        let mut who = Who::new(&found, &profiles);
        run::identify(&mut asking, &mut who).unwrap();
        (found, who.identity())
    });
    (result, search, named)
}

fn check(line_text: &str, address: u8, answer_ms: u32, named_at: &str) {
    let scenario = unit_at(line_text, answer_ms, "");
    let (result, search, named) = searched(quiet(&scenario, address, Way::Serial));
    result.unwrap();
    let (found, identity) = named.unwrap_or_else(|| panic!("{line_text} {address}: not found"));
    assert_eq!(found.line, line(named_at), "{line_text} {address}");
    assert_eq!(found.unit, address, "{line_text}");
    assert_eq!(
        identity.profile(),
        Some("generic-hv-stack"),
        "{line_text} {identity:?}"
    );
    assert!(
        identity.serial.is_some() && identity.oddities.is_empty(),
        "{identity:?}"
    );
    assert!(!search.is_noisy());
}

// Kind: derived (8N2 is received as 8N1; a unit answers only to its own parity and rate)
#[test]
fn find_names_settings_and_address_wherever_the_unit_is() {
    check("9600-8E1", 1, 30, "9600-8E1");
    check("9600-8N2", 3, 30, "9600-8N1");
    check("19200-8O1", 1, 10, "19200-8O1");
    check("115200-8N1", 16, 5, "115200-8N1");
    check("1200-8E1", 1, 40, "1200-8E1");
}

// Kind: derived (later than the wait of a first look: heard while others are asked)
#[test]
fn find_hears_units_slower_than_its_first_wait() {
    check("9600-8E1", 1, 64, "9600-8E1");
    check("19200-8N1", 2, 180, "19200-8N1");
    check("9600-8O1", 1, 450, "9600-8O1");
}

// Kind: derived (missed once: an answer that begins in time was handed over as a whole, too late; and an
// answer that would fit two questions was taken for none)
#[test]
fn find_takes_answers_at_the_end_of_the_longest_wait() {
    check("1200-8N2", 3, 463, "1200-8N1");
    check("1200-8E1", 217, 495, "1200-8E1");
}

// Kind: invented
#[test]
fn find_names_two_units_at_one_address() {
    let (_, _, named) = searched(quiet("hv-two-units-one-address", 1, Way::Serial));
    let (_, identity) = named.unwrap();
    assert_eq!(identity.oddities, [Oddity::TwoAtOnce]);
    assert_eq!(identity.serial, None);
}

// Kind: derived (77 ms are heard as late while the next address is asked: at most a few questions later)
#[test]
fn find_takes_a_late_answer_that_was_asked_for_again() {
    let scenario = unit_at("9600-8N1", 77, "");
    let (_, search, named) = searched(quiet(&scenario, 139, Way::Serial));
    let (found, _) = named.unwrap();
    assert_eq!((found.line, found.unit), (line("9600-8N1"), 139));
    let asked_before = 24 * 17 + 231;
    assert!(search.asked() < asked_before, "{}", search.asked());
}

// Kind: invented (each question is answered by both, by one of them 400 ms late)
#[test]
fn find_names_two_units_that_answer_in_turn() {
    let (_, _, named) = searched(quiet("hv-two-units-in-turn", 1, Way::Serial));
    let (_, identity) = named.unwrap();
    assert!(identity.is_shared_address(), "{identity:?}");

    let output = packside(&["find", "--simulated", "hv-two-units-in-turn"]);
    let last = stdout(&output).lines().last().unwrap().to_owned();
    assert_eq!(
        last,
        "next: switch one of the two at address 1 off, or give it another address, then packside find --simulated \
         hv-two-units-in-turn"
    );
}

// Kind: invented
#[test]
fn find_is_not_led_astray_by_an_echoing_adapter() {
    let quiet = quiet("hv-echoing-adapter", 1, Way::Serial);
    let (result, _, named) = searched(quiet);
    result.unwrap();
    assert_eq!(named.unwrap().1.profile(), Some("generic-hv-stack"));
}

fn overheard(quiet: &mut Quiet) -> Listening {
    let mut overhear = Overhear::new(
        quiet.now(),
        prior::lines().next().unwrap().0,
        Duration::from_secs(12),
    );
    run::overhear(quiet, &mut overhear).unwrap()
}

// Kind: derived (what is polled at some settings is named at them, and nothing is sent)
#[test]
fn find_tells_the_settings_of_a_busy_line_by_listening() {
    for (truth, named) in [
        ("9600-8E1", "9600-8E1"),
        ("9600-8N1", "9600-8N1"),
        ("19200-8O1", "19200-8O1"),
        ("115200-8N2", "115200-8N1"),
        ("2400-8E1", "2400-8E1"),
    ] {
        let scenario = unit_at(truth, 30, "[inverter]\nevery = \"1s\"\n");
        let mut quiet = quiet(&scenario, 1, Way::Serial);
        let heard = overheard(&mut quiet);
        assert!(
            matches!(heard, Listening::Heard { line: heard, .. } if heard == line(named)),
            "{truth}: {heard:?}"
        );
    }
}

// Kind: invented
#[test]
fn find_names_a_printer_without_asking_it() {
    let mut quiet = quiet("hv-foreign-protocol", 1, Way::Serial);
    assert!(matches!(overheard(&mut quiet), Listening::Other(_)));
}

// Kind: invented
#[test]
fn find_says_where_it_was_when_the_port_vanishes() {
    let vanishes = unit_at("9600-8O1", 30, "[[event]]\nat = \"61s\"\nadapter = false\n");
    let (result, search, named) = searched(quiet(&vanishes, 200, Way::Serial));
    assert!(matches!(result, Err(LinkTrouble::Lost(_))), "{result:?}");
    assert!(
        named.is_none() && search.progress().done > 5,
        "{:?}",
        search.progress()
    );

    // Going on there finds what was not reached before.
    let profiles = profiles();
    let whole = unit_at("9600-8O1", 30, "");
    let mut asking = asking(quiet(&whole, 200, Way::Serial));
    let plan = Plan {
        skip: search.progress().done - 1,
        ..Plan::everything(Duration::ZERO)
    };
    let mut rest = Search::new(plan, &profiles);
    run::search(&mut asking, &mut rest, |_| {}).unwrap();
    assert_eq!(rest.found().first().map(|found| found.unit), Some(200));
}

// Kind: derived (a search that finds nothing asks every address at all settings, thrice, and function 11 in a slow look)
#[test]
fn find_asks_reads_only_and_each_address_at_all_settings() {
    let profiles = profiles();
    let mut asking = asking(quiet("hv-no-answer", 1, Way::Serial));
    let plan = Plan {
        units: vec![1, 7],
        ..Plan::everything(Duration::ZERO)
    };
    let mut search = Search::new(plan, &profiles);
    run::search(&mut asking, &mut search, |_| {}).unwrap();
    let mut places = std::collections::BTreeMap::new();
    let mut set = String::new();
    for event in asking.drain() {
        match event.what {
            What::Opened(facts) => set = facts.line().unwrap().to_string(),
            What::Out(bytes) => {
                assert!(matches!(bytes[1], 0x03 | 0x04 | 0x11), "{bytes:02x?}");
                *places.entry((set.clone(), bytes[0])).or_insert(0) += 1;
            }
            _ => {}
        }
    }
    assert_eq!(places.len(), 24 * 2);
    assert!(places.values().all(|times| *times >= 3), "{places:?}");
}

fn behind(gateway: &str, stops: bool) -> (Asking, Volley) {
    let scenario = unit_at("9600-8E1", 30, &format!("[gateway]\n{gateway}"));
    let mut asking = asking(quiet(&scenario, 9, Way::Tcp));
    let question = who::probes(&profiles())[0].question;
    let mut volley = Volley::new(&Volley::likely_first(), question, stops);
    run::volley(&mut asking, &mut volley, |_| {}).unwrap();
    (asking, volley)
}

// Kind: published (Modbus Application Protocol V1.1b3, section 7: 0B the target does not answer)
#[test]
fn find_asks_all_addresses_behind_a_gateway_and_tells_silence() {
    let (_, volley) = behind("time_out = \"100ms\"\n", false);
    let answering: Vec<(u8, Option<u8>)> = volley.answering().collect();
    assert_eq!(answering, [(9, None)]);
    assert_eq!(volley.replies().len(), 247);
    assert!(volley.most_open() > 8, "{}", volley.most_open());
}

// Kind: invented (a gateway that stands three questions, and refuses more as busy)
#[test]
fn find_asks_no_faster_than_a_gateway_stands() {
    for full in ["exception-06", "exception-0a", "drop"] {
        let gateway = format!("time_out = \"50ms\"\nqueue = 3\nwhen_full = \"{full}\"\n");
        let (_, volley) = behind(&gateway, true);
        assert_eq!(volley.answering().next(), Some((9, None)), "{full}");
    }
}

// Kind: invented
#[test]
fn find_does_not_take_the_gateways_own_registers_for_a_unit() {
    let (mut asking, volley) = behind("time_out = \"100ms\"\nown_units = [77]\n", false);
    let answering: Vec<u8> = volley.answering().map(|(unit, _)| unit).collect();
    assert_eq!(answering, [9, 77]);
    let ask = |unit, address| packside::wire::Ask {
        unit,
        question: packside::wire::Question::Read {
            table: packside_profiles::model::Table::Input,
            address,
            count: 1,
        },
    };
    let silent = ask(5, 0);
    let own = run::is_past_the_line(&mut asking, silent, ask(77, 3)).unwrap();
    let unit = run::is_past_the_line(&mut asking, silent, ask(9, 3)).unwrap();
    assert_eq!((own, unit), (Some(true), Some(false)));
}

/// Another program that searches: it opens what it is asked for, and says that everybody is clear.
struct Other {
    scenario: String,
    connected: Vec<Framing>,
    has_named: bool,
}

impl run::Finder for Other {
    async fn connect(&mut self, framing: Framing) -> Result<Quiet, LinkTrouble> {
        self.connected.push(framing);
        Ok(quiet(&self.scenario, 9, Way::RtuOverTcp))
    }

    fn progress(&mut self, progress: &run::FindProgress<'_>) {
        self.has_named |= matches!(progress, run::FindProgress::Naming);
    }
}

// Kind: derived (Modbus TCP is tried first and nothing comes; the unit is behind RTU bytes)
#[test]
fn find_needs_the_library_alone_where_the_framing_is_not_known() {
    let facts = LinkFacts {
        kind: LinkKind::Gateway {
            address: "cabinet:502".into(),
        },
        framing: Framing::Tcp,
        plugged: None,
        consent: Consent::default(),
    };
    let mut other = Other {
        scenario: unit_at("9600-8E1", 30, ""),
        connected: Vec::new(),
        has_named: false,
    };
    let wanted = Wanted {
        window: Duration::from_secs(12),
        consent: Consent {
            may_wake: true,
            beside_others: false,
        },
        ..Wanted::default()
    };
    let mut findings = Findings::new(facts.clone());
    let mute = Scripted::open(facts, VecDeque::new());
    let mute = Quiet::over(Box::new(mute), Box::new(|_| {}));
    let heard = run::listen_first(mute, &wanted, &mut findings, &mut other).unwrap();
    run::ask(heard, &wanted, &profiles(), &mut findings, &mut other).unwrap();
    let [(found, identity)] = findings.found.as_slice() else {
        panic!("{findings:?}")
    };
    assert_eq!(
        (found.unit, identity.profile()),
        (9, Some("generic-hv-stack"))
    );
    assert_eq!(
        (findings.ended, findings.facts.framing),
        (FindEnd::Found, Framing::Rtu)
    );
    assert_eq!(
        (other.connected, other.has_named),
        (vec![Framing::Rtu], true)
    );
}

/// A gateway that says something which answers nothing, and closes.
struct Junk {
    facts: LinkFacts,
    now: Duration,
    has_said: bool,
    opened: Arc<Mutex<Vec<Duration>>>,
}

impl Port for Junk {
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
        self.now += Duration::from_millis(1);
        if std::mem::replace(&mut self.has_said, true) {
            return Arrived::Gone(PortGone::Closed);
        }
        // A whole frame, of a question that nobody asked.
        Arrived::Bytes(self.now, vec![0x7f, 0xff, 0, 0, 0, 5, 1, 3, 2, 0, 7])
    }

    fn rest(&mut self, until: Duration) -> bool {
        self.now = self.now.max(until);
        true
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        self.has_said = false;
        self.opened.lock().unwrap().push(self.now);
        Ok(())
    }
}

// Kind: derived (half a second at first, then twice as long each time, each up to a quarter shorter: what is said
// to nobody is no answer)
#[test]
fn find_opens_a_gateway_that_answers_nothing_with_pauses_that_grow() {
    let opened = Arc::new(Mutex::new(Vec::new()));
    let port = Junk {
        facts: LinkFacts {
            kind: LinkKind::Gateway {
                address: "cabinet:502".into(),
            },
            framing: Framing::Tcp,
            plugged: None,
            consent: Consent::BOTH,
        },
        now: Duration::ZERO,
        has_said: false,
        opened: Arc::clone(&opened),
    };
    let mut asking = asking(Quiet::over(Box::new(port), Box::new(|_| {})));
    let question = who::probes(&profiles())[0].question;
    let mut volley = Volley::new(&[1, 2, 3], question, false);
    run::volley(&mut asking, &mut volley, |_| {}).unwrap();
    assert!(volley.is_shut_out());
    let opened = opened.lock().unwrap().clone();
    let pauses: Vec<f64> = opened
        .windows(2)
        .map(|two| (two[1] - two[0]).as_secs_f64())
        .collect();
    let [second, third] = pauses[..] else {
        panic!("{opened:?}")
    };
    assert!(
        (0.7..=1.1).contains(&second) && (1.4..=2.1).contains(&third),
        "{pauses:?}"
    );
}

/// Answers whatever comes as a web server does, so many times.
fn web_server(times: usize) -> String {
    use std::io::{Read as _, Write as _};

    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming().take(times) {
            let mut stream = stream.unwrap();
            let _ = stream.read(&mut [0; 64]);
            let _ = stream.write_all(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n");
        }
    });
    address
}

// Kind: published (RFC 9112, section 4: the status line begins with HTTP/)
#[test]
fn find_names_a_web_server_on_the_port() {
    let address = web_server(4);
    let output = packside(&[
        "find",
        "--gateway",
        &address,
        "--may-wake",
        "--listen-first",
        "0",
    ]);
    assert_eq!(output.status.code(), Some(3), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(
        text.starts_with("STOPPED  a web server answers here, not a Modbus gateway"),
        "{text}"
    );
}

// Kind: invented
#[test]
fn find_sends_nothing_without_the_word() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let output = packside(&["find", "--gateway", &address, "--listen-first", "0"]);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    assert!(stderr(&output).contains("CAUTION"), "{}", stderr(&output));
    let (mut stream, _) = listener.accept().unwrap();
    let mut came = Vec::new();
    std::io::Read::read_to_end(&mut stream, &mut came).unwrap();
    assert!(came.is_empty(), "{came:02x?}");
}

/// An own map in the usual folder is found by every command that takes one; what is given goes before it.
#[cfg(target_os = "linux")]
#[test]
fn own_map_in_the_usual_folder_is_found_everywhere() {
    let usual = tempfile::tempdir().unwrap();
    let maps = usual.path().join("packside/profiles");
    std::fs::create_dir_all(&maps).unwrap();
    let text = packside_profiles::shipped()[0].1;
    // Kind: invented
    let mine = text.replacen("id = \"generic-hv-stack\"", "id = \"mine\"", 1);
    assert_ne!(mine, text);
    std::fs::write(maps.join("mine.toml"), mine).unwrap();
    let empty = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str], variable: Option<&std::path::Path>| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_packside"));
        command.args(arguments).env("XDG_CONFIG_HOME", usual.path());
        match variable {
            Some(folder) => command.env("PACKSIDE_CONFIG", folder),
            None => command.env_remove("PACKSIDE_CONFIG"),
        };
        command.output().unwrap().status.code()
    };
    let look = ["check", "--simulated", "hv-waiting", "--profile", "mine"];
    assert_eq!(run(&look, None), Some(5));
    assert_eq!(run(&["profile", "show", "mine"], None), Some(0));
    let lamp = ["lamp", "--seen", "steady", "--profile", "mine"];
    assert_eq!(run(&lamp, None), Some(0));
    let again = ["retest", "tests/visits", "--profile", "mine"];
    assert!(matches!(run(&again, None), Some(0 | 7)));
    // The variable goes before the usual folder, the option before the variable.
    assert_eq!(run(&look, Some(empty.path())), Some(4));
    let folder = usual.path().join("packside");
    let option = ["--config", folder.to_str().unwrap()];
    let with_option = [&look[..], &option[..]].concat();
    assert_eq!(run(&with_option, Some(empty.path())), Some(5));
}

// Kind: invented
#[test]
fn place_kept_under_a_name_is_found_again_and_missing_ones_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().to_str().unwrap();
    let missing = packside(&["check", "--at", "cellar", "--config", config]);
    assert_eq!(missing.status.code(), Some(4));
    let said = stderr(&missing);
    assert!(
        said.contains("--at cellar: there is no such place; places kept: none"),
        "{said}"
    );

    let before = packside(&["--config", config, "check", "--at", "cellar"]);
    assert_eq!(
        stderr(&before),
        said,
        "the option may stand before the command"
    );

    std::fs::create_dir(folder.path().join("places")).unwrap();
    let text = "format = 1\nunit = 3\ngateway = \"127.0.0.1:1\"\nprofile = \"generic-hv-stack\"\n";
    std::fs::write(folder.path().join("places/cellar.toml"), text).unwrap();
    let refused = packside(&["check", "--at", "cellar", "--config", config]);
    assert_eq!(refused.status.code(), Some(3));
    assert!(
        stderr(&refused).contains("cannot reach 127.0.0.1:1"),
        "{}",
        stderr(&refused)
    );
}

// Kind: invented
#[test]
fn find_command_ends_with_the_complete_next_command() {
    let output = packside(&["find", "--simulated", "hv-other-parity"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(
        text.starts_with("FOUND  address 1 answers at 9600-8N1: generic-hv-stack"),
        "{text}"
    );
    let last = text.lines().last().unwrap();
    assert_eq!(
        last,
        "next: packside check --simulated hv-other-parity --line 9600-8N1 --unit 1 --profile generic-hv-stack"
    );
    let words: Vec<&str> = last.split_whitespace().skip(2).collect();
    let look = packside(&words);
    assert!(
        stdout(&look).contains("AWAITING INVERTER") || look.status.success(),
        "{}",
        stdout(&look)
    );
}

// Kind: invented
#[test]
fn find_command_is_json_for_programs_and_refuses_recordings() {
    let output = packside(&["find", "--simulated", "hv-waiting", "--format", "json"]);
    let object: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(object["schema"], "packside.find/1");
    assert_eq!(object["ended"], "found");
    assert_eq!(object["found"][0]["line"], "9600-8E1");
    assert_eq!(object["found"][0]["profile"], "generic-hv-stack");
    assert_eq!(object["heard"]["what"], "silent");

    let refused = packside(&["find", "--recording", "x.visit.jsonl"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(stderr(&refused).contains("find asks a line, a recording has none"));
}
