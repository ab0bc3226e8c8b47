//! A link that is to be opened when it is needed, and again where that failed.
//!
//! Does not: keep it; [`crate::drive::Link`] does.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use super::open::open_async;
use super::{Clock, Notice, OpenError, OpenOptions, Quiet, Say, Target, open};

/// Told to the user while a link takes its time, by whichever link.
pub type SayShared = Arc<dyn Fn(&Notice) + Send + Sync>;

/// Where a real unit is, and how it is opened.
#[derive(Clone)]
pub struct Opening {
    target: Target,
    options: OpenOptions,
    say: SayShared,
    is_awaited: bool,
}

impl Opening {
    /// A link with a thread of its own, for calls that block.
    pub fn new(target: Target, options: OpenOptions, say: SayShared) -> Self {
        let clock = options.clock.unwrap_or_else(Clock::start);
        Self {
            target,
            options: OpenOptions {
                clock: Some(clock),
                ..options
            },
            say,
            is_awaited: false,
        }
    }

    /// The same, to be awaited beside others on one thread ([`side_by_side`]). A serial line needs exact
    /// times and keeps its thread.
    #[must_use]
    pub fn awaited(mut self) -> Self {
        self.is_awaited = matches!(self.target, Target::Gateway { .. });
        self
    }

    /// Where the unit is.
    pub fn target(&self) -> &Target {
        &self.target
    }

    /// Time since the session began.
    pub fn now(&self) -> Duration {
        self.options.clock.map_or(Duration::ZERO, Clock::now)
    }

    /// Opens it.
    ///
    /// # Errors
    /// [`OpenError`] with the true cause.
    pub async fn open(&self) -> Result<Quiet, OpenError> {
        let shared = Arc::clone(&self.say);
        let say: Say = Box::new(move |notice| shared(notice));
        if self.is_awaited {
            return open_async(&self.target, self.options.clone(), say).await;
        }
        open(&self.target, self.options.clone(), say)
    }

    /// Lets time pass while it is not open. `false` where the user wants to stop.
    pub async fn rest(&self, until: Duration) -> bool {
        let interrupt = self.options.interrupt.clone();
        let left = until.saturating_sub(self.now());
        if self.is_awaited {
            return tokio::select! {
                () = tokio::time::sleep(left) => true,
                () = interrupt.wait() => false,
            };
        }
        super::worker::sleep(
            self.options.clock.unwrap_or_else(Clock::start),
            &interrupt,
            until,
        )
    }
}

/// Moves many links at once on this thread, until all are over. Only what is awaited shares it: a link
/// that blocks holds up the others.
///
/// # Errors
/// Where the system gives no timers or sockets.
pub fn side_by_side<T>(
    work: impl IntoIterator<Item = impl Future<Output = T>>,
) -> std::io::Result<Vec<T>> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    Ok(runtime.block_on(futures_util::future::join_all(work)))
}
