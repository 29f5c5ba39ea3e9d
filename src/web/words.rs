//! Ages and looks in words, as pages say them.

use crate::exchange::times::ZoneRule;
use crate::report::words::plain;
use crate::trial::entry::Look;
use crate::trial::unit::{Looked, Unit};
use crate::units::{Instant, MILLIS_PER_DAY};

/// How long ago: `just now`, `5 min ago`, `3 h ago`, `4 days ago`.
pub(crate) fn ago(now: Instant, at: Instant) -> String {
    match now.millis_since(at) {
        ..-60_000 => "in the future".to_owned(),
        -60_000..60_000 => "just now".to_owned(),
        millis @ 60_000..7_200_000 => format!("{} min ago", millis / 60_000),
        millis @ 7_200_000..172_800_000 => {
            format!("{} h ago", millis / 3_600_000)
        }
        millis => format!("{} days ago", millis / MILLIS_PER_DAY),
    }
}

/// `today 18:02`, `yesterday 18:02`, or `2026-03-14 18:02`.
pub(crate) fn moment(zone: &ZoneRule, now: Instant, at: Instant) -> String {
    let local = zone.local(at);
    let (date, clock) = local.split_once(' ').unwrap_or((&local, ""));
    let (today, day) = (zone.date(now), zone.date(at));
    if day == today {
        format!("today {clock}")
    } else if day.succ_opt() == Some(today) {
        format!("yesterday {clock}")
    } else {
        format!("{date} {clock}")
    }
}

/// `1 seed`, `2 seeds`.
pub(crate) fn seeds(n: u32) -> String {
    n_of(n.into(), "seed", "seeds")
}

/// `1 unit`, `2 units`.
pub(crate) fn n_of(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// What a look found: `nothing new`, or `2 newly germinated, 1 mouldy`.
pub(crate) fn found(look: &Looked) -> String {
    let parts: Vec<String> = [
        (look.germinated, "newly germinated"),
        (look.mouldy_now, "mouldy"),
        (look.removed_mould, "removed for mould"),
        (look.removed_other, "removed"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{n} {what}"))
    .collect();
    if parts.is_empty() { "nothing new".to_owned() } else { parts.join(", ") }
}

/// `lid opened` or `through the lid`.
pub(crate) fn how(look: Look) -> &'static str {
    match look {
        Look::Opened => "opened",
        Look::ThroughLid => "through the lid",
    }
}

/// Name and label of a unit: `r1 (BCDEFG)`.
pub(crate) fn called(unit: &Unit) -> String {
    match unit.label {
        Some(label) => format!("{} ({label})", unit.name),
        None => unit.name.to_string(),
    }
}

/// What was there last time, in one line.
pub(crate) fn last_time(
    zone: &ZoneRule,
    now: Instant,
    look: Option<&Looked>,
) -> String {
    let Some(look) = look else { return "not looked at yet".to_owned() };
    let when = match look.when.date() {
        Some(date) => date.to_string(),
        None => moment(zone, now, look.when.at),
    };
    let mut line = format!("{when}: {}", found(look));
    for text in [&look.medium, &look.note] {
        if !text.is_empty() {
            line.push_str(" · ");
            line.push_str(&plain(text));
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_are_told_in_the_largest_unit_that_tells_enough() {
        let now = Instant::from_millis(10 * MILLIS_PER_DAY);
        let told = |millis: i64| ago(now, now.plus_millis(-millis));
        assert_eq!(told(5_000), "just now");
        assert_eq!(told(119 * 60_000), "119 min ago");
        assert_eq!(told(47 * 3_600_000), "47 h ago");
        assert_eq!(told(3 * MILLIS_PER_DAY), "3 days ago");
        assert_eq!(told(-120_000), "in the future");
    }

    #[test]
    fn a_moment_of_today_needs_no_date() {
        let zone = ZoneRule {
            zone: chrono_tz::Europe::Dublin,
            evening: chrono::NaiveTime::MIN,
        };
        let now = zone.parse_when("2026-06-14 21:30").unwrap().at;
        let told =
            |text: &str| moment(&zone, now, zone.parse_when(text).unwrap().at);
        assert_eq!(told("2026-06-14 00:05"), "today 00:05");
        assert_eq!(told("2026-06-13 23:55"), "yesterday 23:55");
        assert_eq!(told("2026-06-12 23:55"), "2026-06-12 23:55");
    }
}
