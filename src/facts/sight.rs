//! What can be seen of a bus or of an inverter link, as one closed list.
//!
//! A [`Sights`] holds each sight at most once, with its words and numbers. Sights that come from the
//! same happening are set once, the most telling one (see `bus::observe`), so that nothing counts
//! twice when causes are weighed.

macro_rules! sights {
    ($($variant:ident = $id:literal, $words:literal;)+) => {
        /// One thing that can be seen.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub(crate) enum Sight { $($variant),+ }

        impl Sight {
            /// Every sight.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Stable id.
            pub(crate) fn id(self) -> &'static str {
                match self { $(Self::$variant => $id),+ }
            }

            /// Words without numbers.
            pub(crate) fn words(self) -> &'static str {
                match self { $(Self::$variant => $words),+ }
            }
        }
    };
}

sights! {
    Nothing = "nothing", "not one byte came back";
    Garbage = "garbage", "bytes came, none of them a valid frame";
    InvertedLook = "inverted-look", "the bytes are mostly 7F, FE and FF";
    TooFastLook = "too-fast-look", "the bytes are mostly 00, 80, E0 and F8";
    Text = "text", "the bytes are readable text";
    Damaged = "damaged", "answers came with a wrong check value";
    Echo = "echo", "our own questions came back";
    Foreign = "foreign", "valid frames of others were heard";
    AskedInVain = "asked-in-vain", "somebody else asks this unit too, and gets no answer either";
    Late = "late", "answers came after the time-out";
    LateByGateway = "late-by-gateway", "answers of the gateway came after the time-out";
    Exception0A = "exception-0a", "the gateway answered 0A (no path)";
    Exception0B = "exception-0b", "the gateway answered 0B (no answer behind it)";
    Busy = "busy", "the answer was \"busy\" (exception 05 or 06)";
    Lost = "lost", "the link was lost in between";
    SwappedProven = "swapped-proven", "turned round, the very bytes received are right frames";
    SettingsProven = "settings-proven", "cut at other settings, the very bytes received are right frames";
    GrowsWithLength = "grows-with-length", "long answers are damaged more often than short ones";
    FirstBytes = "first-bytes", "the damage is in the first bytes, right after a driver takes the line";
    SameDamage = "same-damage", "answers were damaged twice in the very same way";
    Bursts = "bursts", "the damage comes in a row";
    FollowsPower = "follows-power", "the damage comes while current flows";
    MoreThanCrossed = "more-than-crossed", "more answers are damaged than questions of others came in between";
    AnsweredTwice = "answered-twice", "questions were answered twice with other content";
    IdentityJumps = "identity-jumps", "serial number or uptime jump";
    Frozen = "frozen-behind-gateway", "the unit's own counter stands still behind a gateway";
    UnitMissed = "unit-missed-questions", "the unit counted fewer questions than we sent: damage on the way to it";
    UnitHeardAll = "unit-heard-all", "the unit counted every question: damage on the way back";
    UnitCountsErrors = "unit-counts-errors", "the unit itself counted damaged frames";
    NobodyHeard = "nobody-heard", "nobody asked on this pair while we listened";
    AsksOther = "asks-other", "somebody asks another unit address";
    AsksUs = "asks-us", "somebody asks this unit, yet it says that it hears no inverter";
    GarbageHeard = "garbage-heard", "bytes that make no frame were heard while we listened";
    OtherSocket = "other-socket", "the map says that the inverter uses another socket than this pair";
    InItsSocket = "in-its-socket", "the laptop sits in the inverter's socket";
    NeverHeard = "never-heard", "the unit says that it never heard an inverter since power-up";
    HeardBefore = "heard-before", "the inverter was heard before";
}

/// What was seen, in the order of [`Sight::ALL`], and what the link is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Sights {
    seen: Vec<(Sight, String)>,
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

    /// Notes a sight where it holds, in its own words.
    pub(crate) fn note(&mut self, sight: Sight, holds: bool) {
        if holds {
            self.note_as(sight, sight.words().to_owned());
        }
    }

    /// Notes a sight in words with numbers; the first words stay.
    pub(crate) fn note_as(&mut self, sight: Sight, words: String) {
        if !self.has(sight) {
            self.seen.push((sight, words));
            self.seen.sort_by_key(|(sight, _)| *sight);
        }
    }

    /// Whether it was seen.
    pub(crate) fn has(&self, sight: Sight) -> bool {
        self.words(sight).is_some()
    }

    /// The words for it, where it was seen.
    pub(crate) fn words(&self, sight: Sight) -> Option<&str> {
        self.seen
            .iter()
            .find(|(seen, _)| *seen == sight)
            .map(|(_, words)| words.as_str())
    }

    /// Whether nothing was seen.
    pub(crate) fn is_empty(&self) -> bool {
        self.seen.is_empty()
    }
}
