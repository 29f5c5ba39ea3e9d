//! An alert as a mail, by the grower's own mail account.
//!
//! Not a mail server: each mail is handed to one, encrypted, with a login.
//! Repeats of one message have one Message-ID, and what follows on an alert
//! refers to the mail that began it, so that readers show them together.

use std::fmt;
use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use lettre::message::header::{self, ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message};
use lettre::transport::smtp;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{
    Certificate, CertificateStore, Tls, TlsParameters,
};
use lettre::transport::smtp::extension::ClientId;
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
use serde::Deserialize;
use tokio::time::timeout;

use crate::notify::body::AlertJson;
use crate::notify::{LONGEST_TIME_OUT_SECS, in_a_row, plain};
use crate::observation::{Name, shown};
use crate::trust::TlsError;
use crate::trust::certificates::certificates;
use crate::trust::secret::{Secret, SecretError};

/// How long handing over a mail may take unless the settings say, s.
const TIME_OUT_SECS: u64 = 30;
/// Subjects are cut here, letters.
const LONGEST_SUBJECT: usize = 120;

/// A `[[channel]]` of kind `mail`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The mail server that takes mails for sending.
    pub host: String,
    /// Its port; 587 with STARTTLS, 465 with TLS from the first byte.
    pub port: Option<u16>,
    /// How the way there is encrypted.
    #[serde(default)]
    pub tls: Encryption,
    /// A certificate authority of the home's own, PEM; without it the public
    /// ones are believed.
    pub ca_file: Option<PathBuf>,
    /// The user at the mail server.
    pub user: Option<String>,
    /// File that holds the user's password and nothing else.
    pub password_file: Option<PathBuf>,
    /// The sender.
    pub from: String,
    /// Who gets it.
    pub to: Vec<String>,
    /// What this machine calls itself; its host name when absent.
    pub helo: Option<String>,
    /// How long handing over one mail may take, s; 30 when absent.
    #[serde(default = "usual_time_out")]
    pub time_out_secs: u64,
    /// What the outbox knows the channel by; `mail` when absent.
    pub name: Option<Name>,
    /// The channel for which this one stands in.
    pub stands_in_for: Option<Name>,
    /// After so many failures of the other; 5 when absent.
    pub after_failures: Option<u32>,
}

fn usual_time_out() -> u64 {
    TIME_OUT_SECS
}

/// How the way to the mail server is encrypted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Encryption {
    /// Begun in clear and encrypted before the login; required, not tried.
    #[default]
    StartTls,
    /// From the first byte.
    Tls,
    /// Not at all: only to a server on this machine.
    None,
}

impl Encryption {
    /// The port commonly used (RFC 8314; 25 for a server on this machine).
    const fn port(self) -> u16 {
        match self {
            Self::StartTls => 587,
            Self::Tls => 465,
            Self::None => 25,
        }
    }
}

/// Why a mail channel of the settings cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// Not an address.
    #[error(
        "`{key}` is \"{text}\", which is no mail address such as \
         \"rowan@example.org\""
    )]
    Address {
        /// `from` or `to`.
        key: &'static str,
        /// As set.
        text: String,
    },
    /// Nobody would get it.
    #[error("`to` names nobody; write to = [\"rowan@example.org\"]")]
    Nobody,
    /// No server.
    #[error("`host` is \"{host}\", which is no name of a mail server")]
    Host {
        /// As set.
        host: String,
    },
    /// One without the other.
    #[error(
        "`user` and `password_file` belong together; one of them is missing"
    )]
    HalfALogin,
    /// The password would cross the network for all to read.
    #[error(
        "tls = \"none\" is only for a mail server on this machine, not for \
         \"{host}\": password and mails would be read on the way"
    )]
    InClear {
        /// As set.
        host: String,
    },
    /// Too short or too long.
    #[error(
        "`time_out_secs` is {secs}; use 1 to {LONGEST_TIME_OUT_SECS} seconds"
    )]
    TimeOut {
        /// As set.
        secs: u64,
    },
}

/// Why a mail was not taken.
#[derive(Debug, thiserror::Error)]
pub enum MailError {
    /// The server cannot be reached, or the way there broke.
    #[error("cannot talk to the mail server {server}: {why}")]
    Unreachable {
        /// Name and port.
        server: String,
        /// What was met.
        why: String,
    },
    /// The login was refused.
    #[error(
        "the mail server {server} refused the login of \"{user}\": {why}; \
         see user and password_file of this channel"
    )]
    Login {
        /// Name and port.
        server: String,
        /// As set.
        user: String,
        /// What it said.
        why: String,
    },
    /// The mail was refused.
    #[error("the mail server {server} did not take the mail: {why}")]
    Refused {
        /// Name and port.
        server: String,
        /// What it said.
        why: String,
    },
    /// No answer in time; the server may have taken it all the same.
    #[error("the mail server {server} did not answer within {secs} s")]
    TimedOut {
        /// Name and port.
        server: String,
        /// The time-out, s.
        secs: u64,
    },
    /// The password cannot be read.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The authority's certificate cannot be read.
    #[error(transparent)]
    Trust(#[from] TlsError),
    /// The mail cannot be written.
    #[error("cannot write the mail: {why}")]
    Written {
        /// What was met.
        why: String,
    },
}

/// A mail channel, ready to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mail {
    settings: Settings,
    from: Mailbox,
    to: Vec<Mailbox>,
}

impl Mail {
    /// Checks the settings, without looking at file system or network.
    ///
    /// # Errors
    /// [`SettingsError`] when they could never work.
    pub fn new(settings: Settings) -> Result<Self, SettingsError> {
        let address = |key, text: &String| {
            text.parse::<Mailbox>()
                .ok()
                // A domain alone is taken by the parser, and by no server.
                .filter(|found| !found.email.domain().is_empty())
                .ok_or_else(|| SettingsError::Address {
                    key,
                    text: shown(text),
                })
        };
        let host = settings.host.clone();
        let named = !host.is_empty()
            && host.chars().all(|c| {
                c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':')
            });
        if !named {
            let host = shown(&host);
            return Err(SettingsError::Host { host });
        }
        if settings.user.is_some() != settings.password_file.is_some() {
            return Err(SettingsError::HalfALogin);
        }
        if settings.tls == Encryption::None && !is_this_machine(&host) {
            return Err(SettingsError::InClear { host });
        }
        let secs = settings.time_out_secs;
        if !(1..=LONGEST_TIME_OUT_SECS).contains(&secs) {
            return Err(SettingsError::TimeOut { secs });
        }
        let from = address("from", &settings.from)?;
        let to = settings
            .to
            .iter()
            .map(|text| address("to", text))
            .collect::<Result<Vec<_>, _>>()?;
        if to.is_empty() {
            return Err(SettingsError::Nobody);
        }
        Ok(Self { settings, from, to })
    }

    /// Whether its files can be read.
    ///
    /// # Errors
    /// [`MailError::Secret`] or [`MailError::Trust`].
    pub fn look(&self) -> Result<(), MailError> {
        self.password()?;
        self.settings.ca_file.as_deref().map(certificates).transpose()?;
        Ok(())
    }

    /// Connects, encrypts, logs in and leaves again; no mail is sent.
    ///
    /// # Errors
    /// [`MailError`] as sending would meet it.
    pub async fn try_out(&self) -> Result<(), MailError> {
        let password = self.password()?;
        let transport = self.transport(password.as_ref())?;
        self.within(password.as_ref(), async {
            transport.test_connection().await.map(|_| ())
        })
        .await
    }

    /// Hands one mail over.
    ///
    /// # Errors
    /// [`MailError`] unless the server said that it has taken it.
    pub async fn send(
        &self,
        alert: &AlertJson,
        page: Option<&str>,
    ) -> Result<(), MailError> {
        let password = self.password()?;
        let transport = self.transport(password.as_ref())?;
        let mail = self.mail(alert, page)?;
        self.within(password.as_ref(), async {
            transport.send(mail).await.map(|_| ())
        })
        .await
    }

    fn password(&self) -> Result<Option<Secret>, SecretError> {
        self.settings.password_file.as_deref().map(Secret::read).transpose()
    }

    fn server(&self) -> String {
        format!("{}:{}", self.settings.host, self.port())
    }

    fn port(&self) -> u16 {
        self.settings.port.unwrap_or(self.settings.tls.port())
    }

    async fn within(
        &self,
        password: Option<&Secret>,
        work: impl Future<Output = Result<(), smtp::Error>>,
    ) -> Result<(), MailError> {
        let secs = self.settings.time_out_secs;
        match timeout(Duration::from_secs(secs), work).await {
            Ok(done) => done.map_err(|error| self.met(&error, password)),
            Err(_) => Err(MailError::TimedOut { server: self.server(), secs }),
        }
    }

    fn met(&self, error: &smtp::Error, password: Option<&Secret>) -> MailError {
        let why = in_a_row(error);
        // The library adds a reference for programmers.
        let why = why.split(": https://docs.rs").next().unwrap_or(&why);
        let why = why.to_owned();
        let why = password.map_or(why.clone(), |secret| secret.redacted(&why));
        let why = plain(&why);
        let server = self.server();
        // RFC 4954, section 6: 454, 500, 530, 534, 535 and 538 answer AUTH.
        let code = error.status().map(u16::from);
        match (code, &self.settings.user) {
            (Some(454 | 530 | 534 | 535 | 538), Some(user)) => {
                MailError::Login { server, user: user.clone(), why }
            }
            (Some(_), _) => MailError::Refused { server, why },
            (None, _) => MailError::Unreachable { server, why },
        }
    }

    fn transport(
        &self,
        password: Option<&Secret>,
    ) -> Result<AsyncSmtpTransport<Tokio1Executor>, MailError> {
        let settings = &self.settings;
        let host = settings.host.clone();
        let tls = match settings.tls {
            Encryption::None => Tls::None,
            Encryption::StartTls => Tls::Required(self.parameters(host)?),
            Encryption::Tls => Tls::Wrapper(self.parameters(host)?),
        };
        let mut builder =
            AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(
                settings.host.as_str(),
            )
            .port(self.port())
            .tls(tls)
            .hello_name(ClientId::Domain(self.helo()))
            .timeout(Some(Duration::from_secs(settings.time_out_secs)));
        if let (Some(user), Some(password)) = (&settings.user, password) {
            let password = password.expose().to_owned();
            builder =
                builder.credentials(Credentials::new(user.clone(), password));
        }
        Ok(builder.build())
    }

    fn parameters(&self, host: String) -> Result<TlsParameters, MailError> {
        let unusable = |error: smtp::Error| MailError::Unreachable {
            server: self.server(),
            why: in_a_row(&error),
        };
        let mut builder = TlsParameters::builder(host);
        if let Some(path) = &self.settings.ca_file {
            builder = builder.certificate_store(CertificateStore::None);
            for one in certificates(path)? {
                let one =
                    Certificate::from_der(one.to_vec()).map_err(unusable)?;
                builder = builder.add_root_certificate(one);
            }
        }
        builder.build().map_err(unusable)
    }

    /// A name that servers accept: letters, digits, dots and hyphens.
    fn helo(&self) -> String {
        let named = self.settings.helo.clone().unwrap_or_else(|| {
            fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default()
        });
        let named: String = named
            .trim()
            .chars()
            .filter(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '-'))
            .collect();
        if named.is_empty() { "localhost".to_owned() } else { named }
    }

    fn mail(
        &self,
        alert: &AlertJson,
        page: Option<&str>,
    ) -> Result<Message, MailError> {
        let domain = self.from.email.domain();
        let id = |message: &str| format!("<{message}@{domain}>");
        let mut builder = Message::builder()
            .from(self.from.clone())
            .subject(subject(alert))
            .message_id(Some(id(&alert.message)))
            .header(ContentType::TEXT_PLAIN)
            .header(AutoSubmitted);
        let first = alert.first_message();
        if first != alert.message {
            builder = builder.references(id(&first)).in_reply_to(id(&first));
        }
        for to in &self.to {
            builder = builder.to(to.clone());
        }
        builder
            .body(text(alert, page))
            .map_err(|error| MailError::Written { why: in_a_row(&error) })
    }
}

/// Whether a name means this very machine.
fn is_this_machine(host: &str) -> bool {
    host == "localhost"
        || host
            .parse::<std::net::IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

/// Severity and the first sentence.
fn subject(alert: &AlertJson) -> String {
    let line = alert.text.lines().next().unwrap_or_default();
    let sentence = line.split_once(". ").map_or(line, |(first, _)| first);
    let urgent = match (alert.severity.as_str(), alert.state.as_str()) {
        (_, "cleared") | ("normal", _) => "",
        _ => "URGENT: ",
    };
    let whole = format!("{urgent}{}", plain(sentence.trim_end_matches('.')));
    if whole.chars().count() <= LONGEST_SUBJECT {
        return whole;
    }
    let cut: String = whole.chars().take(LONGEST_SUBJECT - 1).collect();
    format!("{cut}…")
}

/// What the mail says below its subject.
fn text(alert: &AlertJson, page: Option<&str>) -> String {
    let mut text = alert.text.replace("\r\n", "\n");
    text.push_str("\n\n");
    if let Some(page) = page {
        text.push_str(page);
        text.push('\n');
    }
    text.push_str("Alert ");
    text.push_str(&alert.id);
    if alert.attempt > 1 {
        text.push_str(&format!(
            ", try {}: this mail may have come before",
            alert.attempt
        ));
    }
    text.push('\n');
    text
}

/// Keeps holiday answers away (RFC 3834, section 5).
#[derive(Clone)]
struct AutoSubmitted;

impl header::Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(
        _: &str,
    ) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(Self)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}

impl fmt::Debug for AutoSubmitted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Auto-Submitted")
    }
}

/// Files named in the settings, to be meant from their folder.
pub(crate) fn files(settings: &mut Settings) -> Vec<&mut PathBuf> {
    [&mut settings.password_file, &mut settings.ca_file]
        .into_iter()
        .flatten()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::body::tests::warm_fridge;

    fn settings(more: &str) -> Settings {
        let text = format!(
            "host = \"mail.example.org\"\nfrom = \"seedbox@example.org\"\n\
             to = [\"Rowan <rowan@example.org>\"]\n{more}"
        );
        toml::from_str(&text).unwrap()
    }

    fn written(alert: &AlertJson) -> String {
        let mail = Mail::new(settings("")).unwrap();
        let page = Some("http://seedbox.local:8420/alert/x");
        let bytes = mail.mail(alert, page).unwrap().formatted();
        String::from_utf8(bytes).unwrap()
    }

    /// Source: RFC 5322 (Message-ID, References), RFC 3834 (Auto-Submitted),
    /// RFC 2045 (Content-Type).
    #[test]
    fn a_mail_has_a_type_a_stable_id_and_says_that_no_person_wrote_it() {
        let alert = warm_fridge();
        let first = written(&AlertJson::new(&alert, 1));
        let id = "Message-ID: <fridge-drawer-temperature-20260314T120000.000Z\
                  -raised@example.org>";
        assert!(first.contains(id), "{first}");
        assert!(first.contains("Content-Type: text/plain; charset=utf-8"));
        assert!(first.contains("Auto-Submitted: auto-generated"));
        assert!(first.contains("Subject: URGENT: fridge-drawer: too warm\r\n"));
        assert!(!first.contains("References:"), "{first}");
        let again = written(&AlertJson::new(&alert, 3));
        assert!(again.contains(id));
        let again = again.replace("=\r\n", "");
        assert!(again.contains("try 3: this mail may have come before"));

        let over = crate::alert::Alert {
            state: crate::alert::Change::Cleared,
            text: "fridge-drawer: back in range.\r\nBcc: x@y".to_owned(),
            ..alert
        };
        let over = written(&AlertJson::new(&over, 1));
        assert!(over.contains("000Z-cleared@example.org>"));
        assert!(over.contains("In-Reply-To: <fridge-drawer-temperature-"));
        assert!(over.contains("Subject: fridge-drawer: back in range\r\n"));
        let head = over.split("\r\n\r\n").next().unwrap();
        assert!(!head.contains("Bcc"), "{head}");
    }

    #[test]
    fn what_could_never_work_is_told_with_what_to_write() {
        let wrong = |more: &str, change: fn(&mut Settings)| {
            let mut settings = settings(more);
            change(&mut settings);
            Mail::new(settings).unwrap_err().to_string()
        };
        for (told, expected) in [
            (wrong("", |s| s.from = "rowan".to_owned()), "no mail address"),
            (wrong("", |s| s.to = vec!["a@b@c".to_owned()]), "`to` is"),
            (wrong("", |s| s.to = Vec::new()), "names nobody"),
            (wrong("", |s| s.host = "smtp://x y".to_owned()), "no name of"),
            (wrong("user = \"rowan\"", |_| {}), "belong together"),
            (wrong("tls = \"none\"", |_| {}), "on this machine"),
            (wrong("time_out_secs = 0", |_| {}), "1 to 300"),
        ] {
            assert!(told.contains(expected), "{told}");
        }
        let mut here = settings("tls = \"none\"");
        here.host = "127.0.0.1".to_owned();
        assert_eq!(Mail::new(here).unwrap().port(), 25);
    }

    #[test]
    fn a_long_subject_is_cut_and_a_name_for_the_greeting_is_plain() {
        let mut alert = AlertJson::new(&warm_fridge(), 1);
        alert.text = "é".repeat(300);
        assert_eq!(subject(&alert).chars().count(), LONGEST_SUBJECT);
        let named =
            Mail::new(settings("helo = \"seed box\\n.local\"")).unwrap();
        assert_eq!(named.helo(), "seedbox.local");
    }
}
