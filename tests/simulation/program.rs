//! A season through the real program: its drafts are recorded, its readings
//! imported and marked, and the report's results read back from the store.

use chrono_tz::Europe::Dublin;
use vernalog::exchange::marking::Marking;
use vernalog::observation::{Reading, Series};
use vernalog::report::results::Results;
use vernalog::report::{Request, results};
use vernalog::season::plan::Season;
use vernalog::store::{Access, IMPORT_CHUNK, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::Draft;
use vernalog::units::Instant;

/// What the program says of a season at an instant, from what had been
/// written and sent by then.
pub(crate) fn reported(season: &Season, until: Instant) -> Results {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("vernalog.db");
    let mut store = Store::open(&file, Access::Create).unwrap();
    let drafts: Vec<Draft> = season
        .drafts
        .iter()
        .filter(|draft| draft.when.at <= until)
        .cloned()
        .collect();
    let recorded = store
        .record(&Records {
            drafts: &drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "simulation",
            origin: "import",
            now: until,
            dry_run: false,
        })
        .unwrap();
    assert_eq!(recorded.refused, []);
    let mut marking = Marking::default();
    let readings: Vec<(Series, Reading)> = season
        .readings(season.plan.begins(), until)
        .map(|(series, reading)| {
            let reading = marking.mark(&series, reading);
            (series, reading)
        })
        .collect();
    for chunk in readings.chunks(IMPORT_CHUNK) {
        let taken = store.import_readings(chunk).unwrap();
        assert_eq!(taken.new, chunk.len());
    }
    let request = Request {
        trial: None,
        out: folder.path().join("report"),
        zone: Dublin,
        until: Some(until),
        now: until,
        version: "simulation".to_owned(),
    };
    results(&request, &store).unwrap()
}
