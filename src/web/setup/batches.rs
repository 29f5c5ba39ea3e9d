//! Set up: batches, seeds prepared together; also one that is eight weeks in
//! the cold already.

use maud::{Markup, html};

use crate::observation::Name;
use crate::trial::book::Trial;
use crate::trial::entry::{Batch, Factors, Statement};
use crate::trial::when::When;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::naming::{named, proposed};
use crate::web::setup::sheet::{
    Choice, Fields, Said, Typed, factor_fields, factors, field, first_a_trial,
    needed_trial, trial_field, unit_choices, when,
};
use crate::web::units::link;
use crate::web::words::{called, seeds};

pub(super) const KIND: Kind = Kind {
    path: "batches",
    title: "Batches",
    draw,
    read,
    fill,
    next: |form| format!("/setup/batches?trial={}", form.text("trial")),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Batches" } (first_a_trial()) };
    };
    let lots: Vec<Choice> =
        std::iter::once((String::new(), "no lot".to_owned()))
            .chain(
                trial.lots.keys().map(|lot| (lot.to_string(), lot.to_string())),
            )
            .collect();
    let open = trial.batches().filter(|unit| unit.closure.is_none());
    let parents: Vec<Choice> = std::iter::once((
        String::new(),
        "no: straight from the lot".to_owned(),
    ))
    .chain(unit_choices(open))
    .collect();
    let fields = html! {
        (trial_field(trial))
        (typed.select("lot", "Of which lot", &lots))
        (typed.number("seeds", "How many seeds", ""))
        (typed.when("Since when it is prepared"))
        @if typed.change.is_none() {
            (typed.first_place())
            (typed.choices("moist", "The seeds are",
                &[("moist", "moist"), ("dry", "dry")], "moist"))
        }
        @if parents.len() > 1 {
            (typed.select("parent", "Taken from another batch?", &parents))
        }
        (typed.factors(trial, "batch"))
        (typed.name("name", "Short name",
            "left empty: the lot and the levels, such as hedge-12"))
    };
    html! {
        h1 { "Batches" }
        (typed.trial_switch(trial, "batches"))
        p { "A batch is seed of one lot prepared together, such as one bag in \
            the fridge. Two bags for each length of chill tell more than one \
            large one: with a single bag, chance and treatment cannot be told \
            apart." }
        ul.rows {
            @for unit in trial.batches() {
                li { a href=(link(unit)) {
                    strong { (called(unit)) }
                    span.soft { (seeds(unit.left())) " left · since "
                        (typed.desk.zone().shown(&unit.begun)) }
                } }
            }
        }
        @if typed.change.is_none() { h2 { "A new batch" } }
        (typed.form("batches", "Add the batch", &fields))
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let change = !form.text("change").is_empty();
    let lot = Name::new(form.text("lot")).ok();
    let parent = Name::new(form.text("parent")).ok();
    if lot.is_none() && parent.is_none() {
        reading.wrong.add("lot", "say of which lot or batch the seeds are");
    }
    let n_seeds = reading.some_seeds(form, "seeds");
    let left = parent.as_ref().and_then(|name| trial.units.get(name));
    if let Some(left) = left.map(crate::trial::unit::Unit::left)
        && !change
        && n_seeds > left
    {
        let told = format!("only {} left in that batch", seeds(left));
        reading.wrong.add("seeds", told);
    }
    let factors = factors(trial, form, reading);
    let taken = |name: &str| trial.units.contains_key(name);
    let instead = from_levels(lot.as_ref().or(parent.as_ref()), &factors);
    let name = named(reading, form, "name", &instead, taken);
    if name.as_ref().is_some_and(|n| taken(n.as_str())) && !change {
        reading.wrong.add("name", told_taken(trial));
    }
    let when = when(desk, form, reading);
    let Some(batch) = name else { return Vec::new() };
    let stay = first_stay(trial, &batch, when, form, reading);
    let statement = Statement::Batch(Batch {
        batch,
        lot,
        parent,
        seeds: n_seeds,
        label: None,
        factors,
    });
    let made = Said::new("name", Some(&trial.name), when, statement);
    std::iter::once(made).chain(stay).collect()
}

/// Why a name cannot be had again, and which would do.
pub(super) fn told_taken(trial: &Trial) -> String {
    format!(
        "a batch or container of trial {} has this name already; they share \
         one set of names",
        trial.name
    )
}

/// `hedge` with chill_weeks 12 → `hedge-12`.
fn from_levels(origin: Option<&Name>, factors: &Factors) -> String {
    let origin = origin.map_or("batch", Name::as_str);
    let levels = factors.values().map(String::as_str);
    let words: Vec<&str> = std::iter::once(origin).chain(levels).collect();
    proposed(&words.join(" "), |_| false)
}

/// The stay that a new unit is given with it.
pub(super) fn first_stay(
    trial: &Trial,
    unit: &Name,
    when: When,
    form: &Form,
    reading: &mut Reading,
) -> Option<Said> {
    let place = Name::new(form.text("place")).ok();
    let position = reading.text(form, "position");
    if place.is_none() && !position.is_empty() {
        reading.wrong.add("place", "say at which place, or clear “where”");
    }
    let statement = Statement::Stay {
        unit: unit.clone(),
        place: Some(place?),
        until: None,
        moist: form.text("moist") != "dry",
        position,
    };
    Some(Said::new("place", Some(&trial.name), when, statement))
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Batch(batch) = statement else { return None };
    let name = |name: &Option<Name>| {
        name.as_ref().map(ToString::to_string).unwrap_or_default()
    };
    let mut fields = vec![
        field("name", &batch.batch),
        field("lot", name(&batch.lot)),
        field("parent", name(&batch.parent)),
        field("seeds", batch.seeds),
    ];
    fields.extend(factor_fields(&batch.factors));
    Some(fields)
}
