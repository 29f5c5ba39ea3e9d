//! Serial lines: bytes into lines, lines into messages, and the answer.
//!
//! Not the port: nobody opens, waits or writes here.

use crc::{CRC_16_IBM_3740, Crc};
use serde_json::{Map, Value};

use crate::decode::{Refusal, json, payload, senml};
use crate::observation::{Count, Message, Name};
use crate::units::Instant;

/// The longest object on a line, in bytes.
pub const LONGEST_OBJECT: usize = 512;
/// `*` and four hex digits.
const CHECKSUM_LENGTH: usize = 5;
/// The longest line: an object, `*`, four digits.
pub const LONGEST_LINE: usize = LONGEST_OBJECT + CHECKSUM_LENGTH;

/// CRC-16/CCITT-FALSE, in the catalogue of checksums also named IBM-3740.
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);

/// Whether a port's lines must end in a checksum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Checksum {
    /// A line without a checksum is refused.
    Required,
    /// A line may lack one; one that is there must be right.
    Optional,
}

/// Reads one line, without its LF, as the object of the wire contract.
///
/// # Arguments
/// - `bytes`: the line; leading LF and a CR at the end are tolerated.
/// - `checksum`: what the port's settings ask for.
/// - `received`: when it came in; only SenML's relative times need it.
///
/// # Errors
/// [`Refusal`] when the checksum is missing or wrong, or nothing of the
/// object can be kept.
///
/// # Example
/// ```
/// use vernalog::decode::{Checksum, line, sealed};
/// use vernalog::units::Instant;
///
/// let sent = sealed(r#"{"board":"fridge-drawer","light_lux":0}"#);
/// let now = Instant::from_millis(0);
/// let message = line(sent.as_bytes(), Checksum::Required, now).unwrap();
/// assert_eq!(message.board.as_str(), "fridge-drawer");
/// ```
pub fn line(
    bytes: &[u8],
    checksum: Checksum,
    received: Instant,
) -> Result<Message, Refusal> {
    let object = unsealed(trimmed(bytes), checksum)?;
    if object.len() > LONGEST_OBJECT {
        return Err(Refusal::LineTooLong { limit: LONGEST_LINE });
    }
    match json::document(object)? {
        Value::Object(object) => payload::single(&board_of(&object)?, &object),
        Value::Array(elements) if senml::is_pack(&elements) => {
            senml::message(None, &elements, received)
        }
        Value::Array(_) => Err(Refusal::ArrayOnLine),
        other => Err(Refusal::NotAnObject {
            place: "the line",
            found: json::sort_of(&other),
        }),
    }
}

fn trimmed(mut bytes: &[u8]) -> &[u8] {
    while let [b'\n' | b'\r', rest @ ..] = bytes {
        bytes = rest;
    }
    while let [rest @ .., b'\n' | b'\r'] = bytes {
        bytes = rest;
    }
    bytes
}

/// The bytes before a right checksum.
fn unsealed(bytes: &[u8], checksum: Checksum) -> Result<&[u8], Refusal> {
    let Some((object, found)) = split_checksum(bytes) else {
        return match checksum {
            Checksum::Required => Err(Refusal::NoChecksum),
            Checksum::Optional => Ok(bytes),
        };
    };
    let computed = CRC.checksum(object);
    if found == computed {
        Ok(object)
    } else {
        Err(Refusal::WrongChecksum { found, computed })
    }
}

fn split_checksum(bytes: &[u8]) -> Option<(&[u8], u16)> {
    let at = bytes.len().checked_sub(CHECKSUM_LENGTH)?;
    let (object, seal) = bytes.split_at(at);
    let digits = seal.strip_prefix(b"*")?;
    let upper = |b: &u8| matches!(b, b'0'..=b'9' | b'A'..=b'F');
    if !digits.iter().all(upper) {
        return None;
    }
    let digits = std::str::from_utf8(digits).ok()?;
    Some((object, u16::from_str_radix(digits, 16).ok()?))
}

fn board_of(object: &Map<String, Value>) -> Result<Name, Refusal> {
    let board = object.get("board").ok_or(Refusal::NoBoard)?;
    let Some(text) = board.as_str() else {
        return Err(Refusal::WrongSort {
            member: "board".to_owned(),
            found: json::seen(board),
            wanted: "a text",
        });
    };
    let name = Name::new(text)
        .map_err(|error| Refusal::NotAName { member: "board", error })?;
    crate::decode::topic::not_kept(name)
}

/// A text with its checksum and LF: what goes over the line.
#[must_use]
pub fn sealed(text: &str) -> String {
    format!("{text}*{:04X}\n", CRC.checksum(text.as_bytes()))
}

/// The host's answer to a sample that is on disk: `+<boot>:<seq>*<crc>` LF.
#[must_use]
pub fn answer(count: &Count) -> String {
    sealed(&format!("+{}:{}", count.boot, count.seq))
}

/// Puts the pieces that a port delivers together into lines.
///
/// Keeps an unfinished line between calls; drops one that grows beyond
/// [`LONGEST_LINE`] and goes on after the next LF. Lines come out without
/// LF and CR; empty ones do not come out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LineAssembler {
    partial: Vec<u8>,
    skipping: bool,
}

impl LineAssembler {
    /// Takes the next bytes and gives the lines that they complete. A line
    /// that is too long gives one refusal, where it becomes too long.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Result<Vec<u8>, Refusal>> {
        let mut lines = Vec::new();
        for byte in bytes {
            match byte {
                b'\n' => {
                    self.skipping = false;
                    let mut line = std::mem::take(&mut self.partial);
                    if line.last() == Some(&b'\r') {
                        line.pop();
                    }
                    if !line.is_empty() {
                        lines.push(Ok(line));
                    }
                }
                _ if self.skipping => {}
                // A CR may stand one place beyond the longest line.
                byte if self.partial.len() < LONGEST_LINE
                    || (*byte == b'\r'
                        && self.partial.len() == LONGEST_LINE) =>
                {
                    self.partial.push(*byte);
                }
                _ => {
                    self.partial.clear();
                    self.skipping = true;
                    let limit = LONGEST_LINE;
                    lines.push(Err(Refusal::LineTooLong { limit }));
                }
            }
        }
        lines
    }

    /// Forgets an unfinished line: the port was opened again.
    pub fn clear(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
#[path = "line_tests.rs"]
mod tests;
