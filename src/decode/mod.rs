//! From bytes to samples, and from a board's uptime to instants.
//!
//! ```text
//! packet ─► payload ─┐            ┌─► Dating: when was it taken?
//! packet ─► Mapping ─┼─► Message ─┤
//! line ───► line ────┘            └─► Watchfulness: is it believable?
//! ```
//!
//! Reading order: [`payload()`] is the wire contract of
//! `firmware-notes/wire-contract.md`; [`senml`], [`line()`] and [`Mapping`]
//! are the other ways in; [`dating`] and [`watchful`] look at what came in
//! over time. Nothing here opens a socket, reads a clock or keeps a reading,
//! and no input, however broken, makes it panic.

mod refusal;

mod json;
mod payload;
mod unit;
mod value;

pub mod dating;
pub mod line;
pub mod mapping;
pub mod pointer;
pub mod senml;
pub mod topic;
pub mod watchful;

#[cfg(test)]
mod contract_page;

pub use line::{Checksum, LineAssembler, answer, line, sealed};
pub use mapping::{Field, Mapping, MappingError};
pub use payload::{MOST_BYTES, MOST_SAMPLES, payload};
pub use refusal::Refusal;
pub use topic::{TopicFilter, topic_matches};
pub use unit::Unit;
