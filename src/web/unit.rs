//! One unit: what was there last time, and everything that can be done to it
//! in a few taps.
//!
//! Only the page; what a tap writes is in `count` and `changes`.

use axum::extract::Path;
use maud::{Markup, html};

use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::entry::{Entry, Look, Severity, Statement, word_of};
use crate::trial::unit::Unit;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::form::{Form, Wrong};
use crate::web::frame::{self, Field, by_field, choices, keys, wrongs};
use crate::web::routes::{Asked, Named};
use crate::web::units::{self, Here, link, name_of};
use crate::web::words::{called, how, last_time, moment, seeds};
use crate::web::{blind, facts, remarks, transfer};

/// A form of this page that was sent and could not be written.
#[derive(Debug, Default)]
pub(crate) struct Tried {
    /// Which form.
    pub(crate) section: &'static str,
    pub(crate) form: Form,
    pub(crate) wrong: Wrong,
}

impl Tried {
    pub(crate) fn is(&self, section: &str) -> bool {
        self.section == section
    }

    pub(crate) fn value(&self, section: &str, name: &str) -> &str {
        if self.is(section) { self.form.text(name) } else { "" }
    }

    pub(crate) fn field<'a>(
        &'a self,
        section: &'a str,
        name: &'a str,
        label: &'a str,
    ) -> Field<'a> {
        Field {
            section,
            name,
            label,
            value: self.value(section, name),
            wrong: self.of(section, name),
        }
    }

    pub(crate) fn of(&self, section: &str, name: &str) -> Option<&str> {
        if self.is(section) { self.wrong.of(name) } else { None }
    }

    pub(crate) fn told(&self, section: &str) -> Markup {
        html! { @if self.is(section) { (wrongs(&self.wrong)) } }
    }
}

/// `GET /find?unit=`: a label or name as typed.
pub(crate) fn find(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let typed = asked.text("unit");
    if typed.is_empty() {
        return Ok(Answer::See("/round".to_owned()));
    }
    Ok(match one(desk, typed) {
        Ok(here) => Answer::See(link(here.unit)),
        Err(answer) => answer,
    })
}

/// `GET /u/…`
pub(crate) fn page(
    desk: &Desk,
    Path(text): &Named,
    asked: &Asked,
) -> Result<Answer, StoreError> {
    Ok(match one(desk, text) {
        Err(answer) => answer,
        Ok(here) => {
            let in_round = asked.text("round") == "1";
            let done = html! {
                (done(desk, asked.text("done"), in_round))
                @if let Some(entry) =
                    units::entry(&desk.loaded.entries, asked.text("undone"))
                {
                    div.message role="status" {
                        p { "Taken back: "
                            (blind::told_of(desk, &entry.draft.statement))
                            ". Both entries \
                             are kept in the ledger." }
                    }
                }
            };
            // One tap from a count that was just told of.
            let belongs = asked.text("belongs") == "1";
            let section = if belongs { "belongs" } else { "" };
            let tried = Tried { section, ..Tried::default() };
            let body = drawn(desk, here, in_round, &done, &tried);
            Answer::page(&title(desk, here), Tab::Round, body)
        }
    })
}

/// The unit that a text means, or a page that says why there is none.
pub(crate) fn one<'a>(desk: &'a Desk, text: &str) -> Result<Here<'a>, Answer> {
    let found = units::find(desk.book(), text);
    match found.as_slice() {
        [here] => Ok(*here),
        [] => Err(frame::missing(&format!(
            "No batch or container is called “{}”, and no label reads so. A \
             label has six letters, none of I, L and O.",
            plain(text)
        ))),
        several => Err(Answer::page(
            "Which one?",
            Tab::Round,
            html! {
                h1 { "Which one?" }
                p { "Several trials have a unit of this name." }
                ul.rows {
                    @for here in several {
                        li { a href=(link(here.unit)) {
                            strong { (title(desk, *here)) }
                            span.soft { "trial " (here.trial.name) }
                        } }
                    }
                }
            },
        )),
    }
}

/// What was just written, with the way back one tap away.
pub(crate) fn done(desk: &Desk, number: &str, in_round: bool) -> Markup {
    let entry = units::entry(&desk.loaded.entries, number);
    let about = entry.and_then(|entry| {
        let name = units::subject(&entry.draft.statement)?;
        let trial = desk.book().trials.get(entry.draft.trial.as_ref()?)?;
        let here = Here { trial, unit: trial.units.get(name)? };
        let holds = units::entries(&desk.loaded.entries, &here)
            .iter()
            .any(|known| known.id == entry.id);
        holds.then_some((entry, here))
    });
    html! {
        @if let Some((entry, here)) = about {
            div.message role="status" {
                p { strong { (name_of(desk, here.unit)) } ": "
                    (blind::told_of(desk, &entry.draft.statement))
                    ". Recorded." }
                (undo_form(desk, here, entry, in_round))
                @if matches!(entry.draft.statement, Statement::Check(_)) {
                    a.button href={ (link(here.unit))
                        "?belongs=1#belongs" } { "Another box" }
                }
            }
        }
    }
}

fn undo_form(
    desk: &Desk,
    here: Here<'_>,
    entry: &Entry,
    in_round: bool,
) -> Markup {
    html! {
        form method="post" action={ (link(here.unit)) "/undo" } {
            (keys(&desk.visitor))
            (round_field(in_round))
            input type="hidden" name="entry" value=(entry.id.0);
            button type="submit" { "Undo" }
        }
    }
}

pub(crate) fn round_field(in_round: bool) -> Markup {
    html! {
        @if in_round { input type="hidden" name="round" value="1"; }
    }
}

/// The page, with the form that was tried, if one was.
pub(crate) fn drawn(
    desk: &Desk,
    here: Here<'_>,
    in_round: bool,
    done: &Markup,
    tried: &Tried,
) -> Markup {
    let unit = here.unit;
    html! {
        (done)
        (head(desk, here))
        (progress(desk, here, in_round))
        @if unit.closure.is_none() {
            (count_form(desk, here, in_round, tried))
        }
        (last_entry(desk, here, in_round, tried))
        h2 { "More" }
        @if unit.closure.is_none() {
            (move_form(desk, here, tried))
            (mould_form(desk, here, tried))
            @if unit.left() > 0 { (transfer::form(desk, here, tried)) }
        }
        (remarks::forms(desk, here, tried))
        @if unit.closure.is_none() { (close_form(desk, here, tried)) }
        (history(desk, unit))
        (facts::past(desk, here))
    }
}

fn head(desk: &Desk, here: Here<'_>) -> Markup {
    let unit = here.unit;
    let stay = unit.stay_at(desk.now);
    html! {
        p.kicker {
            @if let Some(stay) = stay {
                a href={ "/place/" (stay.place) } { (place_title(desk, stay.place.as_str())) }
                @if !stay.position.is_empty() { ", " (plain(&stay.position)) }
            } @else { "no place recorded" }
            @if let Some(label) = unit.label { " · " span.label { (label) } }
        }
        h1 { (name_of(desk, unit)) }
        (facts::origin(desk, here))
        p.state {
            @if let Some((when, closure)) = &unit.closure {
                "Closed " (desk.zone().shown(when)) ": "
                (closure.viable) " viable, " (closure.empty) " empty, "
                (closure.dead) " dead, " (closure.mouldy) " mouldy, "
                (closure.lost) " lost. "
            }
            strong { (unit.germinated()) " of " (unit.entered()) }
            " germinated, "
            strong { (unit.left()) } " left"
            @if unit.closure.is_some() { " when it was closed" }
        }
        p { span.soft { "Last time " }
            (last_time(desk.zone(), desk.now, unit.looks.last()))
            @if let Some(look) = unit.looks.last() {
                span.soft { " · " (how(look.looked)) }
                @if !look.by.is_empty() {
                    span.soft { ", by " (plain(&look.by)) }
                }
            }
        }
    }
}

fn title(desk: &Desk, here: Here<'_>) -> String {
    if desk.visitor.blind {
        name_of(desk, here.unit)
    } else {
        called(here.unit)
    }
}

pub(crate) fn place_title(desk: &Desk, name: &str) -> String {
    let place = desk.book().house.places.get(name);
    place.map_or_else(|| name.to_owned(), |place| plain(&place.title))
}

fn progress(desk: &Desk, here: Here<'_>, in_round: bool) -> Markup {
    if !in_round {
        return html! {};
    }
    let stops = units::walk(desk);
    let due = stops.iter().filter(|stop| stop.due).count();
    let next = units::next(&stops, &here);
    html! {
        p.round {
            span { (due) " to look at" }
            " "
            a href="/round" { "list" }
            " "
            @if let Some(next) = next {
                a href={ (link(next.unit)) "?round=1" } {
                    "skip to\u{a0}" (name_of(desk, next.unit))
                }
            }
        }
    }
}

const LOOKED: [(&str, &str); 2] =
    [("opened", "opened"), ("through-lid", "through the lid")];

fn count_form(
    desk: &Desk,
    here: Here<'_>,
    in_round: bool,
    tried: &Tried,
) -> Markup {
    let unit = here.unit;
    let looked = match tried.value("count", "looked") {
        "" => word_of(&Look::WORDS, &Look::Opened),
        typed => typed,
    };
    let field = |name, label| tried.field("count", name, label).number();
    html! {
        form.card method="post" action={ (link(unit)) "/count" }
            data-keeps=(name_of(desk, unit)) data-by=(desk.visitor.who) {
            (tried.told("count"))
            (keys(&desk.visitor))
            (round_field(in_round))
            // What the Enter key of a keyboard means: the count as typed.
            button.unseen type="submit" name="do" value="count" tabindex="-1"
                aria-hidden="true" { "Save the count" }
            fieldset.zero {
                legend { "Nothing new" }
                button.main type="submit" name="do" value="zero-through-lid" {
                    "Nothing new" span { "looked through the lid" }
                }
                button.main type="submit" name="do" value="zero-opened" {
                    "Nothing new" span { "opened" }
                }
            }
            fieldset {
                legend { "Or what is new since then" }
                div.numbers {
                    (field("new", "Newly germinated"))
                    (field("mouldy_now", "Mouldy now"))
                    (field("removed_mould", "Removed for mould"))
                    (field("removed_other", "Removed, other reason"))
                }
                (choices("count", "looked", "Looked", &LOOKED, looked,
                    tried.of("count", "looked")))
                (tried.field("count", "note", "Note").text())
                (by_field(&desk.visitor, "count"))
                button.main type="submit" name="do" value="count" {
                    "Save the count"
                }
            }
        }
    }
}

fn last_entry(
    desk: &Desk,
    here: Here<'_>,
    in_round: bool,
    tried: &Tried,
) -> Markup {
    let entries = units::entries(&desk.loaded.entries, &here);
    let Some(last) = entries.first() else { return html! {} };
    let check = entries
        .iter()
        .find(|entry| matches!(entry.draft.statement, Statement::Check(_)));
    let zone = desk.zone();
    html! {
        h2 { "Written last" }
        (tried.told("undo"))
        div.last {
            p { (blind::told_of(desk, &last.draft.statement))
                span.soft { " · written " (moment(zone, desk.now, last.written)) }
            }
            (undo_form(desk, here, last, in_round))
        }
        @if let Some(check) = check {
            (belongs_form(desk, here, check, tried))
        }
    }
}

fn belongs_form(
    desk: &Desk,
    here: Here<'_>,
    check: &Entry,
    tried: &Tried,
) -> Markup {
    let field = tried.field("belongs", "other", "Label or name of that box");
    let zone = desk.zone();
    let place = |unit: &Unit| unit.stay_at(desk.now).map(|s| s.place.clone());
    let own = place(here.unit);
    let beside: Vec<&Unit> = here
        .trial
        .units
        .values()
        .filter(|unit| unit.name != here.unit.name && unit.closure.is_none())
        .filter(|unit| place(unit) == own)
        .collect();
    html! {
        details id="belongs" open[tried.is("belongs")] {
            summary { "This count belongs to another box" }
            form method="post" action={ (link(here.unit)) "/belongs" } {
                (tried.told("belongs"))
                (keys(&desk.visitor))
                input type="hidden" name="entry" value=(check.id.0);
                p { "The count of " (zone.shown(&check.draft.when)) " ("
                    (plain(&units::told(&check.draft.statement)))
                    ") is taken from "
                    (name_of(desk, here.unit)) " and given to the other one; the \
                    ledger keeps both and says why." }
                (field.text())
                @if !beside.is_empty() {
                    p.soft { "Beside it: "
                        @for (i, unit) in beside.iter().enumerate() {
                            @if i > 0 { ", " } (name_of(desk, unit))
                        }
                    }
                }
                button type="submit" { "Give it to that box" }
            }
        }
    }
}

fn move_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let now = here.unit.stay_at(desk.now);
    let chosen = tried.value("move", "place");
    let dry = if tried.is("move") {
        tried.form.text("moist") == "dry"
    } else {
        now.is_some_and(|stay| !stay.moist)
    };
    let looks = [
        ("opened", "opened"),
        ("through-lid", "through the lid"),
        ("not", "did not look"),
    ];
    let field = |name, label| tried.field("move", name, label).number();
    html! {
        details open[tried.is("move")] {
            summary { "Move it, with a look" }
            form method="post" action={ (link(here.unit)) "/move" }
                data-keeps={ (name_of(desk, here.unit)) ", moved" }
                data-by=(desk.visitor.who) {
                (tried.told("move"))
                (keys(&desk.visitor))
                div.field {
                    label for="move-place" { "To" }
                    select id="move-place" name="place" {
                        @for place in desk.book().house.places.values() {
                            option value=(place.name)
                                selected[place.name.as_str() == chosen] {
                                (plain(&place.title))
                            }
                        }
                    }
                    @if let Some(wrong) = tried.of("move", "place") {
                        p.wrong { (wrong) }
                    }
                }
                (tried.field("move", "position", "Where there").text_with(
                    &html! { span.soft { " (such as “upper shelf, left”)" } }))
                (choices("move", "moist", "The seeds are",
                    &[("moist", "moist"), ("dry", "dry")],
                    if dry { "dry" } else { "moist" }, None))
                p.soft { "A look before the move tells what came up at the \
                    old place from what comes up at the new one." }
                (choices("move", "looked", "Looked", &looks,
                    tried.value("move", "looked"),
                    tried.of("move", "looked")))
                div.numbers {
                    (field("new", "Newly germinated"))
                    (field("mouldy_now", "Mouldy now"))
                    (field("removed_mould", "Removed for mould"))
                    (field("removed_other", "Removed, other reason"))
                }
                button type="submit" { "Record the move" }
            }
        }
    }
}

fn mould_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let options: Vec<(&str, &str)> =
        Severity::WORDS.iter().map(|(_, word)| (*word, *word)).collect();
    html! {
        details open[tried.is("mould")] {
            summary { "Mould" }
            form method="post" action={ (link(here.unit)) "/mould" }
                data-keeps={ (name_of(desk, here.unit)) ", mould" }
                data-by=(desk.visitor.who) {
                (tried.told("mould"))
                (keys(&desk.visitor))
                (choices("mould", "severity", "How much was seen", &options,
                    tried.value("mould", "severity"),
                    tried.of("mould", "severity")))
                p.soft { "Do not sniff it; gloves; bag it outdoors." }
                button type="submit" { "Record" }
            }
        }
    }
}

fn close_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let field = |name, label| tried.field("close", name, label).number();
    html! {
        details open[tried.is("close")] {
            summary { "Close it" }
            form method="post" action={ (link(here.unit)) "/close" } {
                (tried.told("close"))
                (keys(&desk.visitor))
                p { "What became of the " (seeds(here.unit.left()))
                    " left? They must add up." }
                div.numbers {
                    (field("viable", "Viable, not germinated"))
                    (field("empty", "Empty"))
                    (field("dead", "Dead"))
                    (field("mouldy", "Mouldy"))
                    (field("lost", "Lost"))
                }
                button type="submit" { "Close " (name_of(desk, here.unit)) }
            }
        }
    }
}

fn history(desk: &Desk, unit: &Unit) -> Markup {
    let zone = desk.zone();
    html! {
        @if unit.looks.len() > 1 {
            details {
                summary { "All " (unit.looks.len()) " looks" }
                ul.looks {
                    @for look in unit.looks.iter().rev() {
                        li { (last_time(zone, desk.now, Some(look)))
                            span.soft { " · " (how(look.looked)) ", "
                                (look.left) " left"
                                @if !look.by.is_empty() {
                                    ", by " (plain(&look.by)) } } }
                    }
                }
            }
        }
    }
}
