//! What the connections of the inlet share: who is here, how many may be,
//! and why they left.
//!
//! Not a session store: MQTT sessions live on the boards' side only.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use tokio::sync::Notify;

use crate::observation::Name;
use crate::source::delivery::lock;
use crate::source::health::SourceHealth;
use crate::source::inlet::packets::BadPacket;
use crate::source::inlet::users::Users;

/// Why a connection ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ended {
    /// The board said goodbye.
    Left,
    /// The peer is gone.
    Gone,
    /// Nothing came for one and a half times the keep-alive.
    Silent,
    /// TLS did not come about; the word under which it was counted.
    Handshake(&'static str),
    /// No CONNECT in time.
    NoGreeting,
    /// A packet breaks the protocol or is too large.
    Packet(BadPacket),
    /// The first packet was another one than CONNECT.
    NotConnect,
    /// A second CONNECT.
    ConnectTwice,
    /// An empty client identifier with a kept session.
    ClientId,
    /// Wrong or missing password.
    Login,
    /// A board wrote to the topic of another one.
    OtherBoard,
    /// The same client identifier connected again.
    TakenOver,
    /// The writer's queue is full: the peer sends again later.
    QueueFull,
    /// The peer does not read what it is sent.
    SlowReader,
    /// The writer let a message go without storing it.
    NotStored,
    /// The daemon stops.
    Stopped,
    /// As many connections as may be are open.
    TooMany,
}

impl Ended {
    /// The name under which it is counted.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Gone => "connection lost",
            Self::Silent => "silent beyond the keep-alive",
            Self::Handshake(word) => word,
            Self::NoGreeting => "no CONNECT in time",
            Self::Packet(BadPacket::Malformed(_)) => "malformed packet",
            Self::Packet(BadPacket::TooLarge) => "packet too large",
            Self::Packet(BadPacket::QosTwo) => "QoS 2 not offered",
            Self::Packet(BadPacket::Level) => "another protocol level",
            Self::NotConnect => "first packet not CONNECT",
            Self::ConnectTwice => "second CONNECT",
            Self::ClientId => "client identifier refused",
            Self::Login => "login refused",
            Self::OtherBoard => "topic of another board",
            Self::TakenOver => "taken over by the same client",
            Self::QueueFull => "queue full",
            Self::SlowReader => "peer does not read",
            Self::NotStored => "not stored",
            Self::Stopped => "stopped",
            Self::TooMany => "too many connections",
        }
    }

    /// Whether the grower should hear of it: nothing ordinary.
    pub(crate) fn is_trouble(self) -> bool {
        !matches!(self, Self::Left | Self::Gone | Self::Stopped)
    }
}

/// A client as it may be taken over: the login and the client identifier,
/// so that one board cannot throw another out.
type Client = (Option<Name>, String);

/// Shared by all connections of one inlet.
#[derive(Debug)]
pub(crate) struct Door {
    pub(crate) users: Option<Arc<Users>>,
    pub(crate) health: Arc<SourceHealth>,
    clients: Mutex<HashMap<Client, (u64, Arc<Notify>)>>,
    next: AtomicU64,
}

impl Door {
    pub(crate) fn new(
        users: Option<Arc<Users>>,
        health: Arc<SourceHealth>,
    ) -> Self {
        Self {
            users,
            health,
            clients: Mutex::default(),
            next: AtomicU64::new(1),
        }
    }

    /// Registers a client that was let in and asks an older connection of
    /// the same client to end (MQTT-3.1.4-2).
    pub(crate) fn enter(self: &Arc<Self>, client: Client) -> Visit {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        let leave = Arc::new(Notify::new());
        // Clients without an identifier are all different (MQTT-3.1.3-6).
        if !client.1.is_empty() {
            let older = lock(&self.clients)
                .insert(client.clone(), (number, Arc::clone(&leave)));
            if let Some((_, older)) = older {
                older.notify_one();
            }
        }
        Visit { door: Arc::clone(self), client, number, leave }
    }

    /// How many clients are in.
    #[cfg(test)]
    pub(crate) fn clients(&self) -> usize {
        lock(&self.clients).len()
    }
}

/// The stay of one client; ends when dropped.
#[derive(Debug)]
pub(crate) struct Visit {
    door: Arc<Door>,
    client: Client,
    number: u64,
    leave: Arc<Notify>,
}

impl Visit {
    /// The board that logged in, if a login was asked for.
    pub(crate) fn board(&self) -> Option<&Name> {
        self.client.0.as_ref()
    }

    /// Returns when the same client connected again.
    pub(crate) async fn taken_over(&self) {
        self.leave.notified().await;
    }
}

#[cfg(test)]
impl Visit {
    fn leave_is_quiet(&self) -> bool {
        use std::task::{Context, Poll, Waker};
        let taken_over = std::pin::pin!(self.leave.notified());
        let poll = taken_over.poll(&mut Context::from_waker(Waker::noop()));
        poll == Poll::Pending
    }
}

impl Drop for Visit {
    fn drop(&mut self) {
        let mut clients = lock(&self.door.clients);
        if clients.get(&self.client).is_some_and(|(n, _)| *n == self.number) {
            clients.remove(&self.client);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::delivery::SourceName;

    fn door() -> Arc<Door> {
        let health = SourceHealth::new(SourceName::new("inlet"));
        Arc::new(Door::new(None, Arc::new(health)))
    }

    #[tokio::test]
    async fn the_newer_of_two_clients_stays() {
        let door = door();
        let older = door.enter((None, "cat".to_owned()));
        let newer = door.enter((None, "cat".to_owned()));
        older.taken_over().await;
        drop(older);
        assert_eq!(door.clients(), 1);
        drop(newer);
        assert_eq!(door.clients(), 0);
    }

    #[tokio::test]
    async fn clients_without_identifier_are_all_different() {
        let door = door();
        let one = door.enter((None, String::new()));
        let two = door.enter((None, String::new()));
        drop(one);
        assert!(two.leave_is_quiet());
    }

    #[test]
    fn a_board_cannot_take_over_the_client_of_another() {
        let door = door();
        let board = |name: &str| Some(Name::new(name).unwrap());
        let _one = door.enter((board("fridge-drawer"), "cat".to_owned()));
        let _two = door.enter((board("stair-landing"), "cat".to_owned()));
        assert_eq!(door.clients(), 2);
    }
}
