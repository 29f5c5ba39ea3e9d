//! The fridge: its climate, its door, and the batches that lay in it.
//!
//! Not a verdict on what made mould grow: it shows what was seen, between
//! which looks, in which air.

use crate::chart::axis::TimeAxis;
use crate::chart::canvas::{self, Anchor, Canvas, SMALL, Shape, pen};
use crate::chart::colour::{self, Colour};
use crate::chart::text::{self, Weight};
use crate::chart::trace::{self, Frame, Trace, side_words};
use crate::chart::{Heading, Layout, LocalOffset};
use crate::units::Instant;

/// What is drawn.
pub struct Figure<'a> {
    /// The words.
    pub heading: Heading,
    /// Left end of time.
    pub from: Instant,
    /// Right end of time.
    pub to: Instant,
    /// Temperature, °C.
    pub temperature: Option<Trace>,
    /// Humidity, %; its limit is the `high` of the wanted range.
    pub humidity: Option<Trace>,
    /// When the door was opened; `None` where that is not known.
    pub doors: Option<Vec<Instant>>,
    /// Batches in the order of their rows.
    pub batches: Vec<Batch>,
    /// Local time.
    pub offset: LocalOffset<'a>,
}

/// A batch in the cold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// As shown.
    pub name: String,
    /// When it lay here.
    pub stays: Vec<Stay>,
    /// Mould.
    pub mould: Vec<Sighting>,
    /// Seeds germinated in the cold.
    pub sprouted: Vec<Sighting>,
}

/// From when to when; still here without an end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    /// Put in.
    pub from: Instant,
    /// Taken out.
    pub to: Option<Instant>,
}

/// Something seen first at one look and not yet at the look before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sighting {
    /// The last look without it; `None` when there was none.
    pub last_clean: Option<Instant>,
    /// The first look with it.
    pub first_seen: Instant,
}

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure<'_>, layout: Layout) -> String {
    let (left, words_at, right) = match layout {
        Layout::Wide => (66.0, 574.0, 560.0),
        Layout::Narrow => (56.0, 360.0, 344.0),
    };
    let heading_at = match layout {
        Layout::Wide => left,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let span = (figure.from, figure.to);
        let time = TimeAxis::new(span, (left, right), figure.offset);
        let frame = Frame { layout, time, words_at };
        let mut named = Vec::new();
        let mut y = top;
        for (record, look) in [
            (figure.temperature.as_ref(), &trace::TEMPERATURE),
            (figure.humidity.as_ref(), &trace::HUMIDITY),
        ] {
            y = trace::draw(canvas, &frame, y, record, look, &mut named);
        }
        y = doors(canvas, &frame, y, figure.doors.as_deref());
        y = batches(canvas, &frame, y, &figure.batches);
        let y = time.draw(canvas, y, None, layout);
        key(canvas, figure, (heading_at, y + 10.0), layout) + 4.0
    })
}

/// Door events as ticks, at most one for each unit of x.
fn doors(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    doors: Option<&[Instant]>,
) -> f64 {
    let Some(doors) = doors else {
        return trace::missing(canvas, frame, top, "door");
    };
    let inside: Vec<_> =
        doors.iter().filter(|at| frame.time.holds(**at)).collect();
    let times = match inside.len() {
        1 => "opened once".to_owned(),
        n => format!("opened {n} times"),
    };
    let words = [("door".to_owned(), colour::INK), (times, colour::SOFT)];
    let top = side_words(canvas, frame, top, &words);
    let mut xs: Vec<f64> = inside.iter().map(|at| frame.time.x(**at)).collect();
    xs.sort_by(f64::total_cmp);
    xs.dedup_by(|b, a| *b - *a < 1.2);
    let (left, right) = (frame.time.left, frame.time.right);
    let top = match frame.layout {
        Layout::Wide => top + 6.0,
        Layout::Narrow => top - 4.0,
    };
    let base = top + 12.0;
    canvas.line(&[(left, base), (right, base)], pen(&colour::RULE, 0.8));
    for x in xs {
        canvas.line(&[(x, top), (x, base)], pen(&colour::TICK, 0.7));
    }
    match frame.layout {
        Layout::Wide => top + 38.0,
        Layout::Narrow => top + 26.0,
    }
}

/// A row a batch.
fn batches(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    batches: &[Batch],
) -> f64 {
    if batches.is_empty() {
        let at = (frame.time.left, top + 6.0);
        let words = "no data: no batch lay here";
        canvas.text(at, words, SMALL, &colour::SOFT, Anchor::Start);
        return top + 24.0;
    }
    let mut y = top;
    for batch in batches {
        match frame.layout {
            Layout::Wide => {
                y += 9.0;
                let room = frame.layout.width() - frame.words_at - 6.0;
                let name =
                    text::shortened(&batch.name, SMALL, Weight::Plain, room);
                let at = (frame.words_at, y);
                canvas.text(at, &name, SMALL, &colour::INK, Anchor::Start);
                row(canvas, frame, y, batch);
                y += 10.0;
            }
            Layout::Narrow => {
                y += 6.0;
                let room = frame.time.right - frame.time.left;
                let name =
                    text::shortened(&batch.name, SMALL, Weight::Plain, room);
                let at = (frame.time.left, y);
                canvas.text(at, &name, SMALL, &colour::INK, Anchor::Start);
                y += 14.0;
                row(canvas, frame, y, batch);
                y += 12.0;
            }
        }
    }
    y + 2.0
}

fn row(canvas: &mut Canvas<'_>, frame: &Frame<'_>, y: f64, batch: &Batch) {
    let time = &frame.time;
    let (left, right) = (time.left, time.right);
    canvas.line(&[(left, y), (right, y)], pen(&colour::RULE, 0.8));
    let mut began = time.to;
    for stay in &batch.stays {
        let to = stay.to.unwrap_or(time.to);
        if to < time.from || stay.from > time.to || to < stay.from {
            continue;
        }
        began = began.min(stay.from);
        let (x0, x1) =
            (time.x(stay.from), time.x(to).max(time.x(stay.from) + 1.0));
        canvas.rect((x0, y - 1.5), (x1, y + 1.5), &colour::AIR, 1.0);
    }
    for (sightings, shape, colour) in [
        (&batch.sprouted, Shape::Triangle, colour::SHORT),
        (&batch.mould, Shape::Diamond, colour::ACCENT),
    ] {
        for sighting in sightings {
            if !time.holds(sighting.first_seen) {
                continue;
            }
            let from = sighting.last_clean.unwrap_or(began);
            let x1 = time.x(sighting.first_seen);
            let x0 = time.x(from).min(x1);
            between(canvas, (x0, x1), y, &colour);
            canvas.mark(shape, (x1, y), 3.6, &colour);
        }
    }
}

/// What lies between two looks: paper, hatched, so that the stay below
/// does not shine through.
fn between(
    canvas: &mut Canvas<'_>,
    (x0, x1): (f64, f64),
    y: f64,
    colour: &Colour,
) {
    let (top, bottom) = (y - 5.0, y + 5.0);
    canvas.rect((x0, top), (x1, bottom), &colour::PAPER, 1.0);
    canvas.hatch((x0, top), (x1, bottom), pen(colour, 0.9), 4.0);
    for y in [top, bottom] {
        canvas.line(&[(x0, y), (x1, y)], pen(colour, 0.9));
    }
}

/// What the marks of the rows are, as far as they occur.
fn key(
    canvas: &mut Canvas<'_>,
    figure: &Figure<'_>,
    (left, top): (f64, f64),
    layout: Layout,
) -> f64 {
    let any = |pick: fn(&Batch) -> bool| figure.batches.iter().any(pick);
    let mut y = top;
    let room = layout.width() - left - 40.0;
    for (occurs, shape, colour, words) in [
        (
            any(|batch| !batch.mould.is_empty()),
            Shape::Diamond,
            colour::ACCENT,
            "mould: after the last clean look, by the first sighting",
        ),
        (
            any(|batch| !batch.sprouted.is_empty()),
            Shape::Triangle,
            colour::SHORT,
            "germinated in the cold, between two looks",
        ),
    ] {
        if !occurs {
            continue;
        }
        between(canvas, (left, left + 20.0), y, &colour);
        canvas.mark(shape, (left + 20.0, y), 3.6, &colour);
        for line in text::lines(words, SMALL, Weight::Plain, room, 2) {
            canvas.text((left + 31.0, y), &line, SMALL, &colour, Anchor::Start);
            y += 16.0;
        }
        y += 3.0;
    }
    y
}
