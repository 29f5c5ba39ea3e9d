//! Boards on a serial port, over a pseudo-terminal.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use vernalog::decode::sealed;
use vernalog::source::serial::{ChecksumRule, Port, Settings};
use vernalog::source::{SourceHealth, SourceState};

use crate::support::plug::Socket;
use crate::support::writer::{PATIENCE, Writer, number, wait_for, writer};

struct Home {
    health: Arc<SourceHealth>,
    writer: Writer,
    thread: JoinHandle<()>,
}

fn home_with(settings: &Settings, capacity: usize) -> Home {
    let port = Port::new(settings);
    let health = port.health();
    let (feed, writer) = writer(capacity);
    let thread = port.start(feed).unwrap();
    Home { health, writer, thread }
}

fn home(socket: &Socket) -> Home {
    home_with(&Settings::at(socket.name()), 64)
}

impl Home {
    async fn leave(self) {
        self.writer.stop();
        self.writer.drain().await;
        self.thread.join().unwrap();
        assert_eq!(self.health.condition().state, SourceState::Stopped);
    }
}

fn object(seq: u64) -> String {
    format!(
        r#"{{"board":"cold-frame","boot":"k3v9q0tz1x","seq":{seq},"up_ms":1,"humidity_percent":91.5}}"#
    )
}

fn line(seq: u64) -> Vec<u8> {
    sealed(&object(seq)).into_bytes()
}

#[tokio::test]
async fn a_line_is_answered_after_its_confirmation() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let mut home = home(&socket);
    wait_for(&home.health, SourceState::Open).await;
    plugged.say(&line(412));
    let delivery = home.writer.next().await;
    assert!(delivery.source.as_str().starts_with("serial /"));
    assert_eq!((number(&delivery), delivery.steady), (412, true));
    // The next line is read while the first has no answer.
    plugged.say(&line(413));
    home.writer.next().await.receipt.confirm();
    assert!(plugged.hear().starts_with("+k3v9q0tz1x:413*"));
    delivery.receipt.confirm();
    assert_eq!(plugged.hear(), sealed("+k3v9q0tz1x:412"));
    home.leave().await;
}

#[tokio::test]
async fn lines_in_pieces_and_amid_garbage_are_found() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let mut home = home(&socket);
    wait_for(&home.health, SourceState::Open).await;
    // Chatter of a start, with bytes that are no text, before any line.
    plugged.say(b"\xfe\xff\x80ets Jan\r\nrst:0x1\r\n\n");
    let bytes = line(1);
    let (head, tail) = bytes.split_at(20);
    plugged.say(head);
    tokio::time::sleep(Duration::from_millis(150)).await;
    plugged.say(tail);
    assert_eq!(number(&home.writer.next().await), 1);
    assert!(home.health.count_of("start-up chatter") >= 2);

    let mut wrong = line(2);
    wrong[30] ^= 1;
    plugged.say(&wrong);
    plugged.say(format!("{}\n", object(3)).as_bytes());
    plugged.say(&[b'x'; 2000]);
    plugged.say(b"\n");
    plugged.say(&line(4));
    for word in ["checksum", "checksum", "limit"] {
        let reason = home.writer.next().await.content.unwrap_err();
        assert!(reason.contains(word), "{reason}");
    }
    assert_eq!(number(&home.writer.next().await), 4);
    home.leave().await;
}

#[tokio::test]
async fn a_port_may_go_without_checksums() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let settings = Settings {
        checksum: ChecksumRule::Optional,
        ..Settings::at(socket.name())
    };
    let mut home = home_with(&settings, 64);
    wait_for(&home.health, SourceState::Open).await;
    plugged.say(format!("{}\n", object(3)).as_bytes());
    assert_eq!(number(&home.writer.next().await), 3);
    home.leave().await;
}

#[tokio::test]
async fn a_board_that_is_pulled_out_and_plugged_in_again_goes_on() {
    let socket = Socket::new();
    let mut home = home(&socket);
    let detail = wait_for(&home.health, SourceState::Waiting).await;
    assert!(detail.contains("not there"), "{detail}");
    for seq in 1..=5 {
        let mut plugged = socket.plug();
        wait_for(&home.health, SourceState::Open).await;
        plugged.say(&line(seq));
        let delivery = home.writer.next().await;
        assert_eq!(number(&delivery), seq);
        delivery.receipt.confirm();
        assert_eq!(plugged.hear(), sealed(&format!("+k3v9q0tz1x:{seq}")));
        // Half a line is lost with the board and spoils nothing.
        plugged.say(b"{\"board\":");
        drop(plugged);
        wait_for(&home.health, SourceState::Waiting).await;
    }
    assert_eq!(home.health.count_of("hung up"), 5);
    home.leave().await;
}

#[tokio::test]
async fn an_answer_of_an_older_plugging_in_is_forgotten() {
    let socket = Socket::new();
    let mut home = home(&socket);
    let mut plugged = socket.plug();
    wait_for(&home.health, SourceState::Open).await;
    plugged.say(&line(1));
    let old = home.writer.next().await;
    drop(plugged);
    wait_for(&home.health, SourceState::Waiting).await;

    let mut plugged = socket.plug();
    wait_for(&home.health, SourceState::Open).await;
    old.receipt.confirm();
    plugged.say(&line(2));
    home.writer.next().await.receipt.confirm();
    assert_eq!(plugged.hear(), sealed("+k3v9q0tz1x:2"));
    home.leave().await;
}

#[tokio::test]
async fn a_line_without_room_is_dropped_and_counted() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let mut home = home_with(&Settings::at(socket.name()), 2);
    wait_for(&home.health, SourceState::Open).await;
    for seq in 1..=3 {
        plugged.say(&line(seq));
    }
    while home.health.count_of("queue full") == 0 {
        tokio::task::yield_now().await;
    }
    assert_eq!(home.health.count_of("queue full"), 1);
    for delivery in home.writer.take(2).await {
        delivery.receipt.confirm();
    }
    assert_eq!(plugged.hear(), sealed("+k3v9q0tz1x:1"));
    assert_eq!(plugged.hear(), sealed("+k3v9q0tz1x:2"));
    plugged.say(&line(4));
    assert_eq!(number(&home.writer.next().await), 4);
    home.leave().await;
}

#[tokio::test]
async fn twenty_bad_lines_raise_the_question_of_the_speed() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let mut home = home(&socket);
    wait_for(&home.health, SourceState::Open).await;
    plugged.say(&line(1));
    home.writer.next().await;
    for _ in 0..25 {
        plugged.say(b"\x00\x8e\xfe\x1c\n");
    }
    let mut watch = home.health.watch();
    let told = watch.wait_for(|c| c.detail.contains("baud = 115200"));
    drop(tokio::time::timeout(PATIENCE, told).await.unwrap().unwrap());
    // The first twenty are kept as refusals, the rest are only counted.
    assert_eq!(home.writer.take(20).await.len(), 20);
    plugged.say(&line(2));
    assert_eq!(number(&home.writer.next().await), 2);
    assert_eq!(home.health.count_of("refused lines"), 25);
    assert_eq!(home.health.condition().detail, "");
    home.leave().await;
}

#[tokio::test]
async fn a_port_is_opened_by_one_program_only() {
    let socket = Socket::new();
    let _plugged = socket.plug();
    let first = home(&socket);
    wait_for(&first.health, SourceState::Open).await;
    let second = home(&socket);
    let detail = wait_for(&second.health, SourceState::Refused).await;
    assert!(detail.contains("another program"), "{detail}");
    second.leave().await;
    first.leave().await;
}

#[tokio::test]
async fn a_stop_still_answers_what_is_being_stored() {
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let mut home = home(&socket);
    wait_for(&home.health, SourceState::Open).await;
    plugged.say(&line(9));
    let delivery = home.writer.next().await;
    home.writer.stop();
    home.writer.drain().await;
    delivery.receipt.confirm();
    assert_eq!(plugged.hear(), sealed("+k3v9q0tz1x:9"));
    home.thread.join().unwrap();
}
