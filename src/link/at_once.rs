//! Work over a port that blocks, done without a runtime.
//!
//! Does not: wait for a connection that must be awaited; that is [`LinkTrouble::MustBeAwaited`].

use std::future::Future;
use std::pin::pin;
use std::task::{Context, Poll, Waker};

use super::LinkTrouble;

/// Gives what work over a port that blocks comes to.
///
/// # Errors
/// Those of the work; and where the port does not block.
pub fn at_once<T>(work: impl Future<Output = Result<T, LinkTrouble>>) -> Result<T, LinkTrouble> {
    match pin!(work).poll(&mut Context::from_waker(Waker::noop())) {
        Poll::Ready(done) => done,
        Poll::Pending => Err(LinkTrouble::MustBeAwaited),
    }
}
