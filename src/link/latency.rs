//! How long an adapter holds short packets back, and asking it not to.
//!
//! Only Linux shows it, and only for adapters that have such a timer. Whether it may be set is a matter of
//! rights; what was set is put back once the port is closed.
//!
//! Does not: touch anything on the wire or in the unit.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::Notice;
use super::platform::latency_timer;

/// Characters of a question and its answer of 100 registers, RTU.
const EXCHANGE: usize = 8 + 5 + 200;
/// Least that the timers know.
const LEAST: Duration = Duration::from_millis(1);

/// The timer of an adapter, set by us; put back when the last clone goes.
#[derive(Debug, Clone)]
pub(super) struct Eased {
    _timer: Arc<Timer>,
}

#[derive(Debug)]
struct Timer {
    file: PathBuf,
    before: Duration,
}

impl Drop for Timer {
    fn drop(&mut self) {
        // An adapter that is gone has forgotten it.
        let _ = fs::write(&self.file, self.before.as_millis().to_string());
    }
}

/// Asks the adapter of a port to hold nothing back, where it has such a timer and this user may set it. `root`
/// is `/` but in tests. What is to be told goes to `say`.
pub(super) fn ease(
    root: &Path,
    port: &str,
    line: LineSettings,
    say: &mut dyn FnMut(&Notice),
) -> Option<Eased> {
    let file = latency_timer(root, port)?;
    let before = fs::read_to_string(&file).ok()?.trim().parse().ok()?;
    let before = Duration::from_millis(before);
    if before <= LEAST {
        return None;
    }
    let (port, held) = (port.into(), before);
    if fs::write(&file, LEAST.as_millis().to_string()).is_ok() {
        say(&Notice::Eased { port, held });
        let timer = Timer { file, before };
        return Some(Eased {
            _timer: Arc::new(timer),
        });
    }
    if hurts(held, line) {
        let timer = file.to_str().unwrap_or_default().into();
        say(&Notice::HoldsBack {
            port,
            line,
            held,
            timer,
        });
    }
    None
}

/// Whether that makes an exchange longer by more than a fifth.
fn hurts(held: Duration, line: LineSettings) -> bool {
    held * 5 > line.characters(EXCHANGE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(text: &str) -> LineSettings {
        text.parse().unwrap()
    }

    // Kind: derived (213 characters of 11 bits at 9600 baud take 244 ms, at 38400 baud 61 ms)
    #[test]
    fn sixteen_milliseconds_hurt_a_fast_line_only() {
        let held = Duration::from_millis(16);
        assert!(!hurts(held, line("9600-8E1")) && !hurts(held, line("19200-8E1")));
        assert!(hurts(held, line("38400-8E1")) && hurts(held, line("115200-8N1")));
        assert!(!hurts(LEAST, line("115200-8N1")));
    }

    // Kind: invented (a folder laid out as Linux lays out devices)
    #[cfg(target_os = "linux")]
    #[test]
    fn timer_is_set_said_and_put_back() {
        let root = tempfile::tempdir().unwrap();
        let path = |name: &str| root.path().join(name);
        fs::create_dir_all(path("dev")).unwrap();
        fs::create_dir_all(path("sys/class/tty/ttyUSB7/device")).unwrap();
        fs::write(path("dev/ttyUSB7"), "").unwrap();
        let timer = path("sys/class/tty/ttyUSB7/device/latency_timer");
        fs::write(&timer, "16\n").unwrap();
        let mut said = Vec::new();
        let mut say = |notice: &Notice| said.push(notice.clone());
        let eased = ease(root.path(), "/dev/ttyUSB7", line("9600-8E1"), &mut say);
        assert_eq!(fs::read_to_string(&timer).unwrap(), "1");
        let again = ease(root.path(), "/dev/ttyUSB7", line("9600-8E1"), &mut say);
        assert!(again.is_none(), "it is short already");
        let (port, held) = ("/dev/ttyUSB7".into(), Duration::from_millis(16));
        assert_eq!(said, [Notice::Eased { port, held }]);
        let other = eased.clone();
        drop(eased);
        assert_eq!(fs::read_to_string(&timer).unwrap(), "1");
        drop(other);
        assert_eq!(fs::read_to_string(&timer).unwrap(), "16");
        let none = ease(root.path(), "COM3", line("9600-8E1"), &mut |_| {});
        assert!(none.is_none());
    }
}
