//! Numbers, lists, factors and levels as words, the same everywhere in the
//! report. No sentence is made here.

/// A factor without the unit in its name: `chill_weeks` as `chill`.
#[must_use]
pub fn factor(name: &str) -> String {
    let spoken = |text: &str| text.replace(['_', '-'], " ");
    unit_of(name).map_or_else(|| spoken(name), |(base, _)| spoken(base))
}

/// Suffixes of factor names that say the unit of their levels: the word for
/// one and for more.
const UNITS: [(&str, &str, &str); 6] = [
    ("_weeks", "week", "weeks"),
    ("_days", "day", "days"),
    ("_hours", "hour", "hours"),
    ("_minutes", "minute", "minutes"),
    ("_percent", "%", "%"),
    ("_celsius", "°C", "°C"),
];

fn unit_of(name: &str) -> Option<(&str, (&'static str, &'static str))> {
    UNITS.iter().find_map(|(suffix, one, more)| {
        let base = name.strip_suffix(suffix)?;
        (!base.is_empty()).then_some((base, (*one, *more)))
    })
}

/// A level of a factor in three parts: the word before it, the bare level,
/// its unit; `after`, `12`, `weeks`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LevelWords {
    /// `after`, `at`, `from`.
    pub before: &'static str,
    /// The level itself.
    pub level: String,
    /// Its unit; empty when it has none.
    pub unit: &'static str,
}

impl LevelWords {
    /// `12 weeks`.
    #[must_use]
    pub fn short(&self) -> String {
        if self.unit.is_empty() {
            self.level.clone()
        } else {
            format!("{} {}", self.level, self.unit)
        }
    }

    /// Whether it is a length of time.
    #[must_use]
    pub fn is_duration(&self) -> bool {
        self.before == "after"
    }

    /// `after 12 weeks`.
    #[must_use]
    pub fn phrase(&self) -> String {
        format!("{} {}", self.before, self.short())
    }
}

/// A level as spoken. Levels that are durations come `after`, lots `from`,
/// everything else `at`.
#[must_use]
pub fn level(factor: &str, level: &str) -> LevelWords {
    let number: Option<f64> = level.trim().parse().ok();
    let unit = number.and_then(|number| {
        let (_, (one, more)) = unit_of(factor)?;
        let single = (number - 1.0).abs() < f64::EPSILON;
        Some(if single { one } else { more })
    });
    let before = match unit {
        Some("%" | "°C") => "at",
        Some(_) => "after",
        None if factor == "lot" => "from",
        None => "at",
    };
    LevelWords {
        before,
        level: level.to_owned(),
        unit: unit.unwrap_or_default(),
    }
}

/// A share as whole percent: `48 %`; never 0 or 100 where it is neither.
#[must_use]
pub fn percent(share: f64) -> String {
    let whole = (share * 100.0).round();
    let shown = if share > 0.0 && whole < 1.0 {
        return "under 1 %".to_owned();
    } else if share < 1.0 && whole > 99.0 {
        return "over 99 %".to_owned();
    } else {
        whole
    };
    format!("{shown:.0} %")
}

/// A number with so many digits, a real minus sign and no negative nought.
#[must_use]
pub fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    let nought = text.chars().all(|c| matches!(c, '0' | '.'));
    if value < 0.0 && !nought { format!("−{text}") } else { text }
}

/// `12 to 31`: the ends of an interval. One that would read 0 and is not
/// gets more digits, so that a reader sees on which side of 0 it lies.
#[must_use]
pub fn between(lower: f64, upper: f64, digits: usize) -> String {
    let end = |value: f64| {
        let digits = (digits..digits + 3)
            .find(|digits| {
                signed(value, *digits).chars().any(|c| matches!(c, '1'..='9'))
            })
            .unwrap_or(digits);
        signed(value, digits)
    };
    format!("{} to {}", end(lower), end(upper))
}

/// A p-value: two digits, never 0.
#[must_use]
pub fn p_value(p: f64) -> String {
    if p < 0.001 {
        "p < 0.001".to_owned()
    } else if p < 0.1 {
        format!("p = {p:.3}")
    } else {
        format!("p = {p:.2}")
    }
}

/// `a`, `a and b`, `a, b and c`.
#[must_use]
pub fn list<T: AsRef<str>>(items: &[T]) -> String {
    match items {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [firsts @ .., last] => {
            let firsts: Vec<&str> = firsts.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", firsts.join(", "), last.as_ref())
        }
    }
}

/// `1 batch`, `2 batches`, `0 containers`.
#[must_use]
pub fn counted(n: usize, one: &str) -> String {
    let plural = match one {
        "batch" => "batches",
        "day" => "days",
        other => {
            return format!("{n} {other}{}", if n == 1 { "" } else { "s" });
        }
    };
    format!("{n} {}", if n == 1 { one } else { plural })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_not_rounded_to_none_or_all() {
        assert_eq!(percent(0.004), "under 1 %");
        assert_eq!(percent(0.996), "over 99 %");
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.485), "49 %");
    }

    #[test]
    fn an_end_beside_nought_shows_its_side() {
        assert_eq!(between(-0.2, 18.3, 0), "−0.2 to 18");
        assert_eq!(between(0.04, 4.7, 1), "0.04 to 4.7");
        assert_eq!(between(0.0, 1e-9, 0), "0 to 0");
        assert_eq!(between(-20.4, -3.6, 0), "−20 to −4");
    }

    #[test]
    fn a_level_takes_the_unit_of_its_factors_name() {
        assert_eq!(factor("chill_weeks"), "chill");
        assert_eq!(factor("seed_coat"), "seed coat");
        assert_eq!(level("chill_weeks", "12").phrase(), "after 12 weeks");
        assert_eq!(level("chill_weeks", "1").short(), "1 week");
        assert_eq!(level("chill_weeks", "none").phrase(), "at none");
        assert_eq!(level("lot", "hill").phrase(), "from hill");
        assert_eq!(level("_weeks", "2").phrase(), "at 2");
    }

    #[test]
    fn lists_read_as_spoken() {
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(counted(2, "batch"), "2 batches");
    }
}
