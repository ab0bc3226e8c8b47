//! The user's wish to stop, seen by every wait within 100 ms.
//!
//! Does not: know where the wish comes from; whoever has the terminal or the signals raises it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::sync::Notify;

/// A flag that anyone may raise and every wait looks at. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct Interrupt(Arc<StopFlag>);

#[derive(Debug, Default)]
struct StopFlag {
    raised: AtomicBool,
    /// Wakes those who wait without looking.
    wakes: Notify,
}

impl Interrupt {
    /// Asks everything to stop.
    pub fn raise(&self) {
        self.0.raised.store(true, Ordering::SeqCst);
        self.0.wakes.notify_waiters();
    }

    /// Whether someone asked to stop.
    pub fn raised(&self) -> bool {
        self.0.raised.load(Ordering::SeqCst)
    }

    /// Is ready once someone asks to stop.
    pub(super) async fn wait(self) {
        let notified = self.0.wakes.notified();
        // The waiter is in the list from here on, so nothing raised later is missed.
        let mut notified = std::pin::pin!(notified);
        notified.as_mut().enable();
        if !self.raised() {
            notified.await;
        }
    }
}
