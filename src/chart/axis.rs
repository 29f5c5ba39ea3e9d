//! Scales, ticks, local dates, and keeping labels apart.
//!
//! Not the drawing of panels. plotters' own date ticks fail on long spans
//! and know no local time, so ticks are made here.

use chrono::{Datelike, Days, Months, NaiveDateTime, NaiveTime, TimeDelta};

use crate::chart::canvas::{Anchor, Canvas, SMALL, pen};
use crate::chart::colour;
use crate::chart::text::{self, Weight};
use crate::chart::{Layout, LocalOffset};
use crate::units::{Instant, MILLIS_PER_DAY};

/// Whether a number can be put on an axis: finite and of this world.
pub(crate) fn drawable(value: f64) -> bool {
    value.is_finite() && value.abs() < 1.0e12
}

/// A straight scale from values to units of the figure.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    low: f64,
    high: f64,
    at_low: f64,
    at_high: f64,
}

impl Scale {
    /// A scale that is never empty: equal ends are moved apart.
    pub(crate) fn new(
        (low, high): (f64, f64),
        (at_low, at_high): (f64, f64),
    ) -> Self {
        let high = if high > low { high } else { low + 1.0 };
        Self { low, high, at_low, at_high }
    }

    /// Where a value stands; values outside stand at the end.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let share =
            ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.at_low + share * (self.at_high - self.at_low)
    }
}

/// Round values of 1, 2, 2.5 or 5 × 10ⁿ that hold `low` and `high` between
/// the first and the last, at most `most` steps.
pub(crate) fn round_ticks(low: f64, high: f64, most: u32) -> Vec<f64> {
    let high = if high > low { high } else { low + 1.0 };
    let rough = (high - low) / f64::from(most.max(1));
    let power = 10.0_f64.powf(rough.log10().floor());
    for factor in [1.0, 2.0, 2.5, 5.0, 10.0, 20.0] {
        let step = power * factor;
        let first = (low / step + 1.0e-9).floor();
        let last = (high / step - 1.0e-9).ceil();
        if last - first <= f64::from(most) {
            let mut ticks = Vec::new();
            let mut n = first;
            while n <= last {
                ticks.push(n * step);
                n += 1.0;
            }
            return ticks;
        }
    }
    vec![low, high]
}

/// A number on an axis: short, with thousands set apart.
pub(crate) fn number(value: f64) -> String {
    let value = if value == 0.0 { 0.0 } else { value };
    if value.abs() >= 1.0e7 {
        return format!("{value:.1e}");
    }
    let rounded = (value * 100.0).round() / 100.0;
    let plain = format!("{rounded}").replace('-', "−");
    let (whole, rest) =
        plain.find('.').map_or((plain.as_str(), ""), |i| plain.split_at(i));
    let digits = whole.trim_start_matches('−');
    if digits.len() < 5 {
        return plain;
    }
    let (front, back) = whole.split_at(whole.len() - 3);
    if front.trim_start_matches('−').len() > 3 {
        let (first, middle) = front.split_at(front.len() - 3);
        return format!("{first}\u{a0}{middle}\u{a0}{back}{rest}");
    }
    format!("{front}\u{a0}{back}{rest}")
}

/// Time from left to right, shared by all panels of a figure.
#[derive(Clone, Copy)]
pub(crate) struct TimeAxis<'a> {
    pub(crate) from: Instant,
    pub(crate) to: Instant,
    pub(crate) left: f64,
    pub(crate) right: f64,
    pub(crate) offset: LocalOffset<'a>,
}

/// A tick with its words, one or two lines.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    pub(crate) x: f64,
    pub(crate) words: String,
    pub(crate) below: String,
}

impl<'a> TimeAxis<'a> {
    /// Time from `from` to `to`, at least an hour, within the years 1–9999.
    pub(crate) fn new(
        (from, to): (Instant, Instant),
        (left, right): (f64, f64),
        offset: LocalOffset<'a>,
    ) -> Self {
        let from = Instant::from(from.utc());
        let to = Instant::from(to.utc()).max(from.plus_hours(1.0));
        Self { from, to, left, right, offset }
    }

    /// Where an instant stands; those outside stand at the end.
    pub(crate) fn x(&self, at: Instant) -> f64 {
        let share = at.hours_since(self.from) / self.to.hours_since(self.from);
        self.left + share.clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// Whether an instant lies in the span of the axis.
    pub(crate) fn holds(&self, at: Instant) -> bool {
        self.from <= at && at <= self.to
    }

    fn local(&self, at: Instant) -> NaiveDateTime {
        let offset = TimeDelta::seconds(i64::from((self.offset)(at)));
        let utc = at.utc().naive_utc();
        utc.checked_add_signed(offset).unwrap_or(utc)
    }

    /// The instant of a local time, right on both sides of a clock change.
    fn instant(&self, local: NaiveDateTime) -> Instant {
        let as_utc = Instant::from(local.and_utc());
        let east = |at| -1000 * i64::from((self.offset)(at));
        let near = as_utc.plus_millis(east(as_utc));
        as_utc.plus_millis(east(near))
    }

    /// Ticks at local dates: hours up to 2 days, days up to 14, weeks up to
    /// 60 (counted from `zero`, with the day number below), then months.
    pub(crate) fn ticks(&self, zero: Option<Instant>) -> Vec<Tick> {
        let days = self.to.days_since(self.from);
        let width = self.right - self.left;
        let fits = |step_days: f64| width * step_days / days >= 56.0;
        let pick = |steps: &[u32], unit: f64| {
            steps
                .iter()
                .copied()
                .find(|n| fits(f64::from(*n) * unit))
                .unwrap_or(steps[steps.len() - 1])
        };
        if days <= 2.0 {
            self.by_hours(pick(&[1, 2, 3, 6, 12, 24], 1.0 / 24.0))
        } else if days <= 14.0 {
            self.by_days(pick(&[1, 2, 3, 7, 14], 1.0), zero, self.from)
        } else if days <= 60.0 {
            let start = zero.unwrap_or(self.from);
            self.by_days(pick(&[7, 14, 21, 28, 56], 1.0), zero, start)
        } else {
            let steps =
                [1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200, 6000, 24_000];
            self.by_months(pick(&steps, 30.4))
        }
    }

    fn by_hours(&self, step: u32) -> Vec<Tick> {
        let mut local = self.local(self.from).date().and_time(NaiveTime::MIN);
        let step = TimeDelta::hours(i64::from(step));
        let mut ticks = Vec::new();
        while self.instant(local) <= self.to {
            let midnight = local.time() == NaiveTime::MIN;
            let words = local.format("%H:%M").to_string();
            let date = local.format("%-d %b").to_string();
            let first = ticks.is_empty();
            let below = if midnight || first { date } else { String::new() };
            self.push(&mut ticks, local, words, below);
            let Some(next) = local.checked_add_signed(step) else { break };
            local = next;
        }
        ticks
    }

    fn by_days(
        &self,
        step: u32,
        zero: Option<Instant>,
        start: Instant,
    ) -> Vec<Tick> {
        let day_zero = zero.map(|zero| self.local(zero).date());
        let mut local = self.local(start.max(self.from));
        if zero.is_none() {
            local = local.date().and_time(NaiveTime::MIN);
        }
        let mut ticks = Vec::new();
        while self.instant(local) <= self.to {
            let below = day_zero.map_or_else(String::new, |zero| {
                format!("day {}", (local.date() - zero).num_days())
            });
            let words = local.format("%-d %b").to_string();
            self.push(&mut ticks, local, words, below);
            let next = local.checked_add_days(Days::new(u64::from(step)));
            let Some(next) = next else { break };
            local = next;
        }
        ticks
    }

    fn by_months(&self, step: u32) -> Vec<Tick> {
        let first = self.local(self.from).date();
        let months = i64::from(first.year()) * 12 + i64::from(first.month0());
        let back = months.rem_euclid(i64::from(step));
        let back = u32::try_from(back).unwrap_or(0);
        let aligned = first
            .with_day(1)
            .and_then(|day| day.checked_sub_months(Months::new(back)))
            .unwrap_or(first);
        let mut local = aligned.and_time(NaiveTime::MIN);
        let mut ticks: Vec<Tick> = Vec::new();
        while self.instant(local) <= self.to {
            let year = local.format("%Y").to_string();
            if step >= 12 {
                self.push(&mut ticks, local, year, String::new());
            } else {
                let named = ticks.is_empty() || local.month() == 1;
                let below = if named { year } else { String::new() };
                let words = local.format("%b").to_string();
                self.push(&mut ticks, local, words, below);
            }
            let next = local.checked_add_months(Months::new(step));
            let Some(next) = next else { break };
            local = next;
        }
        ticks
    }

    fn push(
        &self,
        ticks: &mut Vec<Tick>,
        local: NaiveDateTime,
        words: String,
        below: String,
    ) {
        let at = self.instant(local);
        if at >= self.from {
            ticks.push(Tick { x: self.x(at), words, below });
        }
    }

    /// Draws the ticks and their words below `y`; gives the y below them.
    pub(crate) fn draw(
        &self,
        canvas: &mut Canvas<'_>,
        y: f64,
        zero: Option<Instant>,
        layout: Layout,
    ) -> f64 {
        let ticks = self.ticks(zero);
        canvas
            .line(&[(self.left, y), (self.right, y)], pen(&colour::HATCH, 0.8));
        for tick in &ticks {
            let foot = [(tick.x, y), (tick.x, y + 4.0)];
            canvas.line(&foot, pen(&colour::TICK, 0.8));
            for (words, dy) in [(&tick.words, 14.0), (&tick.below, 29.0)] {
                centred(canvas, (tick.x, y + dy), words, layout);
            }
        }
        let two = ticks.iter().any(|tick| !tick.below.is_empty());
        y + if two { 38.0 } else { 23.0 }
    }
}

/// Small soft text centred at x, moved inside the sheet where it would be
/// cut.
pub(crate) fn centred(
    canvas: &mut Canvas<'_>,
    (x, y): (f64, f64),
    words: &str,
    layout: Layout,
) {
    let half = text::width(words, SMALL, Weight::Plain) / 2.0;
    let room = (half + 4.0).min(layout.width() / 2.0);
    let x = x.clamp(room, layout.width() - room);
    canvas.text((x, y), words, SMALL, &colour::SOFT, Anchor::Middle);
}

/// Horizontal grid lines at values, words at their left.
pub(crate) fn grid(
    canvas: &mut Canvas<'_>,
    (left, right): (f64, f64),
    scale: &Scale,
    ticks: &[(f64, String)],
) {
    for (value, words) in ticks {
        let y = scale.at(*value);
        canvas.line(&[(left, y), (right, y)], pen(&colour::RULE, 0.8));
        let at = (left - 7.0, y);
        canvas.text(at, words, SMALL, &colour::SOFT, Anchor::End);
    }
}

/// Positions as near to the wanted ones as a least distance allows, in the
/// same order, between `low` and `high` as far as they fit.
pub(crate) fn spread(
    wanted: &[f64],
    gap: f64,
    (low, high): (f64, f64),
) -> Vec<f64> {
    struct Block {
        members: Vec<usize>,
        start: f64,
    }
    let settle = |members: &[usize]| {
        let mut sum = 0.0;
        let mut n = 0.0;
        for member in members {
            sum += wanted[*member] - n * gap;
            n += 1.0;
        }
        let most = (high - (n - 1.0) * gap).max(low);
        (sum / n).clamp(low, most)
    };
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
    let mut blocks: Vec<Block> = Vec::new();
    for index in order {
        let start = settle(&[index]);
        blocks.push(Block { members: vec![index], start });
        while let [.., before, last] = blocks.as_slice() {
            let n = f64::from(u32::try_from(before.members.len()).unwrap_or(0));
            if before.start + n * gap <= last.start {
                break;
            }
            let Some(last) = blocks.pop() else { break };
            let Some(before) = blocks.last_mut() else { break };
            before.members.extend(last.members);
            before.start = settle(&before.members);
        }
    }
    let mut placed = vec![0.0; wanted.len()];
    for block in blocks {
        let mut at = block.start;
        for member in block.members {
            placed[member] = at;
            at += gap;
        }
    }
    placed
}

/// Hours in words: `96 h`, below two hours minutes.
pub(crate) fn hours(from: Instant, to: Instant) -> String {
    let hours = to.hours_since(from);
    if hours < 2.0 {
        format!("{:.0} min", hours * 60.0)
    } else {
        format!("{} h", number(hours.round()))
    }
}

/// Whether all instants lie within one day of the first.
pub(crate) fn same_day(instants: &[Instant]) -> Option<Instant> {
    let first = instants.iter().min()?;
    let last = instants.iter().max()?;
    (last.millis_since(*first) < MILLIS_PER_DAY).then_some(*first)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: i64 = MILLIS_PER_DAY;
    /// 2026-03-14T12:00Z.
    const NOON: Instant = Instant::from_millis(1_773_489_600_000);

    fn words(days: i64, width: f64, offset: LocalOffset<'_>) -> Vec<String> {
        let span = (NOON, NOON.plus_millis(days * DAY));
        TimeAxis::new(span, (0.0, width), offset)
            .ticks(None)
            .into_iter()
            .map(|tick| tick.words)
            .collect()
    }

    #[test]
    fn ticks_are_hours_days_weeks_or_months_by_span() {
        let utc: LocalOffset<'_> = &|_| 0;
        assert_eq!(words(1, 500.0, utc)[..2], ["12:00", "15:00"]);
        assert_eq!(words(8, 500.0, utc)[..2], ["15 Mar", "16 Mar"]);
        assert_eq!(words(40, 500.0, utc)[..2], ["21 Mar", "28 Mar"]);
        assert_eq!(words(180, 500.0, utc)[..2], ["Apr", "May"]);
        assert_eq!(words(4000, 500.0, utc)[..2], ["2028", "2030"]);
    }

    #[test]
    fn ticks_never_stand_closer_than_their_words() {
        for days in [1, 2, 3, 7, 15, 31, 59, 61, 100, 400, 3000, 2_000_000] {
            for width in [250.0, 540.0] {
                let span = (NOON, NOON.plus_millis(days * DAY));
                let axis = TimeAxis::new(span, (0.0, width), &|_| 0);
                let ticks = axis.ticks(Some(NOON));
                assert!(ticks.len() >= 2 || days < 2, "{days} d");
                for pair in ticks.windows(2) {
                    assert!(pair[1].x - pair[0].x >= 50.0, "{days} {pair:?}");
                }
            }
        }
    }

    /// Dublin goes from +0 to +1 on 2026-03-29T01:00Z (EU rule, last Sunday
    /// of March at 01:00 UTC; from memory).
    #[test]
    fn day_ticks_stay_at_local_midnight_over_a_clock_change() {
        let change = Instant::from_millis(1_774_746_000_000);
        let dublin: LocalOffset<'_> =
            &move |at| if at < change { 0 } else { 3600 };
        let start = Instant::from_millis(1_774_656_000_000); // 28 Mar 00:00Z
        let span = (start, start.plus_millis(4 * DAY));
        let axis = TimeAxis::new(span, (0.0, 96.0 * 10.0), dublin);
        let ticks = axis.ticks(None);
        assert_eq!(ticks[1].words, "29 Mar");
        assert_eq!(ticks[2].words, "30 Mar");
        assert!((ticks[1].x - 240.0).abs() < 0.01, "{}", ticks[1].x);
        assert!((ticks[2].x - 470.0).abs() < 0.01, "23 hours in that day");
    }

    #[test]
    fn labels_keep_their_order_and_distance() {
        let got = spread(&[10.0, 11.0, 12.0, 90.0], 10.0, (0.0, 95.0));
        assert!((got[0] - 1.0).abs() < 1e-9, "{got:?}");
        assert!((got[2] - 21.0).abs() < 1e-9);
        assert!((got[3] - 90.0).abs() < 1e-9);
        let full = spread(&[50.0; 10], 10.0, (0.0, 90.0));
        assert!((full[0]).abs() < 1e-9 && (full[9] - 90.0).abs() < 1e-9);
    }

    #[test]
    fn ticks_hold_the_data_between_them() {
        for (low, high) in [(3.1, 6.9), (-4.0, 22.0), (0.0, 8400.0), (5.0, 5.0)]
        {
            let ticks = round_ticks(low, high, 3);
            assert!(ticks[0] <= low && ticks[ticks.len() - 1] >= high);
            assert!(ticks.len() <= 4);
        }
        assert_eq!(number(-12_500.0), "−12\u{a0}500");
        assert_eq!(number(2.5), "2.5");
        assert_eq!(number(1_234_567.0), "1\u{a0}234\u{a0}567");
    }
}
