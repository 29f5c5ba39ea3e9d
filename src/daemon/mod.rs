//! The long-running part: sources, writer, watches and outbox, started in
//! order and stopped in order.

pub mod clock;
pub mod lock;
mod outbox;
mod pipeline;
mod watching;
mod writer;

pub use pipeline::{DaemonError, Drained, Plan, Running, start};
