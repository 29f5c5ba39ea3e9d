//! Containers from sowing to cut test: each seed germinates when it has had
//! its own need of warmth in the true climate of its place.
//!
//! Counts only; how they are written down is `diary`'s.

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use crate::observation::Name;
use crate::season::chance::{bell, dice_for};
use crate::season::chilling::GrownBatch;
use crate::season::growth::{Seen, no_closure};
use crate::season::plan::{PlannedPlace, SeasonPlan, after, local};
use crate::season::truth::{ContainerTruth, LIGHT_DAYS, Truth};
use crate::season::weather::Weather;
use crate::trial::entry::Closure;
use crate::units::{Fraction, Instant};

/// The true climate of a place is integrated over steps of this length.
const STEP_MILLIS: i64 = 600_000;

/// A container from sowing to cut test.
pub(crate) struct GrownContainer {
    pub(crate) truth: ContainerTruth,
    pub(crate) chill: usize,
    pub(crate) looks: Vec<Seen>,
    pub(crate) closure: Closure,
}

/// Temperature and light of a place, sampled from the true climate.
pub(crate) struct PlaceLog {
    from: Instant,
    celsius: Vec<f64>,
    lux: Vec<f64>,
}

impl PlaceLog {
    pub(crate) fn take(
        weather: &Weather,
        place: &PlannedPlace,
        from: Instant,
        to: Instant,
    ) -> Self {
        let steps = to.millis_since(from) / STEP_MILLIS + 2;
        let (celsius, lux) = (0..steps)
            .map(|k| {
                let at = from.plus_millis(k * STEP_MILLIS);
                let here =
                    weather.climate_at(place.name.as_str(), &place.spot, at);
                (here.temperature.degrees(), here.light.lux())
            })
            .unzip();
        Self { from, celsius, lux }
    }

    fn index(&self, at: Instant) -> usize {
        let steps = at.millis_since(self.from) / STEP_MILLIS;
        usize::try_from(steps).unwrap_or(0).min(self.lux.len() - 1)
    }

    fn mean_lux(&self, from: Instant, to: Instant) -> f64 {
        let lux = &self.lux[self.index(from)..=self.index(to)];
        lux.iter().sum::<f64>() / lux.len() as f64
    }

    /// Warmth above a base since an instant, one value a step, °C·d.
    pub(crate) fn warmth(&self, base: f64, since: Instant) -> Warmth {
        const STEP_DAYS: f64 = STEP_MILLIS as f64 / 86_400_000.0;
        let above: Vec<f64> = self.celsius[self.index(since)..]
            .iter()
            .map(|celsius| (celsius - base).max(0.0))
            .collect();
        let mut sum = 0.0;
        let mut sums = vec![0.0];
        for pair in above.windows(2) {
            sum += STEP_DAYS * (pair[0] + pair[1]) / 2.0;
            sums.push(sum);
        }
        Warmth { since, sums }
    }
}

/// Warmth that has come together since sowing.
pub(crate) struct Warmth {
    since: Instant,
    sums: Vec<f64>,
}

impl Warmth {
    fn at(&self, at: Instant) -> f64 {
        let step = at.millis_since(self.since) / STEP_MILLIS;
        let step = usize::try_from(step).unwrap_or(0);
        self.sums[step.min(self.sums.len() - 1)]
    }

    /// The end of the step in which a sum is reached.
    fn reaches(&self, sum: f64) -> Option<Instant> {
        let step = self.sums.partition_point(|s| *s < sum);
        (step < self.sums.len()).then(|| {
            let step = i64::try_from(step).expect("steps of a season");
            self.since.plus_millis(step * STEP_MILLIS)
        })
    }
}

/// A place with its climate since a sowing.
pub(crate) struct Spell<'a> {
    pub(crate) place: usize,
    pub(crate) log: &'a PlaceLog,
    pub(crate) warmth: Warmth,
}

/// What a seed turns out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    Germinates(Instant),
    Viable,
    Empty,
    Dead,
}

/// The looks at a container: every so many days in the evening.
fn container_looks(
    plan: &SeasonPlan,
    chill: usize,
    name: &Name,
) -> Vec<Instant> {
    let sown = plan.sowing_date_of(chill);
    // The round takes half an hour and begins when there is time.
    let round = plan.noise().of("round");
    let own = round.of(name.as_str()).share(0) * 30.0;
    let days = plan.look_every_days.max(1);
    (1..=plan.follow_up_days / days)
        .map(|k| {
            let late = 50.0 * round.share(k.into());
            local(after(sown, k * days), 18, 0)
                .plus_millis(60_000 * whole(late + own))
        })
        .collect()
}

fn whole(minutes: f64) -> i64 {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "minutes of one evening"
    )]
    let whole = minutes as i64;
    whole
}

pub(crate) fn grow_container(
    plan: &SeasonPlan,
    batch: &GrownBatch,
    name: Name,
    seeds: u32,
    spell: &Spell<'_>,
) -> GrownContainer {
    let truth = &plan.truth;
    let (chill, lot) = (batch.chill, batch.lot);
    let Spell { place, log, warmth } = spell;
    let mut dice = dice_for(plan, "container", &name);
    let sown = plan.sowing_of(chill);
    let mean_lux = log.mean_lux(sown, sown.plus_hours(24.0 * LIGHT_DAYS));
    let scatter =
        batch.truth.scatter + truth.container_scatter * bell(&mut dice);
    let able = truth.share_with(chill, lot, mean_lux, scatter);
    let late = truth.timing_scatter * bell(&mut dice);
    let half_warmth = truth.chills[chill].half_warmth * 10_f64.powf(late);
    let looks = container_looks(plan, chill, &name);
    let end = looks.last().copied().unwrap_or(sown);
    let reached = truth.reached(warmth.at(end), half_warmth);

    let fates: Vec<Fate> = (0..seeds)
        .map(|_| {
            let need = bell(&mut dice);
            let need = half_warmth * 10_f64.powf(truth.spread * need);
            fate(truth, able, warmth.reaches(need), &mut dice)
        })
        .collect();
    let (looks, closure) = follow(
        truth,
        sown,
        &looks,
        &fates,
        no_closure(name.clone()),
        &mut dice,
    );
    let fraction = Fraction::new(able.value() * reached.value())
        .expect("a product of shares");
    let truth = ContainerTruth {
        container: name,
        batch: batch.truth.batch.clone(),
        lot: batch.truth.lot.clone(),
        place: plan.places[*place].name.clone(),
        chill_weeks: batch.truth.chill_weeks,
        seeds,
        mean_lux,
        able,
        half_warmth,
        fraction,
        germinated: looks.iter().map(|seen| seen.germinated).sum(),
    };
    GrownContainer { truth, chill, looks, closure }
}

fn fate(
    truth: &Truth,
    able: Fraction,
    when: Option<Instant>,
    dice: &mut ChaCha8Rng,
) -> Fate {
    let drawn: f64 = dice.random();
    if drawn < able.value() {
        return when.map_or(Fate::Viable, Fate::Germinates);
    }
    // Empty and dead seeds take their share of the rest, all of it if need
    // be.
    let rest = 1.0 - able.value();
    let lost = truth.empty_share + truth.dead_share;
    let scale = (rest / lost.max(1e-9)).min(1.0);
    let beyond = drawn - able.value();
    if beyond < truth.empty_share * scale {
        Fate::Empty
    } else if beyond < lost * scale {
        Fate::Dead
    } else {
        Fate::Viable
    }
}

/// What the looks show of the seeds' fates, and how the rest is classed.
fn follow(
    truth: &Truth,
    sown: Instant,
    looks: &[Instant],
    fates: &[Fate],
    mut closure: Closure,
    dice: &mut ChaCha8Rng,
) -> (Vec<Seen>, Closure) {
    let mut seen: Vec<Seen> = looks
        .iter()
        .map(|at| Seen {
            at: *at,
            germinated: 0,
            mouldy_now: 0,
            removed_mould: 0,
            severity: None,
            rinsed: false,
        })
        .collect();
    // The first look at or after an instant, if there is one.
    let look_after = |at: Instant| {
        let k = looks.partition_point(|look| *look < at);
        (k < looks.len()).then_some(k)
    };
    for fate in fates {
        match fate {
            Fate::Germinates(at) => match look_after(*at) {
                Some(k) => seen[k].germinated += 1,
                None => closure.viable += 1,
            },
            Fate::Viable => closure.viable += 1,
            Fate::Empty | Fate::Dead => {
                let moulds = dice.random::<f64>() < truth.mould.in_container;
                let days = -30.0 * (1.0 - dice.random::<f64>()).ln();
                let first = look_after(sown.plus_hours(24.0 * days));
                match first.filter(|_| moulds) {
                    // Seen at one look, taken out at the next.
                    Some(k) if k + 1 < looks.len() => {
                        seen[k].mouldy_now += 1;
                        seen[k + 1].removed_mould += 1;
                    }
                    Some(k) => {
                        seen[k].mouldy_now += 1;
                        closure.mouldy += 1;
                    }
                    None if *fate == Fate::Empty => closure.empty += 1,
                    None => closure.dead += 1,
                }
            }
        }
    }
    (seen, closure)
}
