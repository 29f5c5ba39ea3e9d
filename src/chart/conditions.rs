//! How many came up, or how soon, against the doses a place gave.
//!
//! No line, no slope: a few places are a few places. One small panel a
//! dose, all with the same vertical axis. A place's marks stand side by
//! side; a leader joins them to the dose they really had.

use std::collections::BTreeMap;

use crate::chart::axis::{self, Scale, drawable};
use crate::chart::canvas::{self, Anchor, Canvas, LABEL, SMALL, Shape, pen};
use crate::chart::colour::{self, Colour};
use crate::chart::key::{Key, shapes};
use crate::chart::text::{self, Weight};
use crate::chart::{Heading, Layout, Range, Step};

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The words.
    pub heading: Heading,
    /// What stands on the vertical axis.
    pub measure: Measure,
    /// One panel each, in order.
    pub doses: Vec<Dose>,
    /// Containers of one place and treatment each, in any order.
    pub groups: Vec<Group>,
}

/// What stands on the vertical axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// A share, 0 to 1.
    Share,
    /// Days since sowing.
    Days,
}

/// A dose: its name and unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dose {
    /// `warmth above 0 °C`.
    pub name: String,
    /// `°C·h`.
    pub unit: String,
    /// On a scale of equal factors rather than equal steps, where all doses
    /// are above 0.
    pub by_factors: bool,
}

/// The containers of one place and treatment.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The place they stood, as shown; gives the shape of the mark.
    pub place: String,
    /// Level of the treatment, as shown: `12 weeks`.
    pub treatment: String,
    /// The step of that level, which gives the colour.
    pub step: Step,
    /// How many containers.
    pub containers: u32,
    /// Share or days with their interval. Without it no point is drawn.
    pub value: Option<Value>,
    /// One for each dose of the figure; `None` where there is too little
    /// data.
    pub doses: Vec<Option<DoseValue>>,
}

/// A figure of a group that never stands without its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// The estimate.
    pub estimate: f64,
    /// Its interval.
    pub bar: Range,
}

/// A dose as estimated, with what the holes in the log and the containers
/// differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoseValue {
    /// Filled estimate.
    pub estimate: f64,
    /// From lowest to highest.
    pub range: Range,
}

/// Height of the part of a panel with the marks.
const HEIGHT: f64 = 170.0;
/// Height of a place's row below it, where its dose stands.
const ROW: f64 = 11.0;
/// Height of the leaders between marks and doses.
const LEADERS: f64 = 16.0;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure, layout: Layout) -> String {
    let left = 52.0;
    let heading_at = match layout {
        Layout::Wide => left,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let places = places(&figure.groups);
        let any = figure.groups.iter().any(|group| group.sound().is_some());
        if figure.doses.is_empty() || !any {
            let words = match figure.measure {
                Measure::Share => "no data: no container with a count and dose",
                Measure::Days => "no data: no container with a time and dose",
            };
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

impl Group {
    /// Estimate and interval when all are finite and in order.
    fn sound(&self) -> Option<Value> {
        let value = self.value?;
        let bar = value.bar.sound()?;
        drawable(value.estimate).then_some(Value { bar, ..value })
    }
}

/// Shapes of the places, in the order of their names.
fn places(groups: &[Group]) -> BTreeMap<&str, Shape> {
    shapes(groups.iter().map(|group| group.place.as_str()))
}

/// Places with their shapes, levels in their colours, n.
fn key(
    canvas: &mut Canvas<'_>,
    figure: &Figure,
    places: &BTreeMap<&str, Shape>,
    layout: Layout,
    at: (f64, f64),
) -> f64 {
    let mut key = Key::at(layout, at);
    key.places(canvas, places);
    key.next_row();
    let mut levels: Vec<(Step, &str)> = figure
        .groups
        .iter()
        .map(|c| (c.step, c.treatment.as_str()))
        .filter(|(_, name)| !name.is_empty())
        .collect();
    levels.sort_unstable();
    levels.dedup();
    let mut words: Vec<(String, Colour)> = levels
        .iter()
        .map(|(step, name)| {
            let name = text::shortened(name, SMALL, Weight::Plain, 150.0);
            (name, Colour::of(*step))
        })
        .collect();
    words.push((containers(&figure.groups), colour::SOFT));
    for (name, colour) in words {
        key.word(canvas, &name, &colour);
    }
    key.y() + 24.0
}

/// `4 containers a mark`.
fn containers(groups: &[Group]) -> String {
    let counts =
        || groups.iter().map(|group| group.containers).filter(|n| *n > 0);
    let (low, high) =
        (counts().min().unwrap_or(0), counts().max().unwrap_or(0));
    let boxes = if high == 1 { "container" } else { "containers" };
    if low == high {
        format!("{low} {boxes} a mark")
    } else {
        format!("{low}–{high} {boxes} a mark")
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
    group: &'a Group,
    value: Value,
    dose: DoseValue,
}

/// Doses from left to right, by equal steps or by equal factors.
struct Across {
    scale: Scale,
    ticks: Vec<f64>,
    by_factors: bool,
}

impl Across {
    fn at(&self, dose: f64) -> f64 {
        let dose = if self.by_factors { dose.log10() } else { dose };
        self.scale.at(dose)
    }
}

impl<'a> Panel<'a> {
    /// What can be drawn, by place, then by length of treatment.
    fn points(&self) -> Vec<Point<'a>> {
        let mut points: Vec<Point<'_>> = self
            .figure
            .groups
            .iter()
            .filter_map(|group| {
                let dose = (*group.doses.get(self.index)?)?;
                let range = dose.range.sound()?;
                drawable(dose.estimate).then_some(())?;
                let range = Range {
                    low: range.low.min(dose.estimate),
                    high: range.high.max(dose.estimate),
                };
                let dose = DoseValue { range, ..dose };
                Some(Point { group, value: group.sound()?, dose })
            })
            .collect();
        points.sort_by(|a, b| {
            let key = |p: &Point<'a>| {
                (&p.group.place, p.group.step, &p.group.treatment)
            };
            key(a).cmp(&key(b))
        });
        points
    }

    fn draw(&self, canvas: &mut Canvas<'_>, top: f64) -> f64 {
        let dose = &self.figure.doses[self.index];
        let (left, right) = self.span;
        let points = self.points();
        let across = self.across(&points);
        let room = right - left;
        let name = |dose: &Dose| {
            if dose.by_factors {
                format!("{}, each step ten-fold", dose.name)
            } else {
                dose.name.clone()
            }
        };
        let lines = |dose: &Dose| {
            text::lines(&name(dose), LABEL, Weight::Bold, room, 2)
        };
        let mut y = top + 6.0;
        for line in lines(dose) {
            canvas.bold((left, y), &line, LABEL, &colour::INK);
            y += 17.0;
        }
        // Panels side by side begin at one height.
        let two = self.figure.doses.iter().any(|dose| lines(dose).len() > 1);
        let top = top + if two { 42.0 } else { 25.0 };
        let base = top + HEIGHT;
        let (scale, ticks) = self.up((base, top));
        axis::grid(canvas, self.span, &scale, &ticks);
        if points.is_empty() {
            let at = (left + 6.0, base - 14.0);
            let words = "no data: too little was logged";
            canvas.text(at, words, SMALL, &colour::SOFT, Anchor::Start);
            return base + 12.0;
        }
        let anchors = self.marks(canvas, &points, &scale, &across);
        let bottom = self.rows(canvas, &points, &across, &anchors, base);
        canvas
            .line(&[(left, bottom), (right, bottom)], pen(&colour::HATCH, 0.8));
        tick_words(canvas, &dose.unit, &across, (right, bottom));
        let without = self.figure.groups.len() - points.len();
        if without == 0 {
            return bottom + 24.0;
        }
        let marks = if without == 1 { "mark" } else { "marks" };
        let words = format!("{without} {marks} not drawn: too little data");
        let at = (left, bottom + 31.0);
        canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Start);
        bottom + 40.0
    }

    /// The vertical axis, the same in all panels.
    fn up(&self, ends: (f64, f64)) -> (Scale, Vec<(f64, String)>) {
        let say = |words: String| {
            if self.first { words } else { String::new() }
        };
        match self.figure.measure {
            Measure::Share => {
                let ticks = [0.0, 0.5, 1.0]
                    .map(|v| (v, say(format!("{:.0} %", v * 100.0))));
                (Scale::new((0.0, 1.0), ends), ticks.to_vec())
            }
            Measure::Days => {
                let most = self
                    .figure
                    .groups
                    .iter()
                    .filter_map(Group::sound)
                    .map(|value| value.bar.high.max(value.estimate))
                    .fold(1.0, f64::max);
                let ticks = axis::round_ticks(0.0, most, 4);
                let last = ticks.last().copied().unwrap_or(most);
                let words =
                    |v: &f64| (*v, say(format!("day {}", axis::number(*v))));
                let ticks = ticks.iter().map(words).collect();
                (Scale::new((0.0, last), ends), ticks)
            }
        }
    }

    fn across(&self, points: &[Point<'_>]) -> Across {
        let low = points.iter().map(|p| p.dose.range.low);
        let high = points.iter().map(|p| p.dose.range.high);
        let low = low.fold(f64::MAX, f64::min);
        let high = high.fold(f64::MIN, f64::max);
        let (left, right) = self.span;
        let span = (left + 8.0, right - 8.0);
        let by_factors = self.figure.doses[self.index].by_factors && low > 0.0;
        if by_factors {
            let (first, last) = (low.log10().floor(), high.log10().ceil());
            let last = last.max(first + 1.0);
            let mut ticks = Vec::new();
            let step = ((last - first) / 4.0).ceil();
            let mut power = first;
            while power <= last {
                ticks.push(10.0_f64.powf(power));
                power += step;
            }
            let scale = Scale::new((first, last), span);
            return Across { scale, ticks, by_factors };
        }
        if points.is_empty() {
            let scale = Scale::new((0.0, 1.0), span);
            return Across { scale, ticks: vec![0.0, 1.0], by_factors };
        }
        // A little air, and a span for doses that are all alike.
        let pad = ((high - low) * 0.08).max(high.abs() * 0.02).max(0.01);
        let low = if low >= 0.0 { (low - pad).max(0.0) } else { low - pad };
        let most = if right - left > 400.0 { 5 } else { 3 };
        let ticks = axis::round_ticks(low, high + pad, most);
        let ends = (ticks[0], ticks[ticks.len() - 1]);
        Across { scale: Scale::new(ends, span), ticks, by_factors }
    }

    /// Marks of one place stand side by side; gives, for each place, the
    /// dose they had, and where the first and the last of them stand.
    fn marks(
        &self,
        canvas: &mut Canvas<'_>,
        points: &[Point<'a>],
        scale: &Scale,
        across: &Across,
    ) -> Vec<Footing<'a>> {
        let of_place =
            |a: &Point<'_>, b: &Point<'_>| a.group.place == b.group.place;
        let blocks: Vec<&[Point<'a>]> = points.chunk_by(of_place).collect();
        let n = real(points.len()) + real(blocks.len());
        let (left, right) = self.span;
        let pitch = ((right - left - 12.0) / n).min(8.0);
        let widest = blocks.iter().map(|block| block.len()).max().unwrap_or(1);
        let block = pitch * (real(widest) + 1.0);
        let wishes: Vec<f64> =
            blocks.iter().map(|block| across.at(middle_dose(block))).collect();
        let half = block / 2.0;
        let places = axis::spread(&wishes, block, (left + half, right - half));
        let radius = (pitch * 0.42).clamp(2.0, 3.6);
        let width = (pitch * 0.2).clamp(0.6, 1.6);
        let mut anchors = Vec::new();
        for (points, middle) in blocks.iter().zip(places) {
            let first = middle - pitch * (real(points.len()) - 1.0) / 2.0;
            for (i, point) in points.iter().enumerate() {
                let x = first + pitch * real(i);
                let colour = Colour::of(point.group.step);
                let Range { low, high } = point.value.bar;
                let bar = [(x, scale.at(low)), (x, scale.at(high))];
                canvas.line(&bar, pen(&colour, width));
                let at = (x, scale.at(point.value.estimate));
                canvas.mark(
                    self.shape(&point.group.place),
                    at,
                    radius,
                    &colour,
                );
            }
            let last = first + pitch * (real(points.len()) - 1.0);
            anchors.push(Footing {
                place: &points[0].group.place,
                dose: middle_dose(points),
                ends: (first - 2.0, last + 2.0),
            });
        }
        anchors
    }

    fn shape(&self, place: &str) -> Shape {
        self.places.get(place).copied().unwrap_or(Shape::Disc)
    }

    /// Below the marks, a row a place: where its doses stand and how far
    /// holes and containers spread them; a leader to its marks.
    fn rows(
        &self,
        canvas: &mut Canvas<'_>,
        points: &[Point<'_>],
        across: &Across,
        anchors: &[Footing<'_>],
        base: f64,
    ) -> f64 {
        let mut y = base + LEADERS;
        for anchor in anchors {
            y += ROW;
            let own =
                || points.iter().filter(|p| p.group.place == anchor.place);
            let low = own().map(|p| p.dose.range.low).fold(f64::MAX, f64::min);
            let high =
                own().map(|p| p.dose.range.high).fold(f64::MIN, f64::max);
            let x = across.at(anchor.dose);
            let (first, last) = anchor.ends;
            let from = f64::midpoint(first, last);
            let bracket = [(first, base + 5.0), (last, base + 5.0)];
            canvas.line(&bracket, pen(&colour::TICK, 1.0));
            let leader = [(from, base + 5.0), (x, base + LEADERS), (x, y)];
            canvas.line(&leader, pen(&colour::TICK, 0.7));
            let range = [(across.at(low), y), (across.at(high), y)];
            canvas.line(&range, pen(&colour::AIR, 1.6));
            canvas.mark(self.shape(anchor.place), (x, y), 3.2, &colour::INK);
        }
        y + ROW
    }
}

/// A place's marks and the dose they had.
struct Footing<'a> {
    place: &'a str,
    dose: f64,
    ends: (f64, f64),
}

fn middle_dose(points: &[Point<'_>]) -> f64 {
    let sum: f64 = points.iter().map(|p| p.dose.estimate).sum();
    sum / real(points.len().max(1))
}

fn real(n: usize) -> f64 {
    f64::from(u32::try_from(n).unwrap_or(u32::MAX))
}

/// Ticks below a panel; the last one carries the unit, and one whose words
/// it would touch stays without.
fn tick_words(
    canvas: &mut Canvas<'_>,
    unit: &str,
    across: &Across,
    (right, y): (f64, f64),
) {
    let ticks = &across.ticks;
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
