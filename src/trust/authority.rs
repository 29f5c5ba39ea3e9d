//! Which authority vouches for a server: a home's own, out of a file.
//!
//! Not a way to believe everything: there is no such setting.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls_pki_types::UnixTime;
use tokio_rustls::rustls::time_provider::{DefaultTimeProvider, TimeProvider};
use tokio_rustls::rustls::{
    CertificateError, ClientConfig, Error, RootCertStore,
};

use crate::trust::certificates::{
    TlsError, about_certificate, certificates, provider, unix,
};
use crate::units::Instant;

/// Who vouches for the servers that are asked.
#[derive(Debug, Clone)]
pub(crate) struct Authority {
    file: PathBuf,
    roots: Arc<RootCertStore>,
}

impl Authority {
    /// Reads the certificates of one or several authorities.
    pub(crate) fn read(file: &Path) -> Result<Self, TlsError> {
        let mut roots = RootCertStore::empty();
        for certificate in certificates(file)? {
            roots.add(certificate).map_err(|error| TlsError::Certificate {
                path: file.to_owned(),
                reason: about_certificate(&error),
            })?;
        }
        Ok(Self { file: file.to_owned(), roots: Arc::new(roots) })
    }

    /// For a client; certificates are judged by the machine's clock.
    pub(crate) fn client(&self) -> Result<Arc<ClientConfig>, TlsError> {
        self.client_with(Arc::new(DefaultTimeProvider)).map_err(|error| {
            TlsError::Certificate {
                path: self.file.clone(),
                reason: error.to_string(),
            }
        })
    }

    /// For a client; certificates are judged by the clock that is given.
    pub(crate) fn client_at(
        &self,
        now: Arc<dyn Fn() -> Instant + Send + Sync>,
    ) -> Result<Arc<ClientConfig>, Error> {
        self.client_with(Arc::new(OurClock(now)))
    }

    fn client_with(
        &self,
        time: Arc<dyn TimeProvider>,
    ) -> Result<Arc<ClientConfig>, Error> {
        let config = ClientConfig::builder_with_details(provider(), time)
            .with_safe_default_protocol_versions()?
            .with_root_certificates(Arc::clone(&self.roots))
            .with_no_client_auth();
        Ok(Arc::new(config))
    }

    /// Why a server was not trusted.
    pub(crate) fn told(&self, place: &str, error: &Error) -> String {
        let file = self.file.display();
        match error {
            Error::InvalidCertificate(
                CertificateError::UnknownIssuer
                | CertificateError::BadSignature,
            ) => format!(
                "the certificate of {place} is not signed by the authority \
                 in \"{file}\"; copy that authority's certificate (ca.crt) \
                 here, not the broker's own"
            ),
            Error::InvalidCertificate(_) => {
                let reason = about_certificate(error);
                format!("the certificate of {place} {reason}")
            }
            Error::InvalidMessage(_) => format!(
                "{place} does not speak TLS; brokers mostly do so on port \
                 8883, or take ca_file away"
            ),
            Error::AlertReceived(alert) => {
                format!("{place} ended the TLS handshake ({alert:?})")
            }
            other => format!("TLS with {place}: {other}"),
        }
    }
}

#[derive(Clone)]
struct OurClock(Arc<dyn Fn() -> Instant + Send + Sync>);

impl std::fmt::Debug for OurClock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("OurClock")
    }
}

impl TimeProvider for OurClock {
    fn current_time(&self) -> Option<UnixTime> {
        Some(unix((self.0)()))
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_homes_own_authority_is_believed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ca.pem");
        let names = vec!["seedbox.local".to_owned()];
        let made = rcgen::generate_simple_self_signed(names).unwrap();
        fs::write(&path, made.cert.pem()).unwrap();
        Authority::read(&path).unwrap().client().unwrap();
    }
}
