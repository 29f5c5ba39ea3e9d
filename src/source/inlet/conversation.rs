//! One connection of the inlet, from CONNECT to the end.
//!
//! It awaits its socket, its own acknowledgements and the stop signal, and
//! nothing else: a message goes to the writer at once or the connection
//! ends, so that the peer sends it again.

use std::sync::Arc;
use std::time::Duration;

use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    ConnAck, Connect, ConnectReturnCode, Packet, PubAck, Publish, SubAck,
    SubscribeReasonCode, UnsubAck,
};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc::error::TrySendError;
use tokio::time::{Instant, sleep_until, timeout, timeout_at};

use crate::source::delivery::{Delivery, Unconfirmed, weight};
use crate::source::inlet::door::{Door, Ended, Visit};
use crate::source::inlet::packets::{
    BadPacket, LARGEST_GREETING, LARGEST_PACKET, next_packet,
};
use crate::source::topic::{self, Route};
use crate::source::{Feed, Receipt, stopped};

/// Time for CONNECT and login.
const GREETING: Duration = Duration::from_secs(10);
/// Longest silence of a board that asks for no keep-alive.
const IDLE: Duration = Duration::from_secs(3600);
/// Time for the last bytes and acknowledgements when the connection ends.
const FAREWELL: Duration = Duration::from_secs(5);
/// Bytes that may wait for a peer that does not read: the acknowledgements
/// of four full windows.
const MOST_UNREAD: usize = 16 * 1024;
/// Bytes asked of the socket at once.
const GULP: usize = 8 * 1024;
/// The longest answer: a byte for each filter of a SUBSCRIBE, which has at
/// least three.
const LONGEST_ANSWER: usize = LARGEST_PACKET / 3 + 8;
/// The task itself, TLS aside.
const TASK: usize = 16 * 1024;
/// What one connection may hold in memory beside what waits for the writer,
/// bytes: its two buffers, each up to twice as large as what is in it, since
/// buffers grow by doubling, and its task.
pub const CONNECTION_BYTES: usize =
    2 * (LARGEST_PACKET + GULP + MOST_UNREAD + LONGEST_ANSWER) + TASK;

/// Talks with one peer until one side ends it.
pub(crate) async fn converse<R, W>(
    reader: R,
    writer: W,
    door: &Arc<Door>,
    feed: Feed,
) -> Ended
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let mut wire = Wire::new(reader, writer);
    let mut stop = feed.stop.clone();
    let greeting = tokio::select! {
        greeting = timeout(GREETING, greet(&mut wire, door)) => greeting,
        () = stopped(&mut stop) => return Ended::Stopped,
    };
    let ended = match greeting {
        Err(_) => Ended::NoGreeting,
        Ok(Err(ended)) => ended,
        Ok(Ok((visit, keep_alive))) => {
            listen(&mut wire, &visit, keep_alive, feed, door).await
        }
    };
    // Counted before the peer can see the end.
    door.health.count(ended.word());
    wire.close().await;
    ended
}

/// The two halves of a socket with their buffers.
struct Wire<R, W> {
    reader: R,
    writer: W,
    inbox: BytesMut,
    outbox: BytesMut,
    /// Something was written that TLS may still hold back.
    unflushed: bool,
}

impl<R, W> Wire<R, W>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    fn new(reader: R, writer: W) -> Self {
        Self {
            reader,
            writer,
            inbox: BytesMut::new(),
            outbox: BytesMut::new(),
            unflushed: false,
        }
    }

    /// Puts a packet of our own behind those that wait.
    fn outbox_packet(&mut self, packet: &Packet) {
        packet
            .write(&mut self.outbox, usize::MAX)
            .expect("our own packets are short");
    }

    /// Writes what waits and closes our side, within a few seconds.
    async fn close(mut self) {
        let last_words = async {
            self.writer.write_all(&self.outbox).await?;
            self.writer.shutdown().await
        };
        // A peer that is gone cannot be told.
        drop(timeout(FAREWELL, last_words).await);
    }
}

/// Reads more bytes; an ended connection is an error.
async fn fill<R: AsyncRead + Unpin>(
    reader: &mut R,
    inbox: &mut BytesMut,
) -> Result<(), Ended> {
    if inbox.capacity() - inbox.len() < GULP / 8 {
        inbox.reserve(GULP);
    }
    match reader.read_buf(inbox).await {
        Ok(0) | Err(_) => Err(Ended::Gone),
        Ok(_) => Ok(()),
    }
}

/// Writes some of what waits. May be dropped at any await.
async fn drain<W: AsyncWrite + Unpin>(
    writer: &mut W,
    outbox: &mut BytesMut,
    unflushed: &mut bool,
) -> std::io::Result<()> {
    if !outbox.is_empty() {
        writer.write_buf(outbox).await?;
        *unflushed = true;
    }
    writer.flush().await?;
    *unflushed = false;
    Ok(())
}

/// CONNECT and login; the answer is left in the outbox.
async fn greet<R, W>(
    wire: &mut Wire<R, W>,
    door: &Arc<Door>,
) -> Result<(Visit, Duration), Ended>
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let packet = loop {
        match next_packet(&mut wire.inbox, LARGEST_GREETING) {
            Ok(Some(packet)) => break packet,
            Ok(None) => fill(&mut wire.reader, &mut wire.inbox).await?,
            Err(bad) => {
                if bad == BadPacket::Level {
                    refuse(wire, ConnectReturnCode::RefusedProtocolVersion);
                }
                return Err(Ended::Packet(bad));
            }
        }
    };
    let Packet::Connect(connect) = packet else {
        return Err(Ended::NotConnect);
    };
    if connect.client_id.is_empty() && !connect.clean_session {
        refuse(wire, ConnectReturnCode::BadClientId);
        return Err(Ended::ClientId);
    }
    let keep_alive = patience_with(connect.keep_alive);
    // Our side of a session is always empty, so it is there whenever a board
    // asks for one. Clients that are told otherwise throw away what was not
    // acknowledged, and a daemon that restarts would lose it.
    let session = !connect.clean_session;
    match let_in(connect, door).await {
        Ok(visit) => {
            let welcome = ConnAck::new(ConnectReturnCode::Success, session);
            wire.outbox_packet(&Packet::ConnAck(welcome));
            Ok((visit, keep_alive))
        }
        Err(code) => {
            refuse(wire, code);
            Err(Ended::Login)
        }
    }
}

fn refuse<R, W>(wire: &mut Wire<R, W>, code: ConnectReturnCode)
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    wire.outbox_packet(&Packet::ConnAck(ConnAck::new(code, false)));
}

async fn let_in(
    connect: Connect,
    door: &Arc<Door>,
) -> Result<Visit, ConnectReturnCode> {
    let board = match &door.users {
        None => None,
        Some(users) => {
            let login =
                connect.login.ok_or(ConnectReturnCode::NotAuthorized)?;
            let board = users
                .check(&login.username, login.password)
                .await
                .ok_or(ConnectReturnCode::BadUserNamePassword)?;
            Some(board)
        }
    };
    Ok(door.enter((board, connect.client_id)))
}

/// One and a half times the keep-alive (MQTT-3.1.2-24).
fn patience_with(keep_alive_secs: u16) -> Duration {
    match keep_alive_secs {
        0 => IDLE,
        secs => Duration::from_secs(u64::from(secs)) * 3 / 2,
    }
}

/// The conversation after the login.
async fn listen<R, W>(
    wire: &mut Wire<R, W>,
    visit: &Visit,
    patience: Duration,
    feed: Feed,
    door: &Arc<Door>,
) -> Ended
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let unconfirmed = Arc::new(Unconfirmed::default());
    let mut stop = feed.stop.clone();
    let mut desk = Desk { visit, feed, door, unconfirmed: &unconfirmed };
    let mut confirmed = Vec::new();
    let mut deadline = Instant::now() + patience;
    let ended = loop {
        if let Err(ended) = desk.read_packets(wire) {
            break ended;
        }
        acknowledge(wire, &unconfirmed, &mut confirmed);
        if unconfirmed.given_up() {
            break Ended::NotStored;
        }
        if wire.outbox.len() > MOST_UNREAD {
            break Ended::SlowReader;
        }
        // With a full window the connection is not read: its sender waits
        // for acknowledgements, and a flood of one board stays its own.
        let open = !unconfirmed.is_full();
        let waiting = !wire.outbox.is_empty() || wire.unflushed;
        tokio::select! {
            read = fill(&mut wire.reader, &mut wire.inbox), if open => {
                if let Err(ended) = read {
                    break ended;
                }
                deadline = Instant::now() + patience;
            }
            written = drain(
                &mut wire.writer,
                &mut wire.outbox,
                &mut wire.unflushed,
            ), if waiting => {
                if written.is_err() {
                    break Ended::Gone;
                }
            }
            () = unconfirmed.news() => {
                if !open {
                    deadline = Instant::now() + patience;
                }
            }
            () = sleep_until(deadline), if open => break Ended::Silent,
            () = visit.taken_over() => break Ended::TakenOver,
            () = stopped(&mut stop) => break Ended::Stopped,
        }
    };
    // The writer sees the end of its queue only when every sender is gone.
    drop(desk);
    if ended == Ended::Stopped {
        see_off(wire, &unconfirmed).await;
    }
    ended
}

/// Sends the acknowledgements of what the writer still stores.
async fn see_off<R, W>(wire: &mut Wire<R, W>, unconfirmed: &Unconfirmed)
where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    let end = Instant::now() + FAREWELL;
    let mut confirmed = Vec::new();
    loop {
        acknowledge(wire, unconfirmed, &mut confirmed);
        let done = unconfirmed.len() == 0 || unconfirmed.given_up();
        if done || timeout_at(end, unconfirmed.news()).await.is_err() {
            return;
        }
    }
}

fn acknowledge<R, W>(
    wire: &mut Wire<R, W>,
    unconfirmed: &Unconfirmed,
    confirmed: &mut Vec<u16>,
) where
    R: AsyncRead + Unpin,
    W: AsyncWrite + Unpin,
{
    unconfirmed.take_confirmed(confirmed);
    for id in confirmed.drain(..) {
        wire.outbox_packet(&Packet::PubAck(PubAck::new(id)));
    }
}

/// Where the packets of one connection are dealt with.
struct Desk<'a> {
    visit: &'a Visit,
    feed: Feed,
    door: &'a Arc<Door>,
    unconfirmed: &'a Arc<Unconfirmed>,
}

impl Desk<'_> {
    /// Deals with every whole packet that came, up to a full window of
    /// messages or of answers.
    fn read_packets<R, W>(&mut self, wire: &mut Wire<R, W>) -> Result<(), Ended>
    where
        R: AsyncRead + Unpin,
        W: AsyncWrite + Unpin,
    {
        while !self.unconfirmed.is_full() && wire.outbox.len() <= MOST_UNREAD {
            let packet = next_packet(&mut wire.inbox, LARGEST_PACKET)
                .map_err(|bad| self.bad_packet(bad, &wire.inbox))?;
            let Some(packet) = packet else { break };
            match packet {
                Packet::Publish(publish) => self.publish(publish)?,
                Packet::PingReq => wire.outbox_packet(&Packet::PingResp),
                Packet::Disconnect => return Err(Ended::Left),
                Packet::Connect(_) => return Err(Ended::ConnectTwice),
                Packet::Subscribe(subscribe) => {
                    // An inlet has nothing to give (MQTT-3.8.4-1, -5).
                    let codes = vec![
                        SubscribeReasonCode::Failure;
                        subscribe.filters.len()
                    ];
                    let answer = SubAck::new(subscribe.pkid, codes);
                    wire.outbox_packet(&Packet::SubAck(answer));
                }
                Packet::Unsubscribe(unsubscribe) => {
                    let answer = UnsubAck::new(unsubscribe.pkid);
                    wire.outbox_packet(&Packet::UnsubAck(answer));
                }
                _ => return Err(Ended::Packet(BadPacket::Malformed("type"))),
            }
        }
        Ok(())
    }

    fn publish(&self, publish: Publish) -> Result<(), Ended> {
        let id = match publish.qos {
            QoS::AtMostOnce => None,
            _ => Some(publish.pkid),
        };
        let route = topic::route(&publish.topic, &self.feed.mappings);
        if let (Some(own), Some(board)) = (self.visit.board(), route.board())
            && own != board
        {
            return Err(Ended::OtherBoard);
        }
        if let Route::Status(_) = route {
            self.door.health.count("status messages");
            self.unconfirmed.register(id, 1).confirm();
            return Ok(());
        }
        let place = match self.feed.deliveries.try_reserve() {
            Ok(place) => place,
            Err(TrySendError::Full(())) => return Err(Ended::QueueFull),
            Err(TrySendError::Closed(())) => return Err(Ended::Stopped),
        };
        let received = (self.feed.now)();
        let content = route.decode(&publish.topic, received, &publish.payload);
        let n_bytes = publish.topic.len() + publish.payload.len();
        let weight = weight(&content, n_bytes);
        let room = self.feed.room.take(weight).ok_or(Ended::QueueFull)?;
        if content.is_err() {
            self.door.health.count("refused messages");
        }
        place.send(Delivery {
            source: self.door.health.name().clone(),
            received,
            // What a board repeats has waited for its acknowledgement.
            steady: !publish.dup,
            topic: Some(publish.topic),
            dup: publish.dup,
            bytes: publish.payload.to_vec(),
            content,
            receipt: self.unconfirmed.register(id, weight),
            room,
        });
        self.door.health.delivered_one();
        Ok(())
    }

    /// Keeps the beginning of a packet that is too large as a refusal, so
    /// that the grower can see which board sends it.
    fn bad_packet(&self, bad: BadPacket, inbox: &[u8]) -> Ended {
        if bad == BadPacket::TooLarge
            && let Ok(place) = self.feed.deliveries.try_reserve()
            && let Some(room) = self.feed.room.take(2)
        {
            place.send(Delivery {
                source: self.door.health.name().clone(),
                received: (self.feed.now)(),
                steady: false,
                topic: None,
                dup: false,
                bytes: inbox[..inbox.len().min(512)].to_vec(),
                content: Err(format!(
                    "a packet of more than {LARGEST_PACKET} bytes{}",
                    self.visit
                        .board()
                        .map(|board| format!(" from {board}"))
                        .unwrap_or_default()
                )),
                receipt: Receipt::nobody(),
                room,
            });
            self.door.health.delivered_one();
        }
        Ended::Packet(bad)
    }
}

#[cfg(test)]
#[path = "conversation_tests.rs"]
mod tests;
