//! Numbers and lists as words, the same everywhere in the report.

/// A share as whole percent: `48 %`; never 0 or 100 where it is neither.
pub(crate) fn percent(share: f64) -> String {
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

/// A p-value: two digits, never 0.
pub(crate) fn p_value(p: f64) -> String {
    if p < 0.001 {
        "p < 0.001".to_owned()
    } else if p < 0.1 {
        format!("p = {p:.3}")
    } else {
        format!("p = {p:.2}")
    }
}

/// `a`, `a and b`, `a, b and c`.
pub(crate) fn list<T: AsRef<str>>(items: &[T]) -> String {
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
pub(crate) fn counted(n: usize, one: &str) -> String {
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
    fn lists_read_as_spoken() {
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(counted(2, "batch"), "2 batches");
    }
}
