//! What a link tells while it takes its time.
//!
//! Does not: put it into words.

use packside_profiles::Foreign;
use std::time::Duration;

use packside_profiles::LineSettings;

use super::PortGone;

/// Something that whoever waits may want to know.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Notice {
    /// A serial port is opened; its DTR and RTS lines are put down.
    OpeningPort {
        /// The port.
        port: Foreign,
        /// Its settings.
        line: LineSettings,
    },
    /// A gateway is connected to.
    Connecting {
        /// Host and port.
        address: Foreign,
    },
    /// The link is lost.
    Lost {
        /// Why.
        why: String,
    },
    /// It is back, after it was lost so often without an answer between.
    Back {
        /// How often.
        losses: u32,
    },
    /// It is not back yet.
    TryingAgain {
        /// Why not.
        why: PortGone,
        /// When it is tried again.
        pause: Duration,
    },
    /// The adapter of a port held bytes back for so long, and is asked not to until the port is closed.
    Eased {
        /// The port.
        port: Foreign,
        /// How long.
        held: Duration,
    },
    /// It holds them back, long for this line, and this user may not change that.
    HoldsBack {
        /// The port.
        port: Foreign,
        /// Its settings.
        line: LineSettings,
        /// How long.
        held: Duration,
        /// The file by which it is changed.
        timer: Foreign,
    },
    /// Nobody else can be overheard behind this gateway.
    AskingGently,
}
