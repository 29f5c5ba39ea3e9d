//! The one message of each figure, in words.
//!
//! Pure sentences from plain numbers. A title may set two levels against
//! each other only where the study tells them apart; levels it cannot tell
//! apart share one range. So no title ranks what the units behind it do not.

use crate::report::words::of_hundred;
use crate::study::wording::{LevelWords, counted};

/// A level and the fractions of its containers.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelFractions {
    /// As spoken.
    pub words: LevelWords,
    /// Share germinated in each container, 0 to 1.
    pub fractions: Vec<f64>,
}

/// Levels that are told as one: indices in order, lowest and highest share.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Indices of its levels.
    pub members: Vec<usize>,
    /// Lowest share of a container.
    pub low: f64,
    /// Highest share of a container.
    pub high: f64,
}

/// Puts together all levels that are linked by pairs which cannot be told
/// apart. Levels without a container are left out.
#[must_use]
pub fn groups(
    levels: &[LevelFractions],
    told_apart: &dyn Fn(usize, usize) -> bool,
) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for (i, level) in levels.iter().enumerate() {
        let low = level.fractions.iter().copied().min_by(f64::total_cmp);
        let high = level.fractions.iter().copied().max_by(f64::total_cmp);
        let (Some(low), Some(high)) = (low, high) else { continue };
        let mut own = Group { members: vec![i], low, high };
        groups.retain(|group| {
            let linked = group.members.iter().any(|j| !told_apart(*j, i));
            if linked {
                own.members.extend(&group.members);
                own.low = own.low.min(group.low);
                own.high = own.high.max(group.high);
            }
            !linked
        });
        own.members.sort_unstable();
        groups.push(own);
    }
    groups.sort_by_key(|group| group.members.first().copied());
    groups
}

/// `0 to 20 of every 100 came up after 0 weeks, 54 to 83 after 12 or 18
/// weeks`; nothing without containers.
#[must_use]
pub fn came_up(levels: &[LevelFractions], groups: &[Group]) -> Option<String> {
    if let Some(words) = all_alike(levels, groups) {
        return Some(words);
    }
    let shown = levels.iter().filter(|l| !l.fractions.is_empty()).count();
    let mut parts = Vec::new();
    for (i, group) in groups.iter().enumerate() {
        let range = range(group.low, group.high);
        let share = if i == 0 {
            format!("{range} of every 100 came up")
        } else {
            range
        };
        if shown < 2 {
            parts.push(share);
        } else {
            parts.push(format!("{share} {}", phrase(levels, &group.members)));
        }
    }
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// `nothing came up after 0, 6 or 12 weeks`; nothing unless all did alike.
fn all_alike(levels: &[LevelFractions], groups: &[Group]) -> Option<String> {
    let [one] = groups else { return None };
    let what = if one.high <= 0.0 {
        "nothing came up"
    } else if one.low >= 1.0 {
        "every seed came up"
    } else {
        return None;
    };
    let mut members = one.members.clone();
    members.sort_unstable();
    Some(if members.len() < 2 {
        what.to_owned()
    } else {
        format!("{what} {}", phrase(levels, &members))
    })
}

/// `54 to 83`, or one number where both are the same.
#[must_use]
pub fn range(low: f64, high: f64) -> String {
    let (low, high) = (of_hundred(low), of_hundred(high));
    if low == high { low } else { format!("{low} to {high}") }
}

/// `after 12 or 18 weeks`; more than five are told as a number.
fn phrase(levels: &[LevelFractions], members: &[usize]) -> String {
    let words: Vec<&LevelWords> =
        members.iter().map(|i| &levels[*i].words).collect();
    let [first, .., last] = words.as_slice() else {
        return words.first().map_or_else(String::new, |one| one.phrase());
    };
    if words.len() > 5 {
        return format!(
            "over {} from {} to {}",
            counted(words.len(), "level"),
            first.short(),
            last.short()
        );
    }
    let one_unit = words.iter().all(|w| !w.unit.is_empty());
    let names: Vec<String> = words
        .iter()
        .map(|w| if one_unit { w.level.clone() } else { w.short() })
        .collect();
    let (end, begin) = names.split_last().expect("there are two at least");
    let unit = if one_unit { format!(" {}", last.unit) } else { String::new() };
    format!("{} {} or {end}{unit}", first.before, begin.join(", "))
}

/// Title of a place's figure.
#[must_use]
pub fn place_title(
    place: &str,
    levels: &[LevelFractions],
    groups: &[Group],
) -> String {
    match came_up(levels, groups) {
        Some(words) => format!("{place}: {words}"),
        None => format!("{place}: the climate; no container was counted here"),
    }
}

/// What the figure of doses says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DosesKnown {
    /// Places with containers.
    pub places: usize,
    /// Of them, those with any comparable dose.
    pub logged: usize,
    /// Places from which doses could be told from the place itself.
    pub enough: usize,
}

/// Title of the figure of doses.
#[must_use]
pub fn conditions_title(known: DosesKnown) -> String {
    if known.logged == 0 {
        return "Conditions unknown: no place was logged well enough to \
                compare"
            .to_owned();
    }
    if known.places < 2 {
        return "One place: what its climate did cannot be told from what \
                else was there"
            .to_owned();
    }
    if known.places < known.enough {
        return format!(
            "{} places, each with a climate of its own: which part of it \
             mattered cannot be told apart",
            capital(&small(known.places))
        );
    }
    format!("What came up at {} places, beside their doses", known.places)
}

/// Title of the figure of chilling (or another treatment of batches).
#[must_use]
pub fn treatment_title(
    factor: &str,
    levels: &[LevelFractions],
    groups: &[Group],
) -> String {
    let Some(words) = came_up(levels, groups) else {
        return format!("{}: no container was counted", capital(factor));
    };
    let shown = levels.iter().filter(|l| !l.fractions.is_empty()).count();
    let (many, open) = (shown > 1, groups.len() == 1);
    if all_alike(levels, groups).is_some() {
        return format!("{}: {words}", capital(factor));
    }
    if many && open {
        let words = capital(&words);
        return format!("{words}: which did more, this trial cannot tell");
    }
    format!("{}: {words}", capital(factor))
}

/// What the figure of a fridge says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FridgeFacts {
    /// Moist stays that were looked at.
    pub judged: usize,
    /// Of them, with mould.
    pub mouldy: usize,
    /// Mean over the covered time, °C.
    pub mean_celsius: Option<f64>,
}

/// Title of a fridge's figure.
#[must_use]
pub fn fridge_title(fridge: &str, facts: FridgeFacts) -> String {
    let air = facts.mean_celsius.map_or_else(
        || "temperature not logged".to_owned(),
        |mean| {
            format!("{} °C on average", crate::report::words::number(mean, 1))
        },
    );
    if facts.judged == 0 {
        return format!("{fridge}: {air}, no moist stay was looked at");
    }
    format!(
        "{fridge}: {air}, mould in {} of {}",
        facts.mouldy,
        counted(facts.judged, "moist stay")
    )
}

/// First letter large.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}

/// Whole numbers up to twelve in words.
#[must_use]
pub fn small(n: usize) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight",
        "nine", "ten", "eleven", "twelve",
    ];
    WORDS.get(n).map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::wording::level;

    fn weeks(levels: &[(&str, &[f64])]) -> Vec<LevelFractions> {
        levels
            .iter()
            .map(|(name, fractions)| LevelFractions {
                words: level("chill_weeks", name),
                fractions: fractions.to_vec(),
            })
            .collect()
    }

    const FOUR: [(&str, &[f64]); 4] = [
        ("0", &[0.0, 0.2]),
        ("6", &[0.3, 0.5]),
        ("12", &[0.54, 0.7]),
        ("18", &[0.6, 0.83]),
    ];

    #[test]
    fn levels_told_apart_are_set_against_each_other() {
        let levels = weeks(&FOUR);
        let apart = |a: usize, b: usize| a.min(b) == 0 || a.min(b) == 1;
        let groups = groups(&levels, &apart);
        assert_eq!(
            place_title("Landing", &levels, &groups),
            "Landing: 0 to 20 of every 100 came up after 0 weeks, 30 to 50 \
             after 6 weeks, 54 to 83 after 12 or 18 weeks"
        );
    }

    #[test]
    fn levels_nobody_told_apart_share_one_range() {
        let levels = weeks(&FOUR);
        let groups = groups(&levels, &|_, _| false);
        assert_eq!(
            place_title("Landing", &levels, &groups),
            "Landing: 0 to 83 of every 100 came up after 0, 6, 12 or 18 weeks"
        );
        assert_eq!(
            treatment_title("chill", &levels, &groups),
            "0 to 83 of every 100 came up after 0, 6, 12 or 18 weeks: which \
             did more, this trial cannot tell"
        );
    }

    #[test]
    fn nothing_and_everything_are_told_in_words() {
        let none = weeks(&[("0", &[0.0, 0.0]), ("6", &[0.0])]);
        let told = groups(&none, &|_, _| false);
        assert_eq!(
            treatment_title("chill", &none, &told),
            "Chill: nothing came up after 0 or 6 weeks"
        );
        let every = weeks(&[("0", &[1.0]), ("6", &[])]);
        let told = groups(&every, &|_, _| false);
        assert_eq!(
            place_title("Sill", &every, &told),
            "Sill: every seed came up"
        );
    }

    /// 0 and 18 differ, but each is tied to 6: one group, no contrast.
    #[test]
    fn a_chain_of_ties_is_one_group() {
        let levels = weeks(&FOUR);
        let apart = |a: usize, b: usize| (a.min(b), a.max(b)) == (0, 3);
        assert_eq!(groups(&levels, &apart).len(), 1);
    }

    #[test]
    fn a_place_without_containers_says_so() {
        assert_eq!(
            place_title("Cellar", &[], &[]),
            "Cellar: the climate; no container was counted here"
        );
    }

    #[test]
    fn few_places_never_get_a_cause() {
        let known = DosesKnown { places: 3, logged: 3, enough: 10 };
        assert_eq!(
            conditions_title(known),
            "Three places, each with a climate of its own: which part of it \
             mattered cannot be told apart"
        );
    }
}
