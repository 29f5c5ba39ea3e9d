//! A small invented rowan trial: two lots, three lengths of chilling, two
//! batches of each, two places; readings every half hour.
//!
//! Not the demo's season and no statement about seeds.

use std::collections::BTreeMap;

use tempfile::TempDir;
use vernalog::observation::{Name, Quality, Quantity, Reading, Series};
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{
    Batch, Check, Closure, Container, Counted, Draft, Lid, Look, Lot,
    PlaceKind, QuantityWord, Severity, Statement,
};
use vernalog::trial::when::When;
use vernalog::units::Instant;

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// 14 February 2026, 20:00 in Dublin.
pub(crate) const SOWN: Instant = Instant::from_millis(1_771_099_200_000);
pub(crate) const WEEKS: [u32; 3] = [0, 6, 12];
pub(crate) const LOTS: [&str; 2] = ["hill", "lane"];
pub(crate) const PLACES: [&str; 2] = ["stair-landing", "study-sill"];
const FRIDGE: &str = "fridge-drawer";
pub(crate) const SEEDS: u32 = 30;
/// Looks, every second day.
const LOOKS: u32 = 20;

pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub(crate) fn days(n: i64) -> Instant {
    SOWN.plus_millis(n * DAY)
}

/// What may differ from trial to trial.
pub(crate) struct Plan {
    pub(crate) question: String,
    pub(crate) landing_title: String,
    pub(crate) planned: Vec<String>,
    /// Seeds germinated in the end: index of level, place, batch (0 to 3
    /// within its level).
    pub(crate) germinated: Box<dyn Fn(usize, usize, usize) -> u32>,
    /// Places that have a board.
    pub(crate) boards: Vec<&'static str>,
}

impl Plan {
    /// Longer chilling, more seeds; a board everywhere.
    pub(crate) fn plain() -> Self {
        Self {
            question: "How long must our rowan lie in the fridge?".to_owned(),
            landing_title: "Stair landing".to_owned(),
            planned: vec!["chill_weeks".to_owned(), "place".to_owned()],
            germinated: Box::new(|level, place, batch| {
                let base = [2_u32, 16, 22][level];
                let more = [0_u32, 3][place];
                base + more + u32::try_from((batch * 5 + level) % 4).unwrap()
            }),
            boards: vec![PLACES[0], PLACES[1], FRIDGE],
        }
    }

    pub(crate) fn counts_only() -> Self {
        Self { boards: Vec::new(), ..Self::plain() }
    }

    /// All statements of the trial.
    pub(crate) fn drafts(&self) -> Vec<Draft> {
        let mut diary = Diary { drafts: Vec::new() };
        diary.say(
            days(-90),
            Statement::Trial {
                trial: name("rowan"),
                question: self.question.clone(),
                planned: self.planned.clone(),
            },
        );
        diary.place(FRIDGE, PlaceKind::Fridge, "", "Fridge drawer");
        diary.place(PLACES[0], PlaceKind::Shelf, "", &self.landing_title);
        diary.place(PLACES[1], PlaceKind::Sill, "daylight", "Study sill");
        for board in &self.boards {
            diary.board(board);
        }
        for lot in LOTS {
            diary.say(days(-88), Statement::Lot(lot_of(lot)));
        }
        for (level, weeks) in WEEKS.into_iter().enumerate() {
            for batch in 0..4 {
                self.batch(&mut diary, level, weeks, batch);
            }
        }
        diary.drafts
    }

    fn batch(&self, diary: &mut Diary, level: usize, weeks: u32, batch: usize) {
        let own = name(&format!("{}-{weeks}w-{batch}", LOTS[batch % 2]));
        // One of them germinates before it is sown.
        let early = u32::from(weeks == 12 && batch == 2);
        let begun = days(-7 * i64::from(weeks)).plus_millis(-HOUR);
        diary.say(
            begun,
            Statement::Batch(Batch {
                batch: own.clone(),
                lot: Some(name(LOTS[batch % 2])),
                parent: None,
                seeds: 2 * SEEDS + early,
                label: None,
                factors: BTreeMap::from([(
                    "chill_weeks".to_owned(),
                    weeks.to_string(),
                )]),
            }),
        );
        if weeks > 0 {
            diary.stay(&own, FRIDGE, begun);
            let mouldy = weeks == 12 && batch == 1;
            diary.look(&own, days(-20), early, u32::from(mouldy));
            diary.look(&own, days(-8), 0, u32::from(mouldy));
            if mouldy {
                let severity = Severity::Some;
                let unit = own.clone();
                diary.say(days(-20), Statement::Mould { unit, severity });
            }
        }
        for (place, title) in PLACES.into_iter().enumerate() {
            let (short, _) = title.split_once("-").unwrap();
            let container = name(&format!("{own}-{short}"));
            let end = (self.germinated)(level, place, batch).min(SEEDS);
            diary.container(&container, &own, title, end);
        }
    }

    /// A store that holds the trial, and its folder.
    pub(crate) fn store(&self) -> (TempDir, Store) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let recorded = store
            .record(&Records {
                drafts: &self.drafts(),
                on_conflict: OnConflict::Refuse,
                keep: Keep::AllOrNothing,
                by: "test",
                origin: "import",
                now: days(60),
                dry_run: false,
            })
            .unwrap();
        assert_eq!(recorded.refused, []);
        for board in &self.boards {
            for chunk in readings(board).chunks(20_000) {
                store.import_readings(chunk).unwrap();
            }
        }
        (folder, store)
    }
}

fn lot_of(lot: &str) -> Lot {
    Lot {
        lot: name(lot),
        species: "Sorbus aucuparia".to_owned(),
        supplier: String::new(),
        collected: String::new(),
        received: String::new(),
        storage: String::new(),
        factors: BTreeMap::new(),
    }
}

struct Diary {
    drafts: Vec<Draft>,
}

impl Diary {
    fn say(&mut self, at: Instant, statement: Statement) {
        let trial = (!statement.is_of_the_house()).then(|| name("rowan"));
        let when = When::to_the_minute(at);
        self.drafts.push(Draft::new(trial.as_ref(), when, statement));
    }

    fn place(
        &mut self,
        place: &str,
        place_kind: PlaceKind,
        light_source: &str,
        title: &str,
    ) {
        self.say(
            days(-89),
            Statement::Place {
                place: name(place),
                place_kind,
                light_source: light_source.to_owned(),
                title: title.to_owned(),
            },
        );
    }

    fn board(&mut self, place: &str) {
        let board = name(&format!("{place}-board"));
        self.say(
            days(-88),
            Statement::BoardStay {
                board: board.clone(),
                probe: name("air"),
                place: Some(name(place)),
                until: None,
                position: String::new(),
            },
        );
        self.say(
            days(-88),
            Statement::MainBoard {
                place: name(place),
                quantity: QuantityWord(Quantity::Temperature),
                board,
                probe: name("air"),
            },
        );
    }

    fn stay(&mut self, unit: &Name, place: &str, from: Instant) {
        self.say(
            from,
            Statement::Stay {
                unit: unit.clone(),
                place: Some(name(place)),
                until: None,
                moist: true,
                position: String::new(),
            },
        );
    }

    fn look(&mut self, unit: &Name, at: Instant, new: u32, mouldy_now: u32) {
        self.say(
            at,
            Statement::Check(Check {
                unit: unit.clone(),
                germinated: Counted::New(new),
                mouldy_now,
                removed_mould: 0,
                removed_other: 0,
                medium: String::new(),
                looked: Look::Opened,
                note: String::new(),
                by: String::new(),
            }),
        );
    }

    fn container(&mut self, own: &Name, batch: &Name, place: &str, end: u32) {
        self.say(
            SOWN,
            Statement::Container(Container {
                container: own.clone(),
                batch: Some(batch.clone()),
                seeds: SEEDS,
                lid: Lid::Closed,
                label: None,
                factors: BTreeMap::new(),
            }),
        );
        self.stay(own, place, SOWN);
        let mut before = 0;
        for look in 1..=LOOKS {
            // All between the tenth and the thirtieth day.
            let so_far = end * look.saturating_sub(5).min(10) / 10;
            self.look(own, days(2 * i64::from(look)), so_far - before, 0);
            before = so_far;
        }
        let left = SEEDS - end;
        self.say(
            days(41),
            Statement::Closure(Closure {
                unit: own.clone(),
                viable: left / 2,
                empty: left - left / 2,
                dead: 0,
                mouldy: 0,
                lost: 0,
            }),
        );
    }
}

/// What the board of a place says: every half hour; at the landing nothing
/// for 30 hours.
fn readings(place: &str) -> Vec<(Series, Reading)> {
    let (from, to, mean, swing) = match place {
        FRIDGE => (-85, 1, 4.2, 0.7),
        "stair-landing" => (-1, 42, 15.0, 2.0),
        _ => (-1, 42, 19.0, 5.0),
    };
    let quantities = if place == FRIDGE { 2 } else { 3 };
    let mut all = Vec::new();
    for step in 0..(to - from) * 48 {
        let at = days(from).plus_millis(step * HOUR / 2);
        let quiet = days(10)..days(11).plus_millis(6 * HOUR);
        if place == "stair-landing" && quiet.contains(&at) {
            continue;
        }
        #[allow(clippy::cast_precision_loss, reason = "a few thousand steps")]
        let hour = step as f64 / 2.0;
        let turn = (hour / 24.0 * std::f64::consts::TAU).sin();
        let values = [
            (Quantity::Temperature, mean + swing * turn),
            (
                Quantity::Humidity,
                70.0 - 8.0 * turn + 10.0 * (hour / 97.0).cos(),
            ),
            (Quantity::Light, (900.0 * swing * turn).max(0.0).round()),
        ];
        for (quantity, value) in &values[..quantities] {
            let series = Series {
                board: name(&format!("{place}-board")),
                probe: name("air"),
                quantity: *quantity,
            };
            let value = (value * 10.0).round() / 10.0;
            let quality = Quality::GOOD;
            all.push((series, Reading { at, value, quality }));
        }
    }
    all
}
