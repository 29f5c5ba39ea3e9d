//! Light of each day as bars; what is only "at least" stands open at the
//! top.
//!
//! Not a line: a dose belongs to its day.

use crate::chart::axis::{self, Scale, drawable};
use crate::chart::canvas::{Canvas, pen};
use crate::chart::gather::merged;
use crate::chart::trace::{Frame, Hole, missing, name_holes, side_words};
use crate::chart::{Layout, colour};
use crate::units::Instant;

/// The light of one local day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightDay {
    /// Beginning of the day.
    pub from: Instant,
    /// End of the day.
    pub to: Instant,
    /// Dose, lx·h.
    pub lux_hours: f64,
    /// The true dose is at least this: the sensor was at its limit.
    pub at_least: bool,
}

/// The light log of a place.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Light {
    /// Days in any order; what is not finite is left out.
    pub days: Vec<LightDay>,
    /// Times without a log.
    pub holes: Vec<Hole>,
}

/// Draws the panel from `top` down; gives the y of its base line.
pub(crate) fn draw(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    top: f64,
    light: Option<&Light>,
    named: &mut Vec<Hole>,
) -> f64 {
    let time = &frame.time;
    let sound = |day: &&LightDay| {
        drawable(day.lux_hours)
            && day.lux_hours >= 0.0
            && day.to > time.from
            && day.from < time.to
            && day.to > day.from
    };
    let days: Vec<&LightDay> =
        light.iter().flat_map(|l| &l.days).filter(sound).collect();
    let Some(light) = light.filter(|_| !days.is_empty()) else {
        return missing(canvas, frame, top, "light");
    };
    let open = days.iter().any(|day| day.at_least);
    let mut words = vec![
        ("light".to_owned(), colour::INK),
        ("sum of each day".to_owned(), colour::SOFT),
    ];
    if open {
        words.push(("open top: at least".to_owned(), colour::SOFT));
    }
    let top = side_words(canvas, frame, top, &words);
    let height = match frame.layout {
        Layout::Wide => 78.0,
        Layout::Narrow => 66.0,
    };
    let bottom = top + height;
    let most = days.iter().map(|d| d.lux_hours).fold(0.0, f64::max);
    let (unit, per) =
        if most >= 1000.0 { ("klx·h", 1000.0) } else { ("lx·h", 1.0) };
    let ticks = axis::round_ticks(0.0, most.max(1.0e-3) / per, 2);
    let end = ticks[ticks.len() - 1] * per;
    // Room above for the open tops.
    let ceiling = if open { top + 9.0 } else { top };
    let scale = Scale::new((0.0, end), (bottom, ceiling));
    let named_ticks: Vec<_> = ticks
        .iter()
        .skip(1)
        .map(|v| (*v * per, format!("{} {unit}", axis::number(*v))))
        .collect();
    axis::grid(canvas, (time.left, time.right), &scale, &named_ticks);
    for (from, to) in merged(&light.holes, time) {
        let pen = pen(&colour::HATCH, 0.8);
        canvas.hatch((from, top), (to, bottom), pen, 6.0);
    }
    for day in days {
        bar(canvas, frame, day, &scale, bottom);
    }
    name_light_holes(canvas, frame, bottom, light, named)
}

fn bar(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    day: &LightDay,
    scale: &Scale,
    bottom: f64,
) {
    let (x0, x1) = (frame.time.x(day.from), frame.time.x(day.to));
    let margin = ((x1 - x0) * 0.16).min(2.0);
    let (x0, x1) = (x0 + margin, x1 - margin);
    let y = scale.at(day.lux_hours);
    canvas.rect((x0, bottom), (x1, y), &colour::SUN, 1.0);
    if day.at_least {
        let inner = pen(&colour::SUN, 0.9);
        for x in [x0 + 0.45, x1 - 0.45] {
            canvas.line(&[(x, y), (x, y - 8.0)], inner);
        }
    }
}

/// The base line carries the time axis, so words of holes go inside the
/// hatch only when no panel above has said them.
fn name_light_holes(
    canvas: &mut Canvas<'_>,
    frame: &Frame<'_>,
    bottom: f64,
    light: &Light,
    named: &mut Vec<Hole>,
) -> f64 {
    let before = named.len();
    let below = name_holes(canvas, frame, bottom, &light.holes, named);
    if named.len() == before { bottom } else { below + 2.0 }
}
