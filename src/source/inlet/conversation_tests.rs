//! Time-outs of a conversation, with stepped time and a pipe for a socket.
//!
//! The numbered statements are those of OASIS MQTT 3.1.1, from memory.

use tokio::io::{DuplexStream, duplex, split};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::*;
use crate::source::health::SourceHealth;
use crate::source::{MOST_UNCONFIRMED, Room, SourceName};

struct Home {
    peer: DuplexStream,
    deliveries: mpsc::Receiver<Delivery>,
    conversation: JoinHandle<Ended>,
    _stop: watch::Sender<bool>,
}

fn visitor() -> Home {
    let (queue, deliveries) = mpsc::channel(4096);
    let (stop, stopping) = watch::channel(false);
    let feed = Feed {
        deliveries: queue,
        room: Room::default(),
        now: Arc::new(|| crate::units::Instant::from_millis(0)),
        stop: stopping,
        mappings: Arc::from([]),
    };
    let health = SourceHealth::new(SourceName::new("inlet"));
    let door = Arc::new(Door::new(None, Arc::new(health)));
    let (peer, socket) = duplex(1024);
    let conversation = tokio::spawn(async move {
        let (reader, writer) = split(socket);
        converse(reader, writer, &door, feed).await
    });
    Home { peer, deliveries, conversation, _stop: stop }
}

fn connect(keep_alive_secs: u8) -> Vec<u8> {
    let mut packet = b"\x10\x0f\0\x04MQTT\x04\x02\0".to_vec();
    packet.push(keep_alive_secs);
    packet.extend(b"\0\x03cat");
    packet
}

const WELCOME: [u8; 4] = [0x20, 2, 0, 0];

async fn welcomed(peer: &mut DuplexStream, keep_alive_secs: u8) {
    peer.write_all(&connect(keep_alive_secs)).await.unwrap();
    let mut answer = [0; 4];
    peer.read_exact(&mut answer).await.unwrap();
    assert_eq!(answer, WELCOME);
}

#[tokio::test(start_paused = true)]
async fn a_peer_that_never_greets_is_closed_after_ten_seconds() {
    let home = visitor();
    let begin = Instant::now();
    assert_eq!(home.conversation.await.unwrap(), Ended::NoGreeting);
    assert_eq!(begin.elapsed().as_secs(), 10);
}

#[tokio::test(start_paused = true)]
async fn a_greeting_that_drips_is_closed_after_ten_seconds() {
    let mut home = visitor();
    let begin = Instant::now();
    for byte in &connect(60)[..9] {
        home.peer.write_all(&[*byte]).await.unwrap();
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
    assert_eq!(home.conversation.await.unwrap(), Ended::NoGreeting);
    assert_eq!(begin.elapsed().as_secs(), 10);
}

/// MQTT-3.1.2-24: closed after one and a half times the keep-alive.
#[tokio::test(start_paused = true)]
async fn silence_beyond_the_keep_alive_ends_the_conversation() {
    let mut home = visitor();
    welcomed(&mut home.peer, 60).await;
    let begin = Instant::now();
    assert_eq!(home.conversation.await.unwrap(), Ended::Silent);
    assert_eq!(begin.elapsed().as_secs(), 90);
}

#[tokio::test(start_paused = true)]
async fn a_ping_keeps_the_conversation_alive() {
    let mut home = visitor();
    welcomed(&mut home.peer, 60).await;
    for _ in 0..10 {
        tokio::time::sleep(Duration::from_secs(80)).await;
        home.peer.write_all(&[0xc0, 0]).await.unwrap();
        let mut answer = [0; 2];
        home.peer.read_exact(&mut answer).await.unwrap();
        assert_eq!(answer, [0xd0, 0]);
    }
}

#[tokio::test(start_paused = true)]
async fn a_half_open_peer_without_keep_alive_is_closed_after_an_hour() {
    let mut home = visitor();
    welcomed(&mut home.peer, 0).await;
    let begin = Instant::now();
    assert_eq!(home.conversation.await.unwrap(), Ended::Silent);
    assert_eq!(begin.elapsed().as_secs(), 3600);
}

/// With a full window the board waits for us, not we for the board.
#[tokio::test(start_paused = true)]
async fn a_slow_writer_is_not_taken_for_a_silent_board() {
    let mut home = visitor();
    welcomed(&mut home.peer, 1).await;
    let topic = b"\0\x15vernalog/cat/readings";
    for id in 1..=u16::try_from(MOST_UNCONFIRMED).unwrap() {
        let mut packet = vec![0x32, 27];
        packet.extend(topic);
        packet.extend(id.to_be_bytes());
        packet.extend(b"{}");
        home.peer.write_all(&packet).await.unwrap();
    }
    let mut waiting = Vec::new();
    while waiting.len() < MOST_UNCONFIRMED {
        waiting.push(home.deliveries.recv().await.unwrap());
    }
    tokio::time::sleep(Duration::from_secs(600)).await;
    assert!(!home.conversation.is_finished());
    waiting.into_iter().for_each(|delivery| delivery.receipt.confirm());
    let mut answer = [0; 4];
    home.peer.read_exact(&mut answer).await.unwrap();
    assert_eq!(answer, [0x40, 2, 0, 1]);
}

#[tokio::test(start_paused = true)]
async fn a_peer_that_does_not_read_is_closed() {
    let mut home = visitor();
    welcomed(&mut home.peer, 60).await;
    let pings = [0xc0_u8, 0].repeat(64 * 1024);
    // The conversation ends while this is being written.
    drop(home.peer.write_all(&pings).await);
    assert_eq!(home.conversation.await.unwrap(), Ended::SlowReader);
}
