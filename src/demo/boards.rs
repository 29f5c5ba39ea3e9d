//! The boards of the season as real peers: MQTT clients at the inlet, and
//! one board on a serial line.
//!
//! Time is the season's: before each sample the daemon's clock is set to the
//! instant at which the sample was taken, and the next one waits until every
//! board was answered.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use serialport::{SerialPort, TTYPort};

use crate::daemon::clock::{Clock, LOOK};
use crate::daemon::settings::Settings;
use crate::daemon::telling::Telling;
use crate::daemon::{Plan, start};
use crate::decode::sealed;
use crate::demo::{DemoError, Step, wire};
use crate::observation::Name;
use crate::season::boards::WireSample;
use crate::season::plan::Season;
use crate::source::{inlet, serial};
use crate::units::Instant;

/// How long one answer may take before the demo gives up.
const PATIENCE: Duration = Duration::from_secs(10);

/// What came in over the real doors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Played {
    /// Boards that spoke MQTT.
    pub mqtt_boards: usize,
    /// Samples they sent, each acknowledged.
    pub mqtt_samples: usize,
    /// Samples of the board on the serial line, each answered.
    pub serial_samples: usize,
}

/// Sends what the boards say in [`from`, `to`) to a daemon of its own.
pub(crate) fn play(
    season: &Season,
    settings: &Settings,
    from: Instant,
    to: Instant,
    progress: &mut dyn FnMut(Step),
) -> Result<Played, DemoError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| failed("all", &error))?;
    runtime.block_on(play_on(season, settings, from, to, progress))
}

async fn play_on(
    season: &Season,
    settings: &Settings,
    from: Instant,
    to: Instant,
    progress: &mut dyn FnMut(Step),
) -> Result<Played, DemoError> {
    let (line, port) = line()?;
    let time = SeasonTime::at(from);
    let plan = Plan {
        data: settings.data.clone(),
        zone: settings.zone.zone,
        commit_every: Duration::ZERO,
        backup: None,
        inlet: Some(inlet::Settings {
            listen: ([127, 0, 0, 1], 0).into(),
            ..inlet::Settings::default()
        }),
        brokers: Vec::new(),
        serial: vec![serial::Settings::at(port)],
        mappings: Vec::new(),
        channels: Vec::new(),
        telling: Telling::default(),
        web: None,
    };
    let running = start(plan, time.clock()).await?;
    let address = running.inlet.ok_or_else(|| {
        failed("all", &std::io::Error::other(running.broken.join("; ")))
    })?;
    let mut boards = Boards::new(season, from, to);
    let mut line = Some(line);
    let mut played =
        Played { mqtt_boards: 0, mqtt_samples: 0, serial_samples: 0 };
    let samples = std::mem::take(&mut boards.samples);
    let of = samples.len() as u64;
    let mut clients: BTreeMap<Name, (AsyncClient, EventLoop)> = BTreeMap::new();
    for (done, sample) in samples.into_iter().enumerate() {
        let what = "boards speak over MQTT and serial";
        progress(Step { what, done: done as u64, of });
        time.set(sample.at);
        if boards.on_the_line.as_ref() == Some(&sample.board) {
            let mut serial = line.take().expect("the line is put back");
            let text = format!("{}\n", sealed(&wire::object(&sample, true)));
            let spoken = tokio::task::spawn_blocking(move || {
                let answer = say(&mut serial, &text);
                (serial, answer)
            });
            let (serial, answer) =
                spoken.await.map_err(|e| failed(sample.board.as_str(), &e))?;
            answer.map_err(|e| failed(sample.board.as_str(), &e))?;
            line = Some(serial);
            played.serial_samples += 1;
        } else {
            let (client, events) = clients
                .entry(sample.board.clone())
                .or_insert_with(|| connect(&sample.board, address.port()));
            publish(client, events, &sample).await?;
            played.mqtt_samples += 1;
        }
    }
    time.set(to);
    played.mqtt_boards = clients.len();
    let drained = running.stop().await;
    drained.error.map_or(Ok(played), |why| {
        Err(DemoError::Board { board: "all".to_owned(), why })
    })
}

fn failed(board: &str, error: &dyn std::error::Error) -> DemoError {
    DemoError::Board { board: board.to_owned(), why: error.to_string() }
}

/// All samples of a stretch in the order in which they were taken.
struct Boards {
    samples: Vec<WireSample>,
    /// The board on the serial line: the last one of the season's list.
    on_the_line: Option<Name>,
}

impl Boards {
    fn new(season: &Season, from: Instant, to: Instant) -> Self {
        let names: Vec<Name> =
            season.plan.boards.iter().map(|board| board.name.clone()).collect();
        let mut samples: Vec<WireSample> = names
            .iter()
            .flat_map(|name| season.wire_samples(name, from, to))
            .collect();
        samples.sort_by_key(|sample| sample.at);
        Self { samples, on_the_line: names.last().cloned() }
    }
}

/// A clock that stands where the season is.
#[derive(Clone)]
struct SeasonTime {
    now: Arc<AtomicI64>,
    start: Instant,
}

impl SeasonTime {
    fn at(start: Instant) -> Self {
        Self { now: Arc::new(AtomicI64::new(start.millis())), start }
    }

    fn set(&self, now: Instant) {
        self.now.store(now.millis(), Ordering::SeqCst);
    }

    fn clock(&self) -> Clock {
        let (wall, steady) = (Arc::clone(&self.now), Arc::clone(&self.now));
        let start = self.start;
        Clock {
            wall: Arc::new(move || {
                Instant::from_millis(wall.load(Ordering::SeqCst))
            }),
            steady: Arc::new(move || {
                let now = Instant::from_millis(steady.load(Ordering::SeqCst));
                let passed = now.millis_since(start);
                Duration::from_millis(u64::try_from(passed).unwrap_or(0))
            }),
            look: LOOK,
        }
    }
}

fn connect(board: &Name, port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(board.as_str(), "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(30));
    options.set_clean_session(false);
    AsyncClient::new(options, 8)
}

/// Publishes a sample and waits for its acknowledgement: it is on disk.
async fn publish(
    client: &AsyncClient,
    events: &mut EventLoop,
    sample: &WireSample,
) -> Result<(), DemoError> {
    let board = sample.board.as_str();
    let topic = format!("vernalog/{board}/readings");
    client
        .publish(topic, QoS::AtLeastOnce, false, wire::object(sample, false))
        .await
        .map_err(|error| failed(board, &error))?;
    let acknowledged = async {
        loop {
            if let Event::Incoming(Packet::PubAck(_)) =
                events.poll().await.map_err(|error| failed(board, &error))?
            {
                return Ok(());
            }
        }
    };
    tokio::time::timeout(PATIENCE, acknowledged)
        .await
        .map_err(|error| failed(board, &error))?
}

/// A serial line: the board's end, and the name of the daemon's.
fn line() -> Result<(Line, PathBuf), DemoError> {
    let (board, host) =
        TTYPort::pair().map_err(|error| failed("serial line", &error))?;
    let name = host.name().ok_or_else(|| {
        failed("serial line", &std::io::Error::other("it has no name"))
    })?;
    Ok((Line { board, _host: host }, PathBuf::from(name)))
}

struct Line {
    board: TTYPort,
    /// Keeps the line as it is while the daemon opens it.
    _host: TTYPort,
}

/// Says a line and waits for the answer: the sample is on disk.
fn say(line: &mut Line, text: &str) -> std::io::Result<()> {
    line.board.set_timeout(PATIENCE)?;
    line.board.write_all(text.as_bytes())?;
    let mut byte = [0];
    while byte != *b"\n" {
        line.board.read_exact(&mut byte)?;
    }
    Ok(())
}
