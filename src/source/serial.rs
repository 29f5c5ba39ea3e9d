//! Boards on a serial port: one thread a port, one line a message.
//!
//! Not the decoding of a line (that is `decode`). Nobody keeps a line that
//! the writer has no room for, except a board that waits for the answer; so
//! it is dropped and counted, and reading goes on.

mod name;

use std::io::{self, Read, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use serde::Deserialize;
use serialport::{ErrorKind, TTYPort};
use tokio::sync::mpsc::error::TrySendError;

use crate::decode::{self, Checksum, LineAssembler, Refusal};
use crate::observation::Message;
use crate::source::Feed;
use crate::source::delivery::{Answers, Delivery, Receipt, SourceName, weight};
use crate::source::health::{SourceHealth, SourceState};
use crate::source::patience::Patience;
use crate::source::serial::name::{Ports, Standing};

/// How long a read waits: also the delay of an answer on a quiet line.
const READ: Duration = Duration::from_millis(100);
/// After opening, boards start anew and chatter at other speeds.
const CHATTER: Duration = Duration::from_secs(3);
/// Bad lines in a row after which the speed is doubted, and single lines
/// are counted but no longer handed on.
const MANY_BAD: u32 = 20;
/// Bytes without a good line after which the speed is doubted: a wrong
/// speed may give no ends of lines at all.
const MUCH_NOISE: usize = 8 * 1024;
/// Time for the last answers when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(5);

/// The `[[serial]]` part of the settings.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The port, best by a name that stays: `/dev/serial/by-id/…`.
    pub port: PathBuf,
    /// Speed of the line.
    #[serde(default = "baud")]
    pub baud: u32,
    /// Whether a line must end in its checksum.
    #[serde(default)]
    pub checksum: ChecksumRule,
}

fn baud() -> u32 {
    115_200
}

/// Whether a line must end in its checksum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ChecksumRule {
    /// A line without one is refused.
    #[default]
    Required,
    /// A line without one is taken; a wrong one is refused.
    Optional,
}

impl Settings {
    /// The settings of this port, all else by default.
    #[must_use]
    pub fn at(port: impl Into<PathBuf>) -> Self {
        Self {
            port: port.into(),
            baud: baud(),
            checksum: ChecksumRule::default(),
        }
    }
}

/// A port that is not open yet.
#[derive(Debug)]
pub struct Port {
    settings: Settings,
    health: Arc<SourceHealth>,
    ports: Ports,
}

/// Why an open port was left.
enum Left {
    /// The board is gone, or the port is.
    HungUp(String),
    /// The daemon stops; the port is still good for the last answers.
    Stopped(TTYPort),
}

impl Port {
    /// Takes the settings; nothing is opened.
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        let name = format!("serial {}", settings.port.display());
        Self {
            settings: settings.clone(),
            health: Arc::new(SourceHealth::new(SourceName::new(&name))),
            ports: Ports::of_the_host(),
        }
    }

    /// What the port says of itself.
    #[must_use]
    pub fn health(&self) -> Arc<SourceHealth> {
        Arc::clone(&self.health)
    }

    /// Reads the port on a thread of its own until the stop signal.
    ///
    /// # Errors
    /// When the system gives no more threads.
    pub fn start(self, feed: Feed) -> io::Result<JoinHandle<()>> {
        thread::Builder::new()
            .name("serial".to_owned())
            .spawn(move || self.run(feed))
    }

    fn run(self, feed: Feed) {
        let shortest = Duration::from_millis(250);
        let mut patience = Patience::new(shortest, Duration::from_secs(10));
        while !stops(&feed) {
            let answers = Arc::new(Answers::default());
            // Asked each time: boards come and go.
            let remark = match self.remark() {
                Ok(remark) => remark,
                Err(why) => {
                    self.health.is_now(SourceState::Refused, why);
                    pause(&feed, patience.wait(Duration::ZERO));
                    continue;
                }
            };
            let wait = match self.open() {
                Ok(port) => {
                    let begin = Instant::now();
                    self.health.count("opened");
                    self.health.is_now(SourceState::Open, remark.as_str());
                    let mut desk = Desk::new(&self, &feed, &answers, remark);
                    match desk.listen(port) {
                        Left::HungUp(cause) => {
                            self.health.count("hung up");
                            self.health.is_now(SourceState::Waiting, cause);
                        }
                        Left::Stopped(port) => {
                            // The writer ends when every sender is gone.
                            drop(feed);
                            see_off(port, &answers);
                            break;
                        }
                    }
                    if desk.heard {
                        patience.reset();
                    }
                    patience.wait(begin.elapsed())
                }
                Err(error) => {
                    let (state, detail) = explain(&error);
                    self.health.is_now(state, detail);
                    patience.wait(Duration::ZERO)
                }
            };
            pause(&feed, wait);
        }
        self.health.is_now(SourceState::Stopped, "");
    }

    /// What is to be said of the port's name, if anything.
    ///
    /// # Errors
    /// Why it cannot be used: nobody knows which board would answer.
    fn remark(&self) -> Result<String, String> {
        let port = &self.settings.port;
        match self.ports.standing(port) {
            Standing::Stays => Ok(String::new()),
            Standing::Numbered(better) => Ok(format!(
                "{} may be another board after the next plugging in; better \
                 in the settings: {}",
                port.display(),
                match better.as_slice() {
                    [] => "its name below /dev/serial/by-id".to_owned(),
                    some => in_a_list(some),
                }
            )),
            Standing::Ambiguous(sockets) => Err(format!(
                "{} boards that are plugged in have this name; name the \
                 socket instead: {}",
                sockets.len(),
                in_a_list(&sockets)
            )),
        }
    }

    /// Opens the port for us alone (by lock and by the terminal's own flag).
    fn open(&self) -> Result<TTYPort, serialport::Error> {
        let path = self.settings.port.to_string_lossy();
        serialport::new(path, self.settings.baud).timeout(READ).open_native()
    }
}

/// Looks at the port's name and, where `open` says so, opens it and lets it
/// go again, which may restart the board. Gives a remark about the name, or
/// nothing.
///
/// # Errors
/// A sentence that says why it cannot be used.
pub fn look(settings: &Settings, open: bool) -> Result<String, String> {
    let port = Port::new(settings);
    let remark = port.remark()?;
    if open {
        port.open().map_err(|error| explain(&error).1)?;
    }
    Ok(remark)
}

fn in_a_list(names: &[PathBuf]) -> String {
    let names: Vec<String> =
        names.iter().map(|name| name.display().to_string()).collect();
    names.join(" or ")
}

fn stops(feed: &Feed) -> bool {
    // A dropped sender is a stop as well.
    *feed.stop.borrow() || feed.stop.has_changed().is_err()
}

fn pause(feed: &Feed, wait: Duration) {
    let end = Instant::now() + wait;
    while !stops(feed) {
        let left = end.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        thread::sleep(left.min(READ));
    }
}

/// What an error of opening means for the grower.
fn explain(error: &serialport::Error) -> (SourceState, String) {
    match error.kind {
        ErrorKind::Io(io::ErrorKind::NotFound) => (
            SourceState::Waiting,
            "the port is not there; is the board plugged in?".to_owned(),
        ),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => (
            SourceState::Refused,
            "permission denied; add your user to the group \"dialout\", then \
             log in again"
                .to_owned(),
        ),
        ErrorKind::NoDevice => (
            SourceState::Refused,
            format!(
                "another program may have the port open ({})",
                error.description
            ),
        ),
        _ => (SourceState::Waiting, error.description.clone()),
    }
}

/// Writes the answers to what the writer still stores. A receipt on its way
/// holds the list of answers, so when nobody else holds it all are in.
fn see_off(mut port: TTYPort, answers: &Arc<Answers>) {
    let end = Instant::now() + FAREWELL;
    while Instant::now() < end {
        let last = Arc::strong_count(answers) == 1;
        while let Some(answer) = answers.pop() {
            if port.write_all(answer.as_bytes()).is_err() {
                return;
            }
        }
        if last {
            // What was written shall leave before the port closes, but a
            // board that is gone must not keep the daemon.
            drop(port.flush());
            return;
        }
        thread::sleep(Duration::from_millis(20));
    }
}

/// Where the lines of one opening are dealt with.
struct Desk<'a> {
    port: &'a Port,
    feed: &'a Feed,
    answers: &'a Arc<Answers>,
    opened: Instant,
    bad_in_a_row: u32,
    /// Bytes since the last good line.
    noise: usize,
    /// Whether a good line came.
    heard: bool,
    /// What is always said of this port.
    remark: String,
}

impl<'a> Desk<'a> {
    fn new(
        port: &'a Port,
        feed: &'a Feed,
        answers: &'a Arc<Answers>,
        remark: String,
    ) -> Self {
        Self {
            port,
            feed,
            answers,
            opened: Instant::now(),
            bad_in_a_row: 0,
            noise: 0,
            heard: false,
            remark,
        }
    }

    fn listen(&mut self, mut port: TTYPort) -> Left {
        let mut assembler = LineAssembler::default();
        let mut bytes = [0; 1024];
        loop {
            if stops(self.feed) {
                return Left::Stopped(port);
            }
            match port.read(&mut bytes) {
                // A board that was pulled out shows as the end of the file,
                // as a broken pipe or as another error: all are the same.
                Ok(0) => return Left::HungUp("the board is gone".to_owned()),
                Ok(count) => {
                    self.noise = self.noise.saturating_add(count);
                    for line in assembler.push(&bytes[..count]) {
                        self.line(line);
                    }
                    self.doubt_the_speed();
                }
                Err(error) if goes_on(&error) => {}
                Err(error) => {
                    return Left::HungUp(format!(
                        "the board is gone ({error})"
                    ));
                }
            }
            if let Err(error) = self.answer(&mut port) {
                return Left::HungUp(format!("the board is gone ({error})"));
            }
        }
    }

    fn line(&mut self, line: Result<Vec<u8>, Refusal>) {
        let received = (self.feed.now)();
        let (bytes, content) = match line {
            Ok(bytes) => {
                let content = decode::line(&bytes, self.checksum(), received);
                (bytes, content)
            }
            Err(refusal) => (Vec::new(), Err(refusal)),
        };
        let health = &self.port.health;
        let receipt = match &content {
            Ok(message) => {
                self.good();
                self.receipt(message)
            }
            Err(_) if !self.heard && self.opened.elapsed() < CHATTER => {
                health.count("start-up chatter");
                return;
            }
            Err(_) => {
                health.count("refused lines");
                self.bad_in_a_row = self.bad_in_a_row.saturating_add(1);
                if self.bad_in_a_row > MANY_BAD {
                    return;
                }
                Receipt::nobody()
            }
        };
        let content = content.map_err(|refusal| refusal.to_string());
        let weight = weight(&content, bytes.len());
        let Some(room) = self.feed.room.take(weight) else {
            health.count("queue full");
            return;
        };
        let delivery = Delivery {
            source: health.name().clone(),
            received,
            steady: true,
            topic: None,
            dup: false,
            bytes,
            content,
            receipt,
            room,
        };
        match self.feed.deliveries.try_send(delivery) {
            Ok(()) => health.delivered_one(),
            Err(TrySendError::Full(_)) => health.count("queue full"),
            // The writer is gone: the stop signal is on its way.
            Err(TrySendError::Closed(_)) => health.count("not stored"),
        }
    }

    fn good(&mut self) {
        self.heard = true;
        self.noise = 0;
        self.bad_in_a_row = 0;
        self.port.health.is_now(SourceState::Open, self.remark.as_str());
    }

    /// The answer goes out when the line's sample is on disk; a board that
    /// does not count gets none.
    fn receipt(&self, message: &Message) -> Receipt {
        let count = message.samples.last().and_then(|s| s.count.as_ref());
        count.map_or_else(Receipt::nobody, |count| {
            Receipt::line(self.answers, decode::answer(count))
        })
    }

    fn doubt_the_speed(&self) {
        if self.bad_in_a_row >= MANY_BAD || self.noise > MUCH_NOISE {
            let detail = format!(
                "nothing that comes can be read: is baud = {} the speed of \
                 the board?",
                self.port.settings.baud
            );
            self.port.health.is_now(SourceState::Open, detail);
        }
    }

    fn checksum(&self) -> Checksum {
        match self.port.settings.checksum {
            ChecksumRule::Required => Checksum::Required,
            ChecksumRule::Optional => Checksum::Optional,
        }
    }

    /// Writes the answers to what is on disk by now. One that does not fit
    /// is dropped with all that wait: the board does not read them.
    fn answer(&self, port: &mut TTYPort) -> io::Result<()> {
        while let Some(answer) = self.answers.pop() {
            match port.write_all(answer.as_bytes()) {
                Ok(()) => {}
                Err(error) if goes_on(&error) => {
                    self.answers.clear();
                    self.port.health.count("answers not read");
                }
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

fn goes_on(error: &io::Error) -> bool {
    use io::ErrorKind::{Interrupted, TimedOut, WouldBlock};
    matches!(error.kind(), Interrupted | TimedOut | WouldBlock)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::serial::name::tests::Machine;

    #[test]
    fn a_port_that_may_not_be_opened_names_the_group() {
        let kind = ErrorKind::Io(io::ErrorKind::PermissionDenied);
        let error = serialport::Error::new(kind, "EACCES");
        let (state, detail) = explain(&error);
        assert_eq!(state, SourceState::Refused);
        assert!(detail.contains("\"dialout\""), "{detail}");
    }

    fn state_of(
        machine: &Machine,
        port: PathBuf,
        state: SourceState,
    ) -> String {
        let mut port = Port::new(&Settings::at(port));
        port.ports = machine.ports();
        let (deliveries, _queue) = tokio::sync::mpsc::channel(1);
        let (stop, stopping) = tokio::sync::watch::channel(false);
        let health = port.health();
        let thread = port
            .start(Feed {
                deliveries,
                room: crate::source::Room::default(),
                now: Arc::new(|| crate::units::Instant::from_millis(0)),
                stop: stopping,
                mappings: Arc::from([]),
            })
            .unwrap();
        let begin = Instant::now();
        while health.condition().state != state {
            assert!(begin.elapsed().as_secs() < 30, "{:?}", health.condition());
            thread::sleep(Duration::from_millis(5));
        }
        let detail = health.condition().detail;
        drop(stop);
        thread.join().unwrap();
        detail
    }

    #[test]
    fn a_name_that_two_boards_claim_is_refused_and_that_of_a_socket_taken() {
        let machine = Machine::new();
        machine.plug("ttyUSB0", 1, "");
        machine.plug("ttyUSB1", 2, "");
        let refused = SourceState::Refused;
        let detail = state_of(&machine, machine.by_id(""), refused);
        assert!(detail.starts_with("2 boards"), "{detail}");
        for socket in [1, 2] {
            let name = machine.by_path(socket).display().to_string();
            assert!(detail.contains(&name), "{detail}");
        }
        // These files are no terminals: they are tried, and that is said.
        let waiting = SourceState::Waiting;
        let detail = state_of(&machine, machine.by_path(1), waiting);
        assert!(!detail.contains("boards"), "{detail}");
    }

    #[test]
    fn the_checksum_is_required_unless_the_port_says_otherwise() {
        let plain: Settings = toml::from_str("port = \"/dev/x\"").unwrap();
        assert_eq!(plain, Settings::at("/dev/x"));
        assert_eq!(plain.checksum, ChecksumRule::Required);
        let text = "port = \"/dev/x\"\nbaud = 9600\nchecksum = \"optional\"";
        let other: Settings = toml::from_str(text).unwrap();
        assert_eq!(
            (other.baud, other.checksum),
            (9600, ChecksumRule::Optional)
        );
    }
}
