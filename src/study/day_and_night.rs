//! How a place was by day and by night, and when it left the range that was
//! wanted there.
//!
//! From means of whole hours, not from single readings: a minute of sun on
//! the housing is no warm hour, and a door is told elsewhere.

use crate::climate::integrate::HourMean;
use crate::units::Instant;

/// From this local hour on it is day: a convention, the same for all places
/// (common practice, no source).
pub const DAY_FROM: usize = 8;
/// Up to this local hour.
pub const DAY_TO: usize = 20;

/// One quantity by day and by night.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct DayAndNight {
    /// From [`DAY_FROM`] to [`DAY_TO`].
    pub day: Option<Spread>,
    /// The rest.
    pub night: Option<Spread>,
}

/// How the hours were spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Hours behind it.
    pub hours: usize,
    /// Their mean.
    pub mean: f64,
    /// Twentieth, quarter, middle, three quarters, nineteen twentieths.
    pub values: [f64; 5],
}

/// When a quantity left its wanted range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outside {
    /// Lowest wanted value.
    pub low: Option<f64>,
    /// Highest wanted value.
    pub high: Option<f64>,
    /// Hours whose mean lay below.
    pub hours_below: usize,
    /// Hours whose mean lay above.
    pub hours_above: usize,
    /// Stretches of such hours, one after the other.
    pub spells: usize,
    /// The longest of them: when it began, and its hours.
    pub longest: Option<(Instant, usize)>,
}

/// The hours of a span, parted into day and night.
#[must_use]
pub fn day_and_night(hours: &[HourMean]) -> DayAndNight {
    let of = |wanted: bool| {
        spread(
            hours
                .iter()
                .filter(|hour| is_day(hour.hour_of_day) == wanted)
                .map(|hour| hour.mean)
                .collect(),
        )
    };
    DayAndNight { day: of(true), night: of(false) }
}

fn is_day(hour: usize) -> bool {
    (DAY_FROM..DAY_TO).contains(&hour)
}

/// Five values of some figures; none without one.
#[must_use]
pub fn spread(mut figures: Vec<f64>) -> Option<Spread> {
    figures.retain(|figure| figure.is_finite());
    figures.sort_by(f64::total_cmp);
    let last = figures.len().checked_sub(1)?;
    let n = f64::from(u32::try_from(figures.len()).ok()?);
    // Each share of the way from first to last, by the nearest figure.
    let at = |percent: usize| figures[(last * percent + 50) / 100];
    Some(Spread {
        hours: figures.len(),
        mean: figures.iter().sum::<f64>() / n,
        values: [at(5), at(25), at(50), at(75), at(95)],
    })
}

/// Where the hours left a range; none where no range is wanted.
#[must_use]
pub fn outside(
    hours: &[HourMean],
    (low, high): (Option<f64>, Option<f64>),
) -> Option<Outside> {
    if low.is_none() && high.is_none() {
        return None;
    }
    let mut out = Outside {
        low,
        high,
        hours_below: 0,
        hours_above: 0,
        spells: 0,
        longest: None,
    };
    let mut spell: Option<(Instant, usize, Instant)> = None;
    for hour in hours {
        let below = low.is_some_and(|low| hour.mean < low);
        let above = high.is_some_and(|high| hour.mean > high);
        if !below && !above {
            spell = None;
            continue;
        }
        out.hours_below += usize::from(below);
        out.hours_above += usize::from(above);
        let goes_on = spell.filter(|(_, _, next)| hour.from <= *next);
        let (start, n) = match goes_on {
            Some((start, n, _)) => (start, n + 1),
            None => {
                out.spells += 1;
                (hour.from, 1)
            }
        };
        spell = Some((start, n, hour.from.plus_hours(1.0)));
        if out.longest.is_none_or(|(_, longest)| n > longest) {
            out.longest = Some((start, n));
        }
    }
    Some(out)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given")]
mod tests {
    use super::*;

    fn hour(n: i64, mean: f64) -> HourMean {
        HourMean {
            from: Instant::from_millis(n * 3_600_000),
            hour_of_day: usize::try_from(n.rem_euclid(24)).unwrap(),
            mean,
        }
    }

    #[test]
    fn day_and_night_are_told_apart_by_the_clock() {
        let hours: Vec<HourMean> = (0..48)
            .zip((0..24_usize).cycle())
            .map(|(n, of_day)| {
                hour(n, if is_day(of_day) { 20.0 } else { 10.0 })
            })
            .collect();
        let found = day_and_night(&hours);
        let (day, night) = (found.day.unwrap(), found.night.unwrap());
        assert_eq!((day.mean, day.hours), (20.0, 24));
        assert_eq!((night.values, night.hours), ([10.0; 5], 24));
    }

    #[test]
    fn spells_end_where_an_hour_is_inside_or_missing() {
        let means = [4.0, 9.0, 9.0, 4.0, 9.0];
        let mut hours: Vec<HourMean> =
            (0..).zip(means).map(|(n, mean)| hour(n, mean)).collect();
        hours.extend([hour(5, 0.5), hour(8, 9.0)]);
        let out = outside(&hours, (Some(1.0), Some(6.0))).unwrap();
        assert_eq!((out.hours_below, out.hours_above), (1, 4));
        assert_eq!(out.spells, 3);
        assert_eq!(out.longest, Some((hours[1].from, 2)));
        assert_eq!(outside(&hours, (None, None)), None);
    }

    #[test]
    fn five_values_of_one_figure_are_that_figure() {
        assert_eq!(spread(vec![3.0]).unwrap().values, [3.0; 5]);
        assert_eq!(spread(vec![]), None);
        let hundred = (0..=100).map(f64::from).collect();
        let values = spread(hundred).unwrap().values;
        assert_eq!(values, [5.0, 25.0, 50.0, 75.0, 95.0]);
    }
}
