//! The wish to stop, whoever has it: Ctrl-C, a request to terminate, a closed window.
//!
//! The first signal asks: every wait sees it within 100 ms, and what is under way ends in order. Where
//! nothing looks at it, where it takes longer than [`GRACE`] or a second one comes, the program ends here.
//!
//! # Invariants
//! - However it ends: the recording is sealed, ports and terminal are as they were, and the last line says
//!   what was kept.
//! - Each signal has its one exit code, 128 and its number. Ctrl-C ends what only Ctrl-C can end, so there
//!   the command's own code stands.
//! - What whoever started it has it ignore stays ignored.

use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use super::failure::INTERRUPTED;
use super::out;
use crate::link::{self, Interrupt, Modes};

/// Exit code after a hang-up.
const HUNG_UP: u8 = 129;
/// Exit code after a request to terminate.
const TERMINATED: u8 = 143;
/// So long an end in order may take.
const GRACE: Duration = Duration::from_secs(3);
/// So long the end itself may take, where something holds it up.
const LAST: Duration = Duration::from_secs(1);

/// By then every thread is stopped.
#[cfg(unix)]
const TURN: Duration = Duration::from_millis(300);

/// The one wish of this process.
static WISH: OnceLock<Interrupt> = OnceLock::new();
/// Somebody looks at it.
static IS_SEEN: AtomicBool = AtomicBool::new(false);
/// Seals what is being recorded.
static SEAL: OnceLock<fn()> = OnceLock::new();
/// Exit code of the first signal; 0 before.
static CODE: AtomicU8 = AtomicU8::new(0);
/// The terminal when the program began.
static TERMINAL: OnceLock<Option<Modes>> = OnceLock::new();

/// The wish, for whoever looks at it from now on.
pub(crate) fn wish() -> Interrupt {
    IS_SEEN.store(true, Ordering::SeqCst);
    WISH.get_or_init(Interrupt::default).clone()
}

/// Whether somebody wants to stop.
pub(crate) fn is_wished() -> bool {
    wish().raised()
}

/// Whether a signal ends the program.
pub(crate) fn is_stopped() -> bool {
    CODE.load(Ordering::SeqCst) != 0
}

/// Begins to watch; `seal` closes what is being recorded. Where the system gives no thread or no signals, they end the program as usual.
pub(crate) fn watch(seal: fn()) {
    SEAL.get_or_init(|| seal);
    TERMINAL.get_or_init(link::terminal_modes);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let Ok(runtime) = runtime else { return };
    // Taken before anything else happens, so that none falls between.
    let Ok(signals) = runtime.block_on(async { system::Signals::take() }) else {
        return;
    };
    let thread = std::thread::Builder::new().name("signals".into());
    thread.spawn(move || runtime.block_on(heed(signals))).ok();
}

/// Waits for signals, and does what they ask.
async fn heed(mut signals: system::Signals) {
    loop {
        let code = CODE.load(Ordering::SeqCst);
        let signal = if code == 0 {
            Some(signals.next().await)
        } else {
            tokio::time::timeout(GRACE, signals.next()).await.ok()
        };
        match signal {
            Some(Signal::End(first)) if code == 0 => {
                CODE.store(first, Ordering::SeqCst);
                WISH.get_or_init(Interrupt::default).raise();
                if !IS_SEEN.load(Ordering::SeqCst) || out::is_typing() {
                    end_here(first);
                }
            }
            Some(Signal::End(_)) | None => end_here(code),
            #[cfg(unix)]
            Some(Signal::Pause) => pause(),
        }
    }
}

/// What a signal asks for.
enum Signal {
    /// To end with this code.
    End(u8),
    /// To stop until it is continued.
    #[cfg(unix)]
    Pause,
}

/// Ends the program, in order as far as that can be done from beside.
fn end_here(code: u8) -> ! {
    std::thread::spawn(move || {
        wait(LAST);
        std::process::exit(code.into());
    });
    if let Some(seal) = SEAL.get() {
        seal();
    }
    put_back();
    out::last_words(true);
    std::process::exit(code.into())
}

#[expect(clippy::disallowed_methods, reason = "the end of a real driver")]
fn wait(time: Duration) {
    std::thread::sleep(time);
}

/// Held while the terminal is changed: what stops the program must not fall between.
static CHANGING: Mutex<()> = Mutex::new(());

fn changing() -> MutexGuard<'static, ()> {
    CHANGING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Gives keys one by one, as they are pressed.
pub(crate) fn raw_mode() -> std::io::Result<()> {
    let _changing = changing();
    crossterm::terminal::enable_raw_mode()
}

/// Whether the terminal that was there has gone.
fn is_hung_up() -> bool {
    matches!(TERMINAL.get(), Some(Some(_))) && link::terminal_modes().is_none()
}

/// Ports and terminal as they were.
fn put_back() {
    link::put_back_all();
    if let Some(Some(modes)) = TERMINAL.get() {
        link::set_terminal(modes);
    }
}

/// The end of every command: puts everything back, says what was kept, and gives the exit code.
pub(crate) fn end(code: u8) -> u8 {
    put_back();
    let signal = CODE.load(Ordering::SeqCst);
    out::last_words(signal != 0);
    match signal {
        // Its window may be seen to be closed before the signal comes.
        0 if is_hung_up() => HUNG_UP,
        0 | INTERRUPTED => code,
        signal => signal,
    }
}

/// Stops with the terminal as it was, and takes it again when continued.
#[cfg(unix)]
pub(crate) fn pause() {
    let changing = changing();
    let meanwhile = link::terminal_modes();
    if let Some(Some(modes)) = TERMINAL.get() {
        link::set_terminal(modes);
    }
    link::stop_here();
    // The system stops one thread after the other: this one must not go on before it is its turn.
    wait(TURN);
    if let Some(modes) = meanwhile {
        link::set_terminal(&modes);
    }
    drop(changing);
    out::draw_afresh();
}

/// Signals of Unix.
#[cfg(unix)]
mod system {
    use tokio::signal::unix::{Signal as Stream, SignalKind, signal};

    use super::{HUNG_UP, INTERRUPTED, Signal, TERMINATED, link};

    /// All that are heeded; nothing where one is ignored.
    pub(super) struct Signals {
        ends: [(Option<Stream>, u8); 3],
        pause: Option<Stream>,
    }

    impl Signals {
        pub(super) fn take() -> std::io::Result<Self> {
            let one = |kind: SignalKind| {
                let is_heeded = !link::is_ignored(kind.as_raw_value());
                is_heeded.then(|| signal(kind)).transpose()
            };
            Ok(Self {
                ends: [
                    (one(SignalKind::interrupt())?, INTERRUPTED),
                    (one(SignalKind::terminate())?, TERMINATED),
                    (one(SignalKind::hangup())?, HUNG_UP),
                ],
                pause: one(SignalKind::from_raw(link::stop_signal()))?,
            })
        }

        pub(super) async fn next(&mut self) -> Signal {
            let [interrupt, terminate, hang_up] = &mut self.ends;
            tokio::select! {
                () = came(&mut interrupt.0) => Signal::End(interrupt.1),
                () = came(&mut terminate.0) => Signal::End(terminate.1),
                () = came(&mut hang_up.0) => Signal::End(hang_up.1),
                () = came(&mut self.pause) => Signal::Pause,
            }
        }
    }

    async fn came(stream: &mut Option<Stream>) {
        let came = match stream {
            Some(stream) => stream.recv().await,
            None => None,
        };
        if came.is_none() {
            std::future::pending().await
        }
    }
}

/// Events of a Windows console: Ctrl-C and Ctrl-Break ask to stop, closing the window, logging off and
/// shutting down give five seconds.
#[cfg(windows)]
mod system {
    use tokio::signal::windows::{
        CtrlBreak, CtrlC, CtrlClose, CtrlLogoff, CtrlShutdown, ctrl_break, ctrl_c, ctrl_close,
        ctrl_logoff, ctrl_shutdown,
    };

    use super::{HUNG_UP, INTERRUPTED, Signal};

    pub(super) struct Signals(CtrlC, CtrlBreak, CtrlClose, CtrlLogoff, CtrlShutdown);

    impl Signals {
        pub(super) fn take() -> std::io::Result<Self> {
            Ok(Self(
                ctrl_c()?,
                ctrl_break()?,
                ctrl_close()?,
                ctrl_logoff()?,
                ctrl_shutdown()?,
            ))
        }

        pub(super) async fn next(&mut self) -> Signal {
            tokio::select! {
                _ = self.0.recv() => Signal::End(INTERRUPTED),
                _ = self.1.recv() => Signal::End(INTERRUPTED),
                _ = self.2.recv() => Signal::End(HUNG_UP),
                _ = self.3.recv() => Signal::End(HUNG_UP),
                _ = self.4.recv() => Signal::End(HUNG_UP),
            }
        }
    }
}
