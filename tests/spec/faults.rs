//! Faults: the daemon or a broker killed, started twice, or unable to
//! write. What was acknowledged is in the store exactly once.

mod clock;
mod disk_full;
mod hostile;
mod kills;
mod power_cut;
mod serial_torture;
mod soak;
mod starting;

use std::time::{Duration, Instant};

use crate::support::writer::PATIENCE;

fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !holds() {
        assert!(begin.elapsed() < 2 * PATIENCE, "never: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// The inlet part of the settings.
fn inlet_at(port: u16) -> String {
    format!("[inlet]\nlisten = \"127.0.0.1:{port}\"\n")
}
