//! What is done with hostile bytes: every decoder, and a whole conversation
//! of the inlet. Used by the runner beside it and by the fuzz targets.

use std::sync::Arc;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use vernalog::decode::{self, Checksum, Field, LineAssembler, Mapping};
use vernalog::observation::{Message, Name};
use vernalog::source::{Feed, Room, inlet};
use vernalog::units::Instant;

/// What must hold of every message, whatever the bytes: finite values within
/// physics, and no more samples than a packet may have.
fn judged<E>(message: Result<Message, E>) -> bool {
    let Ok(message) = message else { return false };
    assert!(message.samples.len() <= decode::MOST_SAMPLES);
    for sample in &message.samples {
        for (quantity, value, _) in &sample.values {
            assert!(value.is_finite(), "{quantity:?} {value}");
        }
    }
    true
}

/// The decoders with all that they need.
pub(crate) struct Decoders {
    board: Name,
    mapping: Mapping,
    received: Instant,
}

impl Default for Decoders {
    fn default() -> Self {
        let fields = [("temperature", "/t", "Cel"), ("light", "/l/0", "lx")]
            .map(|(quantity, pointer, unit)| {
                Field::new(quantity, pointer, unit, 1.0, 0.0).expect("a field")
            });
        Self {
            board: Name::new("cold-frame").expect("a name"),
            mapping: Mapping::new("garden/+/state", None, fields.into())
                .expect("a mapping"),
            received: Instant::from_millis(1_770_724_800_000),
        }
    }
}

impl Decoders {
    /// Gives bytes to every decoder; how many understood them.
    pub(crate) fn feed(&self, bytes: &[u8]) -> u32 {
        self.payload(bytes)
            + self.mapping(bytes)
            + self.line(bytes)
            + self.port(bytes)
    }

    /// As the payload of a message.
    pub(crate) fn payload(&self, bytes: &[u8]) -> u32 {
        let message = decode::payload(&self.board, bytes, self.received);
        u32::from(judged(message))
    }

    /// As a payload of a board's own making.
    pub(crate) fn mapping(&self, bytes: &[u8]) -> u32 {
        u32::from(judged(self.mapping.decode("garden/tray/state", bytes)))
    }

    /// As one serial line.
    pub(crate) fn line(&self, bytes: &[u8]) -> u32 {
        [Checksum::Required, Checksum::Optional]
            .map(|sum| judged(decode::line(bytes, sum, self.received)))
            .map(u32::from)
            .iter()
            .sum()
    }

    /// In pieces, as a port delivers them.
    pub(crate) fn port(&self, bytes: &[u8]) -> u32 {
        let mut understood = 0;
        let mut assembler = LineAssembler::default();
        for piece in bytes.chunks(1 + bytes.len() % 61) {
            for line in assembler.push(piece).into_iter().flatten() {
                assert!(line.len() <= decode::line::LONGEST_LINE);
                understood += u32::from(judged(decode::line(
                    &line,
                    Checksum::Optional,
                    self.received,
                )));
            }
        }
        understood
    }
}

/// What became of a conversation.
#[derive(Debug, PartialEq)]
pub(crate) struct Talk {
    /// Why it ended, in the inlet's words.
    pub(crate) ended: &'static str,
    /// Messages that the writer got, in order.
    pub(crate) delivered: Vec<Result<Message, String>>,
    /// What the peer heard.
    pub(crate) heard: Vec<u8>,
}

/// A peer that says these bytes and hangs up, and a writer that confirms
/// everything at once. The time is stepped by the runtime.
pub(crate) async fn talk(bytes: &[u8]) -> Talk {
    let (deliveries, mut queue) = mpsc::channel(4_096);
    let (stop, stopping) = watch::channel(false);
    let feed = Feed {
        deliveries,
        room: Room::default(),
        now: Arc::new(|| Instant::from_millis(1_770_724_800_000)),
        stop: stopping,
        mappings: Arc::from([]),
    };
    let (mut peer, socket) = tokio::io::duplex(256 * 1024);
    let (reader, writer) = tokio::io::split(socket);
    let conversation = inlet::converse_over(reader, writer, feed);
    let peer = async {
        // The inlet may have hung up before.
        drop(peer.write_all(bytes).await);
        drop(peer.shutdown().await);
        let mut heard = Vec::new();
        drop(peer.read_to_end(&mut heard).await);
        heard
    };
    let writer = async {
        let mut delivered = Vec::new();
        while let Some(delivery) = queue.recv().await {
            delivery.receipt.confirm();
            delivered.push(delivery.content);
        }
        delivered
    };
    let (ended, heard, delivered) = tokio::join!(conversation, peer, writer);
    drop(stop);
    Talk { ended, delivered, heard }
}
