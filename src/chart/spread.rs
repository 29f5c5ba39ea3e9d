//! How a quantity was spread at each place, by day and by night: from the
//! lowest twentieth to the highest, with the middle half and the median.
//!
//! Not a distribution fitted to anything: five values of what was logged.

use crate::chart::axis::{self, Scale, drawable};
use crate::chart::canvas::{self, Anchor, Canvas, LABEL, SMALL, Shape, pen};
use crate::chart::colour::{self, Colour};
use crate::chart::text::{self, Weight};
use crate::chart::{Heading, Layout};

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The words.
    pub heading: Heading,
    /// One quantity each.
    pub panels: Vec<Panel>,
}

/// One quantity at all places.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// `temperature`.
    pub name: String,
    /// `°C`.
    pub unit: String,
    /// Digits behind the point of the medians.
    pub digits: usize,
    /// On a scale of equal factors.
    pub by_factors: bool,
    /// One a place.
    pub rows: Vec<Row>,
}

/// One place.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// As shown.
    pub place: String,
    /// By day, by night; or the sums of the days.
    pub bars: Vec<Bar>,
}

/// Five values in rising order.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// `day`, `night`.
    pub label: String,
    /// Twentieth, quarter, middle, three quarters, nineteen twentieths; none
    /// where nothing was logged.
    pub values: Option<[f64; 5]>,
    /// Drawn as night.
    pub dark: bool,
}

const LEFT: f64 = 62.0;
/// Room for the medians at the right.
const RIGHT: f64 = 66.0;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure, layout: Layout) -> String {
    let heading_at = match layout {
        Layout::Wide => LEFT,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let known = |panel: &&Panel| {
            panel
                .rows
                .iter()
                .flat_map(|row| &row.bars)
                .any(|b| values(b).is_some())
        };
        let panels: Vec<&Panel> = figure.panels.iter().filter(known).collect();
        if panels.is_empty() {
            let words = "no data: no place was logged";
            let at = (heading_at, top + 8.0);
            canvas.text(at, words, LABEL, &colour::SOFT, Anchor::Start);
            return top + 30.0;
        }
        let mut y = top;
        for panel in panels {
            y = one(canvas, panel, layout, y) + 12.0;
        }
        y
    })
}

/// The values when they can be drawn, in order.
fn values(bar: &Bar) -> Option<[f64; 5]> {
    let mut values = bar.values?;
    values.iter().all(|v| drawable(*v)).then_some(())?;
    values.sort_by(f64::total_cmp);
    Some(values)
}

fn one(
    canvas: &mut Canvas<'_>,
    panel: &Panel,
    layout: Layout,
    top: f64,
) -> f64 {
    let (left, right) = (LEFT, layout.width() - RIGHT);
    let name = if panel.by_factors {
        format!("{}, {}, each step ten-fold", panel.name, panel.unit)
    } else {
        format!("{}, {}", panel.name, panel.unit)
    };
    let room = layout.width() - left - 12.0;
    let mut top = top;
    for (i, line) in
        text::lines(&name, LABEL, Weight::Bold, room, 2).iter().enumerate()
    {
        top += if i == 0 { 0.0 } else { 17.0 };
        canvas.bold((left, top + 6.0), line, LABEL, &colour::INK);
    }
    let all = || panel.rows.iter().flat_map(|r| &r.bars).filter_map(values);
    let low = all().map(|v| v[0]).fold(f64::MAX, f64::min);
    let high = all().map(|v| v[4]).fold(f64::MIN, f64::max);
    let (scale, ticks) = scale(panel, (low, high), (left, right));
    let at = |value: f64| {
        scale.at(if panel.by_factors { value.max(1.0).log10() } else { value })
    };
    let mut y = top + 20.0;
    let mut bars = Vec::new();
    for row in &panel.rows {
        let place = text::shortened(&row.place, SMALL, Weight::Plain, room);
        bars.push((y + 8.0, None, place));
        y += 18.0;
        for bar in &row.bars {
            bars.push((y + 7.0, Some(bar), String::new()));
            y += 15.0;
        }
        y += 3.0;
    }
    let base = y + 2.0;
    for tick in &ticks {
        let x = at(*tick);
        let rule = [(x, top + 18.0), (x, base)];
        canvas.line(&rule, pen(&colour::RULE, 0.8));
    }
    for (y, bar, place) in bars {
        let Some(bar) = bar else {
            canvas.text((left, y), &place, SMALL, &colour::INK, Anchor::Start);
            continue;
        };
        row(canvas, panel, bar, y, (left, right), &at);
    }
    canvas.line(&[(left, base), (right, base)], pen(&colour::HATCH, 0.8));
    let mut free = 0.0;
    for tick in &ticks {
        let words = axis::number(*tick);
        let half = text::width(&words, SMALL, Weight::Plain) / 2.0;
        let x = at(*tick);
        canvas.line(&[(x, base), (x, base + 4.0)], pen(&colour::TICK, 0.8));
        if x - half > free {
            let at = (x, base + 14.0);
            canvas.text(at, &words, SMALL, &colour::SOFT, Anchor::Middle);
            free = x + half + 6.0;
        }
    }
    base + 26.0
}

fn scale(
    panel: &Panel,
    (low, high): (f64, f64),
    span: (f64, f64),
) -> (Scale, Vec<f64>) {
    if panel.by_factors {
        let first = low.max(1.0).log10().floor();
        let last = high.max(1.0).log10().ceil().max(first + 1.0);
        let mut ticks = Vec::new();
        let mut power = first;
        while power <= last {
            ticks.push(10.0_f64.powf(power));
            power += 1.0;
        }
        return (Scale::new((first, last), span), ticks);
    }
    let ticks = axis::round_ticks(low, high, 5);
    let ends = (ticks[0], ticks[ticks.len() - 1]);
    (Scale::new(ends, span), ticks)
}

fn row(
    canvas: &mut Canvas<'_>,
    panel: &Panel,
    bar: &Bar,
    y: f64,
    (left, right): (f64, f64),
    at: &dyn Fn(f64) -> f64,
) {
    let label = text::shortened(&bar.label, SMALL, Weight::Plain, 56.0);
    canvas.text((left - 7.0, y), &label, SMALL, &colour::SOFT, Anchor::End);
    let Some([low, quarter, middle, upper, high]) = values(bar) else {
        let words = "not logged";
        canvas.text((left, y), words, SMALL, &colour::SOFT, Anchor::Start);
        return;
    };
    let colour: &Colour = if bar.dark { &colour::AIR } else { &colour::SUN };
    canvas.line(&[(at(low), y), (at(high), y)], pen(colour, 1.4));
    canvas.line(&[(at(quarter), y), (at(upper), y)], pen(colour, 6.0));
    canvas.mark(Shape::Disc, (at(middle), y), 3.4, &colour::INK);
    let digits = panel.digits;
    let words = if digits == 0 {
        axis::number(three_digits(middle))
    } else {
        format!("{middle:.digits$}").replace('-', "−")
    };
    let at = (right + 8.0, y);
    canvas.text(at, &words, SMALL, &colour::INK, Anchor::Start);
}

/// Rounded to whole numbers, and to three digits that mean something.
fn three_digits(value: f64) -> f64 {
    let mut unit = 1.0;
    while value.abs() / unit >= 1000.0 {
        unit *= 10.0;
    }
    (value / unit).round() * unit
}
