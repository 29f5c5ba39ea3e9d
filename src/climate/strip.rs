//! The readings of one series in little memory: about four bytes each, as
//! steps from one to the next, in order of time.
//!
//! Not a log: nothing is corrected, sifted or judged here, and every reading
//! comes back bit for bit.

use crate::observation::{Quality, Reading};
use crate::units::Instant;

/// Readings told one by the other, before the next begins anew.
const RUN: usize = 64;
/// Bytes of a page. A run lies within one.
const PAGE: usize = 32 * 1024;
/// The most bytes of a run: step 7, marks 3, value 8.
const LONGEST_RUN: usize = RUN * 18;
/// A longer step, ms (35 years), begins a run.
const LONGEST_STEP: u64 = 1 << 40;
const THOUSAND: f64 = 1000.0;
/// Above this, thousandths save no space.
const LARGEST: u64 = 1_000_000_000;
/// Beside the step: other marks than before; a value as it is.
const OTHER_MARKS: u64 = 1;
const PLAIN: u64 = 2;

/// Readings of one series, oldest first.
///
/// # Example
/// ```
/// use vernalog::climate::strip::Strip;
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let reading = |minute: i64| Reading {
///     at: Instant::from_millis(minute * 60_000),
///     value: 4.25,
///     quality: Quality::GOOD,
/// };
/// let strip: Strip = (0..100).map(reading).collect();
/// let (from, to) = (reading(10).at, reading(12).at);
/// let found: Vec<Reading> = strip.between(from, to).collect();
/// assert_eq!(found, [reading(10), reading(11)]);
/// ```
#[derive(Debug, Clone, Default)]
pub struct Strip {
    pages: Vec<Vec<u8>>,
    runs: Vec<Run>,
    len: usize,
    /// Readings in the last run.
    in_run: usize,
    last: Last,
}

/// Where a run begins.
#[derive(Debug, Clone, Copy)]
struct Run {
    at: Instant,
    page: usize,
    byte: usize,
}

/// What the next reading is told by.
#[derive(Debug, Clone, Copy, Default)]
struct Last {
    at: Instant,
    step: i64,
    thousandths: i64,
    marks: u16,
}

impl Last {
    fn beginning(at: Instant) -> Self {
        Self { at, ..Self::default() }
    }
}

impl Strip {
    /// How many readings.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.len
    }

    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Adds a reading, which is not older than the last.
    pub fn push(&mut self, reading: Reading) {
        self.put(reading, thousandths(reading.value));
    }

    /// Adds a reading whose value is known as whole thousandths.
    pub fn push_thousandths(
        &mut self,
        at: Instant,
        whole: i64,
        quality: Quality,
    ) {
        let known = (whole.unsigned_abs() < LARGEST).then_some(whole);
        self.put(Reading { at, value: value_of(whole), quality }, known);
    }

    fn put(&mut self, reading: Reading, whole: Option<i64>) {
        let step = reading.at.millis_since(self.last.at);
        if self.in_run == RUN
            || self.len == 0
            || step.unsigned_abs() > LONGEST_STEP
        {
            self.begin(reading.at);
        }
        self.len += 1;
        self.in_run += 1;
        let Some(page) = self.pages.last_mut() else { return };
        let last = &mut self.last;
        let step = reading.at.millis_since(last.at);
        let marks = reading.quality.bits();
        let mut flags = 0;
        if marks != last.marks {
            flags |= OTHER_MARKS;
        }
        if whole.is_none() {
            flags |= PLAIN;
        }
        put(page, folded(step - last.step) << 2 | flags);
        if marks != last.marks {
            put(page, marks.into());
        }
        match whole {
            Some(whole) => {
                put(page, folded(whole - last.thousandths));
                last.thousandths = whole;
            }
            None => page.extend_from_slice(&reading.value.to_le_bytes()),
        }
        (last.at, last.step, last.marks) = (reading.at, step, marks);
    }

    fn begin(&mut self, at: Instant) {
        let full = |page: &Vec<u8>| page.len() + LONGEST_RUN > PAGE;
        if self.pages.last().is_none_or(full) {
            self.pages.push(Vec::with_capacity(PAGE));
        }
        let page = self.pages.len() - 1;
        self.runs.push(Run { at, page, byte: self.pages[page].len() });
        self.in_run = 0;
        self.last = Last::beginning(at);
    }

    /// All readings, oldest first.
    pub fn iter(&self) -> impl Iterator<Item = Reading> {
        self.starting_with(0)
    }

    /// The readings in [`from`, `to`), oldest first.
    pub fn between(
        &self,
        from: Instant,
        to: Instant,
    ) -> impl Iterator<Item = Reading> {
        let first = self.runs.partition_point(|run| run.at < from);
        self.starting_with(first.saturating_sub(1))
            .skip_while(move |reading| reading.at < from)
            .take_while(move |reading| reading.at < to)
    }

    fn starting_with(&self, first: usize) -> impl Iterator<Item = Reading> {
        self.runs[first..].iter().enumerate().flat_map(move |(i, run)| {
            let end = match self.runs.get(first + i + 1) {
                Some(next) if next.page == run.page => next.byte,
                _ => self.pages[run.page].len(),
            };
            Reader {
                bytes: &self.pages[run.page][run.byte..end],
                last: Last::beginning(run.at),
            }
        })
    }
}

impl Extend<Reading> for Strip {
    fn extend<I: IntoIterator<Item = Reading>>(&mut self, readings: I) {
        for reading in readings {
            self.push(reading);
        }
    }
}

impl FromIterator<Reading> for Strip {
    fn from_iter<I: IntoIterator<Item = Reading>>(readings: I) -> Self {
        let mut strip = Self::default();
        strip.extend(readings);
        strip
    }
}

/// Reads a run back.
struct Reader<'a> {
    bytes: &'a [u8],
    last: Last,
}

impl Iterator for Reader<'_> {
    type Item = Reading;

    fn next(&mut self) -> Option<Reading> {
        let step = self.take()?;
        let last = &mut self.last;
        last.step += unfolded(step >> 2);
        last.at = last.at.plus_millis(last.step);
        if step & OTHER_MARKS != 0 {
            self.last.marks = u16::try_from(self.take()?).ok()?;
        }
        let value = if step & PLAIN == 0 {
            self.last.thousandths += unfolded(self.take()?);
            value_of(self.last.thousandths)
        } else {
            let (plain, rest) = self.bytes.split_first_chunk()?;
            self.bytes = rest;
            f64::from_le_bytes(*plain)
        };
        let quality = Quality::from_bits(self.last.marks);
        Some(Reading { at: self.last.at, value, quality })
    }
}

impl Reader<'_> {
    /// A number of seven bits a byte, the lowest first.
    fn take(&mut self) -> Option<u64> {
        let (mut number, mut shift) = (0, 0);
        loop {
            let (byte, rest) = self.bytes.split_first()?;
            self.bytes = rest;
            number |= u64::from(byte & 0x7F) << shift;
            if *byte < 0x80 {
                return Some(number);
            }
            shift += 7;
        }
    }
}

#[allow(
    clippy::cast_possible_truncation,
    reason = "seven bits, which fit in a byte"
)]
fn put(page: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        page.push((number & 0x7F) as u8 | 0x80);
        number >>= 7;
    }
    page.push(number as u8);
}

/// Small numbers of either sign as small numbers.
fn folded(n: i64) -> u64 {
    (n << 1 ^ n >> 63).cast_unsigned()
}

fn unfolded(n: u64) -> i64 {
    (n >> 1).cast_signed() ^ -(n & 1).cast_signed()
}

/// The value as whole thousandths, where it comes back bit for bit.
fn thousandths(value: f64) -> Option<i64> {
    let rounded = (value * THOUSAND).round();
    if rounded.abs() >= LARGEST as f64 || !rounded.is_finite() {
        return None;
    }
    #[allow(
        clippy::cast_possible_truncation,
        reason = "a whole number below the limit above"
    )]
    let whole = rounded as i64;
    (value_of(whole).to_bits() == value.to_bits()).then_some(whole)
}

#[allow(
    clippy::cast_precision_loss,
    reason = "below the limit above, so exact"
)]
fn value_of(thousandths: i64) -> f64 {
    thousandths as f64 / THOUSAND
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn value() -> impl Strategy<Value = f64> {
        prop_oneof![
            6 => (-60_000_i64..200_000_000).prop_map(value_of),
            2 => any::<f64>().prop_filter("a number", |v| !v.is_nan()),
            1 => Just(-0.0),
        ]
    }

    fn step() -> impl Strategy<Value = i64> {
        prop_oneof![
            8 => 59_900_i64..60_100,
            1 => 0_i64..100_000_000_000,
            1 => Just(3_000_000_000_000),
            1 => Just(0),
        ]
    }

    proptest! {
        /// Whatever is put in comes out, from any instant to any other.
        #[test]
        fn readings_come_back_bit_for_bit(
            start in -1_000_000_000_000_000_i64..1_000_000_000_000_000,
            rows in prop::collection::vec((step(), value(), 0_u16..4), 0..400),
            ends in prop::array::uniform2(-2_i64..1_003),
        ) {
            let mut at = start;
            let readings: Vec<Reading> = rows
                .into_iter()
                .map(|(step, value, marks)| {
                    at += step;
                    let quality = Quality::from_bits(marks.saturating_sub(2));
                    Reading { at: Instant::from_millis(at), value, quality }
                })
                .collect();
            let strip: Strip = readings.iter().copied().collect();
            prop_assert_eq!(strip.len(), readings.len());
            let bits = |found: Vec<Reading>| -> Vec<(Instant, u64, u16)> {
                let of = |r: Reading| (r.at, r.value.to_bits(), r.quality.bits());
                found.into_iter().map(of).collect()
            };
            prop_assert_eq!(
                bits(strip.iter().collect()),
                bits(readings.clone())
            );
            let [a, b] = ends
                .map(|share| Instant::from_millis(start + (at - start) / 1_000 * share));
            let wanted = readings
                .iter()
                .copied()
                .filter(|r| (a..b).contains(&r.at))
                .collect();
            prop_assert_eq!(bits(strip.between(a, b).collect()), bits(wanted));
        }
    }

    /// A board each minute, in steps of a hundredth: four bytes at most.
    #[test]
    fn a_reading_takes_about_four_bytes() {
        let strip: Strip = (0..100_000_i64)
            .map(|i| Reading {
                at: Instant::from_millis(i * 60_000 + i * 7_919 % 60),
                value: value_of(20_000 + i * 104_729 % 50 * 10),
                quality: Quality::GOOD,
            })
            .collect();
        let bytes: usize = strip.pages.iter().map(Vec::capacity).sum();
        let runs = strip.runs.len() * size_of::<Run>();
        let each = (bytes + runs) as f64 / 100_000.0;
        assert!(each < 5.0, "{each}");
    }
}
