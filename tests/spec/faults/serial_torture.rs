//! A bad cable: garbage, half lines, and a board that is pulled out again
//! and again. Every line that was answered is stored once.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use rand::{Rng, RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::decode::sealed;

use super::wait_until;
use crate::support::flood::PROBES;
use crate::support::house::{House, say};
use crate::support::long;
use crate::support::plug::{Plugged, Socket};
use crate::support::process::Process;
use crate::support::shelf::{assert_sound, numbers};

const BOARD: &str = "cold-frame";
/// A board sends again what is not answered for so long.
const AGAIN: Duration = Duration::from_millis(400);

/// A board that keeps what was not answered.
#[derive(Default)]
struct Board {
    next: u64,
    kept: BTreeMap<u64, String>,
    answered: BTreeSet<u64>,
    sent: u64,
}

impl Board {
    fn measure(&mut self) {
        self.next += 1;
        let (number, up_ms) = (self.next, self.next * 100);
        let object = format!(
            r#"{{"board":"{BOARD}","boot":"k3v9q0tz1x","seq":{number},"up_ms":{up_ms},"probe":"p{}","light_lux":{}}}"#,
            number % PROBES,
            number / PROBES
        );
        self.kept.insert(number, sealed(&object));
    }

    fn send_all(&mut self, to: &mut Plugged) {
        for line in self.kept.values() {
            to.try_say(line.as_bytes());
            self.sent += 1;
        }
    }

    /// Takes answers until none comes for a while; how many those were.
    fn hear(&mut self, from: &mut Plugged, patience: Duration) -> usize {
        let before = self.answered.len();
        while let Some(answer) = from.hear_within(patience) {
            let number = answer
                .strip_prefix("+k3v9q0tz1x:")
                .and_then(|rest| rest.split_once('*'))
                .unwrap_or_else(|| panic!("answer {answer:?}"))
                .0;
            let number = number.parse().unwrap();
            assert_eq!(answer, sealed(&format!("+k3v9q0tz1x:{number}")));
            self.kept.remove(&number);
            self.answered.insert(number);
            if self.kept.is_empty() {
                break;
            }
        }
        self.answered.len() - before
    }
}

fn garbage(chance: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = vec![0; chance.random_range(0..900)];
    chance.fill_bytes(&mut bytes);
    // The sender begins anew with LF.
    bytes.push(b'\n');
    bytes
}

#[test]
fn every_answered_line_of_a_bad_cable_is_stored_once() {
    const SEED: u64 = 20_260_211;
    let cycles = if long() { 200 } else { 20 };
    let home = House::new();
    home.place(BOARD);
    let socket = Socket::new();
    let port = format!("[[serial]]\nport = \"{}\"\n", socket.name().display());
    let daemon = Process::start(&home.settings(&port), "");
    wait_until("the data file is there", || home.data().exists());
    let mut chance = ChaCha8Rng::seed_from_u64(SEED);
    let mut board = Board::default();
    for _ in 0..cycles {
        let mut plugged = socket.plug();
        board.measure();
        wait_until("the daemon answers", || {
            plugged.try_say(&garbage(&mut chance));
            board.send_all(&mut plugged);
            board.hear(&mut plugged, AGAIN) > 0
        });
        for _ in 0..chance.random_range(0..20) {
            board.measure();
        }
        board.send_all(&mut plugged);
        // A line that lost bytes or has wrong ones is none.
        let mut spoiled = board.kept.values().next().cloned();
        if let Some(line) = spoiled.take() {
            let mut line = line.into_bytes();
            let at = chance.random_range(0..line.len() - 1);
            line[at] ^= 1 << chance.random_range(0..7_u8);
            plugged.try_say(&line);
        }
        let half = chance.random_range(1..60);
        plugged.try_say(
            &br#"{"board":"cold-frame","boot":"k3v9q0tz1x","seq":99999999,"up"#
                [..half],
        );
        let millis = chance.random_range(0..60);
        board.hear(&mut plugged, Duration::from_millis(millis));
        socket.pull(plugged);
    }
    // Unplugged, the daemon sleeps: no busy loop.
    std::thread::sleep(Duration::from_millis(500));
    let before = daemon.cpu_seconds();
    std::thread::sleep(Duration::from_secs(2));
    let used = daemon.cpu_seconds() - before;
    assert!(used < 0.4, "{used} s of CPU in 2 s without a board");

    let mut plugged = socket.plug();
    board.measure();
    wait_until("everything is answered", || {
        plugged.try_say(&garbage(&mut chance));
        board.send_all(&mut plugged);
        board.hear(&mut plugged, AGAIN);
        board.kept.is_empty()
    });
    daemon.stop();
    let times = numbers(&home.data(), BOARD);
    let twice = times.values().filter(|n| **n > 1).count();
    let lost = board.answered.iter().filter(|n| !times.contains_key(n));
    let lost = lost.count();
    say(&format!(
        "seed {SEED}: pulled out {cycles} times; lines sent {}, answered {}, \
         stored {}, repeats {}, stored twice {twice}, lost {lost}; {used:.2} s \
         of CPU in 2 s without a board",
        board.sent,
        board.answered.len(),
        times.len(),
        home.counter("repeated")
    ));
    assert_eq!((twice, lost), (0, 0));
    assert_eq!(times.len(), board.answered.len());
    assert_sound(&home.data());
}
