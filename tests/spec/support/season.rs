//! A season as the study sees it, without a store in between.

use std::collections::BTreeMap;

use vernalog::observation::{Reading, Series};
use vernalog::season::plan::Season;
use vernalog::study::{Material, Study, study};
use vernalog::trial::book::Book;
use vernalog::trial::entry::{Entry, EntryId};
use vernalog::units::Instant;

/// The study of a season from its counts and these readings.
pub(crate) fn studied(
    season: &Season,
    readings: &BTreeMap<Series, Vec<Reading>>,
) -> Study {
    let entries: Vec<Entry> = (1..)
        .zip(&season.drafts)
        .map(|(id, draft)| Entry {
            id: EntryId(id),
            draft: draft.clone(),
            written: Instant::default(),
            by: "spec".to_owned(),
            origin: "spec".to_owned(),
        })
        .collect();
    let (book, problems) = Book::build(&entries);
    assert_eq!(problems, []);
    let strips = readings
        .iter()
        .map(|(series, own)| (series.clone(), own.iter().copied().collect()))
        .collect();
    study(Material {
        trial: book.trial(None).unwrap(),
        house: &book.house,
        readings: &strips,
        local: &|_| 0,
        until: season.plan.ends(),
    })
}
