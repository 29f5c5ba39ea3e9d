//! How many runs, how sure a rate from so many is, and one line a gate.
//!
//! No trial is invented here.

use std::fmt::Write as _;

/// Standard errors of a rate by which a gate may be missed by chance.
pub(crate) const ERRORS: f64 = 3.0;

/// Whether the full sizes were asked for.
pub(crate) fn is_long() -> bool {
    std::env::var("VERNALOG_LONG").is_ok_and(|value| value == "1")
}

/// So many runs in the long version, so many in the short one.
pub(crate) fn runs(long: u32, short: u32) -> u32 {
    if is_long() { long } else { short }
}

/// How often something happened.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Rate {
    pub(crate) hits: u32,
    pub(crate) of: u32,
}

impl Rate {
    pub(crate) fn add(&mut self, hit: bool) {
        self.hits += u32::from(hit);
        self.of += 1;
    }

    pub(crate) fn share(self) -> f64 {
        f64::from(self.hits) / f64::from(self.of.max(1))
    }

    /// Standard error of a rate near `share`.
    pub(crate) fn error_at(self, share: f64) -> f64 {
        (share * (1.0 - share) / f64::from(self.of.max(1))).sqrt()
    }
}

/// Scatter taken as that of seeds alone in more runs than this: the floor of
/// the dispersion makes the tests careful, so only boldness is a fault.
pub(crate) const FLOOR_ACTS: f64 = 0.2;

fn percent(share: f64) -> String {
    let text = format!("{:.2}", 100.0 * share);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Lines of a table, and the gates that were missed.
#[derive(Debug, Default)]
pub(crate) struct Table {
    text: String,
    missed: Vec<String>,
}

impl Table {
    pub(crate) fn titled(title: &str) -> Self {
        let size = if is_long() { "long" } else { "short" };
        Self { text: format!("\n{title} ({size})\n"), missed: Vec::new() }
    }

    /// A line without a gate.
    pub(crate) fn say(&mut self, line: &str) {
        writeln!(self.text, "  {line}").expect("a string takes any line");
    }

    /// A rate that must lie within bounds. The short version allows for
    /// chance, and nothing else; the long one takes the bounds as they are.
    pub(crate) fn gate(&mut self, what: &str, rate: Rate, low: f64, high: f64) {
        let slack = |bound: f64| {
            if is_long() { 0.0 } else { ERRORS * rate.error_at(bound) }
        };
        let share = rate.share();
        let met = share >= low - slack(low) && share <= high + slack(high);
        let bounds = match (low > 0.0, high < 1.0) {
            (true, true) => format!("{}–{} %", percent(low), percent(high)),
            (false, _) => format!("≤ {} %, floor", percent(high)),
            (_, false) => format!("≥ {} %, floor", percent(low)),
        };
        self.judged(what, rate, &bounds);
        if !met {
            self.missed.push(format!("{what}: {:.2} %", 100.0 * share));
        }
    }

    /// A rate that may exceed a bound by chance only, in either version.
    pub(crate) fn at_most(&mut self, what: &str, rate: Rate, bound: f64) {
        let allowed = bound + ERRORS * rate.error_at(bound);
        self.judged(what, rate, &format!("≤ {} %", percent(allowed)));
        if rate.share() > allowed {
            self.missed.push(format!("{what}: {:.2} %", 100.0 * rate.share()));
        }
    }

    /// A rate without a gate.
    pub(crate) fn shown(&mut self, what: &str, rate: Rate) {
        self.judged(what, rate, "");
    }

    fn judged(&mut self, what: &str, rate: Rate, gate: &str) {
        let share = rate.share();
        self.say(&format!(
            "{what:<64} {:>6.2} % ± {:.2} of {:>6}  {gate}",
            100.0 * share,
            100.0 * rate.error_at(share),
            rate.of
        ));
    }

    /// Prints the table; fails when a gate was missed.
    #[allow(clippy::print_stdout, reason = "the table is the result")]
    pub(crate) fn close(self) {
        println!("{}", self.text);
        assert!(self.missed.is_empty(), "gates missed: {:#?}", self.missed);
    }
}
