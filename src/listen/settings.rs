//! Which line settings and wiring explain what was received.
