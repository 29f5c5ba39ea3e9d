//! An alert as an HTTP request to an address of the grower's choice.
//!
//! The documented JSON is posted; any 2xx means taken. Deliberately no
//! redirects, and the answer's body is dropped unread. The client blocks, so
//! each request has a thread of its own that never outlives the time-out.

use std::fmt;
use std::io;
use std::path::PathBuf;
use std::time::Duration;

use hmac::{Hmac, Mac};
use serde::Deserialize;
use sha2::Sha256;
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::time::timeout;
use ureq::http::Uri;
use ureq::tls::{Certificate, RootCerts, TlsConfig};

use crate::notify::LONGEST_TIME_OUT_SECS;
use crate::observation::Name;
use crate::trust::TlsError;
use crate::trust::certificates::certificates;
use crate::trust::secret::{Secret, SecretError};

/// How long a request may take unless the settings say otherwise, s.
const TIME_OUT_SECS: u64 = 20;
/// The header with the signature: `sha256=` and the HMAC-SHA256 (RFC 2104,
/// FIPS 180-4) of the body's bytes under the secret, in lower-case hex.
pub const SIGNATURE: &str = "Vernalog-Signature";

/// A `[[channel]]` of kind `webhook`.
#[derive(Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Where to, http or https.
    pub url: Option<String>,
    /// Instead: a file that holds the address and nothing else, for those
    /// that are a secret themselves.
    pub url_file: Option<PathBuf>,
    /// A file that holds the key of the signature; without it none is sent.
    pub secret_file: Option<PathBuf>,
    /// A certificate authority of the home's own, PEM; without it the public
    /// ones are believed.
    pub ca_file: Option<PathBuf>,
    /// How long one request may take, s; 20 when absent.
    #[serde(default = "usual_time_out")]
    pub time_out_secs: u64,
    /// What the outbox knows the channel by; `webhook` when absent.
    pub name: Option<Name>,
    /// The channel for which this one stands in.
    pub stands_in_for: Option<Name>,
    /// After so many failures of the other; 5 when absent.
    pub after_failures: Option<u32>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            url: None,
            url_file: None,
            secret_file: None,
            ca_file: None,
            time_out_secs: TIME_OUT_SECS,
            name: None,
            stands_in_for: None,
            after_failures: None,
        }
    }
}

/// An address may be a secret, so it is not shown.
impl fmt::Debug for Settings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("webhook::Settings")
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

fn usual_time_out() -> u64 {
    TIME_OUT_SECS
}

/// Why a webhook of the settings cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// Neither or both.
    #[error("give either `url` or `url_file`")]
    OneAddress,
    /// Not an address.
    #[error(transparent)]
    Address(#[from] AddressError),
    /// Too short or too long.
    #[error(
        "`time_out_secs` is {secs}; use 1 to {LONGEST_TIME_OUT_SECS} seconds"
    )]
    TimeOut {
        /// As set.
        secs: u64,
    },
}

/// Why a text is no address to post to. The text may be a secret and is not
/// repeated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// Not readable as an address.
    #[error("the address is none such as \"https://example.org/alerts\"")]
    None,
    /// Another scheme.
    #[error("the address begins with neither http:// nor https://")]
    Scheme,
    /// A password in the address.
    #[error(
        "the address holds a user or password before an \"@\"; put a secret \
         into secret_file, or the whole address into url_file"
    )]
    Login,
}

/// Why a webhook did not take an alert.
#[derive(Debug, thiserror::Error)]
pub enum WebhookError {
    /// It cannot be reached, or the way there broke.
    #[error("cannot talk to {host}: {why}")]
    Unreachable {
        /// Scheme, name and port.
        host: String,
        /// What was met.
        why: String,
    },
    /// It answered otherwise than with 2xx.
    #[error("{host} answered {status}{}", hint(*status))]
    Refused {
        /// Scheme, name and port.
        host: String,
        /// The HTTP status.
        status: u16,
    },
    /// A secret or the address cannot be read.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The address in its file is none.
    #[error(transparent)]
    Address(#[from] AddressError),
    /// The authority's certificate cannot be read.
    #[error(transparent)]
    Trust(#[from] TlsError),
    /// There is no thread to be had.
    #[error("a thread could not be started")]
    Thread(#[from] io::Error),
}

fn hint(status: u16) -> &'static str {
    match status {
        300..=399 => "; redirects are not followed: set the new address",
        401 | 403 => "; the address or the secret may be wrong",
        404 | 410 => "; the address may be wrong",
        _ => "",
    }
}

/// What is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// No body.
    Get,
    /// A JSON body.
    Post,
}

/// A webhook, ready to post.
#[derive(Clone, PartialEq, Eq)]
pub struct Webhook {
    settings: Settings,
}

impl fmt::Debug for Webhook {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.settings.fmt(f)
    }
}

impl Webhook {
    /// Checks the settings, without looking at file system or network.
    ///
    /// # Errors
    /// [`SettingsError`] when they could never work.
    pub fn new(settings: Settings) -> Result<Self, SettingsError> {
        if settings.url.is_some() == settings.url_file.is_some() {
            return Err(SettingsError::OneAddress);
        }
        if let Some(url) = &settings.url {
            understood(url)?;
        }
        let secs = settings.time_out_secs;
        if !(1..=LONGEST_TIME_OUT_SECS).contains(&secs) {
            return Err(SettingsError::TimeOut { secs });
        }
        Ok(Self { settings })
    }

    /// Whether its files can be read.
    ///
    /// # Errors
    /// [`WebhookError`] when a file cannot be used.
    pub fn look(&self) -> Result<(), WebhookError> {
        self.uri()?;
        self.secret()?;
        self.settings.ca_file.as_deref().map(certificates).transpose()?;
        Ok(())
    }

    /// Whether somebody listens there; nothing is sent.
    ///
    /// # Errors
    /// [`WebhookError`].
    pub async fn try_out(&self) -> Result<(), WebhookError> {
        self.look()?;
        let uri = self.uri()?;
        let default = if is_encrypted(&uri) { 443 } else { 80 };
        let port = uri.port_u16().unwrap_or(default);
        let name = uri.host().unwrap_or_default().trim_matches(['[', ']']);
        let unreachable = |why: String| WebhookError::Unreachable {
            host: host_of(&uri),
            why,
        };
        let time = Duration::from_secs(self.settings.time_out_secs);
        match timeout(time, TcpStream::connect((name, port))).await {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(error)) => Err(unreachable(error.to_string())),
            Err(_) => Err(unreachable("nobody answered in time".to_owned())),
        }
    }

    /// Sends one request; the answer's body is dropped.
    ///
    /// # Errors
    /// [`WebhookError`] unless the answer was 2xx, in time.
    pub async fn send(
        &self,
        method: Method,
        json: &str,
    ) -> Result<(), WebhookError> {
        let uri = self.uri()?;
        let agent = self.agent()?;
        let signature = self
            .secret()?
            .map(|secret| signature(secret.expose().as_bytes(), json));
        let (tell, told) = oneshot::channel();
        let (asked, body) = (uri.clone(), json.to_owned());
        std::thread::Builder::new().name("webhook".to_owned()).spawn(
            move || {
                let answer = request(&agent, method, asked, &body, signature);
                // Nobody waits for it any more when the daemon stops.
                drop(tell.send(answer));
            },
        )?;
        let unreachable = |why: String| WebhookError::Unreachable {
            host: host_of(&uri),
            why,
        };
        match told.await {
            Ok(Ok(200..300)) => Ok(()),
            Ok(Ok(status)) => {
                Err(WebhookError::Refused { host: host_of(&uri), status })
            }
            Ok(Err(error)) => Err(unreachable(in_words(&error))),
            Err(_) => Err(unreachable("the request broke off".to_owned())),
        }
    }

    fn uri(&self) -> Result<Uri, WebhookError> {
        if let Some(url) = &self.settings.url {
            return Ok(understood(url)?);
        }
        let file = self.settings.url_file.as_deref();
        let secret = file.map(Secret::read).transpose()?;
        let text = secret.as_ref().map_or("", Secret::expose);
        Ok(understood(text.trim())?)
    }

    fn secret(&self) -> Result<Option<Secret>, SecretError> {
        self.settings.secret_file.as_deref().map(Secret::read).transpose()
    }

    fn agent(&self) -> Result<ureq::Agent, WebhookError> {
        let mut tls = TlsConfig::builder();
        if let Some(path) = &self.settings.ca_file {
            let own: Vec<Certificate<'static>> = certificates(path)?
                .iter()
                .map(|one| Certificate::from_der(one).to_owned())
                .collect();
            tls = tls.root_certs(RootCerts::new_with_certs(&own));
        }
        let time = Duration::from_secs(self.settings.time_out_secs);
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(time))
            .max_redirects(0)
            .max_redirects_will_error(false)
            .http_status_as_error(false)
            .proxy(None)
            .user_agent(concat!("vernalog/", env!("CARGO_PKG_VERSION")))
            .max_idle_connections(0)
            .tls_config(tls.build())
            .build();
        Ok(config.into())
    }
}

fn request(
    agent: &ureq::Agent,
    method: Method,
    uri: Uri,
    json: &str,
    signature: Option<String>,
) -> Result<u16, ureq::Error> {
    let answer = match method {
        Method::Get => agent.get(uri).call(),
        Method::Post => {
            let mut post =
                agent.post(uri).header("Content-Type", "application/json");
            if let Some(signature) = signature {
                post = post.header(SIGNATURE, signature);
            }
            post.send(json)
        }
    }?;
    Ok(answer.status().as_u16())
}

/// What the client met, without the address, which may be a secret.
fn in_words(error: &ureq::Error) -> String {
    match error {
        ureq::Error::Timeout(_) => "no answer in time".to_owned(),
        ureq::Error::HostNotFound => "no such host".to_owned(),
        ureq::Error::BadUri(_) => "the address cannot be used".to_owned(),
        ureq::Error::Io(error) => error.to_string(),
        other => other.to_string(),
    }
}

/// The value of the signature's header.
#[must_use]
pub fn signature(secret: &[u8], body: &str) -> String {
    let mut mac = Hmac::<Sha256>::new_from_slice(secret)
        .expect("HMAC takes keys of any length");
    mac.update(body.as_bytes());
    let hex: String = mac
        .finalize()
        .into_bytes()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    format!("sha256={hex}")
}

/// An address that can be posted to.
fn understood(text: &str) -> Result<Uri, AddressError> {
    let uri: Uri = text.parse().map_err(|_| AddressError::None)?;
    if !matches!(uri.scheme_str(), Some("http" | "https")) {
        return Err(AddressError::Scheme);
    }
    let authority = uri.authority().ok_or(AddressError::None)?;
    if authority.as_str().contains('@') {
        return Err(AddressError::Login);
    }
    if authority.host().is_empty() {
        return Err(AddressError::None);
    }
    Ok(uri)
}

fn is_encrypted(uri: &Uri) -> bool {
    uri.scheme_str() == Some("https")
}

/// Scheme, name and port: what may be shown of an address.
fn host_of(uri: &Uri) -> String {
    let authority = uri.authority().map_or("", |a| a.as_str());
    format!("{}://{authority}", uri.scheme_str().unwrap_or("http"))
}

/// Files named in the settings, to be meant from their folder.
pub(crate) fn files(settings: &mut Settings) -> Vec<&mut PathBuf> {
    [&mut settings.url_file, &mut settings.secret_file, &mut settings.ca_file]
        .into_iter()
        .flatten()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trust::secret::tests::file;

    fn settings(text: &str) -> Settings {
        toml::from_str(text).unwrap()
    }

    /// Source: RFC 4231, section 4.3 (test case 2): key "Jefe", data "what
    /// do ya want for nothing?".
    #[test]
    fn the_signature_is_the_hmac_of_rfc_4231_case_2() {
        assert_eq!(
            signature(b"Jefe", "what do ya want for nothing?"),
            "sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b9\
             64ec3843"
        );
    }

    #[test]
    fn an_address_that_cannot_be_posted_to_is_told_without_repeating_it() {
        for (url, expected) in [
            ("htp://x/secret-token", AddressError::Scheme),
            ("/secret-token", AddressError::Scheme),
            ("http://a:b@x/secret-token", AddressError::Login),
            ("http://x y/secret-token", AddressError::None),
        ] {
            let error = Webhook::new(settings(&format!("url = \"{url}\"")))
                .unwrap_err();
            assert_eq!(error, SettingsError::Address(expected), "{url}");
            assert!(!error.to_string().contains("secret-token"));
        }
        let neither = Webhook::new(settings("")).unwrap_err();
        assert_eq!(neither, SettingsError::OneAddress);
    }

    #[test]
    fn an_address_from_a_file_is_not_shown() {
        let folder = tempfile::tempdir().unwrap();
        let url = "http://127.0.0.1:9/secret-token\n";
        let path = file(folder.path(), url, 0o600);
        let text = format!("url_file = \"{}\"", path.display());
        let webhook = Webhook::new(settings(&text)).unwrap();
        webhook.look().unwrap();
        let shown = format!("{webhook:?} {}", host_of(&webhook.uri().unwrap()));
        assert!(!shown.contains("secret-token"), "{shown}");
    }
}
