//! How many came up after each length of chilling, one panel a place.
//!
//! Lengths are ordered levels, not a scale: equal steps, no line between
//! them. Containers of one batch stand together on one line, since the
//! batch, not the container, is what was chilled.

use crate::chart::axis::{self, Scale, drawable};
use crate::chart::canvas::{self, Anchor, Canvas, LABEL, SMALL, Shape, pen};
use crate::chart::colour::{self, Colour};
use crate::chart::text::{self, Weight};
use crate::chart::{Heading, Layout, Outcome, Range, Step};

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The words.
    pub heading: Heading,
    /// Lengths of chilling, in order.
    pub levels: Vec<Level>,
    /// One panel each, in order.
    pub places: Vec<Place>,
}

/// A length of chilling.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// `12 weeks`.
    pub name: String,
    /// Gives the colour.
    pub step: Step,
    /// Logged chill hours of its batches, lowest to highest; `None` where
    /// nothing was logged.
    pub logged_hours: Option<Range>,
}

/// A place and its containers.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// As shown.
    pub name: String,
    /// In any order.
    pub containers: Vec<Container>,
}

/// A container.
#[derive(Debug, Clone, PartialEq)]
pub struct Container {
    /// The batch its seeds came from, as shown.
    pub batch: String,
    /// Which of the figure's levels.
    pub level: usize,
    /// Count and interval at the common age.
    pub outcome: Outcome,
}

const LEFT: f64 = 52.0;
const HEIGHT: f64 = 132.0;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure, layout: Layout) -> String {
    let heading_at = match layout {
        Layout::Wide => LEFT,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let drawn = |place: &Place| {
            let mut all = place.containers.iter();
            all.any(|c| c.level < figure.levels.len() && sound(c))
        };
        if !figure.places.iter().any(drawn) {
            let words = "no data: no container with a count";
            let at = (heading_at, top + 8.0);
            canvas.text(at, words, LABEL, &colour::SOFT, Anchor::Start);
            return top + 30.0;
        }
        let right = layout.width() - 14.0;
        let mut y = top;
        for place in &figure.places {
            y = panel(canvas, figure, place, right, y) + 16.0;
        }
        level_words(canvas, figure, right, y - 6.0) + 6.0
    })
}

fn sound(container: &Container) -> bool {
    container.outcome.fraction().is_some()
}

/// Left and right end of a level's column.
fn column(levels: usize, right: f64, level: usize) -> (f64, f64) {
    let n = |n: usize| f64::from(u32::try_from(n).unwrap_or(u32::MAX));
    let width = (right - LEFT) / n(levels.max(1));
    let from = LEFT + n(level) * width;
    (from, from + width)
}

fn panel(
    canvas: &mut Canvas<'_>,
    figure: &Figure,
    place: &Place,
    right: f64,
    top: f64,
) -> f64 {
    let name = text::shortened(&place.name, LABEL, Weight::Bold, right - LEFT);
    canvas.bold((LEFT, top + 6.0), &name, LABEL, &colour::INK);
    let (top, base) = (top + 32.0, top + 32.0 + HEIGHT);
    let scale = Scale::new((0.0, 1.0), (base, top));
    let ticks = [0.0, 0.5, 1.0].map(|v| (v, format!("{:.0} %", v * 100.0)));
    axis::grid(canvas, (LEFT, right), &scale, &ticks);
    let mut lowest = base + 12.0;
    for (index, level) in figure.levels.iter().enumerate() {
        let mut own: Vec<&Container> = place
            .containers
            .iter()
            .filter(|c| c.level == index && sound(c))
            .collect();
        own.sort_by(|a, b| a.batch.cmp(&b.batch));
        let span = column(figure.levels.len(), right, index);
        let colour = Colour::of(level.step);
        let bottom = group(canvas, &own, span, &colour, &scale, base);
        lowest = lowest.max(bottom);
    }
    lowest
}

/// The containers of one level at one place.
fn group(
    canvas: &mut Canvas<'_>,
    own: &[&Container],
    (from, to): (f64, f64),
    colour: &Colour,
    scale: &Scale,
    base: f64,
) -> f64 {
    let middle = f64::midpoint(from, to);
    if own.is_empty() {
        let at = (middle, base - 12.0);
        canvas.text(at, "none", SMALL, &colour::SOFT, Anchor::Middle);
        return base;
    }
    let (places, pitch) = side_by_side(own, (from + 10.0, to - 10.0));
    let room = text::width("00/00", SMALL, Weight::Plain);
    let counted = pitch >= room;
    let width = (pitch * 0.25).clamp(0.6, 1.8);
    let radius = (pitch * 0.42).clamp(0.8, 3.4);
    for (container, x) in own.iter().zip(&places) {
        let Some(share) = container.outcome.fraction() else { continue };
        let mut above = scale.at(share);
        if let Some(Range { low, high }) = container.outcome.bar() {
            let bar = [(*x, scale.at(low)), (*x, scale.at(high))];
            canvas.line(&bar, pen(colour, width));
            let at = (*x, scale.at(share));
            canvas.mark(Shape::Disc, at, radius, colour);
            above = scale.at(high);
        }
        if counted {
            let words = container.outcome.words();
            let at = (*x, above - 9.0);
            canvas.text(at, &words, SMALL, colour, Anchor::Middle);
        }
    }
    let mut y = base + 6.0;
    if batches(canvas, own, &places, pitch, colour, y, (from, to)) {
        y += 17.0;
    }
    if !counted {
        y += 10.0;
        let words =
            text::shortened(&sizes(own), SMALL, Weight::Plain, to - from - 4.0);
        canvas.text((middle, y), &words, SMALL, colour, Anchor::Middle);
        y += 7.0;
    }
    y
}

/// Where the containers stand: batches a little apart. Also their distance.
fn side_by_side(own: &[&Container], (from, to): (f64, f64)) -> (Vec<f64>, f64) {
    let mut at = 0.0;
    let mut steps = vec![0.0];
    for pair in own.windows(2) {
        at += if pair[0].batch == pair[1].batch { 1.0 } else { 1.3 };
        steps.push(at);
    }
    let pitch = ((to - from) / (at + 1.0)).min(37.0);
    let start = f64::midpoint(from, to) - at * pitch / 2.0;
    (steps.iter().map(|step| start + step * pitch).collect(), pitch)
}

/// A line under the containers of each batch, with its name where names
/// fit. Gives whether there are names.
fn batches(
    canvas: &mut Canvas<'_>,
    own: &[&Container],
    places: &[f64],
    pitch: f64,
    colour: &Colour,
    y: f64,
    (from, to): (f64, f64),
) -> bool {
    let mut spans: Vec<(&str, f64, f64)> = Vec::new();
    for (container, x) in own.iter().zip(places) {
        match spans.last_mut() {
            Some(last) if last.0 == container.batch => last.2 = *x,
            _ => spans.push((&container.batch, *x, *x)),
        }
    }
    let half = (pitch * 0.34).clamp(0.8, 6.0);
    for (_, x0, x1) in &spans {
        let line = [(x0 - half, y), (x1 + half, y)];
        canvas.line(&line, pen(colour, 1.2));
    }
    let room = |i: usize| {
        let middle = |s: &(&str, f64, f64)| f64::midpoint(s.1, s.2);
        let own = middle(&spans[i]);
        let before = if i == 0 { from } else { middle(&spans[i - 1]) };
        let after = spans.get(i + 1).map_or(to, middle);
        if spans.len() == 1 { to - from } else { own - before + after - own }
    };
    let fits = |i: usize, name: &str| {
        text::width(name, SMALL, Weight::Plain) + 8.0 <= room(i) / 2.0
            || spans.len() == 1
    };
    let all = spans.iter().enumerate().all(|(i, (name, ..))| fits(i, name));
    if !all {
        return false;
    }
    for (name, x0, x1) in &spans {
        let name = text::shortened(name, SMALL, Weight::Plain, to - from - 6.0);
        let at = (f64::midpoint(*x0, *x1), y + 11.0);
        canvas.text(at, &name, SMALL, &colour::SOFT, Anchor::Middle);
    }
    true
}

/// `12 × 60`, when counts do not fit beside the marks.
fn sizes(own: &[&Container]) -> String {
    let counts = || own.iter().map(|c| c.outcome.seeds);
    let (low, high) =
        (counts().min().unwrap_or(0), counts().max().unwrap_or(0));
    let n = own.len();
    if low == high {
        format!("{n} × {low}")
    } else {
        format!("{n} × {low}–{high}")
    }
}

/// Names of the levels and their logged hours, once, at the bottom.
fn level_words(
    canvas: &mut Canvas<'_>,
    figure: &Figure,
    right: f64,
    top: f64,
) -> f64 {
    canvas.line(&[(LEFT, top), (right, top)], pen(&colour::HATCH, 0.8));
    let mut lowest = top;
    for (index, level) in figure.levels.iter().enumerate() {
        let (from, to) = column(figure.levels.len(), right, index);
        let middle = f64::midpoint(from, to);
        let room = to - from - 4.0;
        let mut y = top + 14.0;
        let colour = Colour::of(level.step);
        for line in text::lines(&level.name, LABEL, Weight::Plain, room, 2) {
            canvas.text((middle, y), &line, LABEL, &colour, Anchor::Middle);
            y += 17.0;
        }
        let words = logged(level);
        for line in text::lines(&words, SMALL, Weight::Plain, room, 3) {
            let at = (middle, y);
            canvas.text(at, &line, SMALL, &colour::SOFT, Anchor::Middle);
            y += 16.0;
        }
        lowest = lowest.max(y);
    }
    lowest
}

fn logged(level: &Level) -> String {
    let range = level.logged_hours.and_then(Range::sound);
    let Some(Range { low, high }) = range else {
        return match level.step {
            Step::None => String::new(),
            _ => "chill not logged".to_owned(),
        };
    };
    let (low, high) = (low.round(), high.round());
    if !drawable(low) || high - low < 1.0 {
        return format!("{} h logged", axis::number(low));
    }
    format!("{}–{} h logged", axis::number(low), axis::number(high))
}
