//! Small invented trials, built by code: a seeded winter with chosen flaws.
//!
//! Not the demo's season and no statement about seeds.

use std::collections::BTreeMap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::observation::{Name, Quality, Quantity, Reading, Series};
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{
    Batch, Check, Closure, Container, Counted, Draft, Lid, Look, Lot,
    PlaceKind, Severity, Statement,
};
use vernalog::trial::when::When;
use vernalog::units::Instant;

const HOUR: i64 = 3_600_000;
/// 14 February 2026, 20:00 in Dublin.
const SOWN: Instant = Instant::from_millis(1_771_099_200_000);
pub(super) const FRIDGE: &str = "fridge-drawer";
pub(super) const LANDING: &str = "stair-landing";
pub(super) const SILL: &str = "study-sill";
/// Looks, every second day.
const LOOKS: i64 = 20;

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// So many days and hours after sowing.
pub(super) fn at(day: i64, hours: i64) -> Instant {
    SOWN.plus_millis((24 * day + hours) * HOUR)
}

/// What differs from design to design.
pub(super) struct Design {
    pub(super) name: &'static str,
    pub(super) weeks: Vec<u32>,
    /// Batches of each length.
    pub(super) batches: usize,
    /// Containers from each batch at each place.
    pub(super) boxes: usize,
    /// At which places a batch of this number is sown.
    pub(super) places: fn(usize) -> Vec<&'static str>,
    /// Chance of a seed: weeks, place.
    pub(super) chance: fn(u32, &str) -> f64,
    /// Whether a reading taken at this hour since sowing is there; none
    /// where no board is.
    pub(super) logged: Option<fn(i64) -> bool>,
    /// Mould in every batch and container.
    pub(super) mould: bool,
    /// Seeds of each batch that germinate in the fridge.
    pub(super) early: fn(u32) -> u32,
    /// What happens besides.
    pub(super) besides: fn(&mut Diary),
}

impl Design {
    /// Three lengths, four batches each, two places, one container a batch
    /// and place; everything logged.
    pub(super) fn plain(name: &'static str) -> Self {
        Self {
            name,
            weeks: vec![0, 6, 12],
            batches: 4,
            boxes: 1,
            places: |_| vec![LANDING, SILL],
            chance: |weeks, place| {
                let sill = if place == SILL { 0.08 } else { 0.0 };
                [0.05, 0.5, 0.75][usize::try_from(weeks / 6).unwrap()] + sill
            },
            logged: Some(|_| true),
            mould: false,
            early: |_| 0,
            besides: |_| {},
        }
    }

    pub(super) fn diary(&self) -> Diary {
        let mut diary = Diary::default();
        diary.say(
            at(-100, 0),
            Statement::Trial {
                trial: name("rowan"),
                question: "How long must our rowan lie in the fridge?"
                    .to_owned(),
                planned: vec!["chill_weeks".to_owned(), "place".to_owned()],
            },
        );
        diary.place(FRIDGE, PlaceKind::Fridge, "", "Fridge drawer");
        diary.place(LANDING, PlaceKind::Shelf, "", "Stair landing");
        diary.place(SILL, PlaceKind::Sill, "daylight", "Study sill");
        if let Some(logged) = self.logged {
            for place in [FRIDGE, LANDING, SILL] {
                diary.board(place);
                diary.log(place, logged);
            }
        }
        for lot in ["hill", "lane"] {
            diary.lot(lot);
        }
        let mut chance = ChaCha8Rng::seed_from_u64(7);
        for weeks in &self.weeks {
            for batch in 0..self.batches {
                self.batch(&mut diary, *weeks, batch, &mut chance);
            }
        }
        (self.besides)(&mut diary);
        diary
    }

    fn batch(
        &self,
        diary: &mut Diary,
        weeks: u32,
        number: usize,
        chance: &mut ChaCha8Rng,
    ) {
        let lot = ["hill", "lane"][number % 2];
        let batch = format!("b{weeks:02}-{}", number + 1);
        let places = (self.places)(number);
        let early = if weeks > 0 { (self.early)(weeks) } else { 0 };
        let boxes = u32::try_from(places.len() * self.boxes).unwrap();
        let begun = at(-7 * i64::from(weeks), -1);
        diary.batch(&batch, lot, weeks, boxes * SEEDS + early, begun);
        if weeks > 0 {
            diary.stay(&batch, Some(FRIDGE), begun);
            for (day, new) in [(-20, early / 2), (-6, early - early / 2)] {
                diary.look(&batch, at(day, 0), new, u32::from(self.mould), 0);
            }
        }
        for place in places {
            for number in 0..self.boxes {
                let short = &place[..place.find('-').unwrap()];
                let own = if self.boxes == 1 {
                    format!("{batch}-{short}")
                } else {
                    format!("{batch}-{short}-{}", number + 1)
                };
                let p = (self.chance)(weeks, place);
                let days = self.days(weeks, place, p, chance);
                diary.container(&own, &batch, place, &days, self.mould);
            }
        }
    }

    /// The day on which each seed germinates, if it does.
    fn days(
        &self,
        weeks: u32,
        place: &str,
        p: f64,
        chance: &mut ChaCha8Rng,
    ) -> Vec<f64> {
        let warm = if place == SILL { 0.8 } else { 1.0 };
        let middle = (16.0 - 0.4 * f64::from(weeks)) * warm;
        (0..SEEDS)
            .filter_map(|_| {
                let (comes, one, two): (f64, f64, f64) =
                    (chance.random(), chance.random(), chance.random());
                // Two even draws make a hump between −1 and 1.
                let z = one + two - 1.0;
                (comes < p).then(|| (middle * (1.0 + 0.6 * z)).min(39.0))
            })
            .collect()
    }
}

/// Seeds a container.
pub(super) const SEEDS: u32 = 20;

/// Everything that is written down and logged.
#[derive(Default)]
pub(super) struct Diary {
    pub(super) drafts: Vec<Draft>,
    pub(super) readings: Vec<(Series, Reading)>,
}

impl Diary {
    pub(super) fn say(&mut self, at: Instant, statement: Statement) {
        let trial = (!statement.is_of_the_house()).then(|| name("rowan"));
        let when = When::to_the_minute(at);
        self.drafts.push(Draft::new(trial.as_ref(), when, statement));
    }

    pub(super) fn place(
        &mut self,
        place: &str,
        place_kind: PlaceKind,
        light_source: &str,
        title: &str,
    ) {
        self.say(
            at(-99, 0),
            Statement::Place {
                place: name(place),
                place_kind,
                light_source: light_source.to_owned(),
                title: title.to_owned(),
            },
        );
    }

    pub(super) fn board(&mut self, place: &str) {
        self.say(
            at(-98, 0),
            Statement::BoardStay {
                board: name(&format!("{place}-board")),
                probe: name("air"),
                place: Some(name(place)),
                until: None,
                position: String::new(),
            },
        );
    }

    fn lot(&mut self, lot: &str) {
        self.say(
            at(-98, 0),
            Statement::Lot(Lot {
                lot: name(lot),
                species: "Sorbus aucuparia".to_owned(),
                supplier: String::new(),
                collected: String::new(),
                received: String::new(),
                storage: String::new(),
                factors: BTreeMap::new(),
            }),
        );
    }

    fn batch(
        &mut self,
        batch: &str,
        lot: &str,
        weeks: u32,
        seeds: u32,
        begun: Instant,
    ) {
        self.say(
            begun,
            Statement::Batch(Batch {
                batch: name(batch),
                lot: Some(name(lot)),
                parent: None,
                seeds,
                label: None,
                factors: BTreeMap::from([(
                    "chill_weeks".to_owned(),
                    weeks.to_string(),
                )]),
            }),
        );
    }

    pub(super) fn stay(
        &mut self,
        unit: &str,
        place: Option<&str>,
        from: Instant,
    ) {
        self.say(
            from,
            Statement::Stay {
                unit: name(unit),
                place: place.map(name),
                until: None,
                moist: true,
                position: String::new(),
            },
        );
    }

    pub(super) fn look(
        &mut self,
        unit: &str,
        at: Instant,
        new: u32,
        mouldy_now: u32,
        removed_mould: u32,
    ) {
        self.say(
            at,
            Statement::Check(Check {
                unit: name(unit),
                germinated: Counted::New(new),
                mouldy_now,
                removed_mould,
                removed_other: 0,
                medium: String::new(),
                looked: Look::Opened,
                note: String::new(),
                by: String::new(),
            }),
        );
        if mouldy_now > 0 {
            let (unit, severity) = (name(unit), Severity::Some);
            self.say(at, Statement::Mould { unit, severity });
        }
    }

    pub(super) fn sow(&mut self, own: &str, batch: &str, place: Option<&str>) {
        self.say(
            SOWN,
            Statement::Container(Container {
                container: name(own),
                batch: Some(name(batch)),
                seeds: SEEDS,
                lid: Lid::Closed,
                label: None,
                factors: BTreeMap::new(),
            }),
        );
        if place.is_some() {
            self.stay(own, place, SOWN);
        }
    }

    pub(super) fn container(
        &mut self,
        own: &str,
        batch: &str,
        place: &str,
        days: &[f64],
        mould: bool,
    ) {
        self.sow(own, batch, Some(place));
        let mut removed = 0;
        let mut before = 0;
        for look in 1..=LOOKS {
            let day = u32::try_from(2 * look).unwrap();
            let by_now = days.iter().filter(|d| **d <= f64::from(day)).count();
            let by_now = u32::try_from(by_now).unwrap();
            let left = SEEDS - by_now - removed;
            let takes = u32::from(mould && look % 5 == 2 && left > 0);
            let mouldy = u32::from(mould && left > takes);
            self.look(own, at(2 * look, 0), by_now - before, mouldy, takes);
            removed += takes;
            before = by_now;
        }
        let left = SEEDS - before - removed;
        self.close(own, 41, left - left / 3, left / 3, 0);
    }

    pub(super) fn close(
        &mut self,
        unit: &str,
        day: i64,
        viable: u32,
        empty: u32,
        lost: u32,
    ) {
        self.say(
            at(day, 0),
            Statement::Closure(Closure {
                unit: name(unit),
                viable,
                empty,
                dead: 0,
                mouldy: 0,
                lost,
            }),
        );
    }

    /// Takes back what was said of a unit from a day on.
    pub(super) fn forget(&mut self, unit: &str, from_day: i64) {
        let from = at(from_day, 0);
        self.drafts.retain(|draft| {
            draft.statement.subject() != unit || draft.when.at < from
        });
    }

    /// A reading every hour while anything of the trial may be there.
    fn log(&mut self, place: &str, logged: fn(i64) -> bool) {
        let (from, to, mean, swing, lux) = match place {
            FRIDGE => (-85 * 24, 42 * 24, 4.2, 0.6, 0.0),
            LANDING => (-12, 42 * 24, 14.0, 2.0, 120.0),
            _ => (-12, 42 * 24, 19.0, 4.0, 9_000.0),
        };
        for hour in (from..to).filter(|hour| logged(*hour)) {
            let at = at(0, hour);
            // Sown at 20 o'clock: warmest 17 hours later, at 13.
            #[allow(clippy::cast_precision_loss, reason = "some thousands")]
            let turn =
                ((hour - 17) as f64 / 24.0 * std::f64::consts::TAU).cos();
            #[allow(clippy::cast_precision_loss, reason = "some thousands")]
            let slow = (hour as f64 / 97.0).cos();
            for (quantity, value) in [
                (Quantity::Temperature, mean + swing * turn + 0.3 * slow),
                (Quantity::Humidity, 75.0 - 6.0 * turn + 8.0 * slow),
                (Quantity::Light, (lux * turn).max(0.0)),
            ] {
                let series = Series {
                    board: name(&format!("{place}-board")),
                    probe: name("air"),
                    quantity,
                };
                let value = (value * 10.0).round() / 10.0;
                let quality = Quality::GOOD;
                self.readings.push((series, Reading { at, value, quality }));
            }
        }
    }

    /// A store that holds it all.
    pub(super) fn store(&self) -> (tempfile::TempDir, Store) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let recorded = store
            .record(&Records {
                drafts: &self.drafts,
                on_conflict: OnConflict::Refuse,
                keep: Keep::AllOrNothing,
                by: "test",
                origin: "import",
                now: at(60, 0),
                dry_run: false,
            })
            .unwrap();
        assert_eq!(recorded.refused, []);
        for chunk in self.readings.chunks(20_000) {
            store.import_readings(chunk).unwrap();
        }
        (folder, store)
    }
}

impl Diary {
    /// A batch that is nobody's level of anything.
    pub(super) fn spare_batch(&mut self, batch: &str, lot: &str, seeds: u32) {
        self.batch(batch, lot, 0, seeds, at(-1, 0));
    }

    /// Records everything into a store that may hold it already; what was
    /// refused, in words.
    pub(super) fn record_all_that_is_sound(
        &self,
        store: &mut Store,
        on_conflict: OnConflict,
    ) -> Vec<String> {
        let recorded = store
            .record(&Records {
                drafts: &self.drafts,
                on_conflict,
                keep: Keep::Good,
                by: "test",
                origin: "import",
                now: at(60, 0),
                dry_run: false,
            })
            .unwrap();
        recorded.refused.iter().map(|refused| format!("{refused:?}")).collect()
    }
}
