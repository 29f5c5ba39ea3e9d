//! The wire contract's own page, tested: every vector on it is decoded.

use crate::decode::{Checksum, Refusal, answer, line, payload};
use crate::observation::{Boot, Count, Message, Name};
use crate::units::Instant;

const PAGE: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/firmware-notes/wire-contract.md"
));

/// A vector: what kind of thing, its text, what must come out.
struct Vector<'a> {
    head: &'a str,
    text: &'a str,
    expected: Vec<&'a str>,
}

fn vectors() -> Vec<Vector<'static>> {
    PAGE.split("```vector\n")
        .skip(1)
        .map(|rest| {
            let block = rest.split("```").next().unwrap();
            let mut lines = block.lines();
            let head = lines.next().unwrap();
            let text = lines.next().unwrap();
            let expected = lines.map(|l| l.strip_prefix("= ").unwrap());
            Vector { head, text, expected: expected.collect() }
        })
        .collect()
}

/// What came out, in the words of the page.
fn told(outcome: Result<Message, Refusal>) -> Vec<String> {
    let message = match outcome {
        Ok(message) => message,
        Err(refusal) => return vec![format!("refused: {refusal}")],
    };
    let samples = &message.samples;
    let n_values: usize = samples.iter().map(|s| s.values.len()).sum();
    let n_errors: usize = samples.iter().map(|s| s.errors.len()).sum();
    let mut taken =
        format!("taken: {} samples, {n_values} values", samples.len());
    for (n, what) in
        [(n_errors, "errors"), (message.unknown_members, "unknown")]
    {
        if n > 0 {
            taken += &format!(", {n} {what}");
        }
    }
    let mut told = vec![taken];
    for (quantity, _, quality) in samples.iter().flat_map(|s| &s.values) {
        let words = quality.words();
        if !words.is_empty() {
            told.push(format!("marked: {quantity} {}", words.join(" ")));
        }
    }
    for (index, reason) in &message.refused {
        told.push(format!("element {index} refused: {reason}"));
    }
    told
}

#[test]
fn every_vector_of_the_wire_contract_holds() {
    let now = Instant::from_millis(1_773_489_600_000);
    let vectors = vectors();
    assert!(vectors.len() >= 20, "only {} vectors found", vectors.len());
    for vector in vectors {
        let bytes = vector.text.as_bytes();
        let came_out = match vector.head.split_once(' ') {
            Some(("payload", board)) => {
                told(payload(&Name::new(board).unwrap(), bytes, now))
            }
            Some(("line", "required")) => {
                told(line(bytes, Checksum::Required, now))
            }
            Some(("line", "optional")) => {
                told(line(bytes, Checksum::Optional, now))
            }
            _ => {
                assert_eq!(vector.head, "answer");
                let (boot, seq) = vector.text.split_once(' ').unwrap();
                let boot = Boot::new(boot).unwrap();
                let seq = seq.parse().unwrap();
                let answer = answer(&Count { boot, seq, up_ms: 0 });
                vec![answer.strip_suffix('\n').unwrap().to_owned()]
            }
        };
        assert_eq!(came_out, vector.expected, "{}", vector.text);
    }
}
