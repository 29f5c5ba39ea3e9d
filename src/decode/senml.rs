//! SenML JSON (RFC 8428): a pack becomes resolved records, and records
//! become samples.
//!
//! Only numbers in units of the five quantities become values; texts, truth
//! values, data and sums are counted and left. Not an encoder.

use serde_json::{Map, Value};

use crate::decode::payload::{air, within_limits};
use crate::decode::value::{judged, mark_half_scale};
use crate::decode::{Refusal, Unit, json};
use crate::observation::{Message, Name, Quantity, Sample};
use crate::units::Instant;

/// Times below this many seconds (2²⁸) are relative to now (section 4.5.3).
const RELATIVE_BELOW_SECONDS: f64 = 268_435_456.0;
/// The last second of the year 9999: later times are no times.
const LATEST_SECONDS: f64 = 253_402_300_799.0;
/// The version of RFC 8428; higher ones may mean something else.
const VERSION: u64 = 10;

/// One record after its base fields were applied (section 4.6).
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Base name and name.
    pub name: String,
    /// Unit code, from the record or its base.
    pub unit: Option<String>,
    /// Absolute time; `None` where the pack only says "now".
    pub at: Option<Instant>,
    /// The number, base value added; `None` for records without one.
    pub value: Option<f64>,
    /// Members of the record that RFC 8428 does not know.
    pub unknown: usize,
}

/// Whether an array is a SenML pack rather than an array of our own: its
/// first record must have a name, which our own samples never have.
#[must_use]
pub fn is_pack(elements: &[Value]) -> bool {
    let named = |o: &Map<_, _>| o.contains_key("n") || o.contains_key("bn");
    elements.first().and_then(Value::as_object).is_some_and(named)
}

/// Resolves a pack: names joined, times absolute, base values added.
///
/// # Arguments
/// - `pack`: the elements of the JSON array.
/// - `now`: the instant to which relative times refer: when it came in.
///
/// # Errors
/// [`Refusal::Senml`] when the pack breaks a rule of RFC 8428. A base field
/// speaks for all records after it, so one bad record spoils the pack.
///
/// # Source
/// RFC 8428, sections 4.1–4.6 and 12.3.1; see test
/// `packs_of_the_rfc_resolve_as_printed`.
pub fn resolve(pack: &[Value], now: Instant) -> Result<Vec<Record>, Refusal> {
    let mut base = Base::default();
    pack.iter()
        .map(|element| match element {
            Value::Object(object) => base.record(object, now),
            other => Err(Refusal::NotAnObject {
                place: "a SenML record",
                found: json::sort_of(other),
            }),
        })
        .collect()
}

/// Base fields: they hold until replaced.
#[derive(Default)]
struct Base {
    name: String,
    seconds: f64,
    unit: Option<String>,
    value: f64,
    version: Option<u64>,
}

impl Base {
    fn record(
        &mut self,
        object: &Map<String, Value>,
        now: Instant,
    ) -> Result<Record, Refusal> {
        let mut name = "";
        let mut unit = None;
        let mut seconds = 0.0;
        let mut value = None;
        let mut version = None;
        let (mut values, mut sum, mut unknown) = (0, false, 0);
        for (label, content) in object {
            match label.as_str() {
                "bn" => self.name = text(label, content)?.to_owned(),
                "bt" => self.seconds = number(label, content)?,
                "bu" => self.unit = Some(text(label, content)?.to_owned()),
                "bv" => self.value = number(label, content)?,
                "bver" => version = content.as_u64().or(Some(0)),
                "n" => name = text(label, content)?,
                "u" => unit = Some(text(label, content)?.to_owned()),
                "t" => seconds = number(label, content)?,
                "v" => {
                    value = Some(number(label, content)?);
                    values += 1;
                }
                "vs" | "vd" => {
                    text(label, content)?;
                    values += 1;
                }
                "vb" => {
                    content.as_bool().ok_or_else(|| {
                        wrong(label, content, "a truth value")
                    })?;
                    values += 1;
                }
                "s" | "bs" => {
                    number(label, content)?;
                    sum = true;
                }
                "ut" => {
                    number(label, content)?;
                }
                label if label.ends_with('_') => {
                    return broken(format!(
                        "\"{label}\" must be understood and is not"
                    ));
                }
                _ => unknown += 1,
            }
        }
        self.check_version(version)?;
        if values > 1 || (values == 0 && !sum) {
            return broken(format!("a record has {values} values, not one"));
        }
        let name = format!("{}{name}", self.name);
        check_name(&name)?;
        Ok(Record {
            name,
            unit: unit.or_else(|| self.unit.clone()),
            at: instant(self.seconds + seconds, now)?,
            value: value.map(|value| self.value + value),
            unknown,
        })
    }

    /// All records of a pack have one version, and not a later one than ours.
    fn check_version(&mut self, given: Option<u64>) -> Result<(), Refusal> {
        let before = *self.version.get_or_insert(given.unwrap_or(VERSION));
        let version = given.unwrap_or(before);
        if version != before {
            return broken(format!(
                "versions {before} and {version} in one pack"
            ));
        }
        if !(1..=VERSION).contains(&version) {
            return broken(format!(
                "version {version} is outside 1 to {VERSION}"
            ));
        }
        Ok(())
    }
}

fn broken<T>(rule: String) -> Result<T, Refusal> {
    Err(Refusal::Senml { rule })
}

fn wrong(label: &str, content: &Value, wanted: &str) -> Refusal {
    let rule = format!("\"{label}\" is {}, not {wanted}", json::seen(content));
    Refusal::Senml { rule }
}

fn text<'a>(label: &str, content: &'a Value) -> Result<&'a str, Refusal> {
    content.as_str().ok_or_else(|| wrong(label, content, "a text"))
}

fn number(label: &str, content: &Value) -> Result<f64, Refusal> {
    content.as_f64().ok_or_else(|| wrong(label, content, "a number"))
}

/// Section 4.5.1: letters, digits and `-:./_`, beginning with one of the
/// first two.
fn check_name(name: &str) -> Result<(), Refusal> {
    let sound = name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || "-:./_".contains(c));
    if sound {
        return Ok(());
    }
    let shown = crate::observation::shown(name);
    broken(format!("\"{shown}\" is no name of a record"))
}

fn instant(seconds: f64, now: Instant) -> Result<Option<Instant>, Refusal> {
    if !(-LATEST_SECONDS..=LATEST_SECONDS).contains(&seconds) {
        return broken(format!("time {seconds:e} is no time"));
    }
    #[allow(
        clippy::cast_possible_truncation,
        reason = "limited to ten thousand years just above"
    )]
    let millis = (seconds * 1_000.0).round() as i64;
    if seconds >= RELATIVE_BELOW_SECONDS {
        Ok(Some(Instant::from_millis(millis)))
    } else if millis == 0 {
        Ok(None)
    } else {
        Ok(Some(now.plus_millis(millis)))
    }
}

/// Reads a pack as a message.
///
/// Records with one name, but for its last part, and one time are one sample.
/// The board is the topic's; without one (a serial line) it is the last part
/// of the device's name.
///
/// # Arguments
/// - `board`: who sends, if the way in says it.
/// - `pack`: the elements of the JSON array.
/// - `received`: the instant to which relative times refer.
///
/// # Errors
/// [`Refusal`] when nothing can be kept; single values are refused by their
/// index as in our own arrays.
pub fn message(
    board: Option<&Name>,
    pack: &[Value],
    received: Instant,
) -> Result<Message, Refusal> {
    within_limits(pack.len())?;
    let records = resolve(pack, received)?;
    let first = records.first().ok_or(Refusal::EmptyArray)?;
    let device = device_and_label(&first.name).0.to_owned();
    let board = match board {
        Some(board) => board.clone(),
        None => board_of(&device)?,
    };
    let mut message = Message {
        board,
        samples: Vec::new(),
        refused: Vec::new(),
        unknown_members: 0,
    };
    for (index, record) in records.iter().enumerate() {
        message.unknown_members += record.unknown;
        match take(&mut message, &device, record) {
            Ok(true) => {}
            Ok(false) => message.unknown_members += 1,
            Err(refusal) => message.refused.push((index, refusal.to_string())),
        }
    }
    if message.samples.is_empty() && message.refused.is_empty() {
        return Err(Refusal::NothingMeasured);
    }
    for sample in &mut message.samples {
        mark_half_scale(&mut sample.values);
    }
    // Oldest first; what only says "now" is newest.
    message.samples.sort_by_key(|s| (s.claimed.is_none(), s.claimed));
    Ok(message)
}

/// Adds a record to its sample; `false` when it measures nothing we keep.
fn take(
    message: &mut Message,
    device: &str,
    record: &Record,
) -> Result<bool, Refusal> {
    let unit = record.unit.as_deref().and_then(Unit::from_code);
    let (Some(unit), Some(value)) = (unit, record.value) else {
        return Ok(false);
    };
    let (of, label) = device_and_label(&record.name);
    if of != device {
        return Err(Refusal::OtherDevice {
            device: of.to_owned(),
            first: device.to_owned(),
        });
    }
    let probe = probe_of(label, &message.board)?;
    let measured = judged(unit.quantity(), unit.kept(value))?;
    let same = |s: &&mut Sample| s.probe == probe && s.claimed == record.at;
    match message.samples.iter_mut().rev().find(same) {
        Some(sample) => {
            let twice =
                |(quantity, _, _): &(Quantity, _, _)| *quantity == measured.0;
            if sample.values.iter().any(twice) {
                return Err(Refusal::QuantityTwice { quantity: measured.0 });
            }
            sample.values.push(measured);
        }
        None => message.samples.push(Sample {
            probe,
            count: None,
            claimed: record.at,
            values: vec![measured],
            errors: Vec::new(),
        }),
    }
    Ok(true)
}

/// Last parts of names that say what is measured rather than by which probe.
const QUANTITY_LABELS: [&str; 11] = [
    "temperature",
    "temp",
    "humidity",
    "rh",
    "light",
    "lux",
    "illuminance",
    "battery",
    "voltage",
    "signal",
    "rssi",
];

/// Splits a name into the device and what follows it. `urn:dev:` names
/// (RFC 9039) have four parts; of other names the last part is the label.
fn device_and_label(name: &str) -> (&str, &str) {
    if name.starts_with("urn:dev:") {
        return match name.match_indices(':').nth(3) {
            Some((at, _)) => (&name[..at], &name[at + 1..]),
            None => (name, ""),
        };
    }
    match name.rfind([':', '/']) {
        Some(at) => (&name[..at], &name[at + 1..]),
        None => ("", name),
    }
}

fn probe_of(label: &str, board: &Name) -> Result<Name, Refusal> {
    let part = label
        .split([':', '/'])
        .rfind(|part| !part.is_empty() && !QUANTITY_LABELS.contains(part));
    match part {
        Some(part) if part != board.as_str() => Name::new(part)
            .map_err(|error| Refusal::NotAName { member: "probe", error }),
        _ => Ok(air()),
    }
}

fn board_of(device: &str) -> Result<Name, Refusal> {
    let part = device.rsplit([':', '/']).find(|part| !part.is_empty());
    Name::new(part.ok_or(Refusal::NoBoard)?)
        .map_err(|error| Refusal::NotAName { member: "board", error })
}

#[cfg(test)]
#[path = "senml_tests.rs"]
mod tests;
