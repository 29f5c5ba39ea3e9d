//! The words of the specification.

pub(crate) mod broker;
pub(crate) mod flood;
pub(crate) mod home;
pub(crate) mod house;
pub(crate) mod peer;
pub(crate) mod writer;
