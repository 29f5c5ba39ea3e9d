//! Germination against days, and beside it against accumulated warmth: if
//! warmth is what counts, the places fall on one curve.
//!
//! No curve is smoothed: lines run from look to look. The fitted curve lies
//! below them, wide and pale.

use std::collections::BTreeMap;

use crate::chart::axis::{self, Scale, drawable};
use crate::chart::canvas::{
    self, Anchor, Canvas, LABEL, Pen, SMALL, Shape, pen,
};
use crate::chart::colour::{self, Colour};
use crate::chart::key::{Key, shapes};
use crate::chart::text::{self, Weight};
use crate::chart::{Heading, Layout, Range, Step};

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The words.
    pub heading: Heading,
    /// A row of two panels each.
    pub groups: Vec<Group>,
}

/// Containers of one treatment.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// `12 weeks`.
    pub name: String,
    /// How far places lie apart, in words.
    pub note: String,
    /// Gives the colour.
    pub step: Step,
    /// One a place.
    pub curves: Vec<Curve>,
    /// Warmth and share by the model, rising.
    pub fitted: Vec<(f64, f64)>,
}

/// The containers of one place, added up.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// As shown.
    pub place: String,
    /// The looks, in order.
    pub points: Vec<Point>,
    /// Interval of the last share.
    pub bar: Option<Range>,
}

/// A look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Days since sowing.
    pub days: f64,
    /// Degree-hours since sowing.
    pub warmth: f64,
    /// Share germinated, 0 to 1.
    pub share: f64,
}

const LEFT: f64 = 52.0;
const HEIGHT: f64 = 104.0;
const GAP: f64 = 22.0;
/// At most so many marks on a curve.
const MOST_MARKS: usize = 9;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure, layout: Layout) -> String {
    let heading_at = match layout {
        Layout::Wide => LEFT,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let groups: Vec<Group> = figure.groups.iter().map(sound).collect();
        let any =
            |group: &Group| group.curves.iter().any(|c| !c.points.is_empty());
        if !groups.iter().any(any) {
            let words = "no data: no container with a known warmth";
            let at = (heading_at, top + 8.0);
            canvas.text(at, words, LABEL, &colour::SOFT, Anchor::Start);
            return top + 30.0;
        }
        let places = places(&groups);
        let mut y = key(canvas, &places, layout, (heading_at, top));
        let last = |pick: fn(&Point) -> f64| {
            groups
                .iter()
                .flat_map(|group| &group.curves)
                .flat_map(|curve| curve.points.iter().map(pick))
                .fold(1.0, f64::max)
        };
        let (days, warmth) = (last(|p| p.days), last(|p| p.warmth));
        let width = (layout.width() - LEFT - 16.0 - GAP) / 2.0;
        let spans = [
            (LEFT, LEFT + width),
            (LEFT + width + GAP, LEFT + 2.0 * width + GAP),
        ];
        let scales = [
            Scale::new((0.0, days), spans[0]),
            Scale::new((0.0, warmth), spans[1]),
        ];
        for group in groups.iter().filter(|group| any(group)) {
            let colour = Colour::of(group.step);
            let y0 = names(canvas, group, layout, &colour, y);
            let (high, base) = (y0, y0 + HEIGHT);
            let up = Scale::new((0.0, 1.0), (base, high));
            let ticks = |words: bool| {
                [0.0, 0.5, 1.0].map(|v| {
                    let tick = format!("{:.0} %", v * 100.0);
                    (v, if words { tick } else { String::new() })
                })
            };
            axis::grid(canvas, spans[0], &up, &ticks(true));
            axis::grid(canvas, spans[1], &up, &ticks(false));
            fitted(canvas, group, &scales[1], &up, warmth);
            for curve in &group.curves {
                let shape = places.get(curve.place.as_str());
                let shape = shape.copied().unwrap_or(Shape::Disc);
                let by_days =
                    |p: &Point| (scales[0].at(p.days), up.at(p.share));
                let by_warmth =
                    |p: &Point| (scales[1].at(p.warmth), up.at(p.share));
                line(canvas, curve, shape, &colour, &by_days);
                line(canvas, curve, shape, &colour, &by_warmth);
            }
            bars(canvas, group, spans[0].1, &up, &colour);
            y = base + 14.0;
        }
        let foot = [(days, "days since sowing"), (warmth, "°C·h since sowing")];
        for ((span, scale), (most, words)) in
            spans.iter().zip(&scales).zip(foot)
        {
            axis_below(canvas, *span, scale, most, words, y - 8.0);
        }
        y + 34.0
    })
}

/// Points that can be drawn, in order, and shares inside 0 to 1.
fn sound(group: &Group) -> Group {
    let mut group = group.clone();
    for curve in &mut group.curves {
        curve.points.retain(|p| {
            drawable(p.days) && drawable(p.warmth) && drawable(p.share)
        });
        curve.points.sort_by(|a, b| a.days.total_cmp(&b.days));
        for point in &mut curve.points {
            point.share = point.share.clamp(0.0, 1.0);
        }
    }
    group.fitted.retain(|(x, y)| drawable(*x) && drawable(*y));
    group
}

fn places(groups: &[Group]) -> BTreeMap<&str, Shape> {
    let curves = groups.iter().flat_map(|group| &group.curves);
    shapes(curves.map(|curve| curve.place.as_str()))
}

fn key(
    canvas: &mut Canvas<'_>,
    places: &BTreeMap<&str, Shape>,
    layout: Layout,
    at: (f64, f64),
) -> f64 {
    let mut key = Key::at(layout, at);
    key.places(canvas, places);
    let words = "the fitted curve";
    let wide = 24.0 + text::width(words, SMALL, Weight::Plain);
    let (x, y) = key.room(wide);
    canvas.line(&[(x, y), (x + 16.0, y)], pen(&colour::HATCH, 5.0));
    let at = (x + 22.0, y);
    canvas.text(at, words, SMALL, &colour::SOFT, Anchor::Start);
    key.y() + 22.0
}

/// Name of a group, and beside it, or below on a phone, its note.
fn names(
    canvas: &mut Canvas<'_>,
    group: &Group,
    layout: Layout,
    colour: &Colour,
    top: f64,
) -> f64 {
    let room = layout.width() - LEFT - 16.0;
    let wide = layout == Layout::Wide;
    let most = if wide { room * 0.45 } else { room };
    let name = text::shortened(&group.name, LABEL, Weight::Bold, most);
    canvas.bold((LEFT, top + 6.0), &name, LABEL, colour);
    let (x, y) = if wide {
        let after = text::width(&name, LABEL, Weight::Bold) + 14.0;
        (LEFT + after, top + 6.0)
    } else {
        (LEFT, top + 23.0)
    };
    let room = layout.width() - x - 12.0;
    let note = text::shortened(&group.note, SMALL, Weight::Plain, room);
    canvas.text((x, y), &note, SMALL, &colour::SOFT, Anchor::Start);
    y + 14.0
}

/// Intervals of the last shares, side by side beyond the left panel.
fn bars(
    canvas: &mut Canvas<'_>,
    group: &Group,
    right: f64,
    up: &Scale,
    colour: &Colour,
) {
    let bars: Vec<Range> = group
        .curves
        .iter()
        .filter_map(|curve| curve.bar.and_then(Range::sound))
        .collect();
    let n = f64::from(u32::try_from(bars.len()).unwrap_or(u32::MAX));
    let pitch = ((GAP - 6.0) / n.max(1.0)).min(5.0);
    let mut x = right + 3.0;
    for bar in bars {
        let (low, high) = (bar.low.clamp(0.0, 1.0), bar.high.clamp(0.0, 1.0));
        let ends = [(x, up.at(low)), (x, up.at(high))];
        canvas.line(&ends, pen(colour, (pitch * 0.3).clamp(0.6, 1.4)));
        x += pitch;
    }
}

fn fitted(
    canvas: &mut Canvas<'_>,
    group: &Group,
    across: &Scale,
    up: &Scale,
    most: f64,
) {
    let points: Vec<(f64, f64)> = group
        .fitted
        .iter()
        .filter(|(warmth, _)| *warmth <= most)
        .map(|(warmth, share)| (across.at(*warmth), up.at(*share)))
        .collect();
    canvas.line(&points, pen(&colour::HATCH, 5.0));
}

fn line(
    canvas: &mut Canvas<'_>,
    curve: &Curve,
    shape: Shape,
    colour: &Colour,
    at: &dyn Fn(&Point) -> (f64, f64),
) {
    let points: Vec<(f64, f64)> = curve.points.iter().map(at).collect();
    canvas.line(&points, Pen { colour, width: 1.1, alpha: 1.0 });
    // Marks where something came up, and at the end; not at every look.
    let mut telling: Vec<usize> = (1..curve.points.len())
        .filter(|i| curve.points[*i].share > curve.points[i - 1].share)
        .collect();
    telling.extend(curve.points.len().checked_sub(1));
    telling.dedup();
    let each = telling.len().div_ceil(MOST_MARKS).max(1);
    let last = telling.len().saturating_sub(1);
    for (i, point) in telling.iter().enumerate() {
        if i % each == 0 || i == last {
            canvas.mark(shape, points[*point], 2.6, colour);
        }
    }
}

/// Ticks below the last panel of a column and what they are.
fn axis_below(
    canvas: &mut Canvas<'_>,
    (left, right): (f64, f64),
    scale: &Scale,
    most: f64,
    words: &str,
    y: f64,
) {
    canvas.line(&[(left, y), (right, y)], pen(&colour::HATCH, 0.8));
    let steps = if right - left > 200.0 { 4 } else { 2 };
    let mut free = left - 20.0;
    for tick in axis::round_ticks(0.0, most, steps) {
        if tick > most * 1.0001 {
            continue;
        }
        let x = scale.at(tick);
        canvas.line(&[(x, y), (x, y + 4.0)], pen(&colour::TICK, 0.8));
        let number = axis::number(tick);
        let half = text::width(&number, SMALL, Weight::Plain) / 2.0;
        if x - half > free && x + half < right + 14.0 {
            let at = (x, y + 14.0);
            canvas.text(at, &number, SMALL, &colour::SOFT, Anchor::Middle);
            free = x + half + 6.0;
        }
    }
    let room = right - left + GAP / 2.0;
    let words = text::shortened(words, SMALL, Weight::Plain, room);
    let at = (left, y + 30.0);
    canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Start);
}
