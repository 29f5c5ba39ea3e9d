//! Ten million hostile inputs: bytes near to sound ones, to every decoder
//! and to whole conversations of the inlet. A panic is the only way to fail.
//!
//! `cargo bench --bench hostile [INPUTS] [SEED]`. The corpus is
//! `tests/fuzz/corpus`.

#![allow(clippy::print_stdout, reason = "a benchmark prints its figures")]
#![allow(clippy::unwrap_used, reason = "a benchmark may end with a message")]

#[allow(dead_code, reason = "the specification uses all of it")]
#[path = "hostile/inputs.rs"]
mod inputs;

use std::fs;
use std::path::Path;
use std::time::Instant;

use rand::{Rng, RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::inputs::{Decoders, talk};

const INPUTS: u64 = 10_000_000;
/// One input in so many is a conversation.
const A_TALK_IN: u64 = 8;

fn main() {
    let numbers: Vec<u64> =
        std::env::args().filter_map(|word| word.parse().ok()).collect();
    let n_inputs = numbers.first().copied().unwrap_or(INPUTS);
    let seed = numbers.get(1).copied().unwrap_or(20_260_214);
    let (texts, talks) = (corpus("decoders"), corpus("conversation"));
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .unwrap();
    let decoders = Decoders::default();
    let (mut n_talks, mut understood, mut delivered) = (0_u64, 0_u64, 0_u64);
    let begin = Instant::now();
    let mut at_half = 0.0;
    for n in 0..n_inputs {
        if n == n_inputs / 2 {
            at_half = resident_mib();
        }
        if n % A_TALK_IN == 0 {
            let bytes = mutated(&talks, &mut chance);
            let talk = runtime.block_on(talk(&bytes));
            n_talks += 1;
            delivered += talk.delivered.len() as u64;
        } else {
            let bytes = mutated(&texts, &mut chance);
            understood += u64::from(decoders.feed(&bytes) > 0);
        }
    }
    println!(
        "seed {seed}: {n_inputs} hostile inputs in {:.0} s, no panic: {} to \
         the decoders ({understood} understood), {n_talks} conversations \
         ({delivered} messages delivered); resident {:.1} MiB at half, {:.1} \
         MiB at the end",
        begin.elapsed().as_secs_f64(),
        n_inputs - n_talks,
        at_half,
        resident_mib(),
    );
    assert!(understood > 0 && delivered > 0, "too hostile: no test");
}

fn corpus(folder: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(folder);
    let mut paths: Vec<_> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    paths.into_iter().map(|path| fs::read(path).unwrap()).collect()
}

/// A sound input with a few things done to it, sometimes none.
fn mutated(corpus: &[Vec<u8>], chance: &mut ChaCha8Rng) -> Vec<u8> {
    let pick = |chance: &mut ChaCha8Rng| {
        corpus[chance.random_range(0..corpus.len())].clone()
    };
    let mut bytes = pick(chance);
    for _ in 0..chance.random_range(0..6) {
        let length = bytes.len();
        let at = chance.random_range(0..=length);
        let to = chance.random_range(at..=length);
        match chance.random_range(0..9) {
            0 if at < length => bytes[at] ^= 1 << chance.random_range(0..8_u8),
            1 if at < length => bytes[at] = (chance.next_u32() & 0xff) as u8,
            2 => drop(bytes.drain(at..to)),
            3 if length < 4_096 => {
                let piece = bytes[at..to].to_vec();
                bytes.splice(at..at, piece);
            }
            4 => {
                let other = pick(chance);
                let cut = chance.random_range(0..=other.len());
                bytes.splice(at.., other[cut..].iter().copied());
            }
            5 => bytes.truncate(at),
            6 => {
                let words: [&[u8]; 12] = [
                    b"-1e999",
                    b"9007199254740993",
                    b"null",
                    b"[[[[",
                    b"\\u0000",
                    b"1e-400",
                    b"{}",
                    b"\"\"",
                    b"\xff\xff\xff\x7f",
                    b"*0000\n",
                    b"-0.0",
                    b"18446744073709551616",
                ];
                let word = words[chance.random_range(0..words.len())];
                bytes.splice(at..at, word.iter().copied());
            }
            7 => {
                let mut noise = vec![0; chance.random_range(0..32)];
                chance.fill_bytes(&mut noise);
                bytes.splice(at..at, noise);
            }
            _ => {}
        }
    }
    bytes
}

/// VmRSS of /proc/self/status, in MiB (proc(5)).
fn resident_mib() -> f64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap();
    let kib = line.trim().trim_end_matches(" kB");
    kib.parse::<f64>().unwrap() / 1024.0
}
