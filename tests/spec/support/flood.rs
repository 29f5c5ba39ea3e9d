//! A board that sends numbered samples as fast as it is acknowledged, and
//! sends again what was not, until it is told to end.

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use crate::support::house::topic;
use crate::support::peer::{connect, publish};
use crate::support::writer::PATIENCE;

/// Samples go round over so many probes: one series would not have enough
/// milliseconds for them. Number = value × probes + probe.
pub(crate) const PROBES: u64 = 64;

/// What became of a flood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Told {
    /// Packets, those sent again included.
    pub(crate) sent: u64,
    /// Samples acknowledged: those numbered from 1 to this.
    pub(crate) acknowledged: u64,
    /// How often it had to connect.
    pub(crate) connections: u64,
}

/// A board at work in a thread of its own.
pub(crate) struct Flood {
    board: &'static str,
    end: Arc<AtomicBool>,
    acknowledged: Arc<AtomicU64>,
    thread: JoinHandle<Told>,
}

impl Flood {
    /// Begins to send to a port of this machine, with so many samples in
    /// flight.
    pub(crate) fn begin(
        board: &'static str,
        port: u16,
        window: usize,
        pause: Duration,
    ) -> Self {
        Self::with(board, port, window, pause, "")
    }

    /// The same with a temperature and a humidity in each sample.
    pub(crate) fn with_company(
        board: &'static str,
        port: u16,
        window: usize,
        pause: Duration,
    ) -> Self {
        let company = r#","temperature_celsius":3.6,"humidity_percent":91.5"#;
        Self::with(board, port, window, pause, company)
    }

    fn with(
        board: &'static str,
        port: u16,
        window: usize,
        pause: Duration,
        company: &'static str,
    ) -> Self {
        let (end, acknowledged) = (Arc::default(), Arc::default());
        let mut sender = Sender {
            board,
            port,
            window,
            pause,
            company,
            begin: Instant::now(),
            end: Arc::clone(&end),
            acknowledged: Arc::clone(&acknowledged),
            next: 1,
            in_flight: VecDeque::new(),
            told: Told { sent: 0, acknowledged: 0, connections: 0 },
        };
        let thread = thread::spawn(move || {
            sender.run();
            sender.told
        });
        Self { board, end, acknowledged, thread }
    }

    pub(crate) fn board(&self) -> &'static str {
        self.board
    }

    /// How many samples were acknowledged by now.
    pub(crate) fn acknowledged(&self) -> u64 {
        self.acknowledged.load(Ordering::SeqCst)
    }

    /// No new samples; ends when all are acknowledged.
    pub(crate) fn end(self) -> Told {
        self.end.store(true, Ordering::SeqCst);
        self.thread.join().unwrap()
    }
}

struct Sender {
    board: &'static str,
    port: u16,
    window: usize,
    pause: Duration,
    company: &'static str,
    begin: Instant,
    end: Arc<AtomicBool>,
    acknowledged: Arc<AtomicU64>,
    next: u64,
    /// Number and payload of what was not acknowledged, oldest first.
    in_flight: VecDeque<(u64, String)>,
    told: Told,
}

impl Sender {
    fn run(&mut self) {
        let mut trouble_since = Instant::now();
        loop {
            let before = self.told.acknowledged;
            match self.visit() {
                Ok(()) => return,
                Err(_) => thread::sleep(Duration::from_millis(5)),
            }
            if self.told.acknowledged > before {
                trouble_since = Instant::now();
            }
            assert!(
                trouble_since.elapsed() < PATIENCE,
                "{}: nothing was acknowledged any more",
                self.board
            );
        }
    }

    /// One connection; ends well when all is acknowledged and the end was
    /// told.
    fn visit(&mut self) -> io::Result<()> {
        let mut socket = TcpStream::connect(("127.0.0.1", self.port))?;
        socket.set_nodelay(true)?;
        socket.set_read_timeout(Some(PATIENCE))?;
        // The session is kept: what was in flight is sent again.
        socket.write_all(&connect(4, 0, self.board, None))?;
        let mut welcome = [0; 4];
        socket.read_exact(&mut welcome)?;
        // The inlet always has the session; a new broker has none yet.
        assert_eq!(welcome[..2], [0x20, 2], "{}", self.board);
        assert_eq!(welcome[3], 0, "{} was refused", self.board);
        self.told.connections += 1;
        let mut packets = Vec::new();
        for (number, payload) in &self.in_flight {
            let mut packet = packet(self.board, *number, payload);
            packet[0] |= 0x08; // DUP
            packets.extend(packet);
            self.told.sent += 1;
        }
        socket.write_all(&packets)?;
        loop {
            self.send_new(&mut socket)?;
            if self.in_flight.is_empty() {
                return Ok(());
            }
            self.hear(&mut socket)?;
        }
    }

    fn send_new(&mut self, socket: &mut TcpStream) -> io::Result<()> {
        let mut packets = Vec::new();
        while self.in_flight.len() < self.window
            && !self.end.load(Ordering::SeqCst)
        {
            let number = self.next;
            let payload = self.sample(number);
            packets.extend(packet(self.board, number, &payload));
            self.in_flight.push_back((number, payload));
            self.next += 1;
            self.told.sent += 1;
        }
        thread::sleep(self.pause);
        socket.write_all(&packets)
    }

    /// Takes acknowledgements; they come in order (MQTT-4.6.0-2).
    fn hear(&mut self, socket: &mut TcpStream) -> io::Result<()> {
        let mut bytes = [0; 4 * 1024];
        let mut count = socket.read(&mut bytes)?;
        while count % 4 != 0 {
            count += match socket.read(&mut bytes[count..])? {
                0 => break,
                more => more,
            };
        }
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        for answer in bytes[..count].chunks_exact(4) {
            let Some((number, _)) = self.in_flight.pop_front() else {
                panic!("{}: acknowledged what was not sent", self.board);
            };
            let id = identifier(number).to_be_bytes();
            assert_eq!(answer, [0x40, 2, id[0], id[1]], "{}", self.board);
            self.told.acknowledged = number;
            self.acknowledged.store(number, Ordering::SeqCst);
        }
        Ok(())
    }

    fn sample(&self, number: u64) -> String {
        format!(
            r#"{{"boot":"k3v9q0tz1x","seq":{number},"up_ms":{},"probe":"p{}","light_lux":{}{}}}"#,
            self.begin.elapsed().as_millis(),
            number % PROBES,
            number / PROBES,
            self.company
        )
    }
}

fn identifier(number: u64) -> u16 {
    u16::try_from(number % 60_000 + 1).unwrap()
}

fn packet(board: &str, number: u64, payload: &str) -> Vec<u8> {
    publish(identifier(number), &topic(board), payload)
}
