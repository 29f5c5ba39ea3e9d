//! Pages for the phone beside the box: server-rendered, served by the daemon
//! itself; they work without script and better with the one of ours.
//!
//! They read the store and write ledger entries through the same door as the
//! command line. They never touch settings, commands or addresses, and no
//! rule about seeds is written here.

mod alert;
mod alerts;
mod api;
mod blind;
mod changes;
mod count;
mod desk;
mod door;
mod facts;
mod form;
mod frame;
mod guard;
mod health;
mod labels;
mod live;
mod login;
mod making;
mod now;
mod password;
mod place;
mod remarks;
mod reports;
mod round;
mod routes;
mod serving;
mod session;
mod setup;
mod spark;
mod tally;
mod thinned;
mod tokens;
mod transfer;
mod unit;
mod units;
mod words;

use std::ffi::OsString;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Deserialize;
use tokio::net::TcpListener;
use tokio::sync::watch;

use crate::exchange::times::ZoneRule;
use crate::source::Now;
use crate::trust::TlsError;
use crate::trust::identity::{self, Identity};
use crate::web::desk::Site;
use crate::web::door::Door;
use crate::web::live::Live;
use crate::web::making::Maker;
use crate::web::password::Password;
use crate::web::tokens::Tokens;

pub use password::{PASSWORD_FILE, PasswordError, password_text};
pub use tokens::{
    KeptToken, May, TOKEN_FILE, TokenError, kept_tokens, with_token,
    without_token,
};

/// The `[web]` part of the settings.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Address and port; loopback unless there is a password.
    #[serde(default = "loopback")]
    pub listen: SocketAddr,
    /// How the pages are called in the house, such as
    /// `http://seedbox.local:8420`.
    pub base_url: Option<String>,
    /// Certificate for TLS, PEM; with it the pages are `https` only.
    pub certificate_file: Option<PathBuf>,
    /// Its key.
    pub key_file: Option<PathBuf>,
}

fn loopback() -> SocketAddr {
    SocketAddr::from(([127, 0, 0, 1], 8420))
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            listen: loopback(),
            base_url: None,
            certificate_file: None,
            key_file: None,
        }
    }
}

impl Settings {
    /// Whether they make sense by themselves.
    ///
    /// # Errors
    /// [`WebError::BaseUrl`], [`WebError::BaseScheme`], or one file for TLS
    /// without the other.
    pub fn look(&self) -> Result<(), WebError> {
        let files = (self.certificate_file.as_ref(), self.key_file.as_ref());
        let tls = identity::both(files.0, files.1)?.is_some();
        Door::new(self.listen, tls, self.base_url.as_deref()).map(|_| ())
    }
}

/// Settings, and what else the pages need to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Opening {
    /// `[web]`
    pub settings: Settings,
    /// Where the hashed password is, if there is one.
    pub password_file: PathBuf,
    /// Where the hashed tokens are, if there are any.
    pub token_file: PathBuf,
    /// The house's time zone.
    pub zone: ZoneRule,
    /// This program and the arguments that lead it to the same data: what
    /// makes a report. Empty where none can be made.
    pub program: Vec<OsString>,
}

/// Why there are no pages.
#[derive(Debug, thiserror::Error)]
pub enum WebError {
    /// The address can be reached from other machines and nobody would have
    /// to log in.
    #[error(
        "the pages would listen on {listen} without a password; set one with \
         \"vernalog password --web\", or listen on 127.0.0.1"
    )]
    OpenToAll {
        /// The address of the settings.
        listen: SocketAddr,
    },
    /// The base address is none.
    #[error(
        "base_url \"{text}\" is not an address such as \
         \"http://seedbox.local:8420\""
    )]
    BaseUrl {
        /// What the settings say.
        text: String,
    },
    /// The base address says `http` where there is only `https`.
    #[error(
        "base_url begins with http, but the pages have a certificate; write \
         \"https://{host}\""
    )]
    BaseScheme {
        /// Its host.
        host: String,
    },
    /// The files for TLS cannot be used.
    #[error("no TLS for the pages: {0}")]
    Tls(#[from] TlsError),
    /// The password file cannot be used.
    #[error(transparent)]
    Password(#[from] PasswordError),
    /// The token file cannot be used.
    #[error(transparent)]
    Tokens(#[from] TokenError),
    /// The address cannot be bound.
    #[error("cannot listen on {listen}")]
    Bind {
        /// The address of the settings.
        listen: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
}

/// Pages that do not yet serve.
#[derive(Debug)]
pub struct Pages {
    listener: TcpListener,
    local: SocketAddr,
    site: Arc<Site>,
    identity: Option<Identity>,
}

/// Binds the address and reads the password file.
///
/// # Errors
/// [`WebError`] when the settings are unsafe, the password file cannot be
/// used or the address is taken.
pub async fn bind(
    opening: &Opening,
    data: &Path,
    now: Now,
) -> Result<Pages, WebError> {
    let listen = opening.settings.listen;
    let password = Password::read(&opening.password_file)?;
    if password.is_none() && !listen.ip().is_loopback() {
        return Err(WebError::OpenToAll { listen });
    }
    let identity = Identity::of(
        opening.settings.certificate_file.as_deref(),
        opening.settings.key_file.as_deref(),
    )?;
    let failed = |source| WebError::Bind { listen, source };
    let listener = TcpListener::bind(listen).await.map_err(failed)?;
    let local = listener.local_addr().map_err(failed)?;
    let base_url = opening.settings.base_url.as_deref();
    let door = Door::new(local, identity.is_some(), base_url)?;
    let doubt =
        identity.as_ref().and_then(|i| i.doubt(now(), door.base_name()));
    if let Some(doubt) = doubt {
        tracing::warn!(source = "pages", "{doubt}");
    }
    let tokens = Tokens::open(&opening.token_file)?;
    let maker = Maker::new(opening.program.clone(), data);
    let site = Arc::new(Site::new(
        data,
        opening.zone,
        now,
        door,
        password,
        tokens,
        maker,
    ));
    Ok(Pages { listener, local, site, identity })
}

impl Pages {
    /// The address in use.
    #[must_use]
    pub fn local_addr(&self) -> SocketAddr {
        self.local
    }

    /// Serves until told to stop; then open requests may end, for a while.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let live = Live::new(stop.clone());
        let app = routes::router(Arc::clone(&self.site), live.clone());
        tokio::spawn(live.watch(Arc::clone(&self.site)));
        let (listener, identity) = (self.listener, self.identity);
        let serving = serving::serve(listener, identity, app, stop.clone());
        tokio::join!(serving, self.site.maker.run(stop));
    }
}
