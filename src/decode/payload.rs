//! Wire contract, version 1: one JSON object or an array of them.
//!
//! Deliberately without memory: whether a sample came before, and when it
//! was taken, is decided by others from its count.

use chrono::DateTime;
use serde_json::{Map, Value};

use crate::decode::value::{Values, judged, mark_half_scale};
use crate::decode::{Refusal, json, senml};
use crate::observation::{
    Boot, Count, Message, Name, Quality, Quantity, Sample, shown,
};
use crate::units::Instant;

/// The largest packet that is looked at: 64 KiB.
pub const MOST_BYTES: usize = 64 * 1024;
/// The most samples in one array.
pub const MOST_SAMPLES: usize = 1_000;
/// The longest uptime that is a number to every JSON reader: 2⁵³ ms.
const LONGEST_UPTIME_MS: u64 = 1 << 53;

/// The word for a `null` that no `errors` explains.
const NOT_TOLD: &str = "not told";

/// Reads one packet of a board.
///
/// An object gives one sample, an array its good samples and the reasons
/// for its bad ones, a SenML pack (RFC 8428) its samples. A value outside
/// physics is refused by itself: the other values of its sample are kept and
/// the reason stands in [`Message::refused`].
///
/// # Arguments
/// - `board`: who sends, from the topic or the user name.
/// - `bytes`: the packet, at most [`MOST_BYTES`].
/// - `received`: when it came in; only SenML's relative times need it.
///
/// # Errors
/// [`Refusal`] when nothing of the packet can be kept.
///
/// # Example
/// ```
/// use vernalog::decode::payload;
/// use vernalog::observation::Name;
/// use vernalog::units::Instant;
///
/// let board = Name::new("fridge-drawer").unwrap();
/// let packet = br#"{"temperature_celsius":3.6,"humidity_percent":91.5}"#;
/// let message = payload(&board, packet, Instant::from_millis(0)).unwrap();
/// assert_eq!(message.samples[0].values.len(), 2);
///
/// let refusal = payload(&board, b"[]", Instant::from_millis(0)).unwrap_err();
/// assert_eq!(refusal.to_string(), "the array is empty");
/// ```
pub fn payload(
    board: &Name,
    bytes: &[u8],
    received: Instant,
) -> Result<Message, Refusal> {
    match read(bytes)? {
        Value::Object(object) => single(board, &object),
        Value::Array(elements) if senml::is_pack(&elements) => {
            senml::message(Some(board), &elements, received)
        }
        Value::Array(elements) => array(board, &elements),
        other => Err(Refusal::NotAnObject {
            place: "the packet",
            found: json::sort_of(&other),
        }),
    }
}

/// A document of permitted length.
pub(crate) fn read(bytes: &[u8]) -> Result<Value, Refusal> {
    if bytes.len() > MOST_BYTES {
        return Err(Refusal::PacketTooLong {
            bytes: bytes.len(),
            limit: MOST_BYTES,
        });
    }
    json::document(bytes)
}

/// A message of one object.
pub(crate) fn single(
    board: &Name,
    object: &Map<String, Value>,
) -> Result<Message, Refusal> {
    let taken = sample(board, object)?;
    let refused =
        taken.refused.iter().map(|refusal| (0, refusal.to_string())).collect();
    Ok(Message {
        board: board.clone(),
        samples: vec![taken.sample],
        refused,
        unknown_members: taken.unknown,
    })
}

fn array(board: &Name, elements: &[Value]) -> Result<Message, Refusal> {
    within_limits(elements.len())?;
    let mut refused = Vec::new();
    let mut unknown_members = 0;
    let mut taken = Vec::new();
    for (index, element) in elements.iter().enumerate() {
        let outcome = match element {
            Value::Object(object) => sample(board, object),
            other => Err(Refusal::NotAnObject {
                place: "this element",
                found: json::sort_of(other),
            }),
        };
        match outcome {
            Ok(good) => {
                let reasons =
                    good.refused.iter().map(|r| (index, r.to_string()));
                refused.extend(reasons);
                unknown_members += good.unknown;
                taken.push((index, good.sample));
            }
            Err(refusal) => refused.push((index, refusal.to_string())),
        }
    }
    let (samples, undatable) = datable(taken);
    let undatable = undatable
        .into_iter()
        .map(|index| (index, Refusal::Undatable.to_string()));
    refused.extend(undatable);
    refused.sort_by_key(|(index, _)| *index);
    Ok(Message { board: board.clone(), samples, refused, unknown_members })
}

/// Refuses an array without elements or with too many.
pub(crate) fn within_limits(samples: usize) -> Result<(), Refusal> {
    match samples {
        0 => Err(Refusal::EmptyArray),
        1..=MOST_SAMPLES => Ok(()),
        _ => Err(Refusal::TooManySamples { samples, limit: MOST_SAMPLES }),
    }
}

/// Samples that can be told apart in time, and the indices of the others: of
/// samples with neither count nor time only the last of a probe can be given
/// the receive time.
fn datable(taken: Vec<(usize, Sample)>) -> (Vec<Sample>, Vec<usize>) {
    let mut dated_by_receipt: Vec<Name> = Vec::new();
    let (mut samples, mut undatable) = (Vec::new(), Vec::new());
    for (index, sample) in taken.into_iter().rev() {
        let by_receipt = sample.count.is_none() && sample.claimed.is_none();
        if by_receipt && dated_by_receipt.contains(&sample.probe) {
            undatable.push(index);
            continue;
        }
        if by_receipt {
            dated_by_receipt.push(sample.probe.clone());
        }
        samples.push(sample);
    }
    samples.reverse();
    (samples, undatable)
}

/// A sample and what of its object was not taken.
struct Taken {
    sample: Sample,
    refused: Vec<Refusal>,
    unknown: usize,
}

fn sample(board: &Name, object: &Map<String, Value>) -> Result<Taken, Refusal> {
    let mut members = Members::default();
    for (member, value) in object {
        members.take(board, member, value)?;
    }
    members.into_sample()
}

/// The members of one object, sorted out.
#[derive(Default)]
struct Members {
    probe: Option<Name>,
    boot: Option<Boot>,
    seq: Option<u32>,
    up_ms: Option<u64>,
    time: Option<Instant>,
    numbers: Vec<(Quantity, f64)>,
    nulls: Vec<Quantity>,
    light_limit: Option<f64>,
    errors: Vec<(Quantity, String)>,
    refused: Vec<Refusal>,
    unknown: usize,
}

impl Members {
    fn take(
        &mut self,
        board: &Name,
        member: &str,
        value: &Value,
    ) -> Result<(), Refusal> {
        match member {
            "board" => inside(board, text(member, value)?)?,
            "probe" => {
                let name =
                    Name::new(text(member, value)?).map_err(|error| {
                        Refusal::NotAName { member: "probe", error }
                    })?;
                self.probe = Some(name);
            }
            "boot" => {
                let boot = text(member, value)?;
                let sound = Boot::new(boot)
                    .ok_or_else(|| Refusal::NotABoot { boot: boot.into() })?;
                self.boot = Some(sound);
            }
            "seq" => {
                let seq = value.as_u64().and_then(|n| u32::try_from(n).ok());
                let wanted = "a whole number from 0 to 4294967295";
                self.seq = Some(seq.ok_or_else(wrong(member, value, wanted))?);
            }
            "up_ms" => {
                let up = value.as_u64().filter(|n| *n <= LONGEST_UPTIME_MS);
                let wanted = "a whole number from 0 to 9007199254740992";
                self.up_ms = Some(up.ok_or_else(wrong(member, value, wanted))?);
            }
            "time" => self.time = Some(time(text(member, value)?)?),
            "light_limit_lux" => {
                let limit = value.as_f64();
                let wanted = "a number";
                let limit = limit.ok_or_else(wrong(member, value, wanted))?;
                self.light_limit = Some(limit);
            }
            "errors" => self.take_errors(member, value)?,
            _ => self.take_quantity(member, value),
        }
        Ok(())
    }

    fn take_errors(
        &mut self,
        member: &str,
        value: &Value,
    ) -> Result<(), Refusal> {
        let wanted = "an object of texts";
        let errors =
            value.as_object().ok_or_else(wrong(member, value, wanted))?;
        for (word, why) in errors {
            let why = why.as_str().ok_or_else(wrong(member, why, wanted))?;
            match Quantity::from_word(word) {
                Some(quantity) => self.errors.push((quantity, shown(why))),
                None => self.unknown += 1,
            }
        }
        Ok(())
    }

    fn take_quantity(&mut self, member: &str, value: &Value) {
        let known = Quantity::ALL.into_iter().find(|q| q.column() == member);
        match (known, value) {
            (None, _) => self.unknown += 1,
            (Some(quantity), Value::Null) => self.nulls.push(quantity),
            (Some(quantity), value) => match value.as_f64() {
                Some(number) => self.numbers.push((quantity, number)),
                None => {
                    let refusal = wrong(member, value, "a number or null")();
                    self.refused.push(refusal);
                }
            },
        }
    }

    fn into_sample(mut self) -> Result<Taken, Refusal> {
        let count = self.count()?;
        let mut values = Values::new();
        for (quantity, number) in std::mem::take(&mut self.numbers) {
            let limit =
                self.light_limit.filter(|_| quantity == Quantity::Light);
            match limit {
                Some(limit) if number < limit => self
                    .refused
                    .push(Refusal::BelowOwnLimit { value: number, limit }),
                Some(_) => {}
                None => match judged(quantity, number) {
                    Ok(value) => values.push(value),
                    Err(refusal) => self.refused.push(refusal),
                },
            }
        }
        self.take_light_limit(&mut values);
        mark_half_scale(&mut values);
        self.explain_nulls(&values);
        if values.is_empty() && self.errors.is_empty() {
            let first = self.refused.into_iter().next();
            return Err(first.unwrap_or(Refusal::NothingMeasured));
        }
        let sample = Sample {
            probe: self.probe.unwrap_or_else(air),
            count,
            claimed: self.time,
            values,
            errors: self.errors,
        };
        Ok(Taken { sample, refused: self.refused, unknown: self.unknown })
    }

    fn count(&mut self) -> Result<Option<Count>, Refusal> {
        let missing = |missing| Err(Refusal::CountIncomplete { missing });
        match (self.boot.take(), self.seq, self.up_ms) {
            (None, None, None) => Ok(None),
            (Some(boot), Some(seq), Some(up_ms)) => {
                Ok(Some(Count { boot, seq, up_ms }))
            }
            (None, _, _) => missing("boot"),
            (_, None, _) => missing("seq"),
            (_, _, None) => missing("up_ms"),
        }
    }

    /// A sensor at its end: the value kept is the limit, marked at-least,
    /// unless the board contradicts itself with a smaller value.
    fn take_light_limit(&mut self, values: &mut Values) {
        let below = |r: &Refusal| matches!(r, Refusal::BelowOwnLimit { .. });
        let Some(limit) = self.light_limit else { return };
        if self.refused.iter().any(below) {
            return;
        }
        match judged(Quantity::Light, limit) {
            Ok((quantity, value, quality)) => {
                let quality = quality.with(Quality::AT_LEAST);
                values.push((quantity, value, quality));
            }
            Err(refusal) => self.refused.push(refusal),
        }
    }

    fn explain_nulls(&mut self, values: &Values) {
        for quantity in std::mem::take(&mut self.nulls) {
            let measured = values.iter().any(|(q, _, _)| *q == quantity);
            let told = self.errors.iter().any(|(q, _)| *q == quantity);
            if !measured && !told {
                self.errors.push((quantity, NOT_TOLD.to_owned()));
            }
        }
    }
}

/// The probe of a board that names none.
pub(crate) fn air() -> Name {
    Name::new("air").expect("\"air\" is a name")
}

fn inside(board: &Name, inside: &str) -> Result<(), Refusal> {
    if inside == board.as_str() {
        return Ok(());
    }
    Err(Refusal::OtherBoard {
        board: board.to_string(),
        inside: inside.to_owned(),
    })
}

fn text<'a>(member: &str, value: &'a Value) -> Result<&'a str, Refusal> {
    value.as_str().ok_or_else(wrong(member, value, "a text"))
}

fn wrong(
    member: &str,
    value: &Value,
    wanted: &'static str,
) -> impl FnOnce() -> Refusal {
    let (member, found) = (member.to_owned(), json::seen(value));
    move || Refusal::WrongSort { member, found, wanted }
}

fn time(text: &str) -> Result<Instant, Refusal> {
    DateTime::parse_from_rfc3339(text)
        .map(|time| Instant::from_millis(time.timestamp_millis()))
        .map_err(|_| Refusal::NotATime { time: text.to_owned() })
}

#[cfg(test)]
#[path = "payload_tests.rs"]
mod tests;
