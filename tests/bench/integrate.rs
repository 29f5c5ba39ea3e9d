//! How fast logs in memory become doses: 16 million readings, 48 containers,
//! one core, beside a plain script in the same run.
//!
//! ```text
//! cargo bench --bench integrate
//! ```
//!
//! The script is `integrate.py` (numpy). Where python3 or numpy is missing
//! the bench says so and prints ours alone. No store and no file: reading
//! them back is another cost, measured elsewhere.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark prints, and may fail"
)]

use std::process::Command;
use std::time::Instant as Stopwatch;

use vernalog::climate::integrate::{Dose, HourlySums, HoursOfDay};
use vernalog::climate::light::{DARK_BELOW_LUX, lux_hours};
use vernalog::climate::log::{Log, Span};
use vernalog::climate::shape::Shape;
use vernalog::climate::warmth::Warmth;
use vernalog::observation::{Quality, Reading};
use vernalog::units::{Celsius, Instant};

const PLACES: usize = 21;
const DAYS: i64 = 180;
const MINUTES: i64 = DAYS * 24 * 60;
const CONTAINERS: usize = 48;
/// Temperature, humidity, light.
const QUANTITIES: usize = 3;
const ROUNDS: usize = 5;

fn main() {
    let logs = logs();
    let n: usize = logs.iter().map(|log| log.readings().len()).sum();
    println!(
        "{n} readings, {PLACES} places × {QUANTITIES} quantities × {DAYS} \
         days each minute; {CONTAINERS} containers"
    );
    let mut best: Option<(f64, f64)> = None;
    let mut first_dose = 0.0;
    for _ in 0..ROUNDS {
        let (clock, cpu) = (Stopwatch::now(), cpu_seconds());
        let doses = doses(&logs);
        let took = (clock.elapsed().as_secs_f64(), cpu_seconds() - cpu);
        first_dose = doses[0][0].covered_sum;
        if best.is_none_or(|best| took.0 < best.0) {
            best = Some(took);
        }
    }
    let (wall, cpu) = best.unwrap();
    println!(
        "ours:  {wall:.3} s on the clock, {cpu:.2} s of CPU (best of \
         {ROUNDS}); first dose {first_dose:.1} °C·h"
    );
    let (aim, met) = (0.5, wall < 0.5);
    println!("aim:   under {aim} s: {}", if met { "met" } else { "missed" });
    match script() {
        Ok((seconds, dose)) => {
            println!("numpy: {seconds:.3} s; first dose {dose:.1} °C·h");
            println!("ratio: numpy takes {:.1} times as long", seconds / wall);
            assert!(
                (dose / first_dose - 1.0).abs() < 1e-6,
                "the two do not compute the same"
            );
        }
        Err(why) => println!("numpy: not run ({why})"),
    }
}

/// A value that a script can make as well: a daily wave and a slow one.
fn value(quantity: usize, place: usize, minute: i64) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "far below 2^53")]
    let (minute, place) = (minute as f64, place as f64);
    let day = (minute / 1440.0 * std::f64::consts::TAU).sin();
    let slow = (minute / 10_007.0 + place).sin();
    match quantity {
        0 => 12.0 + 0.4 * place + 3.0 * day + 2.0 * slow,
        1 => 60.0 + 8.0 * slow - 5.0 * day,
        _ => (4_000.0 * day).max(0.0) * (1.5 + slow),
    }
}

fn at(minute: i64) -> Instant {
    Instant::from_millis(1_760_000_400_000 + minute * 60_000)
}

fn logs() -> Vec<Log<'static>> {
    let mut logs = Vec::new();
    for place in 0..PLACES {
        for quantity in 0..QUANTITIES {
            let readings = (0..MINUTES)
                .map(|minute| Reading {
                    at: at(minute),
                    value: value(quantity, place, minute),
                    quality: Quality::GOOD,
                })
                .collect();
            logs.push(Log::new(readings, 15 * 60_000, &|_| 0));
        }
    }
    logs
}

/// When a container stood at its place: sown later and later, to the end.
fn stay(container: usize) -> Span {
    let later = i64::try_from(container).unwrap() * 977;
    Span::new(at(60_007 + later), at(MINUTES - 1))
}

/// Degree-hours above 0, 3 and 5 °C, chill hours, mean humidity and
/// lux-hours of every container.
fn doses(logs: &[Log<'static>]) -> Vec<[Dose; 6]> {
    let sums: Vec<[HourlySums<'_>; 6]> = (0..PLACES)
        .map(|place| {
            let log = |quantity| &logs[QUANTITIES * place + quantity];
            let warmth = |base| {
                let base = Celsius::new(base).unwrap();
                HourlySums::of(log(0), Warmth::above(base).shape())
            };
            [
                warmth(0.0),
                warmth(3.0),
                warmth(5.0),
                HourlySums::of(log(0), Shape::within(0.0, 7.0)),
                HourlySums::of(log(1), Shape::value()),
                HourlySums::of(log(2), lux_hours()),
            ]
        })
        .collect();
    let lit: Vec<HoursOfDay> = sums
        .iter()
        .map(|sums| HoursOfDay::lit(&sums[5], DARK_BELOW_LUX))
        .collect();
    (0..CONTAINERS)
        .map(|container| {
            let place = container % PLACES;
            let stay = [stay(container)];
            std::array::from_fn(|dose| {
                let hours =
                    if dose == 5 { lit[place] } else { HoursOfDay::ALL };
                sums[place][dose].over(&stay, hours)
            })
        })
        .collect()
}

/// Seconds of CPU of this process so far; 0 where the system does not say.
fn cpu_seconds() -> f64 {
    let Ok(stat) = std::fs::read_to_string("/proc/self/stat") else {
        return 0.0;
    };
    // After the name in brackets: utime and stime are fields 14 and 15, in
    // hundredths of a second on Linux.
    let after = stat.rsplit(')').next().unwrap_or_default();
    let fields: Vec<&str> = after.split_whitespace().collect();
    let field = |i: usize| fields.get(i).and_then(|f| f.parse::<f64>().ok());
    (field(11).unwrap_or(0.0) + field(12).unwrap_or(0.0)) / 100.0
}

/// Runs the script on the same values: its seconds and its first dose.
fn script() -> Result<(f64, f64), String> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/integrate.py");
    let run = Command::new("python3")
        .arg(path)
        .output()
        .map_err(|error| format!("python3: {error}"))?;
    if !run.status.success() {
        let talk = String::from_utf8_lossy(&run.stderr);
        let last = talk.lines().last().unwrap_or("no reason given");
        return Err(last.to_owned());
    }
    let text = String::from_utf8_lossy(&run.stdout);
    let mut numbers = text.split_whitespace().map(str::parse::<f64>);
    match (numbers.next(), numbers.next()) {
        (Some(Ok(seconds)), Some(Ok(dose))) => Ok((seconds, dose)),
        _ => Err(format!("it printed {text:?}")),
    }
}
