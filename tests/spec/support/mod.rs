//! The words of the specification.

pub(crate) mod authority;
pub(crate) mod broker;
pub(crate) mod browser;
pub(crate) mod disk;
pub(crate) mod flood;
pub(crate) mod home;
pub(crate) mod house;
pub(crate) mod peer;
pub(crate) mod phone;
pub(crate) mod plug;
pub(crate) mod process;
pub(crate) mod season;
pub(crate) mod shelf;
pub(crate) mod trace;
pub(crate) mod writer;

/// Whether full sizes are asked for (`tests/run --long`).
pub(crate) fn long() -> bool {
    std::env::var_os("VERNALOG_LONG").is_some()
}
