//! The words of the specification.

pub(crate) mod authority;
pub(crate) mod broker;
pub(crate) mod browser;
pub(crate) mod disk;
pub(crate) mod flood;
pub(crate) mod home;
pub(crate) mod house;
pub(crate) mod pages;
pub(crate) mod peer;
pub(crate) mod phone;
pub(crate) mod plug;
pub(crate) mod process;
pub(crate) mod receivers;
pub(crate) mod season;
pub(crate) mod shelf;
pub(crate) mod trace;
pub(crate) mod writer;

/// A file that only its owner may read, with this secret in it. It lies in a
/// folder that is left to the system's cleaning.
pub(crate) fn secret(text: &str) -> std::path::PathBuf {
    use std::os::unix::fs::PermissionsExt;
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), text).unwrap();
    let closed = std::fs::Permissions::from_mode(0o600);
    std::fs::set_permissions(file.path(), closed).unwrap();
    file.into_temp_path().keep().unwrap()
}

/// Whether full sizes are asked for (`tests/run --long`).
pub(crate) fn long() -> bool {
    std::env::var_os("VERNALOG_LONG").is_some()
}
