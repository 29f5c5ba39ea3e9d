//! An MQTT board made of raw bytes.

use std::net::SocketAddr;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::support::writer::PATIENCE;

/// One connection.
pub(crate) struct Peer(TcpStream);

/// A packet with this first byte and content.
pub(crate) fn packet(first: u8, content: &[u8]) -> Vec<u8> {
    let mut packet = vec![first];
    let mut length = content.len();
    loop {
        let byte = u8::try_from(length % 128).unwrap();
        length /= 128;
        packet.push(if length > 0 { byte | 0x80 } else { byte });
        if length == 0 {
            break;
        }
    }
    packet.extend(content);
    packet
}

fn string(text: &str) -> Vec<u8> {
    let mut bytes = u16::try_from(text.len()).unwrap().to_be_bytes().to_vec();
    bytes.extend(text.as_bytes());
    bytes
}

/// A CONNECT packet; flag bit 1 is the clean session.
pub(crate) fn connect(
    level: u8,
    flags: u8,
    client: &str,
    login: Option<(&str, &str)>,
) -> Vec<u8> {
    let flags = if login.is_some() { flags | 0xc0 } else { flags };
    let mut content = b"\0\x04MQTT".to_vec();
    content.extend([level, flags, 0, 60]);
    content.extend(string(client));
    if let Some((user, password)) = login {
        content.extend(string(user));
        content.extend(string(password));
    }
    packet(0x10, &content)
}

/// A PUBLISH packet with QoS 1.
pub(crate) fn publish(id: u16, topic: &str, payload: &str) -> Vec<u8> {
    let mut content = string(topic);
    content.extend(id.to_be_bytes());
    content.extend(payload.as_bytes());
    packet(0x32, &content)
}

/// A PUBLISH packet with QoS 0.
pub(crate) fn publish_once(topic: &str, payload: &str) -> Vec<u8> {
    let mut content = string(topic);
    content.extend(payload.as_bytes());
    packet(0x30, &content)
}

/// The acknowledgement of a packet identifier.
pub(crate) fn puback(id: u16) -> Vec<u8> {
    packet(0x40, &id.to_be_bytes())
}

pub(crate) const PING: [u8; 2] = [0xc0, 0];
pub(crate) const PONG: [u8; 2] = [0xd0, 0];

impl Peer {
    /// A connection without a word said.
    pub(crate) async fn silent(address: SocketAddr) -> Self {
        Self(TcpStream::connect(address).await.expect("the inlet listens"))
    }

    /// A connection that was let in with a clean session.
    pub(crate) async fn welcome(address: SocketAddr, client: &str) -> Self {
        let mut peer = Self::silent(address).await;
        peer.send(&connect(4, 2, client, None)).await;
        peer.expect(&[0x20, 2, 0, 0]).await;
        peer
    }

    /// As [`Peer::welcome`], where nobody may listen yet.
    pub(crate) async fn try_welcome(port: u16, client: &str) -> Option<Self> {
        let socket = TcpStream::connect(("127.0.0.1", port)).await.ok()?;
        let mut peer = Self(socket);
        let hello = connect(4, 2, client, None);
        peer.try_exchange(&hello, &[0x20, 2, 0, 0]).await.then_some(peer)
    }

    /// Sends a packet and waits for its answer; false when the connection
    /// ends first.
    pub(crate) async fn try_exchange(
        &mut self,
        packet: &[u8],
        answer: &[u8],
    ) -> bool {
        if self.0.write_all(packet).await.is_err() {
            return false;
        }
        let mut got = vec![0; answer.len()];
        let read = timeout(PATIENCE, self.0.read_exact(&mut got)).await;
        read.is_ok_and(|read| read.is_ok()) && got == answer
    }

    /// A connection of a board that logged in.
    pub(crate) async fn login(
        address: SocketAddr,
        user: &str,
        word: &str,
    ) -> Self {
        let mut peer = Self::silent(address).await;
        peer.send(&connect(4, 2, "board", Some((user, word)))).await;
        peer.expect(&[0x20, 2, 0, 0]).await;
        peer
    }

    pub(crate) async fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).await.expect("the inlet reads");
    }

    /// Sends as much as the other side takes before it closes.
    pub(crate) async fn try_send(&mut self, bytes: &[u8]) {
        drop(self.0.write_all(bytes).await);
    }

    /// Reads exactly these bytes.
    pub(crate) async fn expect(&mut self, bytes: &[u8]) {
        let mut got = vec![0; bytes.len()];
        timeout(PATIENCE, self.0.read_exact(&mut got))
            .await
            .unwrap_or_else(|_| panic!("never came: {bytes:02x?}"))
            .unwrap_or_else(|error| panic!("{bytes:02x?}: {error}"));
        assert_eq!(got, bytes, "got {got:02x?}, expected {bytes:02x?}");
    }

    /// A ping and its answer: nothing else was sent before.
    pub(crate) async fn expect_nothing_but_a_pong(&mut self) {
        self.send(&PING).await;
        self.expect(&PONG).await;
    }

    /// The other side closes, after these last bytes.
    pub(crate) async fn expect_end(&mut self, last: &[u8]) {
        let mut got = Vec::new();
        let end = timeout(PATIENCE, self.0.read_to_end(&mut got)).await;
        // A reset is an end as well: the inlet closed with bytes unread.
        drop(end.expect("the inlet keeps the connection"));
        assert_eq!(got, last, "last bytes {got:02x?}");
    }
}
