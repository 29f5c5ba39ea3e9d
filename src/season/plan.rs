//! What is to be grown: lots, chill lengths, batches, containers, places,
//! boards, and the truth behind them. A plan and its seed give one season.
//!
//! The rowan plan of the demo is in `rowan`; simulations change its fields.

use chrono::{Days, NaiveDate, TimeZone};
use chrono_tz::Europe::Dublin;

use crate::observation::{Name, Reading, Series};
use crate::season::boards::{Board, WireSample};
use crate::season::diary;
use crate::season::growth::{self, Grown};
use crate::season::noise::Noise;
use crate::season::truth::{BatchTruth, ContainerTruth, Truth};
use crate::season::weather::{Climate, Spot, Weather};
use crate::trial::entry::{Draft, Lot, PlaceKind, Watch};
use crate::units::Instant;

/// A place of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedPlace {
    /// Its name.
    pub name: Name,
    /// The ending of its containers' names.
    pub short: String,
    /// What kind of spot.
    pub kind: PlaceKind,
    /// What lights it.
    pub light_source: String,
    /// How the grower calls it.
    pub title: String,
    /// Its climate.
    pub spot: Spot,
}

/// A lot of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedLot {
    /// The beginning of its batches' names.
    pub short: String,
    /// What the grower wrote about it.
    pub lot: Lot,
}

/// Which container goes where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Crossing {
    /// Every batch is sown at every place.
    Crossed,
    /// Each batch goes to one place, in turn, so that each chill length is
    /// at several places if it has several batches.
    BatchesInTurn,
    /// Each chill length goes to one place: the two cannot be told apart.
    ChillWithPlace,
}

/// What happens on the same date for all batches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SameDate {
    /// Sowing: chilling begins at different dates.
    Sowing,
    /// The beginning of chilling: the calendar goes with the chill length.
    Chilling,
}

/// The plan of a season.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonPlan {
    /// All chance follows from it.
    pub seed: u64,
    /// The trial's name.
    pub trial: Name,
    /// The question it asks.
    pub question: String,
    /// Factors whose comparison was planned.
    pub planned: Vec<String>,
    /// Degrees north and east of the house.
    pub latitude_longitude: (f64, f64),
    /// When the longest chilled batches are sown.
    pub last_sowing: NaiveDate,
    /// What all batches have in common.
    pub same_date: SameDate,
    /// Where batches are chilled.
    pub fridge: PlannedPlace,
    /// Where containers stand.
    pub places: Vec<PlannedPlace>,
    /// The lots.
    pub lots: Vec<PlannedLot>,
    /// Batches for each lot and chill length.
    pub batches_each: u32,
    /// Containers for each batch at each of its places.
    pub containers_each: u32,
    /// Seeds put into a batch.
    pub seeds_in_batch: u32,
    /// Seeds sown into a container, as far as the batch has them.
    pub seeds_in_container: u32,
    /// Which container goes where.
    pub crossing: Crossing,
    /// Containers are looked at this often.
    pub look_every_days: u32,
    /// For so many days after sowing.
    pub follow_up_days: u32,
    /// The truth; its chill lengths are those of the trial.
    pub truth: Truth,
    /// The boards.
    pub boards: Vec<Board>,
    /// Ranges the grower wants kept.
    pub watches: Vec<Watch>,
}

impl SeasonPlan {
    /// The weather of this plan.
    #[must_use]
    pub fn weather(&self) -> Weather {
        let (latitude, longitude) = self.latitude_longitude;
        Weather::new(self.seed, latitude, longitude)
    }

    /// The fridge, then the other places.
    pub fn all_places(&self) -> impl Iterator<Item = &PlannedPlace> {
        std::iter::once(&self.fridge).chain(&self.places)
    }

    /// When batches of a chill length are sown.
    #[must_use]
    pub fn sowing_of(&self, chill: usize) -> Instant {
        evening(self.sowing_date_of(chill))
    }

    pub(crate) fn sowing_date_of(&self, chill: usize) -> NaiveDate {
        match self.same_date {
            SameDate::Sowing => self.last_sowing,
            SameDate::Chilling => {
                let chills = &self.truth.chills;
                let longest = chills.iter().map(|c| c.weeks).max().unwrap_or(0);
                before(self.last_sowing, 7 * (longest - chills[chill].weeks))
            }
        }
    }

    /// The date on which moist chilling begins (sowing, if there is none).
    pub(crate) fn chilling_date_of(&self, chill: usize) -> NaiveDate {
        let weeks = self.truth.chills[chill].weeks;
        before(self.sowing_date_of(chill), 7 * weeks)
    }

    /// Midnight before the first batch is begun.
    #[must_use]
    pub fn begins(&self) -> Instant {
        let first = (0..self.truth.chills.len())
            .map(|chill| self.chilling_date_of(chill))
            .min()
            .unwrap_or(self.last_sowing);
        local(before(first, 1), 0, 0)
    }

    /// The evening after the last containers are closed.
    #[must_use]
    pub fn ends(&self) -> Instant {
        local(after(self.last_sowing, self.follow_up_days), 22, 0)
    }

    pub(crate) fn noise(&self) -> Noise {
        Noise::new(self.seed)
    }

    /// Lets the season happen.
    #[must_use]
    pub fn grow(self) -> Season {
        let grown = growth::grow(&self);
        let drafts = diary::drafts(&self, &grown);
        let weather = self.weather();
        let Grown { batches, containers } = grown;
        Season {
            weather,
            drafts,
            batch_truths: batches.into_iter().map(|b| b.truth).collect(),
            container_truths: containers.into_iter().map(|c| c.truth).collect(),
            plan: self,
        }
    }
}

/// A season that happened: what the grower wrote, and the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    /// What was planned.
    pub plan: SeasonPlan,
    /// The weather it had.
    pub weather: Weather,
    /// The grower's statements: definitions first, then by date within each
    /// unit. All of them together make a sound book.
    pub drafts: Vec<Draft>,
    pub(crate) batch_truths: Vec<BatchTruth>,
    pub(crate) container_truths: Vec<ContainerTruth>,
}

impl Season {
    /// The true climate at a place; `None` for a place that is not there.
    #[must_use]
    pub fn climate_at(&self, place: &Name, at: Instant) -> Option<Climate> {
        let planned = self.plan.all_places().find(|p| p.name == *place)?;
        Some(self.weather.climate_at(place.as_str(), &planned.spot, at))
    }

    /// Each batch's truth, in the order of sowing.
    #[must_use]
    pub fn batch_truths(&self) -> &[BatchTruth] {
        &self.batch_truths
    }

    /// Each container's own truth, after scatter.
    #[must_use]
    pub fn container_truths(&self) -> &[ContainerTruth] {
        &self.container_truths
    }

    /// Final counts drawn anew at the true fractions of the containers, in
    /// their order; another seed gives another draw.
    #[must_use]
    pub fn redraw_counts(&self, seed: u64) -> Vec<u32> {
        growth::redraw(&self.container_truths, seed)
    }

    /// What all boards say from an instant on, until (not including)
    /// another: board by board, oldest first.
    pub fn readings(
        &self,
        from: Instant,
        to: Instant,
    ) -> impl Iterator<Item = (Series, Reading)> + '_ {
        self.plan
            .boards
            .iter()
            .flat_map(move |board| board.readings(self, from, to))
    }

    /// What one board would send over that stretch; empty for a board that
    /// is not there.
    #[must_use]
    pub fn wire_samples(
        &self,
        board: &Name,
        from: Instant,
        to: Instant,
    ) -> Vec<WireSample> {
        self.plan
            .boards
            .iter()
            .filter(|known| known.name == *board)
            .flat_map(|board| board.wire_samples(self, from, to))
            .collect()
    }
}

/// A local hour of a date in the zone of the invented house.
pub(crate) fn local(date: NaiveDate, hour: u32, minute: u32) -> Instant {
    let time = date.and_hms_opt(hour, minute, 0).expect("an hour of a day");
    Dublin
        .from_local_datetime(&time)
        .earliest()
        .expect("clocks do not change at this hour")
        .to_utc()
        .into()
}

/// The hour meant by a date alone, as in the demo's settings.
pub(crate) fn evening(date: NaiveDate) -> Instant {
    local(date, 20, 0)
}

pub(crate) fn before(date: NaiveDate, days: u32) -> NaiveDate {
    date.checked_sub_days(Days::new(days.into())).expect("a date of our time")
}

pub(crate) fn after(date: NaiveDate, days: u32) -> NaiveDate {
    date.checked_add_days(Days::new(days.into())).expect("a date of our time")
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use super::*;
    use crate::season::rowan::rowan_plan;
    use crate::trial::admission::{OnConflict, admit};

    fn places_by_chill(season: &Season) -> BTreeMap<u32, BTreeSet<&str>> {
        let mut places: BTreeMap<u32, BTreeSet<&str>> = BTreeMap::new();
        for truth in season.container_truths() {
            places
                .entry(truth.chill_weeks)
                .or_default()
                .insert(truth.place.as_str());
        }
        places
    }

    fn is_sound(season: &Season) {
        let admitted = admit(&[], &season.drafts, &OnConflict::Refuse);
        assert_eq!(admitted.refused, []);
        assert_eq!(admitted.fresh.len(), season.drafts.len());
    }

    #[test]
    fn the_same_seed_gives_the_same_season_and_another_another() {
        let drafts = |seed| rowan_plan(seed).grow().drafts;
        assert_eq!(drafts(3), drafts(3));
        assert_ne!(drafts(3), drafts(4));
    }

    #[test]
    fn crossed_plans_have_every_chill_length_at_every_place() {
        let season = rowan_plan(3).grow();
        is_sound(&season);
        for (_, places) in places_by_chill(&season) {
            assert_eq!(places.len(), 3);
        }
    }

    #[test]
    fn a_confounded_plan_has_one_place_for_each_chill_length() {
        let plan = SeasonPlan {
            crossing: Crossing::ChillWithPlace,
            containers_each: 2,
            ..rowan_plan(3)
        };
        let season = plan.grow();
        is_sound(&season);
        for (_, places) in places_by_chill(&season) {
            assert_eq!(places.len(), 1);
        }
        assert_eq!(season.container_truths().len(), 32);
    }

    #[test]
    fn batches_in_turn_spread_a_chill_length_over_places() {
        let plan = SeasonPlan {
            crossing: Crossing::BatchesInTurn,
            batches_each: 3,
            ..rowan_plan(3)
        };
        let season = plan.grow();
        is_sound(&season);
        assert_eq!(season.container_truths().len(), 24);
        for (_, places) in places_by_chill(&season) {
            assert_eq!(places.len(), 3);
        }
    }

    #[test]
    fn chilling_on_the_same_date_means_sowing_on_different_ones() {
        let plan =
            SeasonPlan { same_date: SameDate::Chilling, ..rowan_plan(3) };
        let sowings: BTreeSet<_> = (0..4).map(|c| plan.sowing_of(c)).collect();
        let chillings: BTreeSet<_> =
            (0..4).map(|c| plan.chilling_date_of(c)).collect();
        assert_eq!((sowings.len(), chillings.len()), (4, 1));
        is_sound(&plan.grow());
    }

    /// The clock of the invented house is an hour ahead of UTC in summer.
    #[test]
    fn evenings_follow_the_local_clock() {
        let hour = |date: &str| evening(date.parse().unwrap()).to_string();
        assert_eq!(hour("2026-02-14"), "2026-02-14T20:00:00Z");
        assert_eq!(hour("2026-04-11"), "2026-04-11T19:00:00Z");
    }
}
