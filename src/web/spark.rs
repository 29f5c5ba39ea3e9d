//! A day of one quantity as a small line: mean of each hour, lowest to
//! highest behind it, nothing where nothing was logged; and the same in
//! words.
//!
//! Without axes: it shows the course, and the page says the values.

use maud::{Markup, html};

use crate::climate::hours::HourSum;
use crate::climate::log::Span;
use crate::observation::Quantity;
use crate::report::words::number;
use crate::study::hourly::Hourly;
use crate::web::now::value;

const WIDE: f64 = 144.0;
const HIGH: f64 = 30.0;
/// Room for the line's own breadth.
const MARGIN: f64 = 2.0;

/// A difference below this is no course: it is drawn flat.
fn least_range(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Light => 100.0,
        Quantity::Humidity => 5.0,
        _ => 1.0,
    }
}

/// The line over a span; nothing when nothing was logged.
pub(crate) fn spark(hourly: &Hourly, quantity: Quantity, span: Span) -> Markup {
    let Some((low, high)) = hourly.extremes() else { return html! {} };
    let middle = f64::midpoint(low, high);
    let half = ((high - low) / 2.0).max(least_range(quantity) / 2.0);
    let y = |value: f64| {
        MARGIN + (middle + half - value) / (2.0 * half) * (HIGH - 2.0 * MARGIN)
    };
    let x = |hour: &HourSum, end: bool| {
        let at = if end { hour.span().to } else { hour.span().from };
        let from = at.max(span.from).min(span.to).hours_since(span.from);
        from / span.hours().max(1e-9) * WIDE
    };
    let runs = hourly.hours.chunk_by(|a, b| {
        let silent = |hole: &Span| hole.from >= a.last && hole.to <= b.first;
        b.hour == a.hour + 1 && !hourly.holes.iter().any(silent)
    });
    let (mut line, mut band) = (String::new(), String::new());
    for run in runs {
        for (i, hour) in run.iter().enumerate() {
            let mean = y(hour.mean());
            let (from, to) = (x(hour, false), x(hour, true));
            let begin = if i == 0 { 'M' } else { 'L' };
            put(&mut line, begin, &[(from, mean), (to, mean)]);
            let upper = [(from, y(hour.high)), (to, y(hour.high))];
            put(&mut band, begin, &upper);
        }
        for hour in run.iter().rev() {
            let lower = y(hour.low);
            put(
                &mut band,
                'L',
                &[(x(hour, true), lower), (x(hour, false), lower)],
            );
        }
        band.push('Z');
    }
    html! {
        svg.spark viewBox={ "0 0 " (WIDE) " " (HIGH) } role="img"
            aria-label=(words(hourly, quantity, span)) {
            path.spark-band d=(band) {}
            path.spark-line d=(line) {}
        }
    }
}

fn put(path: &mut String, begin: char, points: &[(f64, f64)]) {
    for (i, (x, y)) in points.iter().enumerate() {
        let letter = if i == 0 { begin } else { 'L' };
        path.push_str(&format!("{letter}{x:.1} {y:.1}"));
    }
}

/// What the line shows, for who does not see it.
fn words(hourly: &Hourly, quantity: Quantity, span: Span) -> String {
    let (low, high) = hourly.extremes().unwrap_or_default();
    let mut words = format!(
        "last {} h: {} to {} {}",
        number(span.hours(), 0),
        value(quantity, low),
        value(quantity, high),
        quantity.unit()
    );
    let silent: f64 = hourly.holes.iter().map(|hole| hole.hours()).sum();
    if silent >= 1.0 {
        let hours = number(silent, 0);
        words.push_str(&format!(", {hours} h without readings"));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::hours::{added_up, holes};
    use crate::observation::{Quality, Reading};
    use crate::units::Instant;

    #[test]
    fn a_silence_is_a_gap_in_the_line_and_is_said() {
        let readings: Vec<Reading> = (0..1_440)
            .filter(|minute| !(600..900).contains(minute))
            .map(|minute| Reading {
                at: Instant::from_millis(minute * 60_000),
                value: if minute == 100 { 9.0 } else { 4.0 },
                quality: Quality::GOOD,
            })
            .collect();
        let span = Span::new(
            Instant::from_millis(0),
            Instant::from_millis(1_440 * 60_000),
        );
        let hours = added_up(&readings);
        let holes = holes(&hours, span, 15 * 60_000);
        let hourly = Hourly { hours, interval: 60_000, holes };
        let svg = spark(&hourly, Quantity::Temperature, span).into_string();
        let line = svg.split("spark-line").nth(1).unwrap();
        assert_eq!(line.matches('M').count(), 2, "{svg}");
        assert!(svg.contains("last 24 h: 4.0 to 9.0 °C, 5 h without"), "{svg}");
        let empty =
            Hourly { hours: Vec::new(), interval: 60_000, holes: vec![span] };
        assert_eq!(
            spark(&empty, Quantity::Light, span).into_string(),
            String::new()
        );
    }
}
