//! A disk that takes no more, and then again.

use std::process::Command;
use std::time::{Duration, Instant};

use super::{inlet_at, wait_until};
use crate::support::broker::free_port;
use crate::support::flood::Flood;
use crate::support::house::House;
use crate::support::process::Process;
use crate::support::shelf::{assert_exactly_once, numbers};

const BOARD: &str = "fridge-drawer";

/// Waits until nothing was acknowledged for a while, in which the board is
/// cut off again and again: the writer tries once a second.
fn until_it_stands_still(flood: &Flood) -> u64 {
    let mut stopped_at = (0, Instant::now());
    wait_until("nothing is acknowledged any more", || {
        let now = flood.acknowledged();
        if now != stopped_at.0 {
            stopped_at = (now, Instant::now());
        }
        now > 0 && stopped_at.1.elapsed() > Duration::from_secs(3)
    });
    flood.acknowledged()
}

/// What was acknowledged is there; of the rest no more than the window,
/// whose acknowledgements were cut off with the connection.
fn assert_kept(home: &House, acknowledged: u64, window: u64) {
    let stored = numbers(&home.data(), BOARD);
    assert!((1..=acknowledged).all(|number| stored.contains_key(&number)));
    assert!(stored.keys().all(|number| *number <= acknowledged + window));
}

/// The system's limit on the size of files stands in for a full disk: a
/// write fails in its middle (EFBIG where a full disk says ENOSPC).
#[test]
fn a_disk_that_takes_no_more_loses_nothing() {
    let home = House::new();
    home.place(BOARD);
    let port = free_port();
    // 1,200 blocks of 512 bytes; the signal that comes with it is ignored.
    let limit = "trap '' XFSZ; ulimit -S -f 1200;";
    let daemon = Process::start(&home.settings(&inlet_at(port)), limit);
    let flood = Flood::begin(BOARD, port, 100, Duration::from_millis(1));
    let when_full = until_it_stands_still(&flood);
    assert_kept(&home, when_full, 100);

    // There is room again.
    let pid = daemon.id().to_string();
    let lifted = Command::new("prlimit")
        .args(["--pid", &pid, "--fsize=unlimited"])
        .status()
        .expect("prlimit is missing; install it: apt-get install util-linux");
    assert!(lifted.success());
    wait_until("readings come in again", || {
        flood.acknowledged() > when_full + 1_000
    });
    let told = flood.end();
    assert!(told.connections > 1, "the connection was dropped");
    drop(daemon);
    assert_exactly_once(&home.data(), BOARD, told);
}
