//! A recording pushed into one case again, in the order of its lines: what was shown is then judged from
//! the lines before it, as it was on site.
//!
//! Does not: read a file, or judge at moments that nobody chose (a caller may, with the case it is given).
//!
//! # Invariants
//! - Nothing that stands behind a verdict in the file has a part in it.
//! - All sessions are one case, as they were for whoever went on with the recording.

use std::sync::Arc;

use packside_profiles::model::Profile;

use super::{Afresh, RecordedSession, Recording, Shown};
use crate::event::{Event, What};
use crate::evidence::Ended;
use crate::judge::Case;

impl Recording {
    /// Pushes everything, session after session. `shown` is told each verdict that was displayed, with the
    /// number of its session and the case as it was then. Gives the case at the end.
    pub fn replay(
        &self,
        profile: Option<&Arc<Profile>>,
        shown: impl FnMut(usize, &Shown, &Case),
    ) -> Case {
        self.replay_telling(profile, shown, |_, _| {}, || {})
    }

    /// The same; `ended` is told every question that ended, with the number of its session, `pushed` that one more
    /// event was.
    pub(crate) fn replay_telling(
        &self,
        profile: Option<&Arc<Profile>>,
        mut shown: impl FnMut(usize, &Shown, &Case),
        mut ended: impl FnMut(usize, Ended<'_>),
        mut pushed: impl FnMut(),
    ) -> Case {
        let mut case = Case::new(profile.cloned());
        for (number, session) in self.sessions.iter().enumerate() {
            if number > 0 {
                case.begin_session();
            }
            let shown = |told: &Shown, case: &Case| shown(number, told, case);
            case = session.replay(profile, case, shown, |one| ended(number, one), &mut pushed);
        }
        case
    }
}

impl RecordedSession {
    /// Pushes this session into a case. While it was judged afresh, only what came since is judged.
    fn replay(
        &self,
        profile: Option<&Arc<Profile>>,
        mut whole: Case,
        mut told: impl FnMut(&Shown, &Case),
        mut ended: impl FnMut(Ended<'_>),
        mut pushed: impl FnMut(),
    ) -> Case {
        let mut fresh: Option<Case> = None;
        let mut first_opened: Option<Event> = None;
        let (mut shown, mut turns) = (self.shown.iter().peekable(), self.afresh.iter().peekable());
        let (mut events, mut judged) = (self.events.iter(), 0);
        for before in 0..=self.events.len() {
            loop {
                let is_next = |turn: &&Afresh| turn.events <= before && turn.shown <= judged;
                if let Some(turn) = turns.next_if(is_next) {
                    fresh = turn.on.then(|| {
                        let mut case = Case::new(profile.cloned());
                        first_opened.iter().for_each(|event| case.push(event));
                        case
                    });
                } else if let Some((_, shown)) = shown.next_if(|(at, _)| *at <= before) {
                    told(shown, fresh.as_ref().unwrap_or(&whole));
                    judged += 1;
                } else {
                    break;
                }
            }
            let Some(event) = events.next() else { break };
            if first_opened.is_none() && matches!(event.what, What::Opened(_)) {
                first_opened = Some(event.clone());
            }
            if let Some(fresh) = &mut fresh {
                fresh.push(&event);
            }
            whole.push_telling(&event, &mut ended);
            pushed();
        }
        whole
    }
}
