//! A quantity over time: mean line, band from lowest to highest, holes
//! hatched, a wanted range behind it.
//!
//! Not a smoother: values are only gathered to one for each pixel column,
//! with the lowest and the highest kept.

use crate::chart::axis::{self, Scale, TimeAxis, drawable};
use crate::chart::canvas::{Anchor, Canvas, Pen, SMALL, pen};
use crate::chart::gather::{Column, merged, runs};
use crate::chart::text::{self, Weight};
use crate::chart::{Layout, colour};
use crate::units::Instant;

/// A stretch of the log: a day, an hour, or one reading (`from` = `to`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Beginning.
    pub from: Instant,
    /// End.
    pub to: Instant,
    /// Mean over the stretch.
    pub mean: f64,
    /// Lowest value in it.
    pub low: f64,
    /// Highest value in it.
    pub high: f64,
}

/// Time without a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hole {
    /// The last reading before it.
    pub from: Instant,
    /// The first reading after it.
    pub to: Instant,
}

/// A range the grower wants kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// Not below this; `None` when only the upper end matters.
    pub low: Option<f64>,
    /// Not above this.
    pub high: Option<f64>,
    /// Hours outside, when they were counted.
    pub hours_outside: Option<f64>,
}

/// The log of one quantity.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trace {
    /// What one stretch is, in a word: `day`, `hour`; may be empty.
    pub each: String,
    /// Stretches in any order; what is not finite is left out.
    pub stretches: Vec<Stretch>,
    /// Times without a log, as the study counts them.
    pub holes: Vec<Hole>,
    /// The wanted range of the place, if there is one.
    pub wanted: Option<Wanted>,
}

/// What a panel is called and counted in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    pub(crate) name: &'static str,
    pub(crate) unit: &'static str,
    /// Values this quantity cannot leave.
    pub(crate) limits: (f64, f64),
}

pub(crate) const TEMPERATURE: Look =
    Look { name: "temperature", unit: "°C", limits: (-273.15, 1.0e6) };

pub(crate) const HUMIDITY: Look =
    Look { name: "humidity", unit: "%", limits: (0.0, 105.0) };

/// Where panels stand on the sheet.
#[derive(Clone, Copy)]
pub(crate) struct Frame<'a> {
    pub(crate) layout: Layout,
    pub(crate) time: TimeAxis<'a>,
    /// Where the words at the right begin (wide layout).
    pub(crate) words_at: f64,
}

/// Draws the panel from `top` down; gives the y below it. Holes already
/// named in a panel above are hatched without words.
pub(crate) fn draw(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    trace: Option<&Trace>,
    look: &Look,
    named: &mut Vec<Hole>,
) -> f64 {
    let runs = trace.map(|t| runs(t, &frame.time, look)).unwrap_or_default();
    let Some(trace) = trace.filter(|_| !runs.is_empty()) else {
        return missing(canvas, frame, top, look.name);
    };
    let top = panel_words(canvas, frame, top, look, trace);
    let height = match frame.layout {
        Layout::Wide => 84.0,
        Layout::Narrow => 72.0,
    };
    let (left, right) = (frame.time.left, frame.time.right);
    let bottom = top + height;
    let scale = vertical(&runs, trace.wanted.as_ref(), look, (bottom, top));
    let holes = merged(&trace.holes, &frame.time);

    if let Some((low, high)) = band(trace.wanted.as_ref(), look) {
        let (upper, lower) = (scale.1.at(high), scale.1.at(low));
        canvas.rect((left, upper), (right, lower), &colour::WANTED, 1.0);
    }
    let ticks: Vec<_> = scale
        .0
        .iter()
        .map(|v| (*v, format!("{} {}", axis::number(*v), look.unit)))
        .collect();
    axis::grid(canvas, (left, right), &scale.1, &ticks);
    for (from, to) in &holes {
        let pen = pen(&colour::HATCH, 0.8);
        canvas.hatch((*from, top), (*to, bottom), pen, 6.0);
    }
    for limit in limits(trace.wanted.as_ref()) {
        let y = scale.1.at(limit);
        canvas.line(&[(left, y), (right, y)], pen(&colour::TICK, 0.7));
    }
    for run in &runs {
        draw_run(canvas, run, &scale.1);
        if let Some(wanted) = &trace.wanted {
            outside(canvas, run, wanted, &scale.1);
        }
    }
    name_holes(canvas, frame, bottom, &trace.holes, named) + 14.0
}

/// One line instead of a panel.
pub(crate) fn missing(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    name: &str,
) -> f64 {
    let words = format!("{name}: no log, so nothing is drawn");
    let at = (frame.time.left, top + 6.0);
    canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Start);
    top + 28.0
}

/// Name and meaning of the panel: at the right where there is room, else
/// above it. Gives the top of the panel proper.
fn panel_words(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    look: &Look,
    trace: &Trace,
) -> f64 {
    let wanted = trace.wanted.as_ref();
    let wish = wanted.and_then(|wanted| wish(wanted, look));
    let out = wanted
        .and_then(|wanted| wanted.hours_outside)
        .filter(|hours| drawable(*hours))
        .map(|hours| format!("{} h outside", axis::number(hours.round())));
    let lines = format!("{} mean, low–high", trace.each);
    let lines = lines.trim_start().to_owned();
    let mut words =
        vec![(look.name.to_owned(), colour::INK), (lines, colour::SOFT)];
    words.extend(wish.map(|wish| (wish, colour::SOFT)));
    words.extend(out.map(|out| {
        let calm = wanted
            .is_some_and(|w| w.hours_outside.is_some_and(|hours| hours <= 0.0));
        (out, if calm { colour::SOFT } else { colour::ACCENT })
    }));
    side_words(canvas, frame, top, &words)
}

/// Lines of words beside (wide) or above (narrow) a panel.
pub(crate) fn side_words(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    words: &[(String, colour::Colour)],
) -> f64 {
    if frame.layout == Layout::Wide {
        let room = frame.layout.width() - frame.words_at - 6.0;
        let mut y = top + 8.0;
        for (words, colour) in words {
            for line in text::lines(words, SMALL, Weight::Plain, room, 2) {
                let at = (frame.words_at, y);
                canvas.text(at, &line, SMALL, colour, Anchor::Start);
                y += 16.0;
            }
        }
        return top;
    }
    let (mut x, mut y) = (12.0, top + 4.0);
    let last = frame.layout.width() - 8.0;
    for (i, (words, colour)) in words.iter().enumerate() {
        let words = if i == 0 {
            let mut c = words.chars();
            let first = c.next().map(|c| c.to_uppercase().to_string());
            format!("{}{}", first.unwrap_or_default(), c.as_str())
        } else {
            words.clone()
        };
        let wide = text::width(&words, SMALL, Weight::Plain);
        if i > 0 && x + wide > last {
            (x, y) = (12.0, y + 16.0);
        }
        canvas.text((x, y), &words, SMALL, colour, Anchor::Start);
        x += wide + 10.0;
    }
    y + 16.0
}

/// `wanted 2–5 °C`, `wanted below 95 %`.
fn wish(wanted: &Wanted, look: &Look) -> Option<String> {
    let unit = look.unit;
    let low = wanted.low.filter(|v| drawable(*v)).map(axis::number);
    let high = wanted.high.filter(|v| drawable(*v)).map(axis::number);
    Some(match (low, high) {
        (Some(low), Some(high)) => format!("wanted {low}–{high} {unit}"),
        (Some(low), None) => format!("wanted above {low} {unit}"),
        (None, Some(high)) => format!("wanted below {high} {unit}"),
        (None, None) => return None,
    })
}

fn band(wanted: Option<&Wanted>, look: &Look) -> Option<(f64, f64)> {
    let wanted = wanted?;
    wish(wanted, look)?;
    let low = wanted.low.filter(|v| drawable(*v)).unwrap_or(-1.0e12);
    let high = wanted.high.filter(|v| drawable(*v)).unwrap_or(1.0e12);
    Some((low.min(high), high.max(low)))
}

/// The ends of the wanted range that are stated.
fn limits(wanted: Option<&Wanted>) -> impl Iterator<Item = f64> {
    let both = wanted.map_or([None, None], |w| [w.low, w.high]);
    both.into_iter().flatten().filter(|v| drawable(*v))
}

fn vertical(
    runs: &[Vec<Column>],
    wanted: Option<&Wanted>,
    look: &Look,
    (bottom, top): (f64, f64),
) -> (Vec<f64>, Scale) {
    let wishes = limits(wanted);
    let columns = runs.iter().flatten();
    let all = columns.flat_map(|c| [c.low, c.high]).chain(wishes);
    let (low, high) = all
        .fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    let pad = if high - low < 1.0 { 0.5 } else { 0.0 };
    let (low, high) = (low - pad, high + pad);
    let low = low.max(look.limits.0);
    let ticks = axis::round_ticks(low, high.min(look.limits.1), 3);
    let ends = (ticks[0], ticks[ticks.len() - 1].min(look.limits.1).max(high));
    let ticks = ticks.into_iter().filter(|t| *t <= look.limits.1).collect();
    (ticks, Scale::new(ends, (bottom, top)))
}

fn draw_run(canvas: &mut Canvas<'_>, run: &[Column], scale: &Scale) {
    let upper = run.iter().map(|c| (c.x, scale.at(c.high)));
    let lower = run.iter().rev().map(|c| (c.x, scale.at(c.low)));
    let outline: Vec<_> = upper.chain(lower).collect();
    let line: Vec<_> = run.iter().map(|c| (c.x, scale.at(c.mean))).collect();
    match line.as_slice() {
        [(x, y)] => {
            let (low, high) = (scale.at(run[0].low), scale.at(run[0].high));
            let thin = Pen { colour: &colour::AIR, width: 1.0, alpha: 0.7 };
            canvas.line(&[(*x, low), (*x, high)], thin);
            let dash = [(x - 1.0, *y), (x + 1.0, *y)];
            canvas.line(&dash, pen(&colour::AIR, 1.8));
        }
        line => {
            canvas.area(&outline, &colour::AIR, 0.2);
            canvas.line(line, pen(&colour::AIR, 1.7));
        }
    }
}

/// What lies outside the wanted range: a hatch of the accent between the
/// limit and the lowest or highest value.
fn outside(
    canvas: &mut Canvas<'_>,
    run: &[Column],
    wanted: &Wanted,
    scale: &Scale,
) {
    let stroke = pen(&colour::ACCENT, 0.9);
    let mut next = f64::MIN;
    let mut at = |x: f64, low: f64, high: f64| {
        if x < next {
            return;
        }
        next = x + 3.0;
        if let Some(limit) = wanted.high.filter(|limit| high > *limit) {
            canvas.line(&[(x, scale.at(limit)), (x, scale.at(high))], stroke);
        }
        if let Some(limit) = wanted.low.filter(|limit| low < *limit) {
            canvas.line(&[(x, scale.at(limit)), (x, scale.at(low))], stroke);
        }
    };
    for pair in run.windows(2) {
        let steps = ((pair[1].x - pair[0].x) / 3.0).ceil().clamp(1.0, 400.0);
        let mut step = 0.0;
        while step < steps {
            let share = step / steps;
            let mix = |a: f64, b: f64| a + share * (b - a);
            at(
                mix(pair[0].x, pair[1].x),
                mix(pair[0].low, pair[1].low),
                mix(pair[0].high, pair[1].high),
            );
            step += 1.0;
        }
    }
    if let [.., last] = run {
        at(last.x, last.low, last.high);
    }
}

/// `no log, 96 h` below each hole, or one line for many. Gives the y below.
pub(crate) fn name_holes(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    bottom: f64,
    holes: &[Hole],
    named: &mut Vec<Hole>,
) -> f64 {
    let time = &frame.time;
    let mut fresh: Vec<Hole> = holes
        .iter()
        .copied()
        .filter(|h| h.to > h.from && h.to > time.from && h.from < time.to)
        .filter(|h| !named.contains(h))
        .collect();
    fresh.sort_by_key(|hole| hole.from);
    if fresh.is_empty() {
        return bottom + 4.0;
    }
    let words: Vec<_> = fresh
        .iter()
        .map(|h| format!("no log, {}", axis::hours(h.from, h.to)))
        .collect();
    let mut end = f64::MIN;
    let mut apart = true;
    for (hole, words) in fresh.iter().zip(&words) {
        let middle = f64::midpoint(time.x(hole.from), time.x(hole.to));
        let half = text::width(words, SMALL, Weight::Plain) / 2.0;
        apart &= middle - half > end + 6.0;
        end = middle + half;
    }
    let y = bottom + 11.0;
    if apart {
        for (hole, words) in fresh.iter().zip(&words) {
            let x = f64::midpoint(time.x(hole.from), time.x(hole.to));
            axis::centred(canvas, (x, y), words, frame.layout);
        }
    } else {
        let sum: f64 = fresh.iter().map(|h| h.to.hours_since(h.from)).sum();
        let n = fresh.len();
        let sum = axis::number(sum.round());
        let words = format!("no log: {n} holes, {sum} h together");
        let x = f64::midpoint(time.left, time.right);
        axis::centred(canvas, (x, y), &words, frame.layout);
    }
    named.extend(fresh);
    bottom + 18.0
}
