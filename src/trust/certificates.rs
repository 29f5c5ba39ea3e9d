//! Certificates out of files, and what is wrong with one in words.
//!
//! Not a certificate authority: files are made with other tools, and only
//! read here. What is wrong with them is told with the file, the cause and
//! the remedy.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, UnixTime};
use tokio_rustls::rustls::crypto::{CryptoProvider, ring};
use tokio_rustls::rustls::{CertificateError, Error};

use crate::trust::secret::SecretError;
use crate::units::Instant;

/// Why files for TLS cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// Only one of the two files is named.
    #[error(
        "certificate_file and key_file belong together, and only {given} is \
         set"
    )]
    Alone {
        /// The one that is there.
        given: &'static str,
    },
    /// A file cannot be read.
    #[error("cannot read the certificate \"{}\"", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The key cannot be read, or everybody can.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// There is no certificate in the file.
    #[error(
        "\"{}\" holds no certificate (PEM, \"-----BEGIN CERTIFICATE-----\")",
        path.display()
    )]
    NoCertificate {
        /// The file.
        path: PathBuf,
    },
    /// A certificate cannot be used.
    #[error("the certificate \"{}\" cannot be used: {reason}", path.display())]
    Certificate {
        /// The file.
        path: PathBuf,
        /// Why, and what to do.
        reason: String,
    },
    /// There is no usable key in the file.
    #[error("the key \"{}\" cannot be used: {reason}", path.display())]
    Key {
        /// The file.
        path: PathBuf,
        /// Why, and what to do.
        reason: String,
    },
    /// Key and certificate do not belong together.
    #[error(
        "the key \"{}\" is not the key of the certificate \"{}\"; name the \
         two files that were made together, the certificate of this machine \
         first in its file",
        key.display(),
        certificate.display()
    )]
    OtherKey {
        /// The certificate.
        certificate: PathBuf,
        /// The key.
        key: PathBuf,
    },
}

pub(super) fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

/// The certificates of a PEM file, at least one.
///
/// # Errors
/// [`TlsError`] when it cannot be read or holds none.
pub(crate) fn certificates(
    file: &Path,
) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let text = fs::read(file).map_err(|source| TlsError::Unreadable {
        path: file.to_owned(),
        source,
    })?;
    let found: Result<Vec<_>, _> =
        CertificateDer::pem_slice_iter(&text).collect();
    let found = found.map_err(|error| TlsError::Certificate {
        path: file.to_owned(),
        reason: format!("{error}; copy the whole file again"),
    })?;
    if found.is_empty() {
        return Err(TlsError::NoCertificate { path: file.to_owned() });
    }
    Ok(found)
}

/// What is wrong with a certificate, to stand behind its name.
pub(super) fn about_certificate(error: &Error) -> String {
    use CertificateError as C;
    let Error::InvalidCertificate(wrong) = error else {
        return error.to_string();
    };
    match wrong {
        C::ExpiredContext { time, not_after } => format!(
            "is valid until {} only (the clock at hand says {}); make a new \
             one, or set the clock",
            instant(*not_after),
            instant(*time)
        ),
        C::NotValidYetContext { time, not_before } => format!(
            "is valid from {} on (the clock at hand says {}); set the clock, \
             or make a new one",
            instant(*not_before),
            instant(*time)
        ),
        C::NotValidForNameContext { expected, presented } => format!(
            "was checked for the name \"{}\", and names {}; use one of these \
             names, or make a certificate with that name in subjectAltName",
            expected.to_str(),
            match presented.is_empty() {
                true => "none in subjectAltName".to_owned(),
                false => presented
                    .iter()
                    .map(|name| bare(name))
                    .collect::<Vec<_>>()
                    .join(", "),
            }
        ),
        C::InvalidPurposeContext { .. } | C::InvalidPurpose => "is not for a \
             server; make one with extendedKeyUsage = serverAuth"
            .to_owned(),
        C::Other(other) => match other.to_string() {
            text if text.contains("UnsupportedCertVersion") => {
                "is of version 1, without names; make one of version 3 with \
                 subjectAltName"
                    .to_owned()
            }
            text if text.contains("CaUsedAsEndEntity") => "is that of an \
                 authority, not of a server; make an authority and have it \
                 sign one for the server"
                .to_owned(),
            text => format!("is refused: {text}"),
        },
        C::BadEncoding => "is damaged; copy the whole file again".to_owned(),
        other => format!("is refused: {other}"),
    }
}

/// `DnsName("seedbox.local")` without its shell.
fn bare(name: &str) -> &str {
    let inside = name
        .split_once('(')
        .and_then(|(_, rest)| rest.strip_suffix(')'))
        .unwrap_or(name);
    inside.trim_matches('"')
}

pub(super) fn unix(at: Instant) -> UnixTime {
    let seconds = u64::try_from(at.millis() / 1_000).unwrap_or(0);
    UnixTime::since_unix_epoch(Duration::from_secs(seconds))
}

fn instant(at: UnixTime) -> Instant {
    let seconds = i64::try_from(at.as_secs()).unwrap_or(i64::MAX / 1_000);
    Instant::from_millis(seconds.saturating_mul(1_000))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_without_a_certificate_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ca.pem");
        assert!(matches!(
            certificates(&path),
            Err(TlsError::Unreadable { .. })
        ));
        fs::write(&path, "not a certificate").unwrap();
        let told = certificates(&path).unwrap_err().to_string();
        assert!(told.contains("BEGIN CERTIFICATE"), "{told}");
    }
}
