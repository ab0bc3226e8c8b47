//! The server in real time: sockets on this machine's loopback, and pseudo-terminals.
//!
//! Nothing here sleeps: the server runs until its world has come so far, and clients wait for
//! bytes, with a limit.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use packside_simulator::Scenario;
use packside_simulator::serve::{Options, Place, ServeError, Server};

use crate::stage::{profile, rtu, s};

const PATIENCE: Duration = Duration::from_secs(10);

// Kind:   published
// Source: Modbus Application Protocol V1.1b3, 6.8, sub-function 00: the data come back
const ECHO: [u8; 5] = [8, 0, 0, 0xa5, 0x37];

fn open(name: &str, place: &Place, speed: f64) -> Result<Server, ServeError> {
    let scenario = Scenario::find(name).unwrap();
    let options = Options {
        start_at: s(60.0),
        speed,
        ..Options::of(&scenario)
    };
    Server::open(&scenario, &profile(&scenario.profile), place, &options)
}

/// A server on a thread of its own, ended when this is dropped.
struct Running {
    reach: String,
    ended: Arc<AtomicBool>,
    thread: Option<JoinHandle<Result<(), ServeError>>>,
}

impl Running {
    fn start(mut server: Server) -> Self {
        let ended = Arc::new(AtomicBool::new(false));
        let (reach, seen) = (server.reach().to_owned(), Arc::clone(&ended));
        let run = move || server.run(|_| !seen.load(Ordering::Relaxed));
        Self {
            reach,
            ended,
            thread: Some(std::thread::spawn(run)),
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        let end = self.thread.take().unwrap().join();
        assert!(
            matches!(end, Ok(Ok(()))),
            "the server did not end well: {end:?}"
        );
    }
}

fn tcp_frame(transaction: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u8::try_from(pdu.len() + 1).unwrap();
    [&[0, transaction, 0, 0, 0, length, 1], pdu].concat()
}

fn connect(running: &Running) -> TcpStream {
    let stream = TcpStream::connect(&running.reach).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

fn ask(mut stream: &TcpStream, frame: &[u8]) -> Vec<u8> {
    stream.write_all(frame).unwrap();
    let mut answer = vec![0; frame.len()];
    stream.read_exact(&mut answer).unwrap();
    answer
}

#[test]
fn tcp_server_takes_a_free_port_and_answers_several_clients_at_once() {
    let running =
        Running::start(open("hv-waiting", &Place::Tcp("127.0.0.1:0".to_owned()), 1.0).unwrap());
    assert!(!running.reach.ends_with(":0"), "{}", running.reach);
    let clients: Vec<TcpStream> = (0..3).map(|_| connect(&running)).collect();
    for (transaction, mut client) in (1..).zip(&clients) {
        client.write_all(&tcp_frame(transaction, &ECHO)).unwrap();
    }
    for (transaction, mut client) in (1..).zip(&clients) {
        let mut answer = [0; 12];
        client.read_exact(&mut answer).unwrap();
        assert_eq!(answer[..], tcp_frame(transaction, &ECHO));
    }
}

#[test]
fn tcp_server_survives_rude_clients() {
    let running =
        Running::start(open("hv-waiting", &Place::Tcp("127.0.0.1:0".to_owned()), 1.0).unwrap());
    for rude in [
        &b"GET / HTTP/1.1\r\n\r\n"[..],
        &[0xff; 5000],
        &tcp_frame(1, &ECHO),
    ] {
        // Gone before the answer.
        connect(&running).write_all(rude).unwrap();
    }
    assert_eq!(
        ask(&connect(&running), &tcp_frame(7, &ECHO)),
        tcp_frame(7, &ECHO)
    );
}

#[test]
fn rtu_bytes_over_tcp_are_answered_with_rtu_bytes() {
    let running = Running::start(
        open(
            "hv-waiting",
            &Place::RtuOverTcp("127.0.0.1:0".to_owned()),
            1.0,
        )
        .unwrap(),
    );
    assert_eq!(ask(&connect(&running), &rtu(1, &ECHO)), rtu(1, &ECHO));
}

#[test]
fn server_begins_at_the_time_it_is_told_to_and_runs_as_fast() {
    let place = Place::Tcp("127.0.0.1:0".to_owned());
    let mut server = open("hv-waiting", &place, 100.0).unwrap();
    assert_eq!(server.world().now(), s(60.0));
    // Ten seconds of the scenario are a tenth of one.
    server.run(|site| site.world().now() < s(70.0)).unwrap();
    assert!((s(70.0)..s(200.0)).contains(&server.world().now()));
}

#[test]
fn err_address_in_use_says_which_and_why() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let error = open("hv-waiting", &Place::Tcp(address.clone()), 1.0)
        .err()
        .unwrap();
    let start = format!("{address}: cannot be listened on: ");
    assert!(error.to_string().starts_with(&start), "{error}");
}

#[test]
fn err_speed_of_zero_is_refused() {
    let error = open("hv-waiting", &Place::Tcp("127.0.0.1:0".to_owned()), 0.0)
        .err()
        .unwrap();
    assert_eq!(error.to_string(), "speed: expected 0.01 to 1000, found 0");
}

#[cfg(unix)]
mod pty {
    use std::fs::{File, OpenOptions};

    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    use rustix::termios::{
        ControlModes, InputModes, OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr,
    };

    use super::*;

    fn open_end(path: &str) -> File {
        OpenOptions::new()
            .read(true)
            .write(true)
            .open(path)
            .unwrap()
    }

    /// Whether bytes are there within a limit.
    fn readable(file: &File, limit: Duration) -> bool {
        let limit = Timespec::try_from(limit).unwrap();
        let mut wanted = [PollFd::new(file, PollFlags::IN)];
        poll(&mut wanted, Some(&limit)).unwrap() > 0
    }

    fn ask_on(mut file: &File, frame: &[u8]) -> Vec<u8> {
        file.write_all(frame).unwrap();
        let mut answer = Vec::new();
        while answer.len() < frame.len() {
            assert!(readable(file, PATIENCE), "only {answer:02x?}");
            let mut piece = [0; 64];
            let count = file.read(&mut piece).unwrap();
            answer.extend(&piece[..count]);
        }
        answer
    }

    #[test]
    fn pty_is_raw_and_can_be_opened_again_and_again() {
        let running = Running::start(open("hv-waiting", &Place::Pty, 1.0).unwrap());
        // Bytes that a terminal in its usual state would change or swallow.
        let awkward = rtu(1, &[8, 0, 0, 0x0d, 0x03]);
        for _ in 0..3 {
            let end = open_end(&running.reach);
            assert_eq!(ask_on(&end, &awkward), awkward);
        }
    }

    /// Sets an end as a program does that opens a serial port: speed, and the traces of parity.
    fn set(file: &File, baud: u32, traces: InputModes, odd: bool) {
        let mut settings = tcgetattr(file).unwrap();
        settings.set_speed(baud).unwrap();
        settings
            .input_modes
            .remove(InputModes::INPCK | InputModes::IGNPAR);
        settings.input_modes.insert(traces);
        settings.control_modes.set(ControlModes::PARODD, odd);
        tcsetattr(file, OptionalActions::Now, &settings).unwrap();
    }

    // Kind: derived (9600-8E1 stands in the map; what the end is set to decides who understands)
    #[test]
    fn pty_unit_is_silent_while_the_end_is_set_to_other_settings() {
        let running = Running::start(open("hv-waiting", &Place::Pty, 1.0).unwrap());
        let end = open_end(&running.reach);
        let question = rtu(1, &ECHO);
        let (even, none) = (InputModes::INPCK, InputModes::IGNPAR);
        for (baud, traces, odd) in [
            (19_200, even, false),
            (9_600, even, true),
            (9_600, none, false),
        ] {
            set(&end, baud, traces, odd);
            (&end).write_all(&question).unwrap();
            // An answer would be there after 63 ms; what comes late is silence all the same.
            assert!(!readable(&end, Duration::from_millis(250)), "{baud} {odd}");
        }
        // A program that says nothing of parity is taken to have it right.
        for traces in [even, InputModes::empty()] {
            set(&end, 9_600, traces, false);
            assert_eq!(ask_on(&end, &question), question);
        }
    }

    // Kind: derived (the inverter begins with 01 06; at half its speed that cannot be what is heard)
    #[test]
    fn pty_listener_at_another_speed_hears_other_bytes() {
        let running = Running::start(open("hv-running", &Place::Pty, 50.0).unwrap());
        let end = open_end(&running.reach);
        set(&end, 4_800, InputModes::INPCK, false);
        // What was on its way while the end was set was heard at the right speed: it is let pass.
        // 20 ms of silence are between two polls, of which one comes each 100 ms at this speed.
        for _ in 0..100 {
            if !readable(&end, Duration::from_millis(20)) {
                break;
            }
            tcflush(&end, QueueSelector::IFlush).unwrap();
        }
        assert!(readable(&end, PATIENCE), "nothing is heard");
        let mut heard = [0; 6];
        (&end).read_exact(&mut heard).unwrap();
        assert_ne!(heard[..2], [1, 6], "{heard:02x?}");
    }

    // Kind: derived (pulled out at 90.5 s: hung up, and found by nobody; plugged in at 93 s: answers)
    #[test]
    fn pty_adapter_that_is_pulled_out_hangs_up_and_comes_back_under_its_path() {
        let scenario = Scenario::find("hv-adapter-pulled-out").unwrap();
        let options = Options {
            start_at: s(90.0),
            speed: 2.0,
            ..Options::of(&scenario)
        };
        let map = profile(&scenario.profile);
        let mut server = Server::open(&scenario, &map, &Place::Pty, &options).unwrap();
        let path = server.reach().to_owned();
        let end = open_end(&path);
        server.run(|site| site.world().now() < s(91.5)).unwrap();
        assert!(std::fs::metadata(&path).is_err(), "still there");
        assert!(readable(&end, PATIENCE), "nothing is noticed");
        assert!(matches!((&end).read(&mut [0; 8]), Ok(0) | Err(_)));
        server.run(|site| site.world().now() < s(93.5)).unwrap();
        let running = Running::start(server);
        assert_eq!(ask_on(&open_end(&path), &rtu(1, &ECHO)), rtu(1, &ECHO));
        drop(running);
        assert!(std::fs::symlink_metadata(&path).is_err(), "left behind");
    }

    // A wire keeps nothing for whoever comes later.
    #[cfg(target_os = "linux")]
    #[test]
    fn pty_loses_what_is_sent_while_nobody_listens() {
        let mut server = open("hv-running", &Place::Pty, 50.0).unwrap();
        let path = server.reach().to_owned();
        // The inverter has had its say several times by then.
        server.run(|site| site.world().now() < s(90.0)).unwrap();
        let end = open_end(&path);
        assert!(!readable(&end, Duration::ZERO), "bytes from before");
        let _running = Running::start(server);
        assert!(readable(&end, PATIENCE), "the inverter is not heard");
    }

    // Kind:   derived
    // Source: Modbus over Serial Line V1.02, 2.5.1.1: 8 characters of question, 3.5 of silence and
    //         8 of answer at 9600-8E1 are 22.34 ms, with 40 ms of the map 62.34 ms
    #[test]
    fn pty_answer_does_not_come_before_its_time_on_the_wire() {
        let running = Running::start(open("hv-waiting", &Place::Pty, 0.1).unwrap());
        let end = open_end(&running.reach);
        let question = rtu(1, &ECHO);
        ask_on(&end, &question);
        (&end).write_all(&question).unwrap();
        // At a tenth of the speed that is 620 ms; a busy machine may be late, never early.
        assert!(!readable(&end, Duration::from_millis(300)), "too early");
        assert!(readable(&end, PATIENCE));
    }
}
