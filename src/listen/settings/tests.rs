//! Tests
