//! The daemon's own MQTT door for boards.
//!
//! Not a broker: it takes PUBLISH with QoS 0 and 1 and gives nothing back
//! but acknowledgements, and those only for what is on disk. Packets are
//! parsed and written by rumqttc's codec; what the codec leaves out is
//! checked in `packets`.

mod conversation;
mod door;
mod packets;
mod users;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use serde::Deserialize;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio::time::{interval, sleep};

use crate::observation::Name;
use crate::source::delivery::SourceName;
use crate::source::health::{SourceHealth, SourceState};
use crate::source::inlet::door::{Door, Ended};
use crate::source::inlet::users::Users;
pub(crate) use crate::source::inlet::users::hasher;
use crate::source::{Feed, stopped};
use crate::trust::{TlsError, identity::Identity};
use crate::units::Instant;

pub use conversation::CONNECTION_BYTES;
pub use users::{UsersError, users_line, with_password};

/// The `[inlet]` part of the settings.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Address and port; loopback unless there is a users file.
    #[serde(default = "loopback")]
    pub listen: SocketAddr,
    /// File with one line a board: name and hashed password.
    pub users_file: Option<PathBuf>,
    /// How many boards may be connected at once.
    #[serde(default = "connections")]
    pub connections: usize,
    /// Certificate for TLS, PEM; with it nobody is let in without TLS.
    pub certificate_file: Option<PathBuf>,
    /// Its key.
    pub key_file: Option<PathBuf>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            listen: loopback(),
            users_file: None,
            connections: connections(),
            certificate_file: None,
            key_file: None,
        }
    }
}

fn loopback() -> SocketAddr {
    SocketAddr::from(([127, 0, 0, 1], 1883))
}

/// Far above the boards of a home. If each holds all that it may
/// ([`CONNECTION_BYTES`]), 256 of them fill 59 MiB.
fn connections() -> usize {
    256
}

/// How often the certificate is looked at.
const HOUR: Duration = Duration::from_secs(3_600);

/// Why the inlet cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum InletError {
    /// The address can be reached from other machines and nobody would have
    /// to log in.
    #[error(
        "the inlet would listen on {listen} without passwords; set users_file \
         and give each board a password with \"vernalog password\", or listen \
         on 127.0.0.1"
    )]
    OpenToAll {
        /// The address of the settings.
        listen: SocketAddr,
    },
    /// The users file cannot be used.
    #[error(transparent)]
    Users(#[from] UsersError),
    /// The files for TLS cannot be used.
    #[error("no TLS at the inlet: {0}")]
    Tls(#[from] TlsError),
    /// The address cannot be bound.
    #[error("cannot listen on {listen}")]
    Bind {
        /// The address of the settings.
        listen: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
}

/// A bound inlet that does not listen yet.
#[derive(Debug)]
pub struct Inlet {
    listener: TcpListener,
    local: SocketAddr,
    door: Arc<Door>,
    connections: usize,
    identity: Option<Identity>,
}

/// Binds the address and reads the users file.
///
/// # Errors
/// [`InletError`] when the settings are unsafe, the users file cannot be
/// used or the address is taken.
pub async fn bind(settings: &Settings) -> Result<Inlet, InletError> {
    let listen = settings.listen;
    if settings.users_file.is_none() && !listen.ip().is_loopback() {
        return Err(InletError::OpenToAll { listen });
    }
    let users = match &settings.users_file {
        Some(path) => Some(Arc::new(Users::open(path)?)),
        None => None,
    };
    let identity = Identity::of(
        settings.certificate_file.as_deref(),
        settings.key_file.as_deref(),
    )?;
    let failed = |source| InletError::Bind { listen, source };
    let listener = TcpListener::bind(listen).await.map_err(failed)?;
    let local = listener.local_addr().map_err(failed)?;
    let health = Arc::new(SourceHealth::new(SourceName::new("inlet")));
    Ok(Inlet {
        listener,
        local,
        door: Arc::new(Door::new(users, health)),
        connections: settings.connections,
        identity,
    })
}

/// One conversation as with a board at an inlet without passwords, over any
/// pair of streams; returns why it ended, in words. For bytes that come from
/// no socket.
pub async fn converse_over<R, W>(
    reader: R,
    writer: W,
    feed: Feed,
) -> &'static str
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let health = Arc::new(SourceHealth::new(SourceName::new("inlet")));
    let door = Arc::new(Door::new(None, health));
    conversation::converse(reader, writer, &door, feed).await.word()
}

impl Inlet {
    /// The address that boards connect to.
    #[must_use]
    pub fn local_addr(&self) -> SocketAddr {
        self.local
    }

    /// The boards that have a password, as the users file stands now.
    #[must_use]
    pub fn boards(&self) -> Vec<Name> {
        self.door.users.as_ref().map_or_else(Vec::new, |users| users.boards())
    }

    /// What the inlet says of itself.
    #[must_use]
    pub fn health(&self) -> Arc<SourceHealth> {
        Arc::clone(&self.door.health)
    }

    /// Where it listens, and what is doubtful about its certificate.
    fn detail(&self, now: Instant) -> String {
        let Some(identity) = &self.identity else {
            return format!("on {}", self.local);
        };
        let doubt = identity.doubt(now, None);
        let doubt = doubt.map(|doubt| format!("; {doubt}")).unwrap_or_default();
        format!("on {} with TLS{doubt}", self.local)
    }

    /// Takes connections until the stop signal; returns when the last one
    /// has ended. From the signal on nothing is read, and for a few seconds
    /// the acknowledgements of what the writer still stores go out.
    pub async fn run(self, feed: Feed) {
        let health = self.health();
        let places = Arc::new(Semaphore::new(self.connections));
        let mut stop = feed.stop.clone();
        let mut visits = JoinSet::new();
        let mut hourly = interval(HOUR);
        loop {
            let accepted = tokio::select! {
                accepted = self.listener.accept() => accepted,
                _ = hourly.tick() => {
                    let detail = self.detail((feed.now)());
                    health.is_now(SourceState::Listening, detail);
                    continue;
                }
                Some(_) = visits.join_next() => continue,
                () = stopped(&mut stop) => break,
            };
            let socket = match accepted {
                Ok((socket, _)) => socket,
                Err(error) => {
                    // Out of file handles, mostly: connections that end
                    // give some back.
                    health.count("accept failed");
                    tracing::warn!(source = %health.name(), "{error}");
                    sleep(Duration::from_millis(200)).await;
                    continue;
                }
            };
            let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
                health.count(Ended::TooMany.word());
                continue;
            };
            let (door, feed) = (Arc::clone(&self.door), feed.clone());
            let identity = self.identity.clone();
            visits.spawn(async move {
                let _place = place;
                receive(socket, identity.as_ref(), &door, feed).await;
            });
        }
        drop((self.listener, feed));
        while visits.join_next().await.is_some() {}
        health.is_now(SourceState::Stopped, "");
    }
}

async fn receive(
    mut socket: TcpStream,
    identity: Option<&Identity>,
    door: &Arc<Door>,
    feed: Feed,
) {
    // An acknowledgement is four bytes that a sleeping board waits for.
    drop(socket.set_nodelay(true));
    let peer = socket.peer_addr().map_or_else(
        |_| "an unknown address".to_owned(),
        |address| address.to_string(),
    );
    let ended = match identity {
        None => {
            let (reader, writer) = socket.split();
            conversation::converse(reader, writer, door, feed).await
        }
        Some(identity) => {
            let mut stop = feed.stop.clone();
            let greeting = tokio::select! {
                greeting = identity.greet(socket) => greeting,
                () = stopped(&mut stop) => return,
            };
            match greeting {
                Ok(stream) => {
                    let (reader, writer) = tokio::io::split(stream);
                    conversation::converse(reader, writer, door, feed).await
                }
                Err(word) => {
                    door.health.count(word);
                    if door.health.count_of(word) == 1 {
                        tracing::warn!(source = "inlet", "{peer}: {word}");
                    }
                    Ended::Handshake(word)
                }
            }
        }
    };
    if ended.is_trouble() {
        tracing::debug!(
            source = "inlet",
            "{peer}: {} ({ended:?})",
            ended.word()
        );
    }
}
