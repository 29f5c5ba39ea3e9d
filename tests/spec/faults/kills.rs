//! Processes that are killed: the daemon at any moment, brokers by SIGTERM
//! (they save what they hold) and by SIGKILL (they may lose it).

use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::{inlet_at, wait_until};
use crate::support::broker::{Broker, free_port, publish};
use crate::support::flood::{Flood, Told};
use crate::support::house::{House, say, topic};
use crate::support::long;
use crate::support::process::Process;
use crate::support::shelf::{assert_exactly_once, assert_sound, stored};

/// Boards at the inlet, with what each has in flight and its pause between
/// two reads, ms.
const AT_THE_INLET: [(&str, usize, u64); 3] = [
    ("fridge-drawer", 1, 0),
    ("stair-landing", 20, 2),
    ("cold-frame", 1000, 50),
];
/// The same at brokers, whose own window is that of the board. Slower than
/// the daemon, which stores one message a sync from the first.
const AT_BROKERS: [(&str, usize, u64); 3] = [
    ("north-sill", 1, 20),
    ("cellar-shelf", 20, 20),
    ("porch-tray", 1000, 300),
];

fn broker_with_window(window: usize) -> Broker {
    Broker::with(&format!(
        "allow_anonymous true\nmax_inflight_messages {window}\n\
         max_queued_messages 1000000\n"
    ))
}

fn broker_part(broker: &Broker) -> String {
    format!("[[broker]]\nhost = \"127.0.0.1\"\nport = {}\n", broker.port)
}

fn flood(board: (&'static str, usize, u64), port: u16) -> Flood {
    let (name, window, pause) = board;
    Flood::begin(name, port, window, Duration::from_millis(pause))
}

/// Waits until a message published at the broker arrives: it holds our
/// session from then on.
fn until_subscribed(home: &House, broker: &Broker) {
    let before = stored(&home.data(), "probe");
    let mut seq = before + 1_000 * u64::from(broker.port);
    wait_until("the broker holds the session", || {
        seq += 1;
        let payload = format!(
            r#"{{"boot":"k3v9q0tz1x","seq":{seq},"up_ms":{seq},"light_lux":1}}"#
        );
        publish(broker.port, &topic("probe"), &payload, &[]);
        std::thread::sleep(Duration::from_millis(50));
        stored(&home.data(), "probe") > before
    });
}

#[test]
fn what_was_acknowledged_survives_kills_of_daemon_and_brokers_exactly_once() {
    const SEED: u64 = 20_260_210;
    let kills = if long() { 200 } else { 20 };
    let home = House::new();
    for (board, ..) in AT_THE_INLET.iter().chain(&AT_BROKERS) {
        home.place(board);
    }
    let port = free_port();
    let mut brokers =
        AT_BROKERS.map(|(_, window, _)| broker_with_window(window));
    let parts = brokers.iter().map(broker_part).collect::<String>();
    let settings = home.settings(&(inlet_at(port) + &parts));
    let mut daemon = Process::start(&settings, "");
    wait_until("the data file is there", || home.data().exists());
    for broker in &brokers {
        until_subscribed(&home, broker);
    }
    let inlet = AT_THE_INLET.map(|board| flood(board, port));
    let mut at_brokers = Vec::new();
    for (board, broker) in AT_BROKERS.into_iter().zip(&brokers) {
        at_brokers.push(flood(board, broker.port));
    }
    let mut chance = ChaCha8Rng::seed_from_u64(SEED);
    let mut n_stops = 0;
    for kill in 0..kills {
        // Each life gets to work, or the kills would all hit the start.
        let before: Vec<u64> = inlet.iter().map(Flood::acknowledged).collect();
        wait_until("all boards at the inlet get on", || {
            inlet.iter().zip(&before).all(|(f, n)| f.acknowledged() > *n)
        });
        let millis = chance.random_range(0..600);
        std::thread::sleep(Duration::from_millis(millis));
        // Every third time a broker is stopped as well, with the daemon at
        // work or dead.
        let which = (kill % 3 == 0).then_some(n_stops % AT_BROKERS.len());
        let alive = chance.random_bool(0.5);
        if let Some(which) = which.filter(|_| alive) {
            brokers[which].stop();
        }
        daemon.kill();
        if let Some(which) = which {
            if !alive {
                brokers[which].stop();
            }
            brokers[which].go();
            n_stops += 1;
        }
        daemon = Process::start(&settings, "");
    }
    let inlet: Vec<(&str, Told)> =
        inlet.into_iter().map(|f| (f.board(), f.end())).collect();
    let at_brokers: Vec<(&str, Told)> =
        at_brokers.into_iter().map(|f| (f.board(), f.end())).collect();
    // What the brokers still hold comes now.
    let missing = || {
        let missing = at_brokers.iter().map(|(board, told)| {
            told.acknowledged.saturating_sub(stored(&home.data(), board))
        });
        missing.sum::<u64>()
    };
    // However long that takes on a busy machine, as long as it goes on.
    let mut left = missing();
    while left > 0 {
        wait_until("the brokers hand over more", || missing() < left);
        left = missing();
    }
    daemon.stop();
    say(&format!(
        "seed {SEED}: {kills} kills of the daemon, {n_stops} stops of \
         brokers; repeats of all boards {}",
        home.counter("repeated")
    ));
    for (board, told) in &inlet {
        // A kill may hit while a board still reads older acknowledgements.
        assert!(told.connections > kills / 2, "{board} was not cut off");
    }
    for (board, told) in inlet.into_iter().chain(at_brokers) {
        assert_exactly_once(&home.data(), board, told);
    }
    assert_eq!(home.counter("refused"), 0, "{:?}", home.reasons());
    assert_sound(&home.data());
}

/// Mosquitto keeps sessions in memory and saves them at its end, or each
/// half hour: a SIGKILL loses them. That loss is told as numbers that never
/// came.
#[test]
fn what_a_killed_broker_lost_is_told_as_a_gap() {
    const BOARD: &str = "cellar-shelf";
    let home = House::new();
    home.place(BOARD);
    let mut broker = broker_with_window(20);
    let settings = home.settings(&broker_part(&broker));
    let mut daemon = Process::start(&settings, "");
    wait_until("the data file is there", || home.data().exists());
    until_subscribed(&home, &broker);
    let board = flood((BOARD, 20, 10), broker.port);
    let gets_on = |by: u64| {
        let before = board.acknowledged();
        wait_until("the board gets on", || board.acknowledged() > before + by);
    };
    for _ in 0..3 {
        let before = stored(&home.data(), BOARD);
        wait_until("readings are stored", || {
            stored(&home.data(), BOARD) > before + 100
        });
        daemon.kill();
        gets_on(100);
        broker.kill();
        broker.go();
        daemon = Process::start(&settings, "");
        gets_on(100);
    }
    until_subscribed(&home, &broker);
    gets_on(100);
    let before = stored(&home.data(), BOARD);
    wait_until("readings are stored", || {
        stored(&home.data(), BOARD) > before + 100
    });
    let told = board.end();
    wait_until("the last number is stored", || {
        let last =
            format!("SELECT max(to_seq) FROM seen WHERE board = '{BOARD}'");
        home.number(&last) == i64::try_from(told.acknowledged).unwrap()
    });
    until_subscribed(&home, &broker);
    daemon.stop();

    let stored = crate::support::shelf::numbers(&home.data(), BOARD);
    let twice = stored.values().filter(|n| **n > 1).count();
    let n_stored = u64::try_from(stored.len()).unwrap();
    let lost = told.acknowledged - n_stored;
    say(&format!(
        "{BOARD}: broker killed 3 times; sent {}, acknowledged by the broker \
         {}, stored {n_stored}, stored twice {twice}, lost by the broker {lost}",
        told.sent, told.acknowledged
    ));
    assert!(lost >= 300, "the broker lost nothing: no test");
    assert_eq!(twice, 0);
    let gap = home.store().gaps().unwrap();
    let gap = gap.iter().find(|gap| gap.board.as_str() == BOARD).unwrap();
    assert_eq!((gap.missing, gap.stored), (lost, n_stored));
}
