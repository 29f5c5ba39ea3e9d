//! Whose certificates are believed: the public ones, or a home's own.
//!
//! Not a way to believe everything: there is no such setting.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls_pki_types::CertificateDer;
use rustls_pki_types::pem::PemObject;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

/// Why a file of certificates cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TrustError {
    /// It is not there, or not for us.
    #[error("cannot read the certificate file {}: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// There is no certificate in it.
    #[error(
        "the file {} holds no certificate; ca_file wants the certificate of \
         the authority in PEM form (-----BEGIN CERTIFICATE-----)",
        path.display()
    )]
    None {
        /// The file.
        path: PathBuf,
    },
}

/// The certificates of a PEM file, at least one.
pub(crate) fn certificates(
    path: &Path,
) -> Result<Vec<CertificateDer<'static>>, TrustError> {
    let pem = fs::read(path).map_err(|source| TrustError::Unreadable {
        path: path.to_owned(),
        source,
    })?;
    let found = CertificateDer::pem_slice_iter(&pem)
        .collect::<Result<Vec<_>, _>>()
        .unwrap_or_default();
    if found.is_empty() {
        return Err(TrustError::None { path: path.to_owned() });
    }
    Ok(found)
}

/// A client that believes only what the authority in this file signed.
pub(crate) fn only(path: &Path) -> Result<Arc<ClientConfig>, TrustError> {
    let none = || TrustError::None { path: path.to_owned() };
    let mut roots = RootCertStore::empty();
    for certificate in certificates(path)? {
        roots.add(certificate).map_err(|_| none())?;
    }
    let provider = Arc::new(ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|_| none())?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
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
            Err(TrustError::Unreadable { .. })
        ));
        fs::write(&path, "not a certificate").unwrap();
        let told = certificates(&path).unwrap_err().to_string();
        assert!(told.contains("BEGIN CERTIFICATE"), "{told}");
    }

    #[test]
    fn a_homes_own_authority_is_believed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ca.pem");
        let names = vec!["seedbox.local".to_owned()];
        let made = rcgen::generate_simple_self_signed(names).unwrap();
        fs::write(&path, made.cert.pem()).unwrap();
        assert_eq!(certificates(&path).unwrap().len(), 1);
        only(&path).unwrap();
    }
}
