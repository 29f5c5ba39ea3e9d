//! No sentence ranks two levels that the units behind them cannot tell
//! apart: random counts, every finding and every title of a figure.

use std::collections::BTreeMap;

use proptest::prelude::*;
use vernalog::report::levels::told_apart;
use vernalog::report::{Scene, figures};
use vernalog::study::{Material, Study, study};
use vernalog::trial::book::Book;
use vernalog::trial::entry::{Entry, EntryId};

use super::small_trial::{Plan, SEEDS, WEEKS, days};

/// Study and titles of a trial with these counts: level, place, batch.
fn titles(counts: Vec<u32>, base: [u32; 3]) -> (Study, Vec<String>) {
    let mut plan = Plan::counts_only();
    plan.germinated = Box::new(move |level, place, batch| {
        (base[level] + counts[level * 8 + place * 4 + batch]).min(SEEDS)
    });
    let entries: Vec<Entry> = (1..)
        .zip(plan.drafts())
        .map(|(id, draft)| Entry {
            id: EntryId(id),
            written: draft.when.at,
            draft,
            by: String::new(),
            origin: "import".to_owned(),
        })
        .collect();
    let (book, problems) = Book::build(&entries);
    assert_eq!(problems, []);
    let trial = book.trial(None).unwrap();
    let study = study(Material {
        trial,
        house: &book.house,
        readings: &BTreeMap::new(),
        local: &|_| 0,
        until: days(41),
    });
    let figures = figures::all(Scene {
        study: &study,
        trial,
        house: &book.house,
        zone: chrono_tz::Europe::Dublin,
        problems: &[],
    });
    let titles = figures.into_iter().map(|f| f.heading.title).collect();
    (study, titles)
}

/// The levels each part of a title speaks of: `after 0 weeks, 54 to 83 after
/// 6 or 12 weeks` gives `[0]` and `[6, 12]`.
fn parts(title: &str) -> Vec<Vec<u32>> {
    title
        .split("after ")
        .skip(1)
        .map(|rest| {
            let end = rest.find(" week").unwrap();
            rest[..end]
                .split([',', ' '])
                .filter_map(|word| word.parse().ok())
                .collect()
        })
        .collect()
}

#[test]
fn the_reader_of_titles_sees_the_parts() {
    let title = "Landing: 0 to 20 of every 100 came up after 0 weeks, 54 to \
                 83 after 6, 9 or 12 weeks";
    assert_eq!(parts(title), [vec![0], vec![6, 9, 12]]);
}

fn check(study: &Study, titles: &[String]) -> Result<bool, TestCaseError> {
    let factor = study
        .factors
        .iter()
        .find(|factor| factor.name() == "chill_weeks")
        .unwrap();
    let mut any_contrast = false;
    for title in titles {
        any_contrast |= parts(title).len() > 1;
    }
    for (i, a) in WEEKS.iter().enumerate() {
        for b in &WEEKS[i + 1..] {
            if told_apart(factor, &a.to_string(), &b.to_string()) {
                continue;
            }
            for title in titles {
                let parts = parts(title);
                let of = |week| parts.iter().position(|p| p.contains(week));
                prop_assert_eq!(of(a), of(b), "{} and {}: {}", a, b, title);
            }
            for finding in &study.findings {
                for (x, y) in [(a, b), (b, a)] {
                    let claim = format!(
                        "after {x} weeks of chill than after {y} weeks"
                    );
                    let text = &finding.text;
                    prop_assert!(!text.contains(&claim), "{}", text);
                }
            }
        }
    }
    for pair in &factor.joint_differences {
        let apart = told_apart(factor, &pair.from, &pair.to);
        prop_assert!(!apart || !pair.interval.holds(0.0));
    }
    Ok(any_contrast)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn no_sentence_ranks_a_tied_pair(
        counts in prop::collection::vec(0_u32..12, 24),
        base in prop::array::uniform3(0_u32..20),
    ) {
        let (study, titles) = titles(counts, base);
        check(&study, &titles)?;
    }
}

/// The check above would see a ranking: where levels differ, titles set them
/// against each other.
#[test]
fn levels_far_apart_are_set_against_each_other() {
    let counts = (0..24).map(|i| i % 3).collect();
    let (study, titles) = titles(counts, [0, 12, 26]);
    assert!(check(&study, &titles).unwrap(), "{titles:?}");
}

/// All alike: no p, one range, no contrast.
#[test]
fn nothing_germinated_anywhere_is_no_contrast() {
    let (study, titles) = titles(vec![0; 24], [0, 0, 0]);
    assert!(!check(&study, &titles).unwrap(), "{titles:?}");
    assert!(titles.iter().any(|title| title.contains("othing came up")));
}
