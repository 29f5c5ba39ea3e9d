//! The specification: one chapter a file, each test a sentence.

#![allow(
    clippy::unwrap_used,
    reason = "a helper of a test may fail the test with it, like the test"
)]

mod support;

mod collecting;
mod sources;
mod ledger_form;
mod storing;
mod keeping;
mod command_line;
mod trial_folder;
mod watching;
mod truth;
mod thermal_time;
mod reporting;
mod figures;
mod demo_data;
mod demo;
mod faults;
mod documents;
