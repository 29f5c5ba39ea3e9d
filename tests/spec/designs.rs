//! What the report says of small and flawed designs, word for word: one file
//! a design in `tests/golden/designs`, renewed with `VERNALOG_RENEW=1` and
//! read like anything else that is changed.

mod season;
mod text;

use std::fs;
use std::path::Path;

use season::{Design, Diary, FRIDGE, LANDING, SILL, at, name};
use vernalog::report::{Request, Written, write};
use vernalog::store::Store;
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{PlaceKind, Statement};

fn report(store: &Store) -> (Written, String) {
    let out = tempfile::tempdir().unwrap();
    let request = Request {
        trial: None,
        out: out.path().to_owned(),
        zone: chrono_tz::Europe::Dublin,
        until: None,
        now: at(60, 0),
        version: "0.0.0".to_owned(),
    };
    let written = write(&request, store, &mut |_| {}).unwrap();
    let page = fs::read_to_string(&written.page).unwrap();
    for file in &written.files {
        let text = fs::read_to_string(file).unwrap();
        assert!(!text.contains("NaN"), "{}", file.display());
    }
    (written, text::text(&page))
}

fn told(diary: &Diary) -> String {
    let (_folder, store) = diary.store();
    report(&store).1
}

/// Compares with the golden text of a design, or renews it.
fn golden(design: &Design) -> String {
    let text = told(&design.diary());
    let folder =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/designs");
    let file = folder.join(format!("{}.txt", design.name));
    if std::env::var_os("VERNALOG_RENEW").is_some() {
        fs::create_dir_all(&folder).unwrap();
        fs::write(&file, &text).unwrap();
    }
    let known = fs::read_to_string(&file).unwrap_or_default();
    let differs = text.lines().zip(known.lines()).find(|(a, b)| a != b);
    assert!(
        text == known,
        "{} says something else; first: {differs:#?}",
        design.name
    );
    text
}

fn says(text: &str, all: &[&str]) {
    for words in all {
        assert!(text.contains(words), "{words:?} is not in\n{text}");
    }
}

#[test]
fn one_container_a_cell_describes_and_gives_no_p() {
    let text = golden(&Design {
        batches: 2,
        places: |number| vec![[LANDING, SILL][number % 2]],
        ..Design::plain("one-container-a-cell")
    });
    says(&text, &["this trial cannot tell", "Planned comparison, undecided"]);
    assert!(!text.contains("Holm)") && !text.contains("F("), "{text}");
}

#[test]
fn one_batch_a_chill_length_is_description_only() {
    let text = golden(&Design {
        batches: 1,
        boxes: 3,
        ..Design::plain("one-batch-a-chill-length")
    });
    says(&text, &["rests on one unit", "this trial cannot tell"]);
}

#[test]
fn nothing_germinated_is_said_without_fuss() {
    let text =
        golden(&Design { chance: |_, _| 0.0, ..Design::plain("all-zero") });
    says(&text, &["nothing came up", "class those left"]);
    assert!(!text.contains("hint for a next trial"), "{text}");
}

#[test]
fn everything_germinated_is_said_without_fuss() {
    let text = golden(&Design {
        chance: |_, _| 1.0,
        ..Design::plain("all-germinated")
    });
    says(&text, &["every seed came up", "leave room for a difference"]);
}

#[test]
fn mould_everywhere_has_no_rival_and_no_clean_stay() {
    let text =
        golden(&Design { mould: true, ..Design::plain("mould-everywhere") });
    says(&text, &["Mould was seen in all 8 moist stays"]);
}

#[test]
fn half_the_log_missing_is_too_little_data() {
    let text = golden(&Design {
        logged: Some(|hour| hour.rem_euclid(48) < 24),
        ..Design::plain("half-the-log-missing")
    });
    says(&text, &["too little data", "Less than 80 %"]);
}

#[test]
fn noon_holes_only_cannot_be_filled() {
    let text = golden(&Design {
        // Sown at 20 o'clock: 11 to 15 are the hours 15 to 19 after it.
        logged: Some(|hour| !(15..19).contains(&hour.rem_euclid(24))),
        ..Design::plain("noon-holes-only")
    });
    says(&text, &["an hour of day that is always missing"]);
    // The light of the noons is missing too.
    let row = text.lines().find(|l| l.starts_with("Study sill | 12")).unwrap();
    assert_eq!(row.matches("too little data").count(), 2, "{row}");
}

#[test]
fn a_lost_lot_shortens_no_comparison() {
    let text = golden(&Design {
        besides: |diary| {
            for weeks in ["00", "06", "12"] {
                for batch in [2, 4] {
                    for place in ["stair", "study"] {
                        let own = format!("b{weeks}-{batch}-{place}");
                        diary.forget(&own, 5);
                        let seen: u32 = germinated(diary, &own);
                        diary.close(&own, 6, 0, 0, season::SEEDS - seen);
                    }
                }
            }
        },
        ..Design::plain("one-lot-lost")
    });
    // What was lost did not come up as 0 of 100.
    let row = text.lines().find(|l| l.starts_with("12 weeks | 4 |")).unwrap();
    assert!(!row.contains("| 0 to"), "{row}");
    says(&text, &["12 containers (b00-2-stair, ", "4 more lost"]);
}

fn germinated(diary: &Diary, unit: &str) -> u32 {
    use vernalog::trial::entry::{Check, Counted};
    diary
        .drafts
        .iter()
        .filter_map(|draft| match &draft.statement {
            Statement::Check(Check {
                unit: own,
                germinated: Counted::New(n),
                ..
            }) if own.as_str() == unit => Some(*n),
            _ => None,
        })
        .sum()
}

#[test]
fn no_board_at_all_leaves_the_counts() {
    let text = golden(&Design { logged: None, ..Design::plain("no-board") });
    says(&text, &["On counts alone"]);
}

#[test]
fn germination_in_the_fridge_is_counted_apart() {
    let text = golden(&Design {
        early: |weeks| if weeks == 12 { 7 } else { 0 },
        ..Design::plain("germinating-in-the-fridge")
    });
    says(
        &text,
        &[
            "In the cold itself 28 of the 348 seeds of 8 batches germinated, \
             in 4 batches",
            "28 of the 188 seeds of b12-1, b12-2, b12-3 and b12-4 had \
             germinated before sowing",
        ],
    );
}

#[test]
fn rechilled_containers_count_both_chills() {
    golden(&Design {
        besides: |diary| {
            for batch in 1..=4 {
                let own = format!("b00-{batch}-stair");
                diary.stay(&own, Some(FRIDGE), at(14, 1));
                diary.stay(&own, Some(LANDING), at(28, 1));
            }
        },
        ..Design::plain("re-chilled-containers")
    });
}

#[test]
fn a_container_moved_between_two_looks_is_named() {
    let text = golden(&Design {
        besides: |diary| {
            diary.stay("b12-1-stair", Some(SILL), at(11, 1));
        },
        ..Design::plain("moved-mid-trial")
    });
    says(&text, &["b12-1-stair"]);
}

/// Boards stand there and say nothing; two boxes were never put anywhere.
#[test]
fn stays_without_readings_and_boxes_without_stays_are_named() {
    let text = golden(&Design {
        logged: Some(|_| false),
        besides: |diary| {
            diary.spare_batch("spare", "hill", 2 * season::SEEDS);
            for own in ["spare-1", "spare-2"] {
                diary.sow(own, "spare", None);
                diary.look(own, at(41, 0), 3, 0, 0);
            }
        },
        ..Design::plain("stays-without-readings")
    });
    says(&text, &["spare-1 and spare-2", "On counts alone", "Not logged"]);
}

/// Written down in any order, the same is said.
#[test]
fn looks_written_out_of_order_change_nothing() {
    let plain = Design::plain("plain").diary();
    let mut turned = Design::plain("plain").diary();
    let is_look = |draft: &vernalog::trial::entry::Draft| {
        matches!(draft.statement, Statement::Check(_))
    };
    let (mut looks, mut rest): (Vec<_>, Vec<_>) =
        turned.drafts.into_iter().partition(is_look);
    looks.reverse();
    rest.extend(looks);
    turned.drafts = rest;
    let (told, again) = (told(&plain), self::told(&turned));
    let differs = told.lines().zip(again.lines()).find(|(a, b)| a != b);
    assert!(told == again, "{differs:#?}");
}

/// A place called otherwise later is one place, under its new name.
#[test]
fn a_place_renamed_is_one_place_under_its_new_name() {
    let (_folder, mut store) = Design::plain("plain").diary().store();
    let mut diary = Diary::default();
    diary.say(
        at(10, 0),
        Statement::Place {
            place: name(LANDING),
            place_kind: PlaceKind::Shelf,
            light_source: String::new(),
            title: "Landing by the green door".to_owned(),
        },
    );
    let why = OnConflict::Supersede("painted".to_owned());
    let refused = diary.record_all_that_is_sound(&mut store, why);
    assert_eq!(refused, Vec::<String>::new());
    let text = report(&store).1;
    says(&text, &["Landing by the green door"]);
    assert!(!text.contains("Stair landing"), "{text}");
}

/// More seeds than were sown are refused with the reason, and the report of
/// the rest is made.
#[test]
fn counts_above_the_seeds_are_refused_and_the_rest_is_told() {
    let mut diary = Design::plain("plain").diary();
    diary.look("b06-1-stair", at(12, 1), 50, 0, 0);
    let (_folder, mut store) = Design::plain("plain").diary().store();
    let refused =
        diary.record_all_that_is_sound(&mut store, OnConflict::Refuse);
    assert_eq!(refused.len(), 1, "{refused:?}");
    says(&refused[0], &["b06-1-stair", "50", "20"]);
    let (written, text) = report(&store);
    assert_eq!(written.problems, Vec::<String>::new());
    says(&text, &["What may be said"]);
}
