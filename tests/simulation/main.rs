//! Calibration: do intervals hold the truth, and do tests raise false
//! alarms, as often as they say?
//!
//! The short version runs with the other tests. The long one takes minutes:
//!
//! ```text
//! VERNALOG_LONG=1 cargo test --release --test simulation -- --nocapture
//! ```
//!
//! Seeds of the generators were fixed before anybody looked and are the same
//! in both. Not a test of formulas against published values; those stand
//! beside the formulas.

#![allow(
    clippy::unwrap_used,
    reason = "a helper of a test may fail the test with it, like the test"
)]

mod scale;

#[path = "../spec/support/season.rs"]
mod season;

mod counts;

mod intervals;

mod alarms;

mod misspecified;

mod program;

mod seasons;

mod ahead;
