//! A board on a cable that can be pulled out: a pseudo-terminal.

use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};

use crate::support::writer::PATIENCE;

/// A name that stays, like those below `/dev/serial/by-id`.
pub(crate) struct Socket {
    folder: tempfile::TempDir,
}

/// A board that is plugged in: pulled out when dropped.
pub(crate) struct Plugged {
    board: TTYPort,
    heard: Vec<u8>,
    // Keeps the line raw while nobody else has it open.
    _line: TTYPort,
}

impl Socket {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    /// The name is gone with the board.
    pub(crate) fn pull(&self, plugged: Plugged) {
        drop(plugged);
        std::fs::remove_file(self.name()).unwrap();
    }

    pub(crate) fn name(&self) -> PathBuf {
        self.folder.path().join("board")
    }

    pub(crate) fn plug(&self) -> Plugged {
        let (board, line) = TTYPort::pair().unwrap();
        drop(std::fs::remove_file(self.name()));
        symlink(line.name().unwrap(), self.name()).unwrap();
        Plugged { board, heard: Vec::new(), _line: line }
    }
}

impl Plugged {
    pub(crate) fn say(&mut self, bytes: &[u8]) {
        self.board.write_all(bytes).unwrap();
    }

    /// Says what the cable takes: while nobody reads, the rest is lost.
    pub(crate) fn try_say(&mut self, bytes: &[u8]) {
        drop(self.board.write_all(bytes));
    }

    /// Reads one line from the host.
    pub(crate) fn hear(&mut self) -> String {
        self.hear_within(PATIENCE).expect("no answer")
    }

    /// Reads one line from the host if it comes soon enough.
    pub(crate) fn hear_within(&mut self, patience: Duration) -> Option<String> {
        let begin = Instant::now();
        while self.heard.last() != Some(&b'\n') {
            let mut byte = [0];
            match self.board.read(&mut byte) {
                Ok(count) => self.heard.extend(&byte[..count]),
                Err(_) if begin.elapsed() < patience => {}
                Err(_) => return None,
            }
        }
        Some(String::from_utf8(std::mem::take(&mut self.heard)).unwrap())
    }
}
