//! The season of the demo: a rowan trial in an invented house.
//!
//! Suppliers, lots and numbers are invented. The seed was fixed before the
//! first look at what it gives and is never changed to please a test.

use chrono::NaiveDate;

use crate::observation::{Name, Quantity};
use crate::season::boards::{Board, Fault, FoundOffset, Sensors};
use crate::season::diary::on;
use crate::season::fridge::{Fridge, Incident};
use crate::season::plan::{
    Crossing, PlannedLot, PlannedPlace, SameDate, Season, SeasonPlan, local,
};
use crate::season::room::{Room, Window};
use crate::season::truth::{ChillTruth, ColdTruth, MouldTruth, Truth};
use crate::season::weather::Spot;
use crate::trial::entry::{
    Draft, Lot, PlaceKind, QuantityWord, Rule, Statement, Watch,
};
use crate::trial::when::When;
use crate::units::Instant;

/// The seed of the demo season.
pub const DEMO_SEED: u64 = 20_260_214;

/// The demo season: chilled from October 2025, sown in February 2026,
/// followed for eight weeks, some seedlings until August.
#[must_use]
pub fn demo_season() -> Season {
    let mut season = rowan_plan(DEMO_SEED).grow();
    let more = remarks(&season);
    season.drafts.extend(more);
    season
}

/// The plan of the demo with any seed, for simulations to start from.
#[must_use]
pub fn rowan_plan(seed: u64) -> SeasonPlan {
    SeasonPlan {
        seed,
        trial: name("rowan-chill"),
        question: "How long must our rowan seed lie moist in the fridge, and \
                   where in the house does it then come up best?"
            .to_owned(),
        planned: vec!["chill_weeks".to_owned(), "place".to_owned()],
        latitude_longitude: (53.0, -6.5),
        last_sowing: date(2026, 2, 14),
        same_date: SameDate::Sowing,
        fridge: fridge(),
        places: rooms(),
        lots: lots(),
        batches_each: 2,
        containers_each: 1,
        seeds_in_batch: 100,
        seeds_in_container: 28,
        crossing: Crossing::Crossed,
        look_every_days: 2,
        follow_up_days: 56,
        truth: truth(),
        boards: boards(),
        watches: watches(),
    }
}

fn name(text: &str) -> Name {
    Name::new(text).expect("names in this file follow the rule")
}

fn date(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).expect("a date of the calendar")
}

fn truth() -> Truth {
    let chill =
        |weeks, share, half_warmth| ChillTruth { weeks, share, half_warmth };
    Truth {
        base_celsius: 3.0,
        base_fall_per_week: 0.0,
        spread: 0.16,
        chills: vec![
            chill(0, 0.04, 210.0),
            chill(6, 0.34, 165.0),
            chill(12, 0.72, 125.0),
            chill(18, 0.72, 95.0),
        ],
        light_effect: 0.18,
        lot_effects: vec![0.15, -0.15],
        batch_scatter: 0.25,
        container_scatter: 0.30,
        timing_scatter: 0.03,
        cold: ColdTruth { after_weeks: 13.0, per_week: 0.012 },
        mould: MouldTruth {
            per_week: 0.008,
            per_damp_week: 0.07,
            damp_percent: 95.0,
            in_container: 0.3,
        },
        empty_share: 0.08,
        dead_share: 0.07,
    }
}

fn fridge() -> PlannedPlace {
    let left_open = Incident::LeftOpen {
        from: local(date(2025, 12, 20), 22, 40),
        hours: 7.6,
    };
    PlannedPlace {
        name: name("fridge-drawer"),
        short: "fridge".to_owned(),
        kind: PlaceKind::Fridge,
        light_source: String::new(),
        title: "Vegetable drawer of the kitchen fridge".to_owned(),
        spot: Spot::Fridge(Fridge {
            mean_celsius: 3.8,
            swing_celsius: 1.1,
            cycle_minutes: 47.0,
            damp_percent: 94.8,
            doors_a_day: 14.0,
            lamp_lux: 55.0,
            incidents: vec![left_open],
        }),
    }
}

fn rooms() -> Vec<PlannedPlace> {
    let place =
        |full: &str, short: &str, kind, light: &str, title: &str, room| {
            PlannedPlace {
                name: name(full),
                short: short.to_owned(),
                kind,
                light_source: light.to_owned(),
                title: title.to_owned(),
                spot: Spot::Room(room),
            }
        };
    let window = |facing_degrees, sky_share, sun_share| {
        Some(Window { facing_degrees, sky_share, sun_share })
    };
    vec![
        place(
            "south-sill",
            "sill",
            PlaceKind::Sill,
            "daylight",
            "South window sill of the back room",
            Room {
                mean_celsius: 16.6,
                follows_outside: 0.22,
                heating_rise: 1.6,
                sun_rise: 3.2,
                window: window(185.0, 0.09, 0.72),
                lamp_lux: 45.0,
                damp_kilopascals: 0.34,
            },
        ),
        place(
            "stair-landing",
            "landing",
            PlaceKind::Shelf,
            "daylight",
            "Shelf on the north landing",
            Room {
                mean_celsius: 12.4,
                follows_outside: 0.25,
                heating_rise: 0.8,
                sun_rise: 0.0,
                window: window(5.0, 0.012, 0.0),
                lamp_lux: 12.0,
                damp_kilopascals: 0.26,
            },
        ),
        place(
            "airing-shelf",
            "airing",
            PlaceKind::Cupboard,
            "",
            "Upper shelf of the airing cupboard",
            Room {
                mean_celsius: 21.4,
                follows_outside: 0.05,
                heating_rise: 2.2,
                sun_rise: 0.0,
                window: None,
                lamp_lux: 3.0,
                damp_kilopascals: 0.38,
            },
        ),
    ]
}

fn lots() -> Vec<PlannedLot> {
    let lot =
        |short: &str, full: &str, supplier: &str, collected: &str| PlannedLot {
            short: short.to_owned(),
            lot: Lot {
                lot: name(full),
                species: "Sorbus aucuparia".to_owned(),
                supplier: supplier.to_owned(),
                collected: collected.to_owned(),
                received: "2025-09-26".to_owned(),
                storage: "dry, in paper, cool room".to_owned(),
                factors: std::collections::BTreeMap::new(),
            },
        };
    vec![
        lot("m", "merrow", "Merrowfold Tree Seed (invented)", "2025-08"),
        lot("o", "ossel", "Ossel & Finch Seedfolk (invented)", "2025-09"),
    ]
}

fn boards() -> Vec<Board> {
    let since = local(date(2025, 10, 9), 17, 0);
    let until = local(date(2026, 4, 11), 22, 0);
    let good = Sensors {
        temperature_error: 0.0,
        temperature_noise: 0.06,
        humidity_error: 0.0,
        humidity_noise: 0.4,
        sun_error: 0.0,
        light_gain: 1.0,
        light_limit: 88_000.0,
    };
    let board = |full: &str, place: &str, position: &str, sensors| Board {
        name: name(full),
        probe: name("air"),
        place: name(place),
        position: position.to_owned(),
        since,
        until,
        interval_minutes: 10,
        sensors,
        calibrations: Vec::new(),
        faults: Vec::new(),
    };
    let side_by_side = |offset| FoundOffset {
        quantity: Quantity::Temperature,
        offset,
        note: "a week side by side with the other boards".to_owned(),
    };
    let salt = |offset| FoundOffset {
        quantity: Quantity::Humidity,
        offset,
        note: "closed jar with wet table salt, two days".to_owned(),
    };
    vec![
        Board {
            calibrations: vec![salt(-1.8)],
            ..board(
                "board-fridge",
                "fridge-drawer",
                "between the bags",
                Sensors { humidity_error: 1.6, ..good },
            )
        },
        board(
            "board-sill",
            "south-sill",
            "shaded by a card",
            Sensors { sun_error: 0.25, light_limit: 30_000.0, ..good },
        ),
        Board {
            faults: vec![Fault::Silent {
                from: local(date(2026, 3, 3), 4, 12),
                to: local(date(2026, 3, 5), 19, 31),
            }],
            ..board(
                "board-landing",
                "stair-landing",
                "among the containers",
                Sensors { humidity_error: -2.5, ..good },
            )
        },
        Board {
            calibrations: vec![side_by_side(-0.6)],
            faults: vec![Fault::Stuck {
                quantity: Quantity::Temperature,
                from: stuck().0,
                to: stuck().1,
            }],
            ..board(
                "board-airing",
                "airing-shelf",
                "among the containers",
                Sensors { temperature_error: 0.5, ..good },
            )
        },
    ]
}

/// When the thermometer of the airing shelf stood still.
fn stuck() -> (Instant, Instant) {
    (local(date(2026, 3, 17), 2, 5), local(date(2026, 3, 18), 21, 15))
}

fn watches() -> Vec<Watch> {
    let watch = |place: &str, quantity, low, high, margin, urgent| Watch {
        place: name(place),
        quantity: QuantityWord(quantity),
        rule: Rule::Range,
        low,
        high,
        mean_minutes: 30,
        for_minutes: 45,
        margin,
        urgent,
        wet_is_normal: false,
    };
    let celsius = Quantity::Temperature;
    vec![
        watch("fridge-drawer", celsius, Some(1.0), Some(6.0), 0.5, true),
        Watch {
            mean_minutes: 60,
            for_minutes: 360,
            ..watch(
                "fridge-drawer",
                Quantity::Humidity,
                Some(85.0),
                None,
                3.0,
                false,
            )
        },
        watch("south-sill", celsius, Some(8.0), Some(28.0), 0.5, false),
        watch("stair-landing", celsius, Some(7.0), Some(22.0), 0.5, false),
        watch("airing-shelf", celsius, Some(15.0), Some(28.0), 0.5, false),
    ]
}

/// What only this grower wrote: notes, an excluded window, hand readings and
/// the seedlings that were kept.
fn remarks(season: &Season) -> Vec<Draft> {
    let trial = &season.plan.trial;
    let note = |when, about: &str, text: &str| {
        Draft::new(
            Some(trial),
            when,
            Statement::Note { about: Some(name(about)), text: text.to_owned() },
        )
    };
    let (stuck_from, stuck_to) = stuck();
    let mut drafts = vec![
        Draft::new(
            None,
            on(date(2025, 10, 8)),
            Statement::Climate {
                place: name("fridge-drawer"),
                temperature_celsius: Some(4.0),
                humidity_percent: None,
                light_lux: None,
            },
        ),
        note(
            When::to_the_minute(local(date(2025, 12, 21), 6, 20)),
            "fridge-drawer",
            "Door found ajar in the morning, a jar was in the way. Closed it.",
        ),
        note(
            When::to_the_minute(local(date(2026, 3, 5), 19, 35)),
            "stair-landing",
            "Cells of the board were flat; new ones put in.",
        ),
        Draft::new(
            None,
            When::to_the_minute(stuck_from),
            Statement::Excluded {
                board: name("board-airing"),
                probe: name("air"),
                quantity: Some(QuantityWord(Quantity::Temperature)),
                until: When::to_the_minute(stuck_to),
                why: "thermometer stood still until the plug was reseated"
                    .to_owned(),
            },
        ),
        note(
            on(date(2026, 3, 18)),
            "airing-shelf",
            "The thermometer showed one value for two days. Reseated the plug.",
        ),
    ];
    drafts.extend(seedlings(season));
    drafts
}

/// The first three containers with enough seedlings give one each to be
/// potted and planted out.
fn seedlings(season: &Season) -> Vec<Draft> {
    let steps = [
        (date(2026, 4, 18), "potted", "root trainers, cold frame"),
        (date(2026, 5, 30), "four-leaves", ""),
        (date(2026, 8, 22), "planted-out", "along the east hedge"),
    ];
    season
        .container_truths()
        .iter()
        .filter(|truth| truth.germinated >= 10)
        .take(3)
        .flat_map(|truth| {
            steps.map(|(day, state, note)| {
                Draft::new(
                    Some(&season.plan.trial),
                    on(day),
                    Statement::Seedling {
                        unit: truth.container.clone(),
                        seedling: name(&format!("{}-a", truth.container)),
                        state: state.to_owned(),
                        note: note.to_owned(),
                    },
                )
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::admission::{OnConflict, admit};
    use crate::trial::book::Book;
    use crate::trial::entry::{Entry, EntryId, Severity};

    fn book(season: &Season) -> Book {
        let entries: Vec<Entry> = (1..)
            .zip(&season.drafts)
            .map(|(id, draft)| Entry {
                id: EntryId(id),
                draft: draft.clone(),
                written: draft.when.at,
                by: String::new(),
                origin: "demo".to_owned(),
            })
            .collect();
        let (book, problems) = Book::build(&entries);
        assert_eq!(problems, []);
        book
    }

    #[test]
    fn the_demo_makes_a_sound_book_of_16_batches_and_48_containers() {
        let season = demo_season();
        let admitted = admit(&[], &season.drafts, &OnConflict::Refuse);
        assert_eq!(admitted.refused, []);
        let book = book(&season);
        let trial = book.trial(None).unwrap();
        assert_eq!(trial.batches().count(), 16);
        assert_eq!(trial.containers().count(), 48);
        for container in trial.containers() {
            assert!((25..=30).contains(&container.seeds));
            assert_eq!(container.looks.len(), 28);
            assert!(container.closure.is_some());
        }
        for truth in season.container_truths() {
            let unit = &trial.units[&truth.container];
            assert_eq!(unit.germinated(), truth.germinated);
            let (weeks, _) = trial.level(unit, "chill_weeks").unwrap();
            assert_eq!(weeks, truth.chill_weeks.to_string());
            let moist: f64 = trial
                .history(unit, season.plan.ends())
                .iter()
                .filter(|s| s.place.as_str() == "fridge-drawer" && s.moist)
                .map(crate::trial::history::Stretch::hours)
                .sum();
            let expected = 168.0 * f64::from(truth.chill_weeks);
            // The clocks went back once.
            assert!((moist - expected).abs() <= 1.0, "{moist} {expected}");
        }
    }

    #[test]
    fn the_demo_is_the_same_every_time() {
        assert_eq!(demo_season(), demo_season());
    }

    #[test]
    fn the_demo_has_all_it_wants_to_show() {
        let season = demo_season();
        let book = book(&season);
        let trial = book.trial(None).unwrap();
        let in_the_cold: u32 =
            trial.batches().map(|batch| batch.germinated()).sum();
        assert!(in_the_cold > 0);
        let mouldy = trial
            .batches()
            .filter(|b| b.mould.iter().any(|m| m.severity > Severity::None))
            .count();
        assert!((1..16).contains(&mouldy), "{mouldy} mouldy bags");
        assert_eq!(book.house.watches.len(), 5);
        assert_eq!(book.house.excluded.len(), 1);
        assert_eq!(book.house.calibrations.len(), 2);
        assert!(!trial.seedlings.is_empty());
        let sown: std::collections::BTreeSet<_> =
            trial.containers().map(|c| c.begun.at).collect();
        assert_eq!(sown.len(), 1, "all are sown on the same date");
    }

    /// Every place has one board that speaks for it over the whole trial.
    #[test]
    fn each_place_has_a_main_board() {
        let season = demo_season();
        let book = book(&season);
        for place in season.plan.all_places() {
            for quantity in Quantity::CLIMATE {
                let voices = book.house.voices(
                    &place.name,
                    quantity,
                    season.plan.begins(),
                    season.plan.ends(),
                );
                assert_eq!(voices.len(), 1, "{} {quantity}", place.name);
            }
        }
    }
}
