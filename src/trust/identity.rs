//! What this machine shows of itself at the inlet and the pages.
//!
//! Not whom it believes: that is [`crate::trust::authority`].

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio::net::TcpStream;
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::client::{
    verify_server_cert_signed_by_trust_anchor, verify_server_name,
};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::server::ParsedCertificate;
use tokio_rustls::rustls::sign::{CertifiedKey, SingleCertAndKey};
use tokio_rustls::rustls::{
    AlertDescription, CertificateError, Error, InconsistentKeys, RootCertStore,
    ServerConfig,
};
use tokio_rustls::server::TlsStream;

use crate::trust::certificates::{
    TlsError, about_certificate, certificates, provider, unix,
};
use crate::trust::inside;
use crate::trust::secret;
use crate::units::Instant;

/// Time for a whole handshake.
const HANDSHAKE: Duration = Duration::from_secs(10);
/// Handshakes that may go on at once; who comes later tries again.
const AT_ONCE: usize = 32;
/// The end of a certificate is told so long before, ms.
const AHEAD_MILLIS: i64 = 30 * 86_400_000;

/// Certificate and key of this machine.
#[derive(Clone)]
pub(crate) struct Identity {
    file: PathBuf,
    chain: Vec<CertificateDer<'static>>,
    acceptor: TlsAcceptor,
    turns: Arc<Semaphore>,
}

impl std::fmt::Debug for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Identity")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

impl Identity {
    /// Reads the files of a section of the settings; none when it names none.
    pub(crate) fn of(
        certificate: Option<&Path>,
        key: Option<&Path>,
    ) -> Result<Option<Self>, TlsError> {
        match both(certificate, key)? {
            Some((certificate, key)) => Self::read(certificate, key).map(Some),
            None => Ok(None),
        }
    }

    fn read(file: &Path, key_file: &Path) -> Result<Self, TlsError> {
        let chain = certificates(file)?;
        let wrong = |error: &Error| TlsError::Certificate {
            path: file.to_owned(),
            reason: about_certificate(error),
        };
        ParsedCertificate::try_from(&chain[0]).map_err(|e| wrong(&e))?;
        let provider = provider();
        let pair =
            CertifiedKey::from_der(chain.clone(), key(key_file)?, &provider)
                .map_err(|error| match error {
                    Error::InconsistentKeys(InconsistentKeys::KeyMismatch) => {
                        TlsError::OtherKey {
                            certificate: file.to_owned(),
                            key: key_file.to_owned(),
                        }
                    }
                    Error::InvalidCertificate(_) => wrong(&error),
                    other => TlsError::Key {
                        path: key_file.to_owned(),
                        reason: format!(
                            "{other}; RSA, ECDSA (P-256, P-384) and Ed25519 \
                             keys are known"
                        ),
                    },
                })?;
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| wrong(&error))?
            .with_no_client_auth()
            .with_cert_resolver(Arc::new(SingleCertAndKey::from(pair)));
        Ok(Self {
            file: file.to_owned(),
            chain,
            acceptor: TlsAcceptor::from(Arc::new(config)),
            turns: Arc::new(Semaphore::new(AT_ONCE)),
        })
    }

    /// What others will not like about the certificate at this instant, or
    /// within a month; with a name, also whether it stands in it.
    pub(crate) fn doubt(
        &self,
        now: Instant,
        name: Option<&str>,
    ) -> Option<String> {
        let leaf = ParsedCertificate::try_from(&self.chain[0]).ok()?;
        let file = self.file.display();
        for at in [now, now.plus_millis(AHEAD_MILLIS)] {
            match validity(&leaf, &self.chain[1..], at) {
                // Whose authority it is only the others can judge.
                Ok(())
                | Err(Error::InvalidCertificate(
                    CertificateError::UnknownIssuer,
                )) => {}
                Err(error) => {
                    let reason = about_certificate(&error);
                    return Some(format!(
                        "the certificate \"{file}\" {reason}"
                    ));
                }
            }
        }
        let asked = ServerName::try_from(name?.to_owned()).ok()?;
        let error = verify_server_name(&leaf, &asked).err()?;
        Some(format!(
            "the certificate \"{file}\" {}",
            about_certificate(&error)
        ))
    }

    /// Shakes hands with a peer, within a time and not with too many at
    /// once; else the word under which it is counted.
    pub(crate) async fn greet(
        &self,
        socket: TcpStream,
    ) -> Result<TlsStream<TcpStream>, &'static str> {
        let Ok(_turn) = self.turns.try_acquire() else {
            return Err("TLS: too many handshakes at once");
        };
        match timeout(HANDSHAKE, self.acceptor.accept(socket)).await {
            Ok(Ok(stream)) => Ok(stream),
            Ok(Err(error)) => Err(about_peer(&error)),
            Err(_) => Err("TLS: handshake not done in time"),
        }
    }
}

/// Both file names, or none.
pub(crate) fn both<T>(
    certificate: Option<T>,
    key: Option<T>,
) -> Result<Option<(T, T)>, TlsError> {
    match (certificate, key) {
        (Some(certificate), Some(key)) => Ok(Some((certificate, key))),
        (None, None) => Ok(None),
        (Some(_), None) => Err(TlsError::Alone { given: "certificate_file" }),
        (None, Some(_)) => Err(TlsError::Alone { given: "key_file" }),
    }
}

fn validity(
    leaf: &ParsedCertificate<'_>,
    others: &[CertificateDer<'_>],
    at: Instant,
) -> Result<(), Error> {
    let algorithms = ring::default_provider().signature_verification_algorithms;
    verify_server_cert_signed_by_trust_anchor(
        leaf,
        &RootCertStore::empty(),
        others,
        unix(at),
        algorithms.all,
    )
}

fn key(file: &Path) -> Result<PrivateKeyDer<'static>, TlsError> {
    let text = secret::read(file)?;
    let wrong =
        |reason: String| TlsError::Key { path: file.to_owned(), reason };
    PrivateKeyDer::from_pem_slice(text.as_bytes()).map_err(|error| {
        if text.contains("ENCRYPTED") {
            return wrong(
                "it is locked with a passphrase, and nobody is there to type \
                 it; write it unlocked: openssl pkey -in LOCKED -out OPEN"
                    .to_owned(),
            );
        }
        if text.contains("BEGIN CERTIFICATE") {
            return wrong("it is a certificate, not a key".to_owned());
        }
        wrong(format!("{error}; a PEM file with one private key is needed"))
    })
}

/// Why a peer's handshake failed, as it is counted.
fn about_peer(error: &io::Error) -> &'static str {
    use AlertDescription as A;
    match inside(error) {
        Some(Error::InvalidMessage(_)) => "TLS: the peer does not speak TLS",
        Some(Error::AlertReceived(alert)) => match alert {
            A::UnknownCA | A::BadCertificate | A::CertificateUnknown => {
                "TLS: the peer does not trust the certificate"
            }
            A::CertificateExpired => {
                "TLS: the peer finds the certificate expired or its clock is \
                 wrong"
            }
            _ => "TLS: the peer ended the handshake",
        },
        Some(Error::PeerIncompatible(_)) => {
            "TLS: the peer knows no common version or cipher"
        }
        Some(_) => "TLS: handshake failed",
        None => "TLS: connection lost in the handshake",
    }
}
