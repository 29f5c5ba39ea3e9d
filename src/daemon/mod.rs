//! The long-running part, and the settings that everything shares.
//!
//! It gathers and runs; what a setting means is said beside what it sets.

pub mod clock;

pub mod settings;

pub mod new_settings;
