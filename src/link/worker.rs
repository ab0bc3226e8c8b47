//! A real port: a thread of its own reads, stamps and writes; the caller waits on a channel.
//!
//! Does not: know whether the stream is a tty or a connection (see [`super::serial`] and
//! [`super::tcp`]), or decide what to send.
//!
//! # Why a thread, and std channels towards the caller
//! A read must be stamped the moment it returns, whatever the caller is doing. And timers of the
//! runtime come in whole milliseconds, too coarse for a silence of 1.75 ms, whereas waiting on a
//! channel is late by some 0.1 ms, which a short spin removes.
//!
//! # Invariants
//! - Nothing here flushes: on a tty that waits until the last bit has left and blocks reading.
//! - A read of zero bytes ends the thread, which closes the port: an unplugged tty would give
//!   zero bytes for ever, and keeps its name taken while it is open.

use std::collections::VecDeque;
use std::future::Future;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::time::Duration;

use packside_profiles::LineSettings;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

use super::clock::Clock;
use super::trouble::OpenError;
use super::{Arrived, Interrupt, Port, PortGone};
use crate::event::BadCharacters;
use crate::event::{LinkFacts, LinkKind};
use crate::listen::waveform::TtyMarks;

/// Reports waiting to be taken. Whoever sends without end is slowed down instead of filling the memory.
const WAITING: usize = 256;
/// Waiting on a channel ends late by up to about this; the rest is spun.
const SPIN: Duration = Duration::from_micros(200);
/// Longest time between two looks at the interrupt.
pub(super) const SLICE: Duration = Duration::from_millis(50);
/// Longest time that a write may take.
pub(super) const WRITE_TIME_OUT: Duration = Duration::from_secs(2);

/// What the thread is told to do; each is reported as done.
enum Order {
    Send(Vec<u8>),
    Line(LineSettings, BadCharacters),
}

/// What the thread reports.
enum WorkerReport {
    Opened(Result<(), OpenError>),
    /// When, what, and which of it is bad, where the stream says that.
    Read(Duration, Vec<u8>, Option<Vec<usize>>),
    /// The order is carried out.
    Done(Duration),
    Gone(PortGone),
}

/// Opens one kind of stream, as often as needed.
pub(crate) trait Opener: Clone + Send + 'static {
    /// The stream it opens.
    type Stream: AsyncRead + AsyncWrite + Unpin + Send;

    /// Opens the stream, in bounded time. Gives also whether it marks bad characters, as
    /// [`TtyMarks`] reads them.
    fn open(self) -> impl Future<Output = Result<(Self::Stream, bool), OpenError>> + Send;

    /// Gives an open stream other line settings, and opens with them from now on.
    fn set_line(&self, stream: &mut Self::Stream, line: LineSettings) -> Result<(), PortGone>;

    /// The same opener, for other line settings.
    fn at_line(self, line: LineSettings) -> Self;

    /// What a read of zero bytes means.
    fn zero_bytes(&self) -> PortGone;

    /// What an error of a read or write means.
    fn broken(&self, error: &std::io::Error) -> PortGone;
}

/// A port whose stream lives on a thread of its own.
pub(crate) struct ThreadPort<O> {
    facts: LinkFacts,
    opener: O,
    clock: Clock,
    interrupt: Interrupt,
    orders: UnboundedSender<Order>,
    reports: Receiver<WorkerReport>,
    read_meanwhile: VecDeque<(Duration, Vec<u8>, Option<Vec<usize>>)>,
    marks: Option<Vec<usize>>,
    gone: Option<PortGone>,
}

impl<O: Opener> ThreadPort<O> {
    /// Opens the stream on a new thread and waits until it is open.
    pub(crate) fn open(
        opener: O,
        facts: LinkFacts,
        interrupt: Interrupt,
        clock: Clock,
    ) -> Result<Self, OpenError> {
        let (orders, reports) = start(opener.clone(), clock, &interrupt)?;
        let read_meanwhile = VecDeque::new();
        Ok(Self {
            facts,
            opener,
            clock,
            interrupt,
            orders,
            reports,
            read_meanwhile,
            marks: None,
            gone: None,
        })
    }

    /// Sorts one report; `Some` is what a wait returns.
    fn arrived(&mut self, report: WorkerReport) -> Option<Arrived> {
        match report {
            WorkerReport::Read(at, bytes, marks) => {
                self.marks = marks;
                Some(Arrived::Bytes(at, bytes))
            }
            WorkerReport::Gone(why) => {
                self.gone = Some(why.clone());
                Some(Arrived::Gone(why))
            }
            WorkerReport::Done(_) | WorkerReport::Opened(_) => None,
        }
    }

    /// Has the thread carry out an order; gives when it was done.
    fn carry_out(&mut self, order: Order) -> Result<Duration, PortGone> {
        if let Some(why) = &self.gone {
            return Err(why.clone());
        }
        if self.orders.send(order).is_err() {
            return Err(self.lost_thread());
        }
        loop {
            match self.reports.recv_timeout(WRITE_TIME_OUT * 2) {
                Ok(WorkerReport::Done(at)) => return Ok(at),
                Ok(WorkerReport::Read(at, bytes, marks)) => {
                    self.read_meanwhile.push_back((at, bytes, marks));
                }
                Ok(WorkerReport::Gone(why)) => {
                    self.gone = Some(why.clone());
                    return Err(why);
                }
                Ok(WorkerReport::Opened(_)) => {}
                Err(RecvTimeoutError::Timeout) => {
                    let why = PortGone::Stuck {
                        waited: WRITE_TIME_OUT * 2,
                    };
                    self.gone = Some(why.clone());
                    return Err(why);
                }
                Err(RecvTimeoutError::Disconnected) => return Err(self.lost_thread()),
            }
        }
    }

    fn lost_thread(&mut self) -> PortGone {
        let why = PortGone::Broken {
            why: "its thread ended".into(),
        };
        self.gone.get_or_insert(why).clone()
    }
}

impl<O> Drop for ThreadPort<O> {
    /// The port is closed, and as it was, when this returns: whoever opens it next may be we. A thread that
    /// hangs in the system is not waited for.
    fn drop(&mut self) {
        let (no_orders, _) = unbounded_channel();
        self.orders = no_orders;
        while self.reports.recv_timeout(SLICE * 4).is_ok() {}
    }
}

impl<O: Opener> Port for ThreadPort<O> {
    fn facts(&self) -> &LinkFacts {
        &self.facts
    }

    fn now(&self) -> Duration {
        self.clock.now()
    }

    fn wall(&self) -> Option<Duration> {
        Some(super::clock::since_1970())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<Duration, PortGone> {
        self.carry_out(Order::Send(bytes.to_vec()))
    }

    fn set_line(&mut self, line: LineSettings, bad: BadCharacters) -> Result<(), PortGone> {
        self.carry_out(Order::Line(line, bad))?;
        self.opener = self.opener.clone().at_line(line);
        if let LinkKind::Serial { line: known, .. } = &mut self.facts.kind {
            *known = line;
        }
        Ok(())
    }

    fn wait(&mut self, until: Duration) -> Arrived {
        if let Some((at, bytes, marks)) = self.read_meanwhile.pop_front() {
            self.marks = marks;
            return Arrived::Bytes(at, bytes);
        }
        loop {
            if self.interrupt.raised() {
                return Arrived::Interrupted;
            }
            if let Some(why) = &self.gone {
                return Arrived::Gone(why.clone());
            }
            let left = until.saturating_sub(self.clock.now());
            let report = if left > SPIN {
                self.reports.recv_timeout((left - SPIN).min(SLICE))
            } else {
                self.reports.try_recv().map_err(|error| match error {
                    TryRecvError::Empty => RecvTimeoutError::Timeout,
                    TryRecvError::Disconnected => RecvTimeoutError::Disconnected,
                })
            };
            match report {
                Ok(report) => {
                    if let Some(arrived) = self.arrived(report) {
                        return arrived;
                    }
                }
                Err(RecvTimeoutError::Timeout) if left.is_zero() => return Arrived::Nothing,
                Err(RecvTimeoutError::Timeout) => std::hint::spin_loop(),
                Err(RecvTimeoutError::Disconnected) => return Arrived::Gone(self.lost_thread()),
            }
        }
    }

    fn marks(&mut self) -> Option<Vec<usize>> {
        self.marks.take()
    }

    fn rest(&mut self, until: Duration) -> bool {
        sleep(self.clock, &self.interrupt, until)
    }

    fn reopen(&mut self) -> Result<(), PortGone> {
        // Dropping the old channel first ends the old thread, which closes the old stream: a tty
        // that is still open elsewhere would refuse us.
        let (no_orders, _) = unbounded_channel();
        self.orders = no_orders;
        while self.reports.recv_timeout(SLICE * 4).is_ok() {}
        let opened = start(self.opener.clone(), self.clock, &self.interrupt);
        let (orders, reports) = opened.map_err(|error| PortGone::StillGone {
            why: error.to_string(),
        })?;
        (self.orders, self.reports) = (orders, reports);
        self.read_meanwhile.clear();
        self.gone = None;
        Ok(())
    }
}

/// Lets time pass. `false` where the user wants to stop.
#[expect(clippy::disallowed_methods, reason = "the real driver waits")]
pub(super) fn sleep(clock: Clock, interrupt: &Interrupt, until: Duration) -> bool {
    loop {
        let left = until.saturating_sub(clock.now());
        if interrupt.raised() || left.is_zero() {
            return !interrupt.raised();
        }
        std::thread::sleep(left.min(SLICE));
    }
}

/// The two ends that the caller of a thread holds.
type WorkerEnds = (UnboundedSender<Order>, Receiver<WorkerReport>);

/// Starts the thread and waits until its stream is open, the opening has failed, or the user stops.
fn start<O: Opener>(
    opener: O,
    clock: Clock,
    interrupt: &Interrupt,
) -> Result<WorkerEnds, OpenError> {
    let (orders, taken) = unbounded_channel();
    let (report, reports) = sync_channel(WAITING);
    let no_thread = |error: std::io::Error| OpenError::NoThread {
        why: error.to_string(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(no_thread)?;
    let thread = std::thread::Builder::new().name("port".into());
    thread
        .spawn(move || {
            runtime.block_on(serve(opener, clock, taken, &report));
            // A name look-up may still hang in the system; nobody waits for it.
            runtime.shutdown_background();
        })
        .map_err(no_thread)?;
    loop {
        match reports.recv_timeout(SLICE) {
            Ok(WorkerReport::Opened(result)) => return result.map(|()| (orders, reports)),
            Ok(_) => {}
            Err(RecvTimeoutError::Timeout) if interrupt.raised() => {
                return Err(OpenError::Interrupted);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                return Err(OpenError::NoThread {
                    why: "it ended at once".into(),
                });
            }
        }
    }
}

/// The life of the thread: open, then read and write until the port or the caller is gone.
///
/// Sending a report fails only when the caller is gone, which the next order shows as well.
async fn serve<O: Opener>(
    opener: O,
    clock: Clock,
    mut orders: UnboundedReceiver<Order>,
    reports: &SyncSender<WorkerReport>,
) {
    let (mut stream, is_marked) = match opener.clone().open().await {
        Ok(opened) => opened,
        Err(error) => {
            reports.send(WorkerReport::Opened(Err(error))).ok();
            return;
        }
    };
    reports.send(WorkerReport::Opened(Ok(()))).ok();
    let mut buffer = [0; 4096];
    let mut marks = is_marked.then(TtyMarks::default);
    let mut zeroes = false;
    loop {
        let gone = tokio::select! {
            read = stream.read(&mut buffer) => {
                let at = clock.now();
                match read {
                    Ok(0) => Some(opener.zero_bytes()),
                    Ok(count) => {
                        let read = buffer.get(..count).unwrap_or_default();
                        let (bytes, bad) = match &mut marks {
                            Some(marks) => {
                                let (mut bytes, bad) = marks.split(read);
                                for at in bad.iter().filter(|_| zeroes) {
                                    if let Some(byte) = bytes.get_mut(*at) {
                                        *byte = 0;
                                    }
                                }
                                (bytes, Some(bad))
                            }
                            None => (read.to_vec(), None),
                        };
                        // Half a mark is no byte yet.
                        if !bytes.is_empty() {
                            reports.send(WorkerReport::Read(at, bytes, bad)).ok();
                        }
                        None
                    }
                    Err(error) => Some(opener.broken(&error)),
                }
            }
            order = orders.recv() => {
                let Some(order) = order else { return };
                if let Order::Line(_, bad) = order {
                    zeroes = bad == BadCharacters::Zeroed;
                }
                match carry_out(&opener, &mut stream, order).await {
                    Ok(()) => {
                        reports.send(WorkerReport::Done(clock.now())).ok();
                        None
                    }
                    Err(gone) => Some(gone),
                }
            }
        };
        if let Some(why) = gone {
            // Close first: whoever hears of it may try to open the port again at once.
            drop(stream);
            reports.send(WorkerReport::Gone(why)).ok();
            return;
        }
    }
}

/// Does to the stream what was ordered.
async fn carry_out<O: Opener>(
    opener: &O,
    stream: &mut O::Stream,
    order: Order,
) -> Result<(), PortGone> {
    let bytes = match order {
        Order::Send(bytes) => bytes,
        Order::Line(line, _) => return opener.set_line(stream, line),
    };
    match tokio::time::timeout(WRITE_TIME_OUT, stream.write_all(&bytes)).await {
        Ok(written) => written.map_err(|error| opener.broken(&error)),
        Err(_) => Err(PortGone::Stuck {
            waited: WRITE_TIME_OUT,
        }),
    }
}
