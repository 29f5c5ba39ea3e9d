//! What the numbers rest on: readings used and left out, holes, coverage.

use std::collections::BTreeMap;

use crate::observation::{Name, Quantity};
use crate::study::place::{PlaceLogs, PlaceStudy};

/// One quantity of one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Covered {
    /// The place.
    pub place: Name,
    /// The quantity.
    pub quantity: Quantity,
    /// Covered share of the time units were there, 0 to 1.
    pub coverage: f64,
    /// How many stretches without readings.
    pub holes: usize,
    /// Hours without readings.
    pub missing_hours: f64,
}

/// What a study rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct DataQuality {
    /// Readings that entered a log.
    pub readings_used: usize,
    /// Readings left out, by their mark.
    pub left_out: BTreeMap<&'static str, usize>,
    /// Readings in windows the grower excluded.
    pub excluded: usize,
    /// Readings corrected by a calibration.
    pub corrected: usize,
    /// Coverage by place and quantity; places without any log included.
    pub covered: Vec<Covered>,
}

pub(crate) fn of(logs: &PlaceLogs<'_>, places: &[PlaceStudy]) -> DataQuality {
    let mut quality = DataQuality {
        readings_used: 0,
        left_out: BTreeMap::new(),
        excluded: 0,
        corrected: 0,
        covered: Vec::new(),
    };
    for log in logs.iter() {
        quality.readings_used += log.kept.used;
        quality.excluded += log.kept.excluded;
        quality.corrected += log.kept.corrected;
        for (mark, n) in &log.kept.marked {
            *quality.left_out.entry(mark).or_default() += n;
        }
    }
    for place in places {
        let hours = place.span.hours();
        for (quantity, known) in &place.quantities {
            quality.covered.push(Covered {
                place: place.name.clone(),
                quantity: *quantity,
                coverage: known.coverage(hours),
                holes: known.holes.len(),
                missing_hours: hours - known.covered_hours,
            });
        }
    }
    quality
}
