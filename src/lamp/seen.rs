//! What was seen of one lamp: edges in time, and how far they can be trusted.
//!
//! The one form into which taps and brightness traces are turned.

/// The lamp lights up or goes out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// When, ms from the beginning.
    pub at_ms: f64,
    /// Whether the lamp is lit afterwards.
    pub lit: bool,
}

/// How an observer errs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observer {
    /// Standard deviation of the time of one edge, ms.
    pub jitter_ms: f64,
    /// Share of edges that are missed.
    pub missed: f64,
    /// Share of edges that are reported twice.
    pub doubled: f64,
    /// Edges per second that come from nothing.
    pub stray_per_s: f64,
    /// Whether going out is reported as well.
    pub both_edges: bool,
}

impl Observer {
    /// A person who presses a key at every lighting-up.
    #[must_use]
    pub fn single_key() -> Self {
        Self {
            jitter_ms: 75.0,
            missed: 0.03,
            doubled: 0.01,
            stray_per_s: 0.002,
            both_edges: false,
        }
    }

    /// A person with one key for on and one for off.
    #[must_use]
    pub fn two_keys() -> Self {
        Self {
            jitter_ms: 85.0,
            missed: 0.05,
            both_edges: true,
            ..Self::single_key()
        }
    }

    /// A camera. A moment between two samples is known to half their distance either way: an even
    /// spread over one frame has a deviation of 0.29 frames, the rest is margin.
    #[must_use]
    pub fn camera(frame_ms: f64) -> Self {
        let jitter_ms = (JITTER_FRAMES * frame_ms).max(3.0);
        Self {
            jitter_ms,
            missed: 0.004,
            doubled: 0.0,
            stray_per_s: 0.02,
            both_edges: true,
        }
    }

    /// The frame of a camera that errs so.
    pub(super) fn frame_ms(&self) -> f64 {
        self.jitter_ms / JITTER_FRAMES
    }

    /// Whether a person tells it.
    pub(super) fn is_person(&self) -> bool {
        self.doubled > 0.0
    }
}

/// Jitter of a camera, in frames.
const JITTER_FRAMES: f64 = 0.38;

/// Why what was seen suffices for no pattern, however well one fits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unclear {
    /// It changes, but quicker than the samples could follow: a lamp that flickers, or one dimmed by pulses,
    /// or light from the mains, against the rate of the camera.
    TooQuick,
    /// It takes several samples to light up: a lamp dimmed by pulses drifts against the rate of the camera.
    SlowEdges,
    /// How long it stays lit decides, and one key tells only when it lights up.
    LitTime,
}

impl Unclear {
    /// Stable text.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::TooQuick => "too-quick",
            Self::SlowEdges => "slow-edges",
            Self::LitTime => "lit-time",
        }
    }
}

/// What was seen of one lamp between two moments.
#[derive(Debug, Clone, PartialEq)]
pub struct LampSeen {
    /// Edges in order of time.
    pub edges: Vec<Edge>,
    /// Beginning, ms.
    pub from_ms: f64,
    /// End, ms.
    pub to_ms: f64,
    /// How the edges err.
    pub observer: Observer,
    /// Whether the lamp was lit at the beginning, if known.
    pub lit_at_start: Option<bool>,
    /// Why it suffices for nothing, if so.
    pub unclear: Option<Unclear>,
}

impl LampSeen {
    /// Taps of one key, one at every lighting-up, ms from the beginning of watching.
    #[must_use]
    pub fn taps(taps_ms: &[f64], watched_ms: f64) -> Self {
        let mut edges: Vec<Edge> = taps_ms
            .iter()
            .map(|at| Edge {
                at_ms: *at,
                lit: true,
            })
            .collect();
        edges.sort_by(|a, b| a.at_ms.total_cmp(&b.at_ms));
        let observer = Observer::single_key();
        Self {
            edges,
            from_ms: 0.0,
            to_ms: watched_ms,
            observer,
            lit_at_start: None,
            unclear: None,
        }
    }

    /// Taps of two keys, one at every lighting-up and one at every going-out.
    #[must_use]
    pub fn two_key_taps(edges: Vec<Edge>, watched_ms: f64) -> Self {
        Self {
            edges,
            observer: Observer::two_keys(),
            ..Self::taps(&[], watched_ms)
        }
    }

    /// The part between two moments.
    #[must_use]
    pub fn part(&self, from_ms: f64, to_ms: f64) -> Self {
        let inside = |edge: &&Edge| edge.at_ms >= from_ms && edge.at_ms < to_ms;
        let edges = self.edges.iter().filter(inside).copied().collect();
        let last_before = self.edges.iter().rfind(|edge| edge.at_ms < from_ms);
        Self {
            edges,
            from_ms,
            to_ms,
            observer: self.observer,
            lit_at_start: last_before.map_or(self.lit_at_start, |edge| {
                self.observer.both_edges.then_some(edge.lit)
            }),
            unclear: self.unclear,
        }
    }
}
