//! Whether a frame stands at the begin of some bytes.

/// What stands at the begin of some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FrameMeasure {
    /// A frame of this length.
    Frame(usize),
    /// More bytes are needed to tell.
    More,
    /// No frame.
    Nothing,
}
