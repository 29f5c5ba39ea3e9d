//! Damp: the air of a place, never of a closed container: hours above
//! humidity limits, the dew-point margin, and doors left open.
//!
//! Not a forecast of mould: what lies in damp sand or paper has a surface
//! near saturation whatever the air of the fridge says.

use crate::climate::log::{Log, Span};
use crate::climate::psychrometrics::dew_point_margin;
use crate::climate::shape::Shape;
use crate::observation::{Quality, Reading};
use crate::units::{Celsius, CelsiusSpan, Instant, RelativeHumidity};

/// Humidity limits shown for a fridge unless the grower states others, %.
pub const HUMIDITY_LIMITS_PERCENT: [f64; 3] = [80.0, 90.0, 95.0];

/// Hours at or above a humidity, over a humidity in %.
///
/// # Source
/// Definition; exact for the straight line between two readings.
///
/// # When it misleads
/// Cheap sensors are 3 to 5 % off and drift in damp: near a limit the hours
/// hang on the calibration. They are of the air of the place, not of what
/// lies in a closed container.
///
/// # Example
/// ```
/// use vernalog::climate::damp::hours_damp;
/// use vernalog::units::RelativeHumidity;
/// let damp = hours_damp(RelativeHumidity::from_percent(90.0).unwrap());
/// assert!((damp.mean_between(85.0, 95.0) - 0.5).abs() < 1e-12);
/// ```
#[must_use]
pub fn hours_damp(limit: RelativeHumidity) -> Shape {
    Shape::at_or_above(limit.percent())
}

/// Hours with a dew-point margin at or below a limit, over the series of
/// [`dew_point_margins`].
///
/// # Source
/// Definition; the margin is taken as straight between two readings.
///
/// # When it misleads
/// A limit below about 0.5 °C asks more of the sensor than it can tell.
///
/// # Example
/// ```
/// use vernalog::climate::damp::hours_near_dew;
/// use vernalog::units::CelsiusSpan;
/// let near = hours_near_dew(CelsiusSpan::new(1.0).unwrap());
/// assert_eq!(near.mean_between(0.0, 2.0), 0.5);
/// ```
#[must_use]
pub fn hours_near_dew(limit: CelsiusSpan) -> Shape {
    Shape::at_or_below(limit.degrees())
}

/// The dew-point margin at every humidity reading, °C, ready to be a log of
/// its own.
///
/// The temperature is the one at the same instant, on the line between its
/// neighbours; where that log has a hole there is no margin. Humidity above
/// 100 % is read as 100 %. The margin is derived reading by reading and only
/// then averaged or summed.
///
/// # Arguments
/// - `humidity`: in %.
/// - `temperature`: in °C, of the same spot.
///
/// # When it misleads
/// Near saturation the margin is smaller than the sensor's error, and two
/// sensors apart from each other differ by more than it.
///
/// # Example
/// ```
/// use vernalog::climate::{damp::dew_point_margins, log::Log};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let log = |value| {
///     let reading = |minute: i64| Reading {
///         at: Instant::from_millis(minute * 60_000),
///         value,
///         quality: Quality::GOOD,
///     };
///     Log::new(vec![reading(0), reading(10)], 15 * 60_000, &|_| 0)
/// };
/// let margins = dew_point_margins(&log(98.0), &log(4.0));
/// assert!((margins[0].value - 0.287).abs() < 0.001);
/// ```
#[must_use]
pub fn dew_point_margins(
    humidity: &Log<'_>,
    temperature: &Log<'_>,
) -> Vec<Reading> {
    let margin = |reading: &Reading| {
        let air = Celsius::new(temperature.value_at(reading.at)?).ok()?;
        let percent = reading.value.clamp(0.0, 100.0);
        let humidity = RelativeHumidity::from_percent(percent).ok()?;
        let value = dew_point_margin(air, humidity)?.degrees();
        Some(Reading { value, ..*reading })
    };
    humidity.readings().iter().filter_map(margin).collect()
}

/// What counts as an opened door in a fridge's own temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoorRule {
    /// The rise is looked for within this time, min.
    pub rise_within_minutes: i64,
    /// A rise counts only when it is this many times the fridge's usual one.
    pub times_usual: f64,
    /// … and at least this large, °C.
    pub least_rise: f64,
    /// Half of the rise must be lost again within this time, min.
    pub back_within_minutes: i64,
}

/// Ten minutes, twice the usual rise, at least 1 °C, back within an hour.
impl Default for DoorRule {
    fn default() -> Self {
        Self {
            rise_within_minutes: 10,
            times_usual: 2.0,
            least_rise: 1.0,
            back_within_minutes: 60,
        }
    }
}

/// A sudden rise in a fridge that fell back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoorEvent {
    /// The low reading from which it rose.
    pub opened: Instant,
    /// The highest reading.
    pub peak: Instant,
    /// By how much it rose, °C.
    pub rise: f64,
    /// The first reading with half of the rise lost.
    pub back: Instant,
}

/// Openings of a fridge door, read from the temperature of its air.
///
/// The rule: for every reading, the rise over the lowest reading of the last
/// ten minutes. What nine in ten readings of a span stay under is this
/// fridge's own cycle. A rise of at least twice that, and of at least 1 °C,
/// begins an event at the low reading; its peak is the highest reading until
/// half of the rise is lost; when that takes over an hour it was no door but
/// a dial, a defrost or a failure, and no event.
///
/// # Arguments
/// - `air`: temperature of the fridge's air, °C; a damped probe hides doors.
/// - `span`: at least a day, so that the cycle can be seen.
/// - `rule`: [`DoorRule::default`] unless there is reason.
///
/// # Source
/// A rule of this program's own: none is published that we know. Tests say
/// what it sees and what it leaves out.
///
/// # When it misleads
/// A door opened for seconds, or a board that measures every ten minutes or
/// less often, leaves no trace. Warm food put in looks like a door until it
/// is back. Two openings within minutes are one event.
///
/// # Example
/// ```
/// use vernalog::climate::damp::{DoorRule, door_events};
/// use vernalog::climate::log::Log;
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let readings = (0..1440)
///     .map(|minute| Reading {
///         at: Instant::from_millis(minute * 60_000),
///         value: if (600..604).contains(&minute) { 9.0 } else { 4.0 },
///         quality: Quality::GOOD,
///     })
///     .collect();
/// let log = Log::new(readings, 15 * 60_000, &|_| 0);
/// let events = door_events(&log, log.reach().unwrap(), DoorRule::default());
/// assert_eq!(events.len(), 1);
/// assert_eq!(events[0].rise, 5.0);
/// ```
#[must_use]
pub fn door_events(
    air: &Log<'_>,
    span: Span,
    rule: DoorRule,
) -> Vec<DoorEvent> {
    let all = air.readings();
    let first = all.partition_point(|reading| reading.at < span.from);
    let after = all.partition_point(|reading| reading.at < span.to);
    let readings = &all[first..after.max(first)];
    let lows = lows_before(readings, rule.rise_within_minutes * 60_000);
    let rise = |i: usize| readings[i].value - readings[lows[i]].value;
    let mut rises: Vec<f64> = (0..readings.len()).map(rise).collect();
    let Some(last) = rises.len().checked_sub(1) else { return Vec::new() };
    let (_, usual, _) =
        rises.select_nth_unstable_by(last * 9 / 10, |a, b| a.total_cmp(b));
    let needed = (rule.times_usual * *usual).max(rule.least_rise);
    let mut events = Vec::new();
    let mut i = 0;
    while i < readings.len() {
        if rise(i) < needed {
            i += 1;
            continue;
        }
        let (event, next) = follow(readings, lows[i], i, rule);
        events.extend(event);
        i = next;
    }
    events
}

/// Follows a rise from its low reading until half of it is lost.
fn follow(
    readings: &[Reading],
    low: usize,
    seen: usize,
    rule: DoorRule,
) -> (Option<DoorEvent>, usize) {
    let latest =
        readings[low].at.plus_millis(rule.back_within_minutes * 60_000);
    let base = readings[low].value;
    let mut peak = seen;
    for (i, reading) in readings.iter().enumerate().skip(seen) {
        if reading.at > latest {
            return (None, i);
        }
        if reading.value > readings[peak].value {
            peak = i;
        }
        let rise = readings[peak].value - base;
        if reading.value <= base + rise / 2.0 {
            let event = DoorEvent {
                opened: readings[low].at,
                peak: readings[peak].at,
                rise,
                back: reading.at,
            };
            return (Some(event), i + 1);
        }
    }
    (None, readings.len())
}

/// For every reading the index of the lowest one within the time before it,
/// itself included; of equally low ones the latest.
fn lows_before(readings: &[Reading], within_millis: i64) -> Vec<usize> {
    let mut rising = std::collections::VecDeque::<usize>::new();
    let mut lows = Vec::with_capacity(readings.len());
    for (i, reading) in readings.iter().enumerate() {
        while rising
            .back()
            .is_some_and(|last| readings[*last].value >= reading.value)
        {
            rising.pop_back();
        }
        rising.push_back(i);
        while rising.front().is_some_and(|oldest| {
            reading.at.millis_since(readings[*oldest].at) > within_millis
        }) {
            rising.pop_front();
        }
        lows.push(rising.front().copied().unwrap_or(i));
    }
    lows
}

/// Whether humidity readings of a span sat at the end of their scale for so
/// long that they say "wet sensor or truly saturated" and nothing more.
///
/// # Returns
/// The stretches of readings at or above 99 %, or marked saturated, that
/// last longer than six hours without a hole.
///
/// # Source
/// A rule of this program's own, from growers' reports of sensors that
/// stayed at 100 % for hours or days after fog.
///
/// # When it misleads
/// A really saturated bag of moist sand looks the same.
///
/// # Example
/// ```
/// use vernalog::climate::{damp::wet_stretches, log::Log};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let readings = (0..=10)
///     .map(|hour| Reading {
///         at: Instant::from_millis(hour * 3_600_000),
///         value: if hour < 9 { 99.9 } else { 90.0 },
///         quality: Quality::GOOD,
///     })
///     .collect();
/// let log = Log::new(readings, 2 * 3_600_000, &|_| 0);
/// let wet = wet_stretches(&log, log.reach().unwrap());
/// assert_eq!(wet[0].hours(), 8.0);
/// ```
#[must_use]
pub fn wet_stretches(humidity: &Log<'_>, span: Span) -> Vec<Span> {
    const WET_PERCENT: f64 = 99.0;
    const LONGER_THAN_HOURS: f64 = 6.0;
    let mut stretches: Vec<Span> = Vec::new();
    let mut open = false;
    let mut before: Option<Instant> = None;
    for reading in humidity.readings().iter() {
        if reading.at < span.from || reading.at >= span.to {
            continue;
        }
        let wet = reading.value >= WET_PERCENT
            || reading.quality.has(Quality::SATURATED);
        let joined = before.is_some_and(|before| {
            let between = Span::new(before, reading.at);
            humidity.covered_millis(between) == between.millis()
        });
        match stretches.last_mut() {
            Some(stretch) if wet && open && joined => stretch.to = reading.at,
            _ if wet => stretches.push(Span::new(reading.at, reading.at)),
            _ => {}
        }
        open = wet;
        before = Some(reading.at);
    }
    stretches.retain(|stretch| stretch.hours() > LONGER_THAN_HOURS);
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: i64 = 60_000;

    fn log(readings: Vec<Reading>) -> Log<'static> {
        Log::new(readings, 15 * MINUTE, &|_| 0)
    }

    /// A fridge that cycles by 2 °C in 40 minutes around 4 °C, a reading a
    /// minute for two days, with whatever is added.
    fn fridge(added: impl Fn(i64) -> f64) -> Log<'static> {
        let reading = |minute: i64| {
            let turn = f64::from(i32::try_from(minute % 40).unwrap()) / 40.0;
            let cycle = (std::f64::consts::TAU * turn).sin();
            Reading {
                at: Instant::from_millis(minute * MINUTE),
                value: 4.0 + cycle + added(minute),
                quality: Quality::GOOD,
            }
        };
        log((0..2880).map(reading).collect())
    }

    fn events(log: &Log<'_>) -> Vec<DoorEvent> {
        door_events(log, log.reach().unwrap(), DoorRule::default())
    }

    /// An opening for two minutes that fades with 10 minutes.
    fn opening(minute: i64, at: i64, height: f64) -> f64 {
        let since = minute - at;
        if since < 0 {
            return 0.0;
        }
        let since = f64::from(i32::try_from(since).unwrap());
        height * (-since / 10.0).exp()
    }

    #[test]
    fn compressor_cycle_alone_opens_no_door() {
        assert_eq!(events(&fridge(|_| 0.0)), []);
    }

    #[test]
    fn every_opening_is_found_where_it_was_made() {
        let made = [500, 1130, 2015];
        let log = fridge(|minute| {
            made.iter().map(|at| opening(minute, *at, 6.0)).sum()
        });
        let found: Vec<i64> =
            events(&log).iter().map(|e| e.peak.millis() / MINUTE).collect();
        assert_eq!(found.len(), made.len(), "{found:?}");
        for (found, made) in found.iter().zip(made) {
            assert!((found - made).abs() <= 2, "{found} is not {made}");
        }
    }

    #[test]
    fn dial_turned_warmer_is_no_door() {
        assert_eq!(
            events(&fridge(|minute| if minute < 900 { 0.0 } else { 5.0 })),
            []
        );
    }

    #[test]
    fn no_readings_give_no_doors() {
        let empty = log(Vec::new());
        let day = Span::new(
            Instant::from_millis(0),
            Instant::from_millis(1440 * MINUTE),
        );
        assert_eq!(door_events(&empty, day, DoorRule::default()), []);
    }

    #[test]
    fn margins_skip_what_has_no_temperature() {
        let at = |minute: i64, value: f64| Reading {
            at: Instant::from_millis(minute * MINUTE),
            value,
            quality: Quality::GOOD,
        };
        let humidity = log(vec![at(5, 98.0), at(12, 104.0), at(40, 98.0)]);
        let temperature = log(vec![at(0, 3.0), at(10, 5.0), at(12, 4.0)]);
        let margins = dew_point_margins(&humidity, &temperature);
        assert_eq!(margins.len(), 2, "no temperature at minute 40");
        assert!((margins[0].value - 0.287).abs() < 0.001);
        assert!(margins[1].value.abs() < 1e-6, "104 % is read as 100 %");
    }

    #[test]
    fn hole_ends_a_wet_stretch() {
        let reading = |hour: i64| Reading {
            at: Instant::from_millis(hour * 60 * MINUTE),
            value: 100.0,
            quality: Quality::GOOD,
        };
        let readings = (0..5).chain(10..18).map(reading).collect();
        let log = Log::new(readings, 90 * MINUTE, &|_| 0);
        let wet = wet_stretches(
            &log,
            Span::new(
                Instant::from_millis(0),
                Instant::from_millis(24 * 60 * MINUTE),
            ),
        );
        assert_eq!(wet.len(), 1);
        assert_eq!(wet[0].from.millis(), 10 * 60 * MINUTE);
    }
}
