//! Set up: many containers at once, so many for each batch at each place and
//! each level of a factor.
//!
//! First the grid is asked for, then every container is shown with its name,
//! place and seeds before any is written.

use maud::{Markup, html};

use crate::exchange::columns::factor_name;
use crate::observation::Name;
use crate::report::words::plain;
use crate::trial::book::Trial;
use crate::trial::entry::{Container, Factors, Lid, Statement, from_word};
use crate::trial::unit::Unit;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{Field, by_field, keys, wrongs};
use crate::web::setup::Kind;
use crate::web::setup::batches::told_taken;
use crate::web::setup::containers::{LIDS, next_free};
use crate::web::setup::sheet::{
    Said, Typed, first_a_trial, needed_trial, trial_field, when,
};
use crate::web::words::{n_of, seeds};

pub(super) const KIND: Kind = Kind {
    path: "grid",
    title: "Containers at once",
    draw,
    read,
    fill: |_, _| None,
    next: |form| format!("/setup/containers?trial={}", form.text("trial")),
};

/// More on one page is a slip of the finger.
const MOST: usize = 200;

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Containers" } (first_a_trial()) };
    };
    let rows = if typed.form.text("rows").is_empty() {
        let mut wrong = Wrong::default();
        if typed.form.text("each").is_empty() {
            return asking(typed, trial, &wrong);
        }
        match planned(trial, typed.form, &mut wrong) {
            Some(rows) if wrong.is_empty() => rows,
            _ => return asking(typed, trial, &wrong),
        }
    } else {
        typed_rows(typed.form)
    };
    shown(typed, trial, &rows)
}

/// One container of the grid, as it will be or was typed.
struct Row {
    name: String,
    batch: String,
    place: String,
    position: String,
    seeds: String,
    level: String,
}

/// The first step: what the grid is made of.
fn asking(typed: &Typed<'_>, trial: &Trial, wrong: &Wrong) -> Markup {
    let typed = Typed { wrong, ..*typed };
    let first = typed.form.text("each").is_empty();
    html! {
        h1 { "Many containers at once" }
        (typed.trial_switch(trial, "grid"))
        p { "So many for each batch at each place. They are shown before \
            anything is written." }
        form.card method="get" action="/setup/grid" {
            (wrongs(wrong))
            (trial_field(trial))
            (ticks(&typed, "batch", "Sown from", open_batches(trial)
                .map(|unit| (unit.name.to_string(), format!("{} ({} left)",
                    unit.name, seeds(unit.left()))))
                .collect(), first))
            (ticks(&typed, "place", "At", typed.desk.book().house.places
                .values()
                .map(|place| (place.name.to_string(), plain(&place.title)))
                .collect(), false))
            div.numbers {
                (typed.field("each", "Containers for each").number())
                (typed.field("seeds", "Seeds in each").number())
            }
            (typed.text("factor", "A factor set for the container",
                "if any, such as medium"))
            (typed.text("levels", "Its levels", "such as sand peat"))
            (typed.text("prefix", "Names begin with", "left empty: c"))
            p.soft { "Running numbers tell nothing of the treatment, so \
                that whoever counts need not know it." }
            button.main type="submit" { "Show them" }
        }
    }
}

fn open_batches(trial: &Trial) -> impl Iterator<Item = &Unit> {
    trial.batches().filter(|unit| unit.closure.is_none() && unit.left() > 0)
}

fn ticks(
    typed: &Typed<'_>,
    name: &str,
    legend: &str,
    options: Vec<(String, String)>,
    all: bool,
) -> Markup {
    let (wrong, none) = (typed.wrong.of(name), options.is_empty());
    html! {
        fieldset.choices {
            legend { (legend) }
            @for (value, words) in options {
                @let id = format!("set-{name}-{value}");
                @let chosen = typed.form.all(name).any(|v| v == value);
                div.choice {
                    input id=(id) type="checkbox" name=(name) value=(value)
                        checked[all || chosen];
                    label for=(id) { (words) }
                }
            }
            @if none { p.soft { "none is there yet" } }
            @if let Some(wrong) = wrong { p.wrong { (wrong) } }
        }
    }
}

/// The containers of a grid that was asked for.
fn planned(trial: &Trial, form: &Form, wrong: &mut Wrong) -> Option<Vec<Row>> {
    let mut reading = Reading::default();
    let each = reading.some_seeds(form, "each");
    let n_seeds = reading.some_seeds(form, "seeds");
    if reading.wrong.of("each").is_some() {
        wrong.add("each", "say how many containers for each, at least 1");
    }
    if let Some(told) = reading.wrong.of("seeds") {
        wrong.add("seeds", told);
    }
    let or_one = |name: &'static str| {
        let chosen: Vec<&str> =
            form.all(name).filter(|v| !v.is_empty()).collect();
        if chosen.is_empty() { vec![""] } else { chosen }
    };
    let (batches, places) = (or_one("batch"), or_one("place"));
    let levels: Vec<&str> = form
        .text("levels")
        .split([' ', ',', ';'])
        .filter(|level| !level.is_empty())
        .collect();
    let factor = form.text("factor");
    if factor.is_empty() != levels.is_empty() {
        let field = if factor.is_empty() { "factor" } else { "levels" };
        wrong.add(field, "a factor and its levels go together");
    }
    if !factor.is_empty()
        && let Err(told) = factor_name(factor)
    {
        wrong.add("factor", told);
    }
    let levels = if levels.is_empty() { vec![""] } else { levels };
    let each = usize::try_from(each).ok()?;
    let cells = batches.len() * places.len() * levels.len();
    if each.saturating_mul(cells) > MOST {
        let told = format!("{cells} × {each} is more than {MOST} at once");
        wrong.add("each", told);
    }
    let prefix = match form.text("prefix") {
        "" => "c",
        typed => typed,
    };
    if Name::new(format!("{prefix}01")).is_err() {
        wrong.add("prefix", "use a–z, 0–9 and - only, such as r or sill-");
    }
    for batch in &batches {
        let Some(unit) = trial.units.get(*batch) else { continue };
        let n_cells = places.len() * levels.len() * each;
        let wanted = u64::try_from(n_cells)
            .unwrap_or(u64::MAX)
            .saturating_mul(n_seeds.into());
        if wanted > unit.left().into() {
            wrong.add(
                "seeds",
                format!(
                    "{batch} has {} left, and {n_cells} containers of \
                     {n_seeds} need {wanted}",
                    seeds(unit.left())
                ),
            );
        }
    }
    if !wrong.is_empty() {
        return None;
    }
    let mut rows = Vec::new();
    for _ in 0..each {
        for batch in &batches {
            for place in &places {
                for level in &levels {
                    rows.push(Row {
                        name: next_free(trial, prefix, rows.len()),
                        batch: (*batch).to_owned(),
                        place: (*place).to_owned(),
                        position: String::new(),
                        seeds: n_seeds.to_string(),
                        level: (*level).to_owned(),
                    });
                }
            }
        }
    }
    Some(rows)
}

fn typed_rows(form: &Form) -> Vec<Row> {
    let n: usize = form.text("rows").parse().unwrap_or(0);
    (0..n.min(MOST))
        .map(|i| {
            let of = |name: &str| form.text(&format!("{name}-{i}")).to_owned();
            Row {
                name: of("name"),
                batch: of("batch"),
                place: of("place"),
                position: of("position"),
                seeds: of("seeds"),
                level: of("level"),
            }
        })
        .collect()
}

/// The second step: every container, still to be changed.
fn shown(typed: &Typed<'_>, trial: &Trial, rows: &[Row]) -> Markup {
    let factor = typed.form.text("factor");
    let n = u64::try_from(rows.len()).unwrap_or_default();
    html! {
        h1 { (n_of(n, "container", "containers")) " to be made" }
        p { "Nothing is written yet. A row whose name is cleared is left \
            out." }
        form method="post" action="/setup/grid" {
            (wrongs(typed.wrong))
            (keys(&typed.desk.visitor))
            (trial_field(trial))
            input type="hidden" name="rows" value=(rows.len());
            input type="hidden" name="factor" value=(factor);
            (typed.when("When they were sown"))
            (typed.choices("lid", "Their lids are", &LIDS, "closed"))
            ul.grid {
                @for (i, row) in rows.iter().enumerate() {
                    (row_fields(typed, factor, i, row))
                }
            }
            (by_field(&typed.desk.visitor, "set"))
            button.main type="submit" { "Make them" } " "
            a.button href={ "/setup/grid?trial=" (trial.name) } {
                "Begin anew" }
        }
    }
}

fn row_fields(typed: &Typed<'_>, factor: &str, i: usize, row: &Row) -> Markup {
    let field = |name: &str, label: &str, value: &str, number: bool| {
        let name = format!("{name}-{i}");
        let field = Field {
            section: "set",
            name: &name,
            label,
            value,
            wrong: typed.wrong.of(&name),
        };
        if number { field.number() } else { field.text() }
    };
    html! {
        li {
            p.soft {
                @if !row.batch.is_empty() { "from " (row.batch) }
                @if !row.place.is_empty() { " at " (row.place) }
                @if !row.level.is_empty() {
                    " · " (factor) " " (plain(&row.level)) }
            }
            input type="hidden" name=(format!("batch-{i}")) value=(row.batch);
            input type="hidden" name=(format!("place-{i}")) value=(row.place);
            input type="hidden" name=(format!("level-{i}")) value=(row.level);
            (field("name", "Name", &row.name, false))
            (field("seeds", "Seeds", &row.seeds, true))
            (field("position", "Where there", &row.position, false))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let when = when(desk, form, reading);
    let lid = from_word(&Lid::WORDS, form.text("lid")).unwrap_or_else(|_| {
        reading.wrong.add("lid", "say how they are closed");
        Lid::Closed
    });
    let factor = form.text("factor");
    if !factor.is_empty()
        && let Err(told) = factor_name(factor)
    {
        reading.wrong.add("", told);
    }
    let mut said = Vec::new();
    let mut names = std::collections::BTreeSet::new();
    for (i, row) in typed_rows(form).into_iter().enumerate() {
        if row.name.is_empty() {
            continue;
        }
        let field = format!("name-{i}");
        let n_seeds = reading.some_seeds(form, &format!("seeds-{i}"));
        let position = reading.text(form, &format!("position-{i}"));
        let container = match Name::new(row.name) {
            Ok(name) => name,
            Err(error) => {
                reading.wrong.add(&field, error.to_string());
                continue;
            }
        };
        if trial.units.contains_key(&container) {
            reading.wrong.add(&field, told_taken(trial));
        } else if !names.insert(container.clone()) {
            reading.wrong.add(&field, "another row has this name, too");
        }
        let mut factors = Factors::new();
        if !factor.is_empty() && !row.level.is_empty() {
            factors.insert(factor.to_owned(), row.level);
        }
        let made = Statement::Container(Container {
            container: container.clone(),
            batch: Name::new(row.batch).ok(),
            seeds: n_seeds,
            lid,
            label: None,
            factors,
        });
        let trial = Some(&trial.name);
        said.push(Said::new(&field, trial, when, made));
        if let Ok(place) = Name::new(row.place) {
            let stay = Statement::Stay {
                unit: container,
                place: Some(place),
                until: None,
                moist: true,
                position,
            };
            said.push(Said::new(&field, trial, when, stay));
        }
    }
    if said.is_empty() && reading.wrong.is_empty() {
        reading.wrong.add("", "no container is left in the list");
    }
    said
}
