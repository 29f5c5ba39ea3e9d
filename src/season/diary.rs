//! What the grower wrote down: a grown season as statements for the ledger.
//!
//! Nothing is decided here; labels are left to the store.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rand::seq::SliceRandom;

use crate::observation::{Name, Quantity};
use crate::season::boards::Board;
use crate::season::chilling::GrownBatch;
use crate::season::germination::GrownContainer;
use crate::season::growth::{Grown, Seen};
use crate::season::plan::{SeasonPlan, before, evening};
use crate::trial::entry::{
    Batch, Check, Container, Counted, Draft, Factors, Lid, Look, QuantityWord,
    Severity, Statement,
};
use crate::trial::when::When;

/// The batch factor under which chill lengths are written.
pub(crate) const CHILL_FACTOR: &str = "chill_weeks";

/// All statements: house, trial, lots, then unit by unit.
pub(crate) fn drafts(plan: &SeasonPlan, grown: &Grown) -> Vec<Draft> {
    let mut diary = Diary { plan, drafts: Vec::new() };
    diary.house();
    diary.trial();
    for batch in &grown.batches {
        diary.batch(batch);
    }
    let positions = positions(plan, &grown.containers);
    for (container, position) in grown.containers.iter().zip(positions) {
        diary.container(container, position);
    }
    for batch in &grown.batches {
        let sown = sowing_day(plan, batch.chill);
        diary.of_trial(sown, Statement::Closure(batch.closure.clone()));
    }
    diary.drafts
}

/// A date alone, at the hour that stands for it.
pub(crate) fn on(date: NaiveDate) -> When {
    When::on(date, evening(date))
}

fn sowing_day(plan: &SeasonPlan, chill: usize) -> When {
    on(plan.sowing_date_of(chill))
}

/// Containers are set out in random order, each place numbered from 1.
fn positions(plan: &SeasonPlan, containers: &[GrownContainer]) -> Vec<String> {
    let mut positions = vec![String::new(); containers.len()];
    for place in &plan.places {
        let mut here: Vec<usize> = (0..containers.len())
            .filter(|i| containers[*i].truth.place == place.name)
            .collect();
        let mut dice = plan.noise().of("set out").of(&place.short).dice();
        here.shuffle(&mut dice);
        for (number, index) in (1..).zip(here) {
            positions[index] = format!("spot {number}");
        }
    }
    positions
}

struct Diary<'a> {
    plan: &'a SeasonPlan,
    drafts: Vec<Draft>,
}

impl Diary<'_> {
    fn of_house(&mut self, when: When, statement: Statement) {
        self.drafts.push(Draft::new(None, when, statement));
    }

    fn of_trial(&mut self, when: When, statement: Statement) {
        let trial = &self.plan.trial;
        self.drafts.push(Draft::new(Some(trial), when, statement));
    }

    fn house(&mut self) {
        let start = When::to_the_minute(self.plan.begins());
        for place in self.plan.all_places() {
            self.of_house(
                start,
                Statement::Place {
                    place: place.name.clone(),
                    place_kind: place.kind,
                    light_source: place.light_source.clone(),
                    title: place.title.clone(),
                },
            );
        }
        for board in &self.plan.boards {
            self.board(board);
        }
        for watch in &self.plan.watches {
            self.of_house(start, Statement::Watch(watch.clone()));
        }
    }

    fn board(&mut self, board: &Board) {
        let since = When::to_the_minute(board.since);
        self.of_house(
            since,
            Statement::BoardStay {
                board: board.name.clone(),
                probe: board.probe.clone(),
                place: Some(board.place.clone()),
                until: None,
                position: board.position.clone(),
            },
        );
        for quantity in Quantity::CLIMATE {
            self.of_house(
                since,
                Statement::MainBoard {
                    place: board.place.clone(),
                    quantity: QuantityWord(quantity),
                    board: board.name.clone(),
                    probe: board.probe.clone(),
                },
            );
        }
        for found in &board.calibrations {
            self.of_house(
                since,
                Statement::Calibration {
                    board: board.name.clone(),
                    probe: board.probe.clone(),
                    quantity: QuantityWord(found.quantity),
                    gain: 1.0,
                    offset: found.offset,
                    note: found.note.clone(),
                },
            );
        }
    }

    fn trial(&mut self) {
        let plan = self.plan;
        let start = When::to_the_minute(plan.begins());
        self.of_trial(
            start,
            Statement::Trial {
                trial: plan.trial.clone(),
                question: plan.question.clone(),
                planned: plan.planned.clone(),
            },
        );
        for lot in &plan.lots {
            self.of_trial(start, Statement::Lot(lot.lot.clone()));
        }
    }

    /// Soaked on the day before, chilled until sowing.
    fn batch(&mut self, batch: &GrownBatch) {
        let plan = self.plan;
        let name = &batch.truth.batch;
        let chilled = plan.chilling_date_of(batch.chill);
        let begun = on(before(chilled, 1));
        let weeks = batch.truth.chill_weeks;
        let factors =
            Factors::from([(CHILL_FACTOR.to_owned(), weeks.to_string())]);
        self.of_trial(
            begun,
            Statement::Batch(Batch {
                batch: name.clone(),
                lot: Some(batch.truth.lot.clone()),
                parent: None,
                seeds: plan.seeds_in_batch,
                label: None,
                factors,
            }),
        );
        self.treat(name, begun, "soak", "24 h", "tap water, room temperature");
        if weeks > 0 {
            self.of_trial(
                on(chilled),
                Statement::Stay {
                    unit: name.clone(),
                    place: Some(plan.fridge.name.clone()),
                    until: Some(sowing_day(plan, batch.chill)),
                    moist: true,
                    position: String::new(),
                },
            );
        }
        for seen in &batch.looks {
            self.look(name, seen, Look::Opened, "moist");
            if let Some(severity) = seen.severity {
                self.of_trial(
                    When::to_the_minute(seen.at),
                    Statement::Mould { unit: name.clone(), severity },
                );
            }
            if seen.rinsed {
                let when = When::to_the_minute(seen.at);
                self.treat(name, when, "rinse", "", "fresh sand and bag");
            }
        }
    }

    fn treat(
        &mut self,
        unit: &Name,
        when: When,
        treatment: &str,
        amount: &str,
        note: &str,
    ) {
        self.of_trial(
            when,
            Statement::Treatment {
                unit: unit.clone(),
                treatment: treatment.to_owned(),
                amount: amount.to_owned(),
                note: note.to_owned(),
            },
        );
    }

    fn container(&mut self, container: &GrownContainer, position: String) {
        let plan = self.plan;
        let name = &container.truth.container;
        let sown = sowing_day(plan, container.chill);
        self.of_trial(
            sown,
            Statement::Container(Container {
                container: name.clone(),
                batch: Some(container.truth.batch.clone()),
                seeds: container.truth.seeds,
                lid: Lid::Closed,
                label: None,
                factors: BTreeMap::new(),
            }),
        );
        self.of_trial(
            sown,
            Statement::Stay {
                unit: name.clone(),
                place: Some(container.truth.place.clone()),
                until: None,
                moist: true,
                position,
            },
        );
        for (k, seen) in container.looks.iter().enumerate() {
            // A lid is lifted when there is something to take out, and every
            // other time for air.
            let busy = seen.germinated + seen.mouldy_now + seen.removed_mould;
            let look = if busy > 0 || k % 2 == 1 {
                Look::Opened
            } else {
                Look::ThroughLid
            };
            let dry = plan.noise().of("dry").of(name.as_str());
            let medium = match k {
                k if k % 7 != 6 => "",
                k if dry.share(i64::try_from(k).unwrap_or(0)) < 0.3 => {
                    "drying, watered"
                }
                _ => "moist",
            };
            self.look(name, seen, look, medium);
        }
        let end = container.looks.last().map_or(sown.at, |seen| seen.at);
        let closed = When::to_the_minute(end.plus_millis(3_600_000));
        self.of_trial(closed, Statement::Closure(container.closure.clone()));
    }

    fn look(&mut self, unit: &Name, seen: &Seen, looked: Look, medium: &str) {
        let note = match seen.severity {
            Some(Severity::Heavy) => "white threads over several seeds",
            _ => "",
        };
        self.of_trial(
            When::to_the_minute(seen.at),
            Statement::Check(Check {
                unit: unit.clone(),
                germinated: Counted::New(seen.germinated),
                mouldy_now: seen.mouldy_now,
                removed_mould: seen.removed_mould,
                removed_other: 0,
                medium: medium.to_owned(),
                looked,
                note: note.to_owned(),
                by: String::new(),
            }),
        );
    }
}
