//! The specification: one chapter a file, each test a sentence.

#![allow(
    clippy::unwrap_used,
    reason = "a helper of a test may fail the test with it, like the test"
)]

mod support;

mod command_line;
mod demo_data;
mod figures;
mod ledger_form;
mod sources;
mod thermal_time;
mod trial_folder;
mod truth;
