//! What can be seen of a bus or of an inverter link, as one closed list, each with its numbers.
//!
//! A `Sights` holds each kind at most once. Sights that come from the same happening are set once, the
//! most telling one (see `bus::observe`), so that nothing counts twice when causes are weighed. Does not:
//! weigh them (see `judge::causes`).

use packside_profiles::LineSettings;

use super::closed::closed;
use crate::evidence::share::Share;

closed! {
    /// One thing that was seen.
    pub enum Sight,
    /// A kind of thing that can be seen.
    SightKind {
        /// Not one byte came back.
        Nothing {
            /// Our questions.
            questions: u32,
        } = "nothing";
        /// Bytes came, none of them in a valid frame.
        Garbage {
            /// How many.
            bytes: u64,
        } = "garbage";
        /// The bytes are those of a swapped pair.
        InvertedLook {
            /// Share of them.
            percent: u64,
        } = "inverted-look";
        /// The bytes are those of a sender that is faster than we read.
        TooFastLook {
            /// Share of them.
            percent: u64,
        } = "too-fast-look";
        /// Readable text came.
        Text {
            /// How much.
            came: Text,
        } = "text";
        /// Answers came with a wrong check value.
        Damaged {
            /// How many.
            answers: HowMany,
        } = "damaged";
        /// Our own questions came back.
        Echo = "echo";
        /// Others were heard.
        Foreign {
            /// What of them.
            heard: Others,
        } = "foreign";
        /// Somebody else asks this unit and gets no answer either.
        AskedInVain {
            /// How often.
            times: u32,
        } = "asked-in-vain";
        /// Answers came after the time-out.
        Late {
            /// How many.
            answers: HowMany,
        } = "late";
        /// Answers of the gateway came after the time-out.
        LateByGateway {
            /// How many.
            answers: Share,
        } = "late-by-gateway";
        /// The gateway answered 0A.
        Exception0A = "exception-0a";
        /// The gateway answered 0B.
        Exception0B = "exception-0b";
        /// The answer was "busy".
        Busy {
            /// How often, where that was counted.
            answers: Option<u32>,
        } = "busy";
        /// The link was lost in between.
        Lost = "lost";
        /// Turned round, the very bytes received are right frames.
        SwappedProven {
            /// How many.
            frames: usize,
            /// At which settings.
            settings: LineSettings,
        } = "swapped-proven";
        /// Cut at other settings, the very bytes received are right frames.
        SettingsProven {
            /// How many.
            frames: usize,
            /// At which settings.
            settings: LineSettings,
        } = "settings-proven";
        /// Long answers are damaged more often than short ones.
        GrowsWithLength {
            /// Damaged long ones.
            long: Share,
            /// Damaged short ones.
            short: Share,
        } = "grows-with-length";
        /// The damage is in the first bytes.
        FirstBytes {
            /// Of the damaged ones.
            answers: Share,
        } = "first-bytes";
        /// Answers were damaged twice in the very same way.
        SameDamage {
            /// How many.
            answers: u32,
        } = "same-damage";
        /// The damage comes in a row.
        Bursts {
            /// The longest.
            row: u32,
        } = "bursts";
        /// The damage comes while current flows.
        FollowsPower {
            /// Damaged ones while current flowed.
            with: Share,
            /// Damaged ones while none flowed.
            without: Share,
        } = "follows-power";
        /// More answers are damaged than questions of others came in between.
        MoreThanCrossed {
            /// Damaged ones.
            answers: u32,
        } = "more-than-crossed";
        /// Questions were answered twice with other content.
        AnsweredTwice {
            /// How many.
            times: u32,
        } = "answered-twice";
        /// Serial number or uptime jump.
        IdentityJumps = "identity-jumps";
        /// The unit's own counter stands still behind a gateway.
        Frozen = "frozen-behind-gateway";
        /// The unit counted fewer questions than we sent.
        UnitMissed {
            /// Sent.
            questions: u32,
            /// Counted.
            heard: u32,
        } = "unit-missed-questions";
        /// The unit counted every question, and answers did not come whole.
        UnitHeardAll {
            /// Sent and counted.
            questions: u32,
            /// Answers that did not come whole.
            damaged: u32,
        } = "unit-heard-all";
        /// The unit itself counted damaged frames.
        UnitCountsErrors {
            /// How many.
            errors: u32,
        } = "unit-counts-errors";
        /// Nobody asked on this pair while we listened.
        NobodyHeard {
            /// How long that was, s.
            seconds: f64,
        } = "nobody-heard";
        /// Somebody asks another unit address.
        AsksOther {
            /// How often.
            times: u32,
        } = "asks-other";
        /// Somebody asks this unit, yet it says that it hears no inverter.
        AsksUs {
            /// How often.
            times: u32,
        } = "asks-us";
        /// Bytes that make no frame were heard while we listened.
        GarbageHeard {
            /// How many.
            bytes: u64,
        } = "garbage-heard";
        /// The map says that the inverter uses another socket than this pair.
        OtherSocket = "other-socket";
        /// The laptop sits in the inverter's socket.
        InItsSocket = "in-its-socket";
        /// The unit says that it never heard an inverter since power-up.
        NeverHeard = "never-heard";
        /// The inverter was heard before.
        HeardBefore = "heard-before";
    }
}

/// A count alone, or among tries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HowMany {
    /// So many came.
    Came(u32),
    /// So many of all.
    Among(Share),
}

/// How much readable text came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Text {
    /// All bytes that came.
    Bytes(u64),
    /// While so many questions were open.
    Questions(u32),
}

/// What was heard of others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Others {
    /// Valid frames.
    Frames(u32),
    /// They asked while so many of our questions were open.
    Crossed(u32),
}

/// What was seen, in the order of [`SightKind::ALL`], and what the link is.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Sights {
    seen: Vec<Sight>,
    /// The link is a TCP gateway.
    pub(crate) gateway: bool,
    /// Modbus TCP is spoken.
    pub(crate) tcp_framing: bool,
}

impl Sights {
    /// Nothing seen yet, on such a link.
    pub(crate) fn on(gateway: bool, tcp_framing: bool) -> Self {
        Self {
            gateway,
            tcp_framing,
            ..Self::default()
        }
    }

    /// Notes a sight where it holds.
    pub(crate) fn note_if(&mut self, holds: bool, sight: Sight) {
        if holds {
            self.note(sight);
        }
    }

    /// Notes a sight; the first one of a kind stays.
    pub(crate) fn note(&mut self, sight: Sight) {
        if !self.has(sight.kind()) {
            self.seen.push(sight);
            self.seen.sort_by_key(Sight::kind);
        }
    }

    /// Whether it was seen.
    pub(crate) fn has(&self, kind: SightKind) -> bool {
        self.get(kind).is_some()
    }

    /// It with its numbers, where it was seen.
    pub(crate) fn get(&self, kind: SightKind) -> Option<&Sight> {
        self.seen.iter().find(|seen| seen.kind() == kind)
    }

    /// Whether nothing was seen.
    pub(crate) fn is_empty(&self) -> bool {
        self.seen.is_empty()
    }
}
