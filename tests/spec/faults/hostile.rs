//! Bytes from somebody who means no good: whatever they are, nothing
//! panics, memory stays bounded, and the other boards go on.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::thread;
use std::time::Duration;

use proptest::prelude::*;
use rand::{Rng, RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::source::{ROOM, WEIGHT_BYTES, inlet};

use super::{inlet_at, wait_until};
use crate::inputs::{Decoders, talk};
use crate::support::broker::free_port;
use crate::support::flood::Flood;
use crate::support::house::{House, say, topic};
use crate::support::peer::{
    PING, PONG, connect, packet, publish, publish_once,
};
use crate::support::process::Process;
use crate::support::shelf::assert_exactly_once;

/// A packet of a conversation, and what the model says of it.
#[derive(Debug, Clone)]
enum Step {
    /// QoS 1 with this identifier; whether the payload is sound.
    Publish(u16, bool),
    /// QoS 0.
    PublishOnce(bool),
    Ping,
    Goodbye,
    /// Breaks the protocol.
    Broken(Vec<u8>),
}

fn a_step() -> impl Strategy<Value = Step> {
    prop_oneof![
        5 => (1_u16.., any::<bool>()).prop_map(|(id, ok)| Step::Publish(id, ok)),
        3 => any::<bool>().prop_map(Step::PublishOnce),
        2 => Just(Step::Ping),
        1 => Just(Step::Goodbye),
        1 => prop::sample::select(vec![
            // Reserved flags; a server's packet; QoS 3; identifier 0; a
            // length that never ends; a second CONNECT; QoS 2.
            vec![0xc1, 0],
            vec![0x40, 2, 0, 1],
            vec![0x36, 5, 0, 1, b'a', 0, 1],
            vec![0x32, 5, 0, 1, b'a', 0, 0],
            vec![0x30, 0xff, 0xff, 0xff, 0xff, 0x7f],
            connect(4, 2, "again", None),
            vec![0x34, 5, 0, 1, b'a', 0, 1],
        ])
        .prop_map(Step::Broken),
    ]
}

impl Step {
    fn bytes(&self) -> Vec<u8> {
        let payload = |sound: bool| {
            if sound {
                r#"{"light_lux":7}"#
            } else {
                r#"{"light_lux":"seven"}"#
            }
        };
        let topic = topic("cold-frame");
        match self {
            Self::Publish(id, sound) => publish(*id, &topic, payload(*sound)),
            Self::PublishOnce(sound) => publish_once(&topic, payload(*sound)),
            Self::Ping => PING.to_vec(),
            Self::Goodbye => packet(0xe0, &[]),
            Self::Broken(bytes) => bytes.clone(),
        }
    }
}

/// What the inlet does, in twenty lines: everything up to the goodbye or the
/// first broken packet is delivered in order, and acknowledged in order.
/// What was confirmed when it ends may still be on its way out, or not.
fn model(steps: &[Step]) -> (Vec<bool>, Vec<u8>) {
    let mut delivered = Vec::new();
    let mut acknowledged = Vec::new();
    for step in steps {
        match step {
            Step::Publish(id, sound) => {
                delivered.push(*sound);
                acknowledged.push(*id);
            }
            Step::PublishOnce(sound) => delivered.push(*sound),
            Step::Ping => {}
            Step::Goodbye | Step::Broken(_) => break,
        }
    }
    let acknowledged = acknowledged
        .iter()
        .flat_map(|id| packet(0x40, &id.to_be_bytes()))
        .collect();
    (delivered, acknowledged)
}

fn on_a_stepped_clock<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .unwrap()
        .block_on(future)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn a_conversation_goes_as_its_model_up_to_the_first_broken_packet(
        steps in prop::collection::vec(a_step(), 0..30),
    ) {
        let mut bytes = connect(4, 2, "a", None);
        bytes.extend(steps.iter().flat_map(Step::bytes));
        let talk = on_a_stepped_clock(talk(&bytes));
        let (delivered, acknowledged) = model(&steps);
        let sound: Vec<bool> =
            talk.delivered.iter().map(Result::is_ok).collect();
        prop_assert_eq!(sound, delivered, "{}", talk.ended);
        prop_assert_eq!(&talk.heard[..4], [0x20, 2, 0, 0]);
        let mut heard = Vec::new();
        let mut rest = &talk.heard[4..];
        while let Some((first, _)) = rest.split_first() {
            let length = if *first == PONG[0] { 2 } else { 4 };
            if length == 4 {
                heard.extend(&rest[..4]);
            }
            rest = &rest[length..];
        }
        prop_assert!(
            acknowledged.starts_with(&heard),
            "heard {heard:02x?}, of {acknowledged:02x?}"
        );
    }

    #[test]
    fn any_bytes_end_a_conversation_without_panic(
        greeted in any::<bool>(),
        bytes in prop::collection::vec(any::<u8>(), 0..400),
    ) {
        let mut all = if greeted { connect(4, 2, "a", None) } else { vec![] };
        all.extend(bytes);
        let talk = on_a_stepped_clock(talk(&all));
        prop_assert!(!talk.ended.is_empty());
    }

    #[test]
    fn any_bytes_pass_every_decoder_without_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..700),
    ) {
        Decoders::default().feed(&bytes);
    }

    /// Sound JSON of every shape, with the members of the contract.
    #[test]
    fn any_json_passes_every_decoder_without_panic(
        json in r#"[\[{]("(boot|seq|up_ms|probe|temperature_celsius|light_lux|errors|n|bn|bt|t|v|u)":("[a-z0-9:]{0,12}"|-?[0-9]{1,20}(\.[0-9]{1,5})?(e[+-]?[0-9]{1,3})?|null|true|\[\]|\{\}),?){0,8}[\]}]"#,
    ) {
        Decoders::default().feed(json.as_bytes());
    }
}

/// Peers that connect, log in and say the worst they can, many at once.
fn pester(port: u16, seed: u64) {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let sample = r#"{"light_lux":0},"#.repeat(1_000);
    let array = format!("[{}]", sample.trim_end_matches(','));
    for n in 0..12_u16 {
        let Ok(mut socket) = TcpStream::connect(("127.0.0.1", port)) else {
            continue;
        };
        drop(socket.set_read_timeout(Some(Duration::from_millis(50))));
        let mut bytes = connect(4, 2, &format!("pest-{seed}"), None);
        match n % 4 {
            // As much in memory as a window may hold.
            0 => (1..=40).for_each(|id| {
                bytes.extend(publish(id, &topic("pest"), &array));
            }),
            // Half a packet, and never the rest.
            1 => bytes.extend(&publish(1, &topic("pest"), &array)[..9_000]),
            // Noise.
            2 => {
                let mut noise = vec![0; 8_000];
                chance.fill_bytes(&mut noise);
                bytes.extend(noise);
            }
            // Never reads.
            _ => bytes.extend(PING.repeat(40_000)),
        }
        drop(socket.write_all(&bytes));
        if n % 4 != 3 {
            let mut answers = [0; 4_096];
            while socket.read(&mut answers).is_ok_and(|count| count > 0) {}
        }
        thread::sleep(Duration::from_millis(chance.random_range(0..20)));
    }
}

/// How many connections the inlet of this test takes, those included that
/// have ended and are still to be seen off.
const CONNECTIONS: usize = 32;

/// By how much hostile peers may make the daemon grow, MiB:
/// what its connections hold; what waits for the writer, by its weight, and
/// beside it for each message that waits or is being written 1 KiB, since
/// bytes below 512 weigh nothing; each twice, since what was given back is
/// not the system's at once (an assumption about glibc, whose threads have
/// heaps of their own); and 8 MiB for the store's pages and one transaction.
/// Unbounded, the 320,000 samples that they send are well over 200 MiB.
fn most_mib() -> f64 {
    const MESSAGES: usize = 4_096 + 2_048;
    let held = CONNECTIONS * inlet::CONNECTION_BYTES
        + ROOM * WEIGHT_BYTES
        + MESSAGES * 1_024;
    let kib = u32::try_from(held / 1_024).unwrap();
    2.0 * f64::from(kib) / 1_024.0 + 8.0
}

#[test]
fn hostile_peers_leave_the_other_boards_and_the_memory_alone() {
    const SEED: u64 = 20_260_215;
    let home = House::new();
    home.place("fridge-drawer");
    let port = free_port();
    let limit = format!("connections = {CONNECTIONS}\n");
    let daemon = Process::start(&home.settings(&(inlet_at(port) + &limit)), "");
    let flood =
        Flood::begin("fridge-drawer", port, 20, Duration::from_millis(5));
    wait_until("the board gets on", || flood.acknowledged() > 100);
    let before = daemon.resident_mib();
    let pests: Vec<_> =
        (0..8).map(|n| thread::spawn(move || pester(port, SEED + n))).collect();
    let mut most: f64 = before;
    while !pests.iter().all(thread::JoinHandle::is_finished) {
        let acknowledged = flood.acknowledged();
        wait_until("the board gets on beside hostile peers", || {
            flood.acknowledged() > acknowledged
        });
        most = most.max(daemon.resident_mib());
    }
    for pest in pests {
        pest.join().unwrap();
    }
    let told = flood.end();
    daemon.stop();
    say(&format!(
        "seed {SEED}: 96 hostile connections; resident {before:.0} MiB \
         before, at most {most:.0} MiB; may grow by {:.0} MiB",
        most_mib()
    ));
    assert_eq!(told.connections, 1, "the good board was cut off");
    let bound = most_mib();
    assert!(most - before < bound, "{before} MiB grew by over {bound} MiB");
    assert_exactly_once(&home.data(), "fridge-drawer", told);
}
