//! Delivering: an alert leaves by mail, webhook, broker or command, and what
//! is not taken waits.

mod bad_input;
mod chaos;
mod encrypted;
mod kept_states;
mod manners;
mod story;
pub(crate) mod ways;
