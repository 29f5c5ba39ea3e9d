//! The demo's files are what the invented season says, and nothing else.
//!
//! After a change of the season: `VERNALOG_RENEW=1 cargo test demo_data`,
//! then read the difference.

use std::fs;
use std::path::Path;

use vernalog::exchange::folder_out::write_tables;
use vernalog::observation::Name;
use vernalog::season::rowan::demo_season;
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;

#[test]
fn demo_data_is_what_the_season_says() {
    let home = tempfile::tempdir().unwrap();
    let season = demo_season();
    let mut store =
        Store::open(&home.path().join("s.db"), Access::Create).unwrap();
    let recorded = store
        .record(&Records {
            drafts: &season.drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "demo",
            origin: "demo",
            now: season.plan.ends(),
            dry_run: false,
        })
        .unwrap();
    assert_eq!(recorded.refused, []);

    let written = home.path().join("trial");
    fs::create_dir(&written).unwrap();
    let trial = Name::new("rowan-chill").unwrap();
    write_tables(&written, &store.ledger().unwrap(), &trial).unwrap();

    let kept =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data").join("trial");
    let renew = std::env::var_os("VERNALOG_RENEW").is_some();
    if renew {
        fs::create_dir_all(&kept).unwrap();
    }
    for entry in fs::read_dir(&written).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name();
        if name == "history.jsonl" {
            continue;
        }
        let text = fs::read_to_string(entry.path()).unwrap();
        if renew {
            fs::write(kept.join(&name), &text).unwrap();
        }
        let kept = fs::read_to_string(kept.join(&name)).unwrap_or_default();
        assert!(kept == text, "demo-data/trial/{} differs", name.display());
    }
}
