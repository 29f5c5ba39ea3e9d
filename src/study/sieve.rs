//! From raw readings to those that speak for a place: joined from its voices,
//! corrected, without what does not count.
//!
//! It keeps no reading: it is asked for all of them once, and again for the
//! few around a moment.

use crate::climate::log::Span;
use crate::climate::strip::Strip;
use crate::observation::{Quality, Quantity, Reading, Series};
use crate::study::place::Kept;
use crate::trial::house::{House, Voice};
use crate::units::Instant;

/// The readings of one voice, and what the ledger says of them.
pub(crate) struct Sieve<'a> {
    strip: &'a Strip,
    quantity: Quantity,
    span: Span,
    /// Windows that are left out.
    excluded: Vec<Span>,
    /// From an instant on: gain and offset; the latest entry first.
    corrections: Vec<(Instant, f64, f64)>,
}

impl<'a> Sieve<'a> {
    pub(crate) fn of(house: &House, voice: &Voice, strip: &'a Strip) -> Self {
        let series: &Series = &voice.series;
        Self {
            strip,
            quantity: series.quantity,
            span: Span::new(voice.from, voice.to),
            excluded: house
                .excluded_windows(series)
                .map(|window| Span::new(window.from, window.until))
                .collect(),
            corrections: house
                .calibrations
                .iter()
                .rev()
                .filter(|known| known.series == *series)
                .map(|known| (known.from.at, known.gain, known.offset))
                .collect(),
        }
    }

    /// The raw readings, whether they count or not.
    pub(crate) fn raw(&self) -> impl Iterator<Item = Reading> {
        self.strip.between(self.span.from, self.span.to)
    }

    /// No more readings than this.
    pub(crate) const fn most(&self) -> usize {
        self.strip.len()
    }

    /// The readings of a span that count, corrected.
    pub(crate) fn within(&self, span: Span, into: &mut Vec<Reading>) {
        let own = span.shared(self.span);
        let mut kept = Kept::default();
        for mut reading in self.strip.between(own.from, own.to) {
            if let Some(value) = self.sift(&reading, &mut kept) {
                reading.value = value;
                into.push(reading);
            }
        }
    }

    /// The value with which a reading counts, if it does; says what was done
    /// with it.
    pub(crate) fn sift(
        &self,
        reading: &Reading,
        kept: &mut Kept,
    ) -> Option<f64> {
        let is_in = |w: &Span| (w.from..w.to).contains(&reading.at);
        if self.excluded.iter().any(is_in) {
            kept.excluded += 1;
            return None;
        }
        if !reading.quality.counts() {
            for mark in reading.quality.words() {
                if Quality::from_words(mark).is_some_and(|q| !q.counts()) {
                    *kept.marked.entry(mark).or_default() += 1;
                }
            }
            return None;
        }
        let at = reading.at;
        let mut value = reading.value;
        let known = self.corrections.iter().find(|(from, ..)| *from <= at);
        if let Some((_, gain, offset)) = known {
            value = gain * value + offset;
            kept.corrected += 1;
        }
        kept.used += 1;
        Some(match self.quantity {
            Quantity::Humidity => value.clamp(0.0, 100.0),
            Quantity::Light => value.max(0.0),
            _ => value,
        })
    }
}
