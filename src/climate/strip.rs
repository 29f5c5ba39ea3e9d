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
/// The most bytes of a reading: its head, step, value, marks.
const LONGEST: usize = 1 + 8 + 8 + 2;
/// A longer step, ms (35 years), begins a run.
const LONGEST_STEP: u64 = 1 << 40;
const THOUSAND: f64 = 1000.0;
/// Above this, thousandths save no space.
const LARGEST: u64 = 1_000_000_000;
/// In the head, above the sizes of step and value: other marks than before; a
/// value as it is.
const OTHER_MARKS: u8 = 1 << 4;
const PLAIN: u8 = 1 << 5;

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
    pages: Vec<Page>,
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
        let bits = reading.value.to_bits().cast_signed();
        let value = whole.map_or(bits, |whole| whole - last.thousandths);
        let (step_size, value_size) = (size(step - last.step), size(value));
        let mut head = step_size | value_size << 2;
        if marks != last.marks {
            head |= OTHER_MARKS;
        }
        match whole {
            Some(whole) => last.thousandths = whole,
            None => head |= PLAIN,
        }
        page.put(head.into(), 1);
        page.put(step - last.step, BYTES[usize::from(step_size)]);
        page.put(value, BYTES[usize::from(value_size)]);
        if marks != last.marks {
            page.put(marks.into(), 2);
        }
        (last.at, last.step, last.marks) = (reading.at, step, marks);
    }

    fn begin(&mut self, at: Instant) {
        if self.pages.last().is_none_or(Page::is_full) {
            self.pages.push(Page::empty());
        }
        let page = self.pages.len() - 1;
        self.runs.push(Run { at, page, byte: self.pages[page].used });
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
                _ => self.pages[run.page].used,
            };
            Reader {
                page: &self.pages[run.page],
                from: run.byte,
                end,
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
    page: &'a Page,
    from: usize,
    end: usize,
    last: Last,
}

impl Iterator for Reader<'_> {
    type Item = Reading;

    fn next(&mut self) -> Option<Reading> {
        if self.from >= self.end {
            return None;
        }
        let head = *self.page.bytes.get(self.from)?;
        self.from += 1;
        let step = self.number(head & 3)?;
        let value = self.number(head >> 2 & 3)?;
        if head & OTHER_MARKS != 0 {
            let marks = self.page.bytes.get(self.from..)?.first_chunk()?;
            self.last.marks = u16::from_le_bytes(*marks);
            self.from += 2;
        }
        self.last.step += step;
        self.last.at = self.last.at.plus_millis(self.last.step);
        let value = if head & PLAIN == 0 {
            self.last.thousandths += value;
            value_of(self.last.thousandths)
        } else {
            f64::from_bits(value.cast_unsigned())
        };
        let quality = Quality::from_bits(self.last.marks);
        Some(Reading { at: self.last.at, value, quality })
    }
}

impl Reader<'_> {
    /// The next number, of a [`size`]: its low bytes, the highest bit of
    /// which is its sign.
    fn number(&mut self, size: u8) -> Option<i64> {
        let size = usize::from(size);
        let bytes = self.page.bytes.get(self.from..)?.first_chunk()?;
        self.from += BYTES[size];
        let (own, sign) = SIGNED[size];
        let low = u64::from_le_bytes(*bytes) & own;
        Some((low ^ sign).wrapping_sub(sign).cast_signed())
    }
}

/// Some runs. A number is put down and taken up eight bytes at a time,
/// whatever its size, which is quicker than to ask for each byte.
#[derive(Debug, Clone)]
struct Page {
    bytes: Box<[u8]>,
    used: usize,
}

impl Page {
    fn empty() -> Self {
        Self { bytes: vec![0; PAGE].into_boxed_slice(), used: 0 }
    }

    /// Whether another run might not find room.
    fn is_full(&self) -> bool {
        self.used + RUN * LONGEST + 8 > PAGE
    }

    fn put(&mut self, number: i64, bytes: usize) {
        let place = &mut self.bytes[self.used..self.used + 8];
        place.copy_from_slice(&number.to_le_bytes());
        self.used += bytes;
    }
}

/// Bytes of a number by its size.
const BYTES: [usize; 4] = [0, 1, 2, 8];
/// Likewise: its bits, and that of its sign.
const SIGNED: [(u64, u64); 4] =
    [(0, 0), (0xFF, 0x80), (0xFFFF, 0x8000), (u64::MAX, 1 << 63)];

/// How much room a number takes: nothing for 0, then one, two or all bytes.
fn size(number: i64) -> u8 {
    u8::from(number != 0)
        + u8::from(i8::try_from(number).is_err())
        + u8::from(i16::try_from(number).is_err())
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
        let bytes: usize =
            strip.pages.iter().map(|page| page.bytes.len()).sum();
        let runs = strip.runs.len() * size_of::<Run>();
        let each = (bytes + runs) as f64 / 100_000.0;
        assert!(each < 5.0, "{each}");
    }
}
