//! TLS from files: what the inlet and the pages show of themselves, and
//! which authority vouches for a broker.
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
use rustls_pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use tokio::net::TcpStream;
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::client::{
    verify_server_cert_signed_by_trust_anchor, verify_server_name,
};
use tokio_rustls::rustls::crypto::{CryptoProvider, ring};
use tokio_rustls::rustls::server::ParsedCertificate;
use tokio_rustls::rustls::sign::{CertifiedKey, SingleCertAndKey};
use tokio_rustls::rustls::time_provider::TimeProvider;
use tokio_rustls::rustls::{
    AlertDescription, CertificateError, ClientConfig, Error, InconsistentKeys,
    RootCertStore, ServerConfig,
};
use tokio_rustls::server::TlsStream;

use crate::source::Now;
use crate::source::secret::{self, SecretError};
use crate::units::Instant;

/// Time for a whole handshake.
const HANDSHAKE: Duration = Duration::from_secs(10);
/// Handshakes that may go on at once; who comes later tries again.
const AT_ONCE: usize = 32;
/// The end of a certificate is told so long before, ms.
const AHEAD_MILLIS: i64 = 30 * 86_400_000;

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

fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

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

/// Who vouches for a broker.
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

    /// For a client; certificates are judged by the clock that is given.
    pub(crate) fn client(&self, now: Now) -> Result<Arc<ClientConfig>, Error> {
        let config = ClientConfig::builder_with_details(
            provider(),
            Arc::new(OurClock(now)),
        )
        .with_safe_default_protocol_versions()?
        .with_root_certificates(Arc::clone(&self.roots))
        .with_no_client_auth();
        Ok(Arc::new(config))
    }

    /// Why a broker was not trusted.
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
struct OurClock(Now);

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

fn unix(at: Instant) -> UnixTime {
    let seconds = u64::try_from(at.millis() / 1_000).unwrap_or(0);
    UnixTime::since_unix_epoch(Duration::from_secs(seconds))
}

fn instant(at: UnixTime) -> Instant {
    let seconds = i64::try_from(at.as_secs()).unwrap_or(i64::MAX / 1_000);
    Instant::from_millis(seconds.saturating_mul(1_000))
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
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

/// What is wrong with a certificate, to stand behind its name.
fn about_certificate(error: &Error) -> String {
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

/// The rustls error inside what the socket says.
pub(crate) fn inside(error: &io::Error) -> Option<&Error> {
    error.get_ref()?.downcast_ref()
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
