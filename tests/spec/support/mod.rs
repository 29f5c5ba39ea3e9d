//! The words of the specification.

pub(crate) mod broker;
pub(crate) mod peer;
pub(crate) mod writer;
