//! What the grower did and saw: the ledger's entries and what they add up to.
//!
//! Entries are facts with the instant they speak of; [`book::Book`] is the
//! state that follows from all of them. Nothing here knows a file, a
//! database or a clock, and nothing here judges what worked: that is `study`.

pub mod admission;
pub mod book;
pub mod conserved;
pub mod entry;
pub mod history;
pub mod house;
pub mod label;
pub mod line;
pub mod round;
mod rules;
pub mod unit;
pub mod when;
