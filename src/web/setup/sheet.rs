//! The pieces of a set-up form: fields that keep what was typed, with their
//! error beside them; a day and an hour; factors and their levels.
//!
//! Drawing and understanding of single fields only; what a form means is
//! written in the file of its page.

use maud::{Markup, html};

use crate::exchange::columns::factor_name;
use crate::observation::{Name, Quantity, Series, shown};
use crate::report::words::plain;
use crate::store::StoreError;
use crate::study::factors::{LOT, PLACE};
use crate::trial::book::Trial;
use crate::trial::entry::{Draft, Entry, Factors, Statement};
use crate::trial::unit::Unit;
use crate::trial::when::When;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{self, Field, by_field, keys, wrongs};
use crate::web::words::seeds;

/// A draft, and the field that is to blame when the ledger refuses it.
#[derive(Debug, Clone)]
pub(crate) struct Said {
    pub(crate) field: String,
    pub(crate) draft: Draft,
}

impl Said {
    pub(crate) fn new(
        field: &str,
        trial: Option<&Name>,
        when: When,
        statement: Statement,
    ) -> Self {
        let draft = Draft::new(trial, when, statement);
        Self { field: field.to_owned(), draft }
    }
}

/// A form as typed, what is wrong with it, and the entry it is to correct.
#[derive(Clone, Copy)]
pub(crate) struct Typed<'a> {
    pub(crate) desk: &'a Desk,
    pub(crate) form: &'a Form,
    pub(crate) wrong: &'a Wrong,
    pub(crate) change: Option<&'a Entry>,
}

/// The fields of a form by name.
pub(crate) type Fields = Vec<(String, String)>;

/// One of them.
pub(crate) fn field(
    name: &str,
    value: impl std::fmt::Display,
) -> (String, String) {
    (name.to_owned(), value.to_string())
}

/// A value and its words.
pub(crate) type Choice = (String, String);

impl<'a> Typed<'a> {
    /// What was typed, or something else to begin with.
    pub(crate) fn or<'b>(&'b self, name: &str, begin: &'b str) -> &'b str {
        let typed = self.form.text(name);
        if typed.is_empty() && self.wrong.is_empty() && self.change.is_none() {
            begin
        } else {
            typed
        }
    }

    pub(crate) fn field<'b>(
        &'b self,
        name: &'b str,
        label: &'b str,
    ) -> Field<'b> {
        Field {
            section: "set",
            name,
            label,
            value: self.form.text(name),
            wrong: self.wrong.of(name),
        }
    }

    /// A line of text with a hint beside its label.
    pub(crate) fn text(&self, name: &str, label: &str, hint: &str) -> Markup {
        let hint = html! { @if !hint.is_empty() {
            " " span.soft { (hint) }
        } };
        self.field(name, label).text_with(&hint)
    }

    /// A name; fixed while an entry is corrected, since others use it.
    pub(crate) fn name(&self, name: &str, label: &str, hint: &str) -> Markup {
        if self.change.is_some() {
            return html! {
                p { (label) ": " strong { (self.form.text(name)) } }
                input type="hidden" name=(name) value=(self.form.text(name));
                @if let Some(wrong) = self.wrong.of(name) {
                    p.wrong id={ "set-" (name) "-wrong" } { (wrong) }
                }
            };
        }
        self.text(name, label, hint)
    }

    /// A number, with a hint.
    pub(crate) fn number(&self, name: &str, label: &str, hint: &str) -> Markup {
        input(self, name, label, hint, "text", Some("decimal"))
    }

    /// One of several, in a list that opens.
    pub(crate) fn select(
        &self,
        name: &str,
        label: &str,
        options: &[Choice],
    ) -> Markup {
        let (id, chosen) = (format!("set-{name}"), self.form.text(name));
        let wrong = self.wrong.of(name);
        let told = format!("{id}-wrong");
        // What was chosen is kept, even where it is not offered any more.
        let lost = !chosen.is_empty()
            && options.iter().all(|(value, _)| value != chosen);
        html! {
            div.field.bad[wrong.is_some()] {
                label for=(id) { (label) }
                select id=(id) name=(name)
                    aria-invalid=[wrong.map(|_| "true")]
                    aria-describedby=[wrong.map(|_| told.as_str())] {
                    @for (value, words) in options {
                        option value=(value) selected[value == chosen] {
                            (words)
                        }
                    }
                    @if lost {
                        option value=(chosen) selected { (plain(chosen)) }
                    }
                }
                @if let Some(wrong) = wrong { p.wrong id=(told) { (wrong) } }
            }
        }
    }

    /// One of a few, all in sight.
    pub(crate) fn choices(
        &self,
        name: &str,
        legend: &str,
        options: &[(&str, &str)],
        begin: &str,
    ) -> Markup {
        let wrong = self.wrong.of(name);
        frame::choices(
            "set",
            name,
            legend,
            options,
            self.or(name, begin),
            wrong,
        )
    }

    /// A day and an hour; both empty mean now.
    pub(crate) fn when(&self, legend: &str) -> Markup {
        let hint = if self.change.is_some() {
            "Left empty: as it was."
        } else {
            "Left empty: now. A day alone will do."
        };
        self.when_of("", legend, hint)
    }

    /// The same with names of its own.
    pub(crate) fn when_of(
        &self,
        before: &str,
        legend: &str,
        hint: &str,
    ) -> Markup {
        let (on, clock) = (format!("{before}on"), format!("{before}clock"));
        let id = format!("set-{on}");
        html! {
            fieldset.when {
                legend { (legend) }
                (input(self, &on, "Day", "", "date", None))
                (input(self, &clock, "Hour", "", "time", None))
                p.soft id={ (id) "-hint" } { (hint) }
            }
        }
    }

    /// The factors of a trial with a field each, and room for one more.
    pub(crate) fn factors(&self, trial: &Trial, whose: &str) -> Markup {
        html! {
            fieldset.factors {
                legend { "Factors of this " (whose) " "
                    span.soft { "(what differs on purpose; leave the others \
                        empty)" } }
                div.numbers {
                    @for factor in stated_factors(trial) {
                        (self.text(&format!("factor-{factor}"), &factor, ""))
                    }
                    (self.text("factor-name", "Another factor",
                        "such as chill_weeks"))
                    (self.text("factor-level", "and its level", "such as 12"))
                }
            }
        }
    }

    /// Where a new unit is put at once.
    pub(crate) fn first_place(&self) -> Markup {
        let mut options = vec![(String::new(), "say later".to_owned())];
        options.extend(place_choices(self.desk));
        html! {
            (self.select("place", "It is put at", &options))
            (self.text("position", "Where there", "such as “lower shelf, left”"))
        }
    }

    /// The form around its fields.
    pub(crate) fn form(
        &self,
        to: &str,
        button: &str,
        fields: &Markup,
    ) -> Markup {
        html! {
            form.card method="post" action={ "/setup/" (to) } {
                (wrongs(self.wrong))
                (keys(&self.desk.visitor))
                @if let Some(entry) = self.change {
                    input type="hidden" name="change" value=(entry.id.0);
                    p.soft { "Entry " (entry.id.0) " stays in the ledger; \
                        what you write here takes its place." }
                }
                (fields)
                @if self.change.is_some() {
                    (self.text("why", "Why it is changed", ""))
                }
                (by_field(&self.desk.visitor, "set"))
                button.main type="submit" {
                    @if self.change.is_some() { "Change it" }
                    @else { (button) }
                }
            }
        }
    }

    /// The trial that a page is about.
    pub(crate) fn trial(&self) -> Option<&'a Trial> {
        trial_of(self.desk, self.form)
    }

    /// Which trial, with the way to the others; hidden field and links.
    pub(crate) fn trial_switch(&self, trial: &Trial, path: &str) -> Markup {
        let all = &self.desk.book().trials;
        html! {
            @if all.len() > 1 {
                nav.spans aria-label="Trial" {
                    @for other in all.keys() {
                        @if *other == trial.name {
                            strong aria-current="true" { "trial " (other) }
                        } @else {
                            a href={ "/setup/" (path) "?trial=" (other) } {
                                (other) }
                        }
                    }
                }
            }
        }
    }
}

/// The hidden field that keeps a form with its trial.
pub(crate) fn trial_field(trial: &Trial) -> Markup {
    html! { input type="hidden" name="trial" value=(trial.name); }
}

/// The named trial, the only one, or the one begun last.
pub(crate) fn trial_of<'a>(desk: &'a Desk, form: &Form) -> Option<&'a Trial> {
    let all = &desk.book().trials;
    all.get(form.text("trial"))
        .or_else(|| all.values().max_by_key(|trial| trial.started.at))
}

/// The trial of a form that is read; a form without one is refused.
pub(crate) fn needed_trial<'a>(
    desk: &'a Desk,
    form: &Form,
    reading: &mut Reading,
) -> Option<&'a Trial> {
    let trial = trial_of(desk, form);
    if trial.is_none() {
        reading.wrong.add("", "there is no trial yet; begin with one");
    }
    trial
}

/// What a page says that needs a trial while there is none.
pub(crate) fn first_a_trial() -> Markup {
    html! {
        p { "This belongs to a trial, and none is recorded yet." }
        p { a.button.main href="/setup/trials" { "Begin a trial" } }
    }
}

fn input(
    typed: &Typed<'_>,
    name: &str,
    label: &str,
    hint: &str,
    kind: &str,
    mode: Option<&str>,
) -> Markup {
    let (id, wrong) = (format!("set-{name}"), typed.wrong.of(name));
    let told = format!("{id}-wrong");
    html! {
        div.field.bad[wrong.is_some()] {
            label for=(id) { (label)
                @if !hint.is_empty() { " " span.soft { (hint) } } }
            input id=(id) name=(name) type=(kind) inputmode=[mode]
                autocomplete="off" maxlength="80"
                value=(typed.form.text(name))
                aria-invalid=[wrong.map(|_| "true")]
                aria-describedby=[wrong.map(|_| told.as_str())];
            @if let Some(wrong) = wrong { p.wrong id=(told) { (wrong) } }
        }
    }
}

/// All places with what they are called.
pub(crate) fn place_choices(desk: &Desk) -> Vec<Choice> {
    desk.book()
        .house
        .places
        .values()
        .map(|place| (place.name.to_string(), plain(&place.title)))
        .collect()
}

/// Units with what is left in them.
pub(crate) fn unit_choices<'a>(
    units: impl Iterator<Item = &'a Unit>,
) -> Vec<Choice> {
    units
        .map(|unit| {
            let words = format!("{} ({} left)", unit.name, seeds(unit.left()));
            (unit.name.to_string(), words)
        })
        .collect()
}

/// Boards and probes that were heard of or placed, as `board/probe`.
pub(crate) fn probe_choices(desk: &Desk) -> Result<Vec<Choice>, StoreError> {
    let heard = desk.store.series()?.into_iter().map(|info| {
        let Series { board, probe, .. } = info.series;
        (board, probe)
    });
    let placed = desk
        .book()
        .house
        .board_stays
        .iter()
        .map(|stay| (stay.board.clone(), stay.probe.clone()));
    let all: std::collections::BTreeSet<(Name, Name)> =
        heard.chain(placed).collect();
    Ok(all
        .into_iter()
        .map(|(board, probe)| {
            let value = format!("{board}/{probe}");
            let words = format!("{board}, probe {probe}");
            (value, words)
        })
        .collect())
}

/// The quantities that describe a place.
pub(crate) fn quantity_choices() -> Vec<Choice> {
    Quantity::CLIMATE
        .into_iter()
        .map(|q| (q.word().to_owned(), format!("{} ({})", q.word(), q.unit())))
        .collect()
}

/// The day and hour of a form.
pub(crate) fn when(desk: &Desk, form: &Form, reading: &mut Reading) -> When {
    when_of(desk, form, reading, "").unwrap_or(When::exactly(desk.now))
}

/// A day and hour with names of their own; `None` when both are empty.
///
/// Today without an hour means now, not this evening.
pub(crate) fn when_of(
    desk: &Desk,
    form: &Form,
    reading: &mut Reading,
    before: &str,
) -> Option<When> {
    let (on, clock) = (format!("{before}on"), format!("{before}clock"));
    let (day, hour) = (form.text(&on), form.text(&clock));
    if day.is_empty() && hour.is_empty() {
        return None;
    }
    if day.is_empty() {
        reading.wrong.add(&on, "say the day as well, or clear the hour");
        return None;
    }
    let typed = format!("{day} {hour}");
    match desk.zone().read(&typed) {
        Err(told) => {
            reading.wrong.add(&on, told);
            None
        }
        Ok(understood) => {
            let when = understood.when;
            let today = when.date() == Some(desk.zone().date(desk.now));
            if when.at <= desk.now {
                Some(when)
            } else if today {
                Some(When::exactly(desk.now))
            } else {
                let told = "that lies in the future: write down what has been";
                reading.wrong.add(&on, told);
                None
            }
        }
    }
}

/// The fields of [`Typed::when_of`] for an instant that is stored.
pub(crate) fn when_fields(desk: &Desk, before: &str, when: &When) -> Fields {
    let said = desk.zone().shown(when);
    let (on, clock) = said.split_once(' ').unwrap_or((&said, ""));
    vec![
        field(&format!("{before}on"), on),
        field(&format!("{before}clock"), clock),
    ]
}

/// The factors of a trial that are stated; the place is known from stays.
fn stated_factors(trial: &Trial) -> Vec<String> {
    let mut names = trial.factor_names();
    names.retain(|name| ![PLACE, LOT].contains(&name.as_str()));
    names
}

/// The levels typed into the fields of [`Typed::factors`].
pub(crate) fn factors(
    trial: &Trial,
    form: &Form,
    reading: &mut Reading,
) -> Factors {
    let mut factors = Factors::new();
    for name in stated_factors(trial) {
        let level = reading.text(form, &format!("factor-{name}"));
        if !level.is_empty() {
            factors.insert(name, level);
        }
    }
    let (name, level) = (form.text("factor-name"), form.text("factor-level"));
    match (name, level) {
        ("", "") => {}
        ("", _) => reading.wrong.add("factor-name", "name the factor as well"),
        (_, "") => reading.wrong.add("factor-level", "give its level as well"),
        (name, level) => match factor_name(name) {
            Err(told) => reading.wrong.add("factor-name", told),
            Ok(()) => {
                factors.insert(name.to_owned(), level.to_owned());
            }
        },
    }
    factors
}

/// The fields of factors as stored.
pub(crate) fn factor_fields(
    factors: &Factors,
) -> impl Iterator<Item = (String, String)> {
    factors.iter().map(|(name, level)| field(&format!("factor-{name}"), level))
}

impl Reading {
    /// A number, with a point or a comma; `None` when the field is empty.
    pub(crate) fn decimal(&mut self, form: &Form, field: &str) -> Option<f64> {
        let typed = form.text(field).replace(',', ".").replace('−', "-");
        if typed.is_empty() {
            return None;
        }
        let number = typed.parse::<f64>().ok().filter(|n| n.is_finite());
        if number.is_none() {
            self.wrong.add(
                field,
                format!(
                    "“{}” is not a number: type one such as 3.5",
                    shown(form.text(field))
                ),
            );
        }
        number
    }

    /// Seeds that must be at least one.
    pub(crate) fn some_seeds(&mut self, form: &Form, field: &str) -> u32 {
        let n = self.seeds(form, field);
        if n == 0 && self.wrong.of(field).is_none() {
            self.wrong.add(field, "say how many seeds, at least 1");
        }
        n
    }

    /// A name chosen from a list.
    pub(crate) fn chosen(
        &mut self,
        form: &Form,
        field: &str,
        told: &str,
    ) -> Option<Name> {
        let name = Name::new(form.text(field)).ok();
        if name.is_none() {
            self.wrong.add(field, told);
        }
        name
    }

    /// A board and its probe, as `board/probe`; the probe may be left out.
    pub(crate) fn probe(
        &mut self,
        form: &Form,
        field: &str,
    ) -> Option<(Name, Name)> {
        let typed = form.text(field);
        let (board, probe) = typed.split_once('/').unwrap_or((typed, "air"));
        match (Name::new(board), Name::new(probe)) {
            (Ok(board), Ok(probe)) => Some((board, probe)),
            _ => {
                self.wrong.add(field, "say which board and probe");
                None
            }
        }
    }

    /// A quantity by its word.
    pub(crate) fn quantity(
        &mut self,
        form: &Form,
        field: &str,
    ) -> Option<Quantity> {
        let quantity = Quantity::from_word(form.text(field));
        if quantity.is_none() {
            self.wrong.add(field, "say what is meant");
        }
        quantity
    }
}
