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
//! - A panic ends it in the same way.

use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use super::failure::INTERRUPTED;
use super::out;
use crate::link::{self, Interrupt, Modes, Signals, Wanted};

/// Exit code after a defect of ours, as of every Rust program.
const BROKEN: u8 = 101;
/// Exit code after a hang-up.
const HUNG_UP: u8 = 129;
/// Exit code after a request to terminate.
const TERMINATED: u8 = 143;
/// So long an end in order may take.
const GRACE: Duration = Duration::from_secs(3);
/// So long the end itself may take, where something holds it up.
const LAST: Duration = Duration::from_secs(1);

/// By then every thread is stopped.
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
    heed_panics();
    TERMINAL.get_or_init(link::terminal_modes);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let Ok(runtime) = runtime else { return };
    // Taken before anything else happens, so that none falls between.
    let Ok(signals) = runtime.block_on(async { Signals::take() }) else {
        return;
    };
    let thread = std::thread::Builder::new().name("signals".into());
    thread.spawn(move || runtime.block_on(heed(signals))).ok();
}

/// Has a defect of ours end the program as a signal would, on whatever thread it shows. Nothing unwinds: what is
/// handed out is built without that.
fn heed_panics() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |why| {
        usual(why);
        end_here(BROKEN)
    }));
}

/// Waits for signals, and does what they ask.
async fn heed(mut signals: Signals) {
    loop {
        let code = CODE.load(Ordering::SeqCst);
        let signal = if code == 0 {
            Some(signals.next().await)
        } else {
            tokio::time::timeout(GRACE, signals.next()).await.ok()
        };
        match signal {
            Some(Wanted::Pause) => pause(),
            Some(wanted) if code == 0 => {
                let first = code_of(wanted);
                CODE.store(first, Ordering::SeqCst);
                WISH.get_or_init(Interrupt::default).raise();
                if !IS_SEEN.load(Ordering::SeqCst) || out::is_typing() {
                    end_here(first);
                }
            }
            Some(_) | None => end_here(code),
        }
    }
}

/// The exit code after it.
fn code_of(wanted: Wanted) -> u8 {
    match wanted {
        Wanted::Terminate => TERMINATED,
        Wanted::HangUp => HUNG_UP,
        Wanted::Interrupt | Wanted::Pause => INTERRUPTED,
    }
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
    // Where the settings of a terminal cannot be read, whoever changed them changes them back.
    if crossterm::terminal::is_raw_mode_enabled().unwrap_or(false) {
        let _ = crossterm::terminal::disable_raw_mode();
    }
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

#[cfg(test)]
mod tests {
    use std::process::Command;

    /// Set for the process in which a thread falls.
    const FALLS: &str = "PACKSIDE_TEST_FALLS";

    // Kind: invented
    #[test]
    fn panic_on_any_thread_seals_and_ends_the_program() {
        if std::env::var_os(FALLS).is_some() {
            super::SEAL.get_or_init(|| || super::out::say("sealed"));
            super::heed_panics();
            let fallen = std::thread::spawn(|| panic!("a defect")).join();
            panic!("it went on: {fallen:?}");
        }
        let own = std::env::current_exe().unwrap();
        let name = "cli::interrupt::tests::panic_on_any_thread_seals_and_ends_the_program";
        let fallen = Command::new(own)
            .args([name, "--exact", "--nocapture"])
            .env(FALLS, "1")
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&fallen.stderr);
        assert_eq!(fallen.status.code(), Some(super::BROKEN.into()), "{said}");
        assert!(
            said.contains("a defect") && said.contains("sealed"),
            "{said}"
        );
        assert!(!said.contains("it went on"), "{said}");
    }
}
