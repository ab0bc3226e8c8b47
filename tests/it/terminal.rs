//! `packside listen` at a terminal, on a pseudo-terminal that stands in for the adapter: the view
//! updates in place, and q or Ctrl-C is the normal end.
//!
//! Kind of everything here: invented.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use packside::wire::sealed;
use packside_simulator::Scenario;
use packside_simulator::serve::{Options, Place, Server};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};

use super::wire_end::{WireEnd, pair};

/// Longest wait for anything on a loaded machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// The keyboard and the screen of a tool that runs on a terminal of its own.
struct Terminal {
    keyboard: std::fs::File,
    screen: Receiver<Vec<u8>>,
    seen: Vec<u8>,
    tool: Child,
}

impl Terminal {
    fn run(arguments: &[&str]) -> Self {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let name = ptsname(&ours, Vec::new()).unwrap();
        let theirs = rustix::fs::open(name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
        let size = Winsize {
            ws_row: 50,
            ws_col: 100,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        tcsetwinsize(&theirs, size).unwrap();
        let end = |fd: &OwnedFd| Stdio::from(fd.try_clone().unwrap());
        let tool = Command::new(env!("CARGO_BIN_EXE_packside"))
            .args(arguments)
            .env("TERM", "xterm")
            .env_remove("PACKSIDE_CONFIG")
            .env("PACKSIDE_STATE", super::tool::STATE)
            .stdin(end(&theirs))
            .stdout(end(&theirs))
            .stderr(end(&theirs))
            .spawn()
            .unwrap();
        drop(theirs);
        let keyboard = std::fs::File::from(ours);
        let mut reader = keyboard.try_clone().unwrap();
        let (sender, screen) = channel();
        std::thread::spawn(move || {
            let mut block = [0; 4096];
            // Reading fails once the tool has closed its end.
            while let Ok(count @ 1..) = reader.read(&mut block) {
                if sender.send(block[..count].to_vec()).is_err() {
                    return;
                }
            }
        });
        Self {
            keyboard,
            screen,
            seen: Vec::new(),
            tool,
        }
    }

    /// Everything on the screen so far.
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.seen).into_owned()
    }

    /// Waits until the screen has shown this.
    fn until_it_shows(&mut self, what: &str) {
        while !self.text().contains(what) {
            match self.screen.recv_timeout(PATIENCE) {
                Ok(more) => self.seen.extend(more),
                Err(_) => panic!("never shown: {what:?} in\n{}", self.text()),
            }
        }
    }

    /// Presses a key, waits for the end; gives exit code and what was shown after the key.
    fn press_and_end(mut self, key: &[u8]) -> (Option<i32>, String) {
        let before = self.seen.len();
        self.keyboard.write_all(key).unwrap();
        while let Ok(more) = self.screen.recv_timeout(PATIENCE) {
            self.seen.extend(more);
        }
        let code = self.tool.wait().unwrap().code();
        (
            code,
            String::from_utf8_lossy(&self.seen[before..]).into_owned(),
        )
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        self.tool.kill().ok();
        self.tool.wait().ok();
    }
}

/// A client asks and is answered, some times.
fn converse(wire: &mut WireEnd, times: usize) {
    let exchange = [sealed(vec![1, 4, 0, 0, 0, 1]), sealed(vec![1, 4, 2, 0, 5])].concat();
    for _ in 0..times {
        wire.write_all(&exchange).unwrap();
    }
}

#[test]
fn listen_on_a_terminal_redraws_in_place_and_q_or_ctrl_c_is_its_normal_end() {
    for key in [b"q", b"\x03"] {
        let (mut wire, port) = pair();
        let arguments = ["listen", "--serial", &port, "--profile", "generic-hv-stack"];
        let mut terminal = Terminal::run(&arguments);
        terminal.until_it_shows("\x1b[J");
        converse(&mut wire, 6);
        terminal.until_it_shows("read input 0");
        // Drawn over what stood there: up by its lines, then cleared.
        let view = terminal.text();
        let up = view.rsplit("\x1b[J").nth(1).unwrap();
        assert!(up.ends_with('A') && up.contains("\x1b["), "{view:?}");
        let (code, end) = terminal.press_and_end(key);
        assert_eq!(code, Some(0), "{key:?}: {end}");
        let flat = end.split_whitespace().collect::<Vec<_>>().join(" ");
        for part in [
            "THE LINE",
            "6 of 6 questions answered by unit 1",
            "no byte sent",
        ] {
            assert!(flat.contains(part), "{key:?}: expected {part:?} in:\n{end}");
        }
        let last = end.lines().rfind(|line| !line.trim().is_empty());
        assert!(
            last.is_some_and(|last| last.starts_with("next: packside")),
            "{end}"
        );
        let mut sent = Vec::new();
        wire.read_to_end(&mut sent).unwrap();
        assert_eq!(sent, Vec::<u8>::new(), "listening never sends");
    }
}

#[test]
fn watch_on_a_terminal_redraws_in_place_and_q_ends_it_with_the_verdict() {
    let scenario = Scenario::find("hv-waiting").unwrap();
    let map = scenario.load_map(None).unwrap();
    let options = Options {
        start_at: Duration::from_secs(60),
        ..Options::of(&scenario)
    };
    let mut server = Server::open(&scenario, &map.profile, &Place::Pty, &options).unwrap();
    let port = server.reach().to_owned();
    let ended = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&ended);
    let serving = std::thread::spawn(move || server.run(|_| !seen.load(Ordering::Relaxed)));
    let mut terminal = Terminal::run(&[
        "watch",
        "--serial",
        &port,
        "--profile",
        "generic-hv-stack",
        "--listen-first",
        "0.5",
    ]);
    terminal.until_it_shows("AWAITING INVERTER");
    // The second look is drawn over the first one.
    terminal.until_it_shows("+0.0 in");
    let (code, end) = terminal.press_and_end(b"q");
    ended.store(true, Ordering::Relaxed);
    serving.join().unwrap().unwrap();
    assert_eq!(code, Some(5), "{end}");
    for part in [
        "AWAITING INVERTER",
        "Untested",
        "next: packside check --serial",
    ] {
        assert!(end.contains(part), "expected {part:?} in:\n{end}");
    }
}

#[test]
fn q_without_a_valid_frame_ends_with_code_3() {
    let (mut wire, port) = pair();
    let mut terminal = Terminal::run(&["listen", "--serial", &port]);
    terminal.until_it_shows("\x1b[J");
    wire.write_all(&[0x55; 7]).unwrap();
    let (code, end) = terminal.press_and_end(b"q");
    assert_eq!(code, Some(3), "{end}");
}

#[test]
fn interrupt_ends_listening_into_a_pipe_with_its_summary() {
    let (mut wire, port) = pair();
    let mut tool = super::tool::heeding_interrupts()
        .args(["listen", "--serial", &port])
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", super::tool::STATE)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut output = BufReader::new(tool.stdout.take().unwrap());
    // The port is open once the first exchange comes out as a line; what is written before is lost
    // or not, both will do.
    let (sender, lines) = channel();
    let reader = std::thread::spawn(move || {
        let mut text = String::new();
        while let Ok(count @ 1..) = output.read_line(&mut text) {
            sender.send(count).ok();
        }
        text
    });
    while let Err(error) = lines.recv_timeout(Duration::from_millis(100)) {
        assert_eq!(error, RecvTimeoutError::Timeout, "it ended by itself");
        converse(&mut wire, 1);
    }
    let process = tool.id().to_string();
    Command::new("kill")
        .args(["-INT", &process])
        .status()
        .unwrap();
    let text = reader.join().unwrap();
    assert_eq!(tool.wait().unwrap().code(), Some(0));
    assert!(text.contains("THE LINE"), "{text}");
}
