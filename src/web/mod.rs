//! Pages for the phone beside the box: server-rendered, no script, served by
//! the daemon itself.
//!
//! They read the store and write ledger entries through the same door as the
//! command line. They never touch settings, commands or addresses, and no
//! rule about seeds is written here.

mod alerts;
mod blind;
mod changes;
mod count;
mod desk;
mod door;
mod facts;
mod form;
mod frame;
mod labels;
mod login;
mod now;
mod password;
mod place;
mod remarks;
mod round;
mod routes;
mod session;
mod setup;
mod tally;
mod transfer;
mod unit;
mod units;
mod words;

use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::Deserialize;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::time::sleep;

use crate::exchange::times::ZoneRule;
use crate::source::Now;
use crate::web::desk::Site;
use crate::web::door::Door;
use crate::web::password::Password;
use crate::web::session::Sessions;

pub use password::{PASSWORD_FILE, PasswordError, password_text};

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
}

fn loopback() -> SocketAddr {
    SocketAddr::from(([127, 0, 0, 1], 8420))
}

impl Default for Settings {
    fn default() -> Self {
        Self { listen: loopback(), base_url: None }
    }
}

impl Settings {
    /// Whether they make sense by themselves.
    ///
    /// # Errors
    /// [`WebError::BaseUrl`].
    pub fn look(&self) -> Result<(), WebError> {
        Door::new(self.listen, self.base_url.as_deref()).map(|_| ())
    }
}

/// Settings, and what else the pages need to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Opening {
    /// `[web]`
    pub settings: Settings,
    /// Where the hashed password is, if there is one.
    pub password_file: PathBuf,
    /// The house's time zone.
    pub zone: ZoneRule,
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
    /// The password file cannot be used.
    #[error(transparent)]
    Password(#[from] PasswordError),
    /// The address cannot be bound.
    #[error("cannot listen on {listen}")]
    Bind {
        /// The address of the settings.
        listen: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
}

/// How long open connections may take to end when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(5);

/// Pages that do not yet serve.
#[derive(Debug)]
pub struct Pages {
    listener: TcpListener,
    local: SocketAddr,
    site: Arc<Site>,
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
    let failed = |source| WebError::Bind { listen, source };
    let listener = TcpListener::bind(listen).await.map_err(failed)?;
    let local = listener.local_addr().map_err(failed)?;
    let door = Door::new(local, opening.settings.base_url.as_deref())?;
    let site = Arc::new(Site::new(
        data,
        opening.zone,
        now,
        door,
        Sessions::default(),
        password,
    ));
    Ok(Pages { listener, local, site })
}

impl Pages {
    /// The address in use.
    #[must_use]
    pub fn local_addr(&self) -> SocketAddr {
        self.local
    }

    /// Serves until told to stop; then open requests may end, for a while.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let app = routes::router(self.site);
        let (told, over) = (stop.clone(), stop);
        let serving = axum::serve(self.listener, app)
            .with_graceful_shutdown(stopped(told));
        let farewell = async {
            stopped(over).await;
            sleep(FAREWELL).await;
        };
        tokio::select! {
            served = async { serving.await } => {
                if let Err(error) = served {
                    tracing::error!(%error, "the pages ended");
                }
            }
            () = farewell => {
                tracing::warn!("a page was still being read at the end");
            }
        }
    }
}

async fn stopped(mut stop: watch::Receiver<bool>) {
    // A dropped sender is a stop as well.
    drop(stop.wait_for(|stop| *stop).await);
}
