//! The user's wish to stop, seen by every wait within 100 ms.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A flag that anyone may raise and every wait looks at. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct Interrupt(Arc<AtomicBool>);

impl Interrupt {
    /// Asks everything to stop.
    pub fn raise(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether someone asked to stop.
    pub fn raised(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// A flag that Ctrl-C raises. A second Ctrl-C ends the program at once with code 130.
    ///
    /// # Errors
    /// Where the system gives no thread or no signals; Ctrl-C then ends the program as usual.
    pub fn on_ctrl_c() -> std::io::Result<Self> {
        let interrupt = Self::default();
        let raised = interrupt.clone();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .build()?;
        std::thread::Builder::new()
            .name("ctrl-c".into())
            .spawn(move || {
                runtime.block_on(async {
                    if tokio::signal::ctrl_c().await.is_ok() {
                        raised.raise();
                    }
                    if tokio::signal::ctrl_c().await.is_ok() {
                        std::process::exit(130);
                    }
                });
            })?;
        Ok(interrupt)
    }
}
