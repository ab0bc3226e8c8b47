//! One link through all that a session makes of it: not open yet, listening, asking.
//!
//! Does not: decide; and it asks only with a proof that the link itself gave.

use std::time::Duration;

use crate::ask::Exchange;
use crate::event::Event;
use crate::link::{Asking, LinkTrouble, OpenError, Opening, Quiet};
use crate::session::{Came, NotShown, Want};
use crate::wire::Ask;

/// A link, and what it does now.
pub struct Link {
    way: Way,
    opening: Option<Opening>,
    /// Function codes that the unit is known to understand.
    functions: Vec<u8>,
}

enum Way {
    Closed,
    Quiet(Box<Quiet>),
    Asking(Box<Asking>),
}

impl Link {
    /// A link that is open. `functions` are the function codes that the unit understands.
    pub fn of(quiet: Quiet, functions: &[u8]) -> Self {
        Self {
            way: Way::Quiet(Box::new(quiet)),
            opening: None,
            functions: functions.to_vec(),
        }
    }

    /// A link that is opened once it is wanted.
    pub fn closed(opening: Opening, functions: &[u8]) -> Self {
        Self {
            way: Way::Closed,
            opening: Some(opening),
            functions: functions.to_vec(),
        }
    }

    /// The time now.
    pub fn now(&self) -> Duration {
        match &self.way {
            Way::Closed => self.opening.as_ref().map_or(Duration::ZERO, Opening::now),
            Way::Quiet(quiet) => quiet.now(),
            Way::Asking(asking) => asking.now(),
        }
    }

    /// How it is opened, where that is done once it is wanted.
    pub fn opening(&self) -> Option<&Opening> {
        self.opening.as_ref()
    }

    /// Asks no more, and listens.
    pub fn stop_asking(&mut self) {
        self.way = match std::mem::replace(&mut self.way, Way::Closed) {
            Way::Asking(asking) => Way::Quiet(Box::new(asking.into_quiet())),
            way => way,
        };
    }

    pub(super) async fn open(&mut self) -> Result<&mut Quiet, OpenError> {
        let Some(opening) = &self.opening else {
            // Only a link without a way to open it gets here, and there is none such.
            return Err(OpenError::Interrupted);
        };
        if let Way::Closed = self.way {
            self.way = Way::Quiet(Box::new(opening.open().await?));
        }
        match &mut self.way {
            Way::Quiet(quiet) => Ok(quiet),
            _ => Err(OpenError::Interrupted),
        }
    }

    pub(super) fn drain(&mut self) -> Vec<Event> {
        match &mut self.way {
            Way::Closed => Vec::new(),
            Way::Quiet(quiet) => quiet.drain(),
            Way::Asking(asking) => asking.drain(),
        }
    }

    pub(super) async fn ask(
        &mut self,
        ask: Ask,
        time_out: Duration,
    ) -> Result<Exchange, LinkTrouble> {
        match &mut self.way {
            Way::Asking(asking) => asking.ask_async(ask, time_out).await,
            _ => Err(LinkTrouble::Stuck),
        }
    }

    /// Carries out a want that is about the link alone.
    pub(super) async fn carry_out(&mut self, want: Want) -> Option<Came<'static>> {
        let done = match want {
            Want::Wait { until } => self.wait(until).await,
            Want::Silence { window, until } => match &mut self.way {
                Way::Quiet(quiet) => {
                    let silent = quiet.listen_for_silence_async(window, until).await;
                    silent.map(drop)
                }
                _ => self.wait(until).await,
            },
            Want::StopAsking => {
                self.stop_asking();
                Ok(())
            }
            Want::Prove {
                wake,
                window,
                consent,
            } => {
                let begun = self.begin(|quiet| quiet.prove(&wake, window, consent));
                return begun.err().map(Came::NotShown);
            }
            _ => Ok(()),
        };
        done.err().map(Came::Trouble)
    }

    async fn wait(&mut self, until: Duration) -> Result<(), LinkTrouble> {
        match &mut self.way {
            Way::Quiet(quiet) => quiet.listen_async(until).await,
            Way::Asking(asking) => asking.idle_async(until).await,
            Way::Closed => match &self.opening {
                Some(opening) if !opening.rest(until).await => Err(LinkTrouble::Interrupted),
                _ => Ok(()),
            },
        }
    }

    /// Begins to ask, where the link gives its proof.
    fn begin(
        &mut self,
        prove: impl FnOnce(&Quiet) -> Result<crate::link::Proof, NotShown>,
    ) -> Result<(), NotShown> {
        let quiet = match std::mem::replace(&mut self.way, Way::Closed) {
            Way::Quiet(quiet) => quiet,
            way => {
                self.way = way;
                return Ok(());
            }
        };
        let asked = match prove(&quiet) {
            Ok(proof) => quiet.ask(proof, &self.functions),
            Err(why) => Err(Box::new((*quiet, why))),
        };
        match asked {
            Ok(asking) => {
                self.way = Way::Asking(Box::new(asking));
                Ok(())
            }
            Err(back) => {
                let (quiet, why) = *back;
                self.way = Way::Quiet(Box::new(quiet));
                Err(why)
            }
        }
    }
}
