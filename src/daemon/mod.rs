//! The long-running part: sources, writer, watches and outbox, started in
//! order and stopped in order; and the settings that everything shares.

pub mod backups;
pub mod clock;
pub mod diagnosis;
pub mod heartbeat;
pub mod host_clock;
mod keeping;
pub mod lock;
pub mod new_settings;
mod outbox;
mod pipeline;
pub mod service;
pub mod settings;
pub mod system;
pub mod telling;
mod unstored;
mod watch_states;
mod watching;
mod writer;

pub(crate) use outbox::HEARTBEAT;
pub use pipeline::{DaemonError, Drained, Plan, Running, start};
