//! Seeds moved out of a unit: sown from a batch, a portion taken at six and
//! at twelve weeks, rescued from a mouldy box, thinned.
//!
//! Into a new unit, which begins with them, or into one that is there.

use maud::{Markup, html};

use crate::observation::{Name, shown};
use crate::store::StoreError;
use crate::trial::entry::{Batch, Container, Draft, Lid, Statement, from_word};
use crate::trial::when::When;
use crate::web::changes::{back, write};
use crate::web::desk::{Answer, Desk};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{choices, keys};
use crate::web::setup::containers::{LIDS, next_free};
use crate::web::setup::naming::named;
use crate::web::setup::sheet::place_choices;
use crate::web::unit::{Tried, one};
use crate::web::units::{self, Here, link};
use crate::web::words::seeds;

const INTO: [(&str, &str); 3] = [
    ("container", "a new container"),
    ("batch", "a new batch"),
    ("there", "one that is there"),
];

/// The form on the unit's page.
pub(crate) fn form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let field = |name, label| tried.field("transfer", name, label);
    let hint = |text: &str| html! { " " span.soft { (text) } };
    let into = match tried.value("transfer", "into") {
        "" => "container",
        typed => typed,
    };
    let lid = match tried.value("transfer", "lid") {
        "" => "closed",
        typed => typed,
    };
    let free = next_free(here.trial, "c", 0);
    let place = tried.value("transfer", "place");
    html! {
        details open[tried.is("transfer")] {
            summary { "Move seeds out of it" }
            form method="post" action={ (link(here.unit)) "/transfer" } {
                (tried.told("transfer"))
                (keys(&desk.visitor))
                p.soft { "To sow some of them, to take a portion earlier \
                    than the rest, to rescue the sound ones from mould. What \
                    they lived through so far goes with them." }
                (field("seeds", "How many").number())
                p.soft { (seeds(here.unit.left())) " left here." }
                (choices("transfer", "into", "Into", &INTO, into,
                    tried.of("transfer", "into")))
                (field("other", "One that is there: its label or name")
                    .text())
                (field("name", "A new one: its name").text_with(
                    &hint(&format!("left empty: {free}"))))
                div.field {
                    label for="transfer-place" { "A new one is put at" }
                    select id="transfer-place" name="place" {
                        option value="" { "say later" }
                        @for (value, words) in place_choices(desk) {
                            option value=(value) selected[value == place] {
                                (words) }
                        }
                    }
                }
                (field("position", "Where there").text())
                (choices("transfer", "lid", "A new container’s lid is", &LIDS,
                    lid, tried.of("transfer", "lid")))
                button type="submit" { "Move the seeds" }
            }
        }
    }
}

/// `POST /u/…/transfer`
pub(crate) fn record(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = match one(desk, text) {
        Ok(here) => here,
        Err(answer) => return Ok(answer),
    };
    let drafts = drafts(desk, here, form);
    // A new unit is told of by the entry that made it, not by its stay.
    let after = drafts.as_ref().map_or(0, |drafts| drafts.len() - 1);
    let after = i64::try_from(after).unwrap_or_default();
    let told = back(here);
    let next = move |id: Option<i64>| told(id.map(|id| id - after));
    write(desk, here, "transfer", form, drafts, next)
}

fn drafts(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
) -> Result<Vec<Draft>, Wrong> {
    let mut reading = Reading::default();
    let n_seeds = reading.some_seeds(form, "seeds");
    let left = here.unit.left();
    if n_seeds > left {
        reading.wrong.add(
            "seeds",
            format!(
                "{n_seeds} are more than the {} left here: {} entered, {} \
                 germinated, {} removed, {} moved out before",
                seeds(left),
                here.unit.entered(),
                here.unit.germinated(),
                here.unit.removed_mould() + here.unit.removed_other(),
                here.unit.transferred(),
            ),
        );
    }
    let from = &here.unit.name;
    let said = match form.text("into") {
        "there" => into_known(desk, here, form, &mut reading)
            .map(|to| Statement::Transfer {
                from: from.clone(),
                to,
                seeds: n_seeds,
            })
            .into_iter()
            .collect(),
        "container" | "batch" => into_new(here, n_seeds, form, &mut reading),
        _ => {
            reading.wrong.add("into", "say where they go");
            Vec::new()
        }
    };
    if !reading.wrong.is_empty() {
        return Err(reading.wrong);
    }
    let when = When::exactly(desk.now);
    let trial = Some(&here.trial.name);
    Ok(said.into_iter().map(|said| Draft::new(trial, when, said)).collect())
}

fn into_known(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
    reading: &mut Reading,
) -> Option<Name> {
    let typed = form.text("other");
    let found = units::find(desk.book(), typed)
        .into_iter()
        .find(|other| other.trial.name == here.trial.name);
    match found {
        Some(other) if other.unit.name == here.unit.name => {
            reading.wrong.add("other", "that is this very unit");
            None
        }
        Some(other) => Some(other.unit.name.clone()),
        None => {
            reading.wrong.add(
                "other",
                format!(
                    "no batch or container of trial {} is called “{}”, and \
                     no label reads so",
                    here.trial.name,
                    shown(typed)
                ),
            );
            None
        }
    }
}

fn into_new(
    here: Here<'_>,
    n_seeds: u32,
    form: &Form,
    reading: &mut Reading,
) -> Vec<Statement> {
    let trial = here.trial;
    let is_batch = form.text("into") == "batch";
    let instead = if is_batch {
        format!("{}-portion", here.unit.name)
    } else {
        next_free(trial, "c", 0)
    };
    let taken = |name: &str| trial.units.contains_key(name);
    let name = named(reading, form, "name", &instead, taken);
    if name.as_ref().is_some_and(|name| taken(name.as_str())) {
        reading.wrong.add("name", "a unit of this trial has this name already");
    }
    let lid = from_word(&Lid::WORDS, form.text("lid"));
    if lid.is_err() && !is_batch {
        reading.wrong.add("lid", "say how it is closed");
    }
    let position = reading.text(form, "position");
    let (Some(name), lid) = (name, lid.unwrap_or(Lid::Closed)) else {
        return Vec::new();
    };
    let source = Some(here.unit.name.clone());
    let made = if is_batch {
        Statement::Batch(Batch {
            batch: name.clone(),
            lot: None,
            parent: source,
            seeds: n_seeds,
            label: None,
            factors: Default::default(),
        })
    } else {
        Statement::Container(Container {
            container: name.clone(),
            batch: source,
            seeds: n_seeds,
            lid,
            label: None,
            factors: Default::default(),
        })
    };
    let stay =
        Name::new(form.text("place")).ok().map(|place| Statement::Stay {
            unit: name,
            place: Some(place),
            until: None,
            moist: true,
            position,
        });
    std::iter::once(made).chain(stay).collect()
}
