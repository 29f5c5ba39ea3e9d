//! Files that hold secrets and certificates, read with care.
//!
//! Not a store of them: files are named in the settings, made with other
//! tools, and read anew when they are needed. There is no setting that
//! believes everybody.

pub(crate) mod authority;
pub(crate) mod certificates;
pub(crate) mod identity;
pub(crate) mod secret;

use std::io;

use tokio_rustls::rustls::Error;

pub use certificates::TlsError;
pub use secret::SecretError;

/// The rustls error inside what the socket says.
pub(crate) fn inside(error: &io::Error) -> Option<&Error> {
    error.get_ref()?.downcast_ref()
}
