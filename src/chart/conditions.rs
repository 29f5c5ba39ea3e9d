//! How many came up in each container, against the doses its place gave.
//!
//! No line, no slope: a few places are a few places. One small panel a
//! dose, all with the same vertical axis.

use std::collections::BTreeMap;

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
    /// One panel each, in order.
    pub doses: Vec<Dose>,
    /// Containers in any order.
    pub containers: Vec<Container>,
}

/// A dose: its name and unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dose {
    /// `warmth above 0 °C`.
    pub name: String,
    /// `°C·h`.
    pub unit: String,
}

/// A container with its doses.
#[derive(Debug, Clone, PartialEq)]
pub struct Container {
    /// The place it stood, as shown; gives the shape of the mark.
    pub place: String,
    /// Level of the treatment, as shown: `12 weeks`.
    pub treatment: String,
    /// The step of that level, which gives the colour.
    pub step: Step,
    /// Count and interval at the common age.
    pub outcome: Outcome,
    /// One for each dose of the figure; `None` where there is too little
    /// data.
    pub doses: Vec<Option<DoseValue>>,
}

/// A dose as estimated, with what the holes in the log could change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoseValue {
    /// Filled estimate.
    pub estimate: f64,
    /// From lowest to highest possible filling.
    pub range: Range,
}

/// Height of the part of a panel with the shares.
const HEIGHT: f64 = 170.0;
/// Height of a place's row below it, where its dose stands.
const ROW: f64 = 10.0;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure, layout: Layout) -> String {
    let left = 52.0;
    let heading_at = match layout {
        Layout::Wide => left,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let places = places(&figure.containers);
        let any = figure.containers.iter().any(|c| c.outcome.bar().is_some());
        if figure.doses.is_empty() || !any {
            let words = "no data: no container with a count and a dose";
            let at = (heading_at, top + 8.0);
            canvas.text(at, words, LABEL, &colour::SOFT, Anchor::Start);
            return top + 30.0;
        }
        let top = key(canvas, figure, &places, layout, (heading_at, top));
        let columns = match (layout, figure.doses.len()) {
            (Layout::Narrow, _) | (_, 1) => 1.0,
            (Layout::Wide, 3) => 3.0,
            (Layout::Wide, _) => 2.0,
        };
        let gap = 30.0;
        let whole = layout.width() - left - 16.0;
        let width = (whole - gap * (columns - 1.0)) / columns;
        let (mut column, mut y, mut below) = (0.0, top, top);
        for index in 0..figure.doses.len() {
            if column >= columns {
                (column, y) = (0.0, below + 14.0);
            }
            let x = left + column * (width + gap);
            let panel = Panel {
                figure,
                places: &places,
                index,
                span: (x, x + width),
                first: column < 0.5,
            };
            below = below.max(panel.draw(canvas, y));
            column += 1.0;
        }
        below + 8.0
    })
}

/// Shapes of the places, in the order of their names.
fn places(containers: &[Container]) -> BTreeMap<&str, Shape> {
    let mut names: Vec<&str> =
        containers.iter().map(|c| c.place.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let many = names.len() > SHAPES.len();
    let shape = |i: usize| if many { Shape::Letter(i) } else { SHAPES[i] };
    names.iter().enumerate().map(|(i, name)| (*name, shape(i))).collect()
}

const SHAPES: [Shape; 8] = [
    Shape::Disc,
    Shape::Square,
    Shape::Diamond,
    Shape::Triangle,
    Shape::Ring,
    Shape::Frame,
    Shape::OpenDiamond,
    Shape::OpenTriangle,
];

/// Places with their shapes, levels in their colours, n.
fn key(
    canvas: &mut Canvas<'_>,
    figure: &Figure,
    places: &BTreeMap<&str, Shape>,
    layout: Layout,
    (left, top): (f64, f64),
) -> f64 {
    let last = layout.width() - 10.0;
    let (mut x, mut y) = (left, top + 2.0);
    let room = 150.0;
    for (name, shape) in places {
        let name = text::shortened(name, SMALL, Weight::Plain, room);
        let wide = 14.0 + text::width(&name, SMALL, Weight::Plain);
        if x > left && x + wide > last {
            (x, y) = (left, y + 18.0);
        }
        canvas.mark(*shape, (x + 5.0, y), 4.0, &colour::INK);
        let at = (x + 14.0, y);
        canvas.text(at, &name, SMALL, &colour::INK, Anchor::Start);
        x += wide + 16.0;
    }
    (x, y) = (left, y + 18.0);
    let mut levels: Vec<(Step, &str)> = figure
        .containers
        .iter()
        .map(|c| (c.step, c.treatment.as_str()))
        .collect();
    levels.sort_unstable();
    levels.dedup();
    let mut words: Vec<(String, Colour)> = levels
        .iter()
        .map(|(step, name)| {
            let name = text::shortened(name, SMALL, Weight::Plain, room);
            (name, Colour::of(*step))
        })
        .collect();
    words.push((seeds(&figure.containers), colour::SOFT));
    for (name, colour) in words {
        let wide = text::width(&name, SMALL, Weight::Plain);
        if x > left && x + wide > last {
            (x, y) = (left, y + 18.0);
        }
        canvas.text((x, y), &name, SMALL, &colour, Anchor::Start);
        x += wide + 16.0;
    }
    y + 24.0
}

/// `12 containers of 60 seeds`.
fn seeds(containers: &[Container]) -> String {
    let counts = || containers.iter().map(|c| c.outcome.seeds);
    let (low, high) =
        (counts().min().unwrap_or(0), counts().max().unwrap_or(0));
    let n = containers.len();
    let boxes = if n == 1 { "container" } else { "containers" };
    if low == high {
        format!("{n} {boxes} of {low} seeds")
    } else {
        format!("{n} {boxes} of {low}–{high} seeds")
    }
}

struct Panel<'a> {
    figure: &'a Figure,
    places: &'a BTreeMap<&'a str, Shape>,
    index: usize,
    span: (f64, f64),
    /// In the first column, which carries the vertical axis.
    first: bool,
}

#[derive(Clone, Copy)]
struct Point<'a> {
    container: &'a Container,
    share: f64,
    bar: Range,
    dose: DoseValue,
}

impl<'a> Panel<'a> {
    /// What can be drawn, place by place. Within a place the chilling rises
    /// towards the middle: side by side in plain order, marks of one dose
    /// would look like a slope.
    fn points(&self) -> Vec<Point<'a>> {
        let mut points: Vec<Point<'_>> = self
            .figure
            .containers
            .iter()
            .filter_map(|container| {
                let dose = (*container.doses.get(self.index)?)?;
                let range = dose.range.sound()?;
                drawable(dose.estimate).then_some(())?;
                let range = Range {
                    low: range.low.min(dose.estimate),
                    high: range.high.max(dose.estimate),
                };
                Some(Point {
                    container,
                    share: container.outcome.fraction()?,
                    bar: container.outcome.bar()?,
                    dose: DoseValue { range, ..dose },
                })
            })
            .collect();
        points.sort_by(|a, b| {
            let key = |p: &Point<'a>| (&p.container.place, p.container.step);
            key(a).cmp(&key(b))
        });
        let same = |a: &Point<'_>, b: &Point<'_>| {
            a.container.place == b.container.place
        };
        let mut symmetric = Vec::with_capacity(points.len());
        for group in points.chunk_by(same) {
            let half = |rest: usize| {
                group.iter().enumerate().filter(move |(i, _)| i % 2 == rest)
            };
            symmetric.extend(half(0).map(|(_, p)| *p));
            symmetric.extend(half(1).rev().map(|(_, p)| *p));
        }
        symmetric
    }

    fn draw(&self, canvas: &mut Canvas<'_>, top: f64) -> f64 {
        let dose = &self.figure.doses[self.index];
        let (left, right) = self.span;
        let room = right - left;
        let lines =
            |dose: &Dose| text::lines(&dose.name, LABEL, Weight::Bold, room, 2);
        let mut y = top + 6.0;
        for line in lines(dose) {
            canvas.bold((left, y), &line, LABEL, &colour::INK);
            y += 17.0;
        }
        // Panels side by side begin at one height.
        let two = self.figure.doses.iter().any(|dose| lines(dose).len() > 1);
        let top = top + if two { 42.0 } else { 25.0 };
        let base = top + HEIGHT;
        let scale = Scale::new((0.0, 1.0), (base, top));
        let ticks = [0.0, 0.5, 1.0].map(|v| {
            let words = format!("{:.0} %", v * 100.0);
            (v, if self.first { words } else { String::new() })
        });
        axis::grid(canvas, self.span, &scale, &ticks);
        let points = self.points();
        if points.is_empty() {
            let at = (left + 6.0, base - 14.0);
            let words = "no data: too little was logged";
            canvas.text(at, words, SMALL, &colour::SOFT, Anchor::Start);
            return base + 12.0;
        }
        let (across, ticks) = self.across(&points);
        self.marks(canvas, &points, &scale, &across);
        let bottom = self.rows(canvas, &points, &across, base + 9.0);
        canvas
            .line(&[(left, bottom), (right, bottom)], pen(&colour::HATCH, 0.8));
        tick_words(canvas, &dose.unit, &ticks, &across, (right, bottom));
        let without = self.figure.containers.len() - points.len();
        if without == 0 {
            return bottom + 24.0;
        }
        let words = format!("{without} not drawn: too little data");
        let at = (left, bottom + 31.0);
        canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Start);
        bottom + 40.0
    }

    fn across(&self, points: &[Point<'_>]) -> (Scale, Vec<f64>) {
        let low = points.iter().map(|p| p.dose.range.low);
        let high = points.iter().map(|p| p.dose.range.high);
        let low = low.fold(f64::MAX, f64::min);
        let high = high.fold(f64::MIN, f64::max);
        // A little air, and a span for doses that are all alike.
        let pad = ((high - low) * 0.08).max(high.abs() * 0.02).max(0.01);
        let low = if low >= 0.0 { (low - pad).max(0.0) } else { low - pad };
        let most = if self.span.1 - self.span.0 > 400.0 { 5 } else { 3 };
        let ticks = axis::round_ticks(low, high + pad, most);
        let ends = (ticks[0], ticks[ticks.len() - 1]);
        // Room for the marks that stand side by side at one dose.
        let near = crowd(points, (ends.1 - ends.0) * 0.02);
        let room = near * self.pitch(points.len()) / 2.0;
        let inset = room.min((self.span.1 - self.span.0) * 0.2);
        let span = (self.span.0 + inset, self.span.1 - inset);
        (Scale::new(ends, span), ticks)
    }

    /// Distance of marks that stand side by side.
    fn pitch(&self, points: usize) -> f64 {
        let n = f64::from(u32::try_from(points.max(1)).unwrap_or(u32::MAX));
        let most = (self.span.1 - self.span.0 - 16.0) / n;
        (190.0 / n).clamp(3.4, 10.0).min(most)
    }

    /// Marks of one dose stand side by side around it.
    fn marks(
        &self,
        canvas: &mut Canvas<'_>,
        points: &[Point<'_>],
        scale: &Scale,
        across: &Scale,
    ) {
        let pitch = self.pitch(points.len());
        let wishes: Vec<f64> =
            points.iter().map(|p| across.at(p.dose.estimate)).collect();
        let ends = (self.span.0 + 6.0, self.span.1 - 6.0);
        let places = axis::spread(&wishes, pitch, ends);
        let radius = (pitch * 0.42).clamp(2.1, 3.6);
        let width = (pitch * 0.2).clamp(0.6, 1.6);
        for (point, x) in points.iter().zip(&places) {
            let colour = Colour::of(point.container.step);
            let ends =
                [(*x, scale.at(point.bar.low)), (*x, scale.at(point.bar.high))];
            canvas.line(&ends, pen(&colour, width));
        }
        for (point, x) in points.iter().zip(&places) {
            let colour = Colour::of(point.container.step);
            let shape = self.shape(&point.container.place);
            canvas.mark(shape, (*x, scale.at(point.share)), radius, &colour);
            let words = point.container.outcome.words();
            let half = text::width(&words, SMALL, Weight::Plain) / 2.0;
            let alone = |x: f64, other: f64| {
                (x - other).abs() > 2.0 * half + 2.0
                    || (x - other).abs() < 1.0e-9
            };
            let inside = *x - half > self.span.0 && x + half < self.span.1;
            if inside && places.iter().all(|other| alone(*x, *other)) {
                let at = (*x, (scale.at(point.bar.high) - 9.0).max(0.0));
                canvas.text(at, &words, SMALL, &colour, Anchor::Middle);
            }
        }
    }

    fn shape(&self, place: &str) -> Shape {
        self.places.get(place).copied().unwrap_or(Shape::Disc)
    }

    /// Below the marks, a row a place: where its doses stand and how far
    /// the holes in the log could move them.
    fn rows(
        &self,
        canvas: &mut Canvas<'_>,
        points: &[Point<'_>],
        across: &Scale,
        top: f64,
    ) -> f64 {
        let mut y = top;
        for (place, shape) in self.places {
            let own: Vec<_> =
                points.iter().filter(|p| p.container.place == *place).collect();
            if own.is_empty() {
                continue;
            }
            y += ROW;
            let mut drawn: Vec<(f64, f64)> = Vec::new();
            for point in own {
                let Range { low, high } = point.dose.range;
                let (x0, x1) = (across.at(low), across.at(high));
                let x = across.at(point.dose.estimate);
                let same = |a: &(f64, f64)| {
                    (a.0 - x).abs() < 1.0 && (a.1 - (x1 - x0)).abs() < 1.0
                };
                if drawn.iter().any(same) {
                    continue;
                }
                drawn.push((x, x1 - x0));
                canvas.line(&[(x0, y), (x1, y)], pen(&colour::AIR, 1.6));
                canvas.mark(*shape, (x, y), 3.0, &colour::INK);
            }
        }
        y + ROW
    }
}

/// The largest number of marks whose doses lie within `reach`.
fn crowd(points: &[Point<'_>], reach: f64) -> f64 {
    let mut doses: Vec<f64> = points.iter().map(|p| p.dose.estimate).collect();
    doses.sort_by(f64::total_cmp);
    let near =
        |i: usize| doses.partition_point(|dose| *dose <= doses[i] + reach) - i;
    let most = (0..doses.len()).map(near).max().unwrap_or(0);
    f64::from(u32::try_from(most).unwrap_or(u32::MAX))
}

/// Ticks below a panel; the last one carries the unit, and one whose words
/// it would touch stays without.
fn tick_words(
    canvas: &mut Canvas<'_>,
    unit: &str,
    ticks: &[f64],
    across: &Scale,
    (right, y): (f64, f64),
) {
    let last = ticks.len() - 1;
    let unit = text::shortened(unit, SMALL, Weight::Plain, 80.0);
    let end = format!("{} {unit}", axis::number(ticks[last]));
    let free = right - text::width(&end, SMALL, Weight::Plain) - 8.0;
    for (i, value) in ticks.iter().enumerate() {
        let x = across.at(*value);
        canvas.line(&[(x, y), (x, y + 4.0)], pen(&colour::TICK, 0.8));
        let words = axis::number(*value);
        let half = text::width(&words, SMALL, Weight::Plain) / 2.0;
        let (at, y) = (x, y + 14.0);
        if i == last {
            let at = (right, y);
            canvas.text(at, &end, SMALL, &colour::SOFT, Anchor::End);
        } else if at + half < free {
            let at = (at, y);
            canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Middle);
        }
    }
}
