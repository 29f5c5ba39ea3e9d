//! The specification: one chapter a file, each test a sentence.

#![allow(
    clippy::unwrap_used,
    reason = "a helper of a test may fail the test with it, like the test"
)]

mod support;

mod asking;
mod bad_trials;
mod collecting;
mod command_line;
mod delivering;
mod demo;
mod demo_data;
mod designs;
mod documents;
mod encrypted;
mod faults;
mod figures;
mod finding_faults;
mod keeping;
mod labels;
mod ledger_form;
mod published;
mod reporting;
mod sources;
mod storing;
mod thermal_time;
mod trial_folder;
mod truth;
mod watches;
mod watching;
mod web_page;

#[path = "../bench/hostile/inputs.rs"]
mod inputs;
