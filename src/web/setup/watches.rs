//! Set up: watches, the ranges to be kept; the usual ones for each kind of
//! place are offered with their reason, and none is made unasked.

use maud::{Markup, html};

use crate::alert::preset::{in_words, plain, presets};
use crate::observation::{Name, Quantity};
use crate::report::words::plain as plain_text;
use crate::store::StoreError;
use crate::trial::entry::{
    Draft, QuantityWord, Rule, Statement, Watch, from_word, word_of,
};
use crate::trial::house::Place;
use crate::trial::when::When;
use crate::web::desk::{Answer, Desk};
use crate::web::form::{Form, Reading};
use crate::web::frame::keys;
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Choice, Said, Typed, place_choices, quantity_choices, when,
};

pub(super) const KIND: Kind = Kind {
    path: "watches",
    title: "Watches",
    draw,
    read,
    fill: |_, _| None,
    next: |_| "/setup/watches".to_owned(),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let places = &desk.book().house.places;
    html! {
        h1 { "Watches" }
        p { "A watch is a range that you want kept at a place. When the mean \
            over some minutes stays outside for long enough, you are told; \
            a board that falls silent is told of anyway." }
        @if places.is_empty() {
            p { a.button href="/setup/places" { "First a place" } }
        }
        @for place in places.values() { (at_place(typed, place)) }
        @if !places.is_empty() {
            h2 id="own" { "A range of your own" }
            (own(typed))
        }
    }
}

fn at_place(typed: &Typed<'_>, place: &Place) -> Markup {
    let desk = typed.desk;
    let kept: Vec<&Watch> = desk
        .book()
        .house
        .watches
        .values()
        .map(|(_, watch)| watch)
        .filter(|watch| watch.place == place.name)
        .collect();
    let same =
        |a: &Watch, b: &Watch| (a.quantity, a.rule) == (b.quantity, b.rule);
    let usual: Vec<(Watch, &str)> = presets(place.kind)
        .iter()
        .map(|preset| (preset.at(&place.name), preset.why))
        .filter(|(watch, _)| !kept.contains(&watch))
        .collect();
    html! {
        section.place {
            h3 { (plain_text(&place.title)) }
            @for watch in &kept { (kept_watch(typed, watch)) }
            @if kept.is_empty() { p.soft { "Nothing is watched here." } }
            @if !usual.is_empty() {
                details open[kept.is_empty()] {
                    summary { "Usual here (" (usual.len()) ")" }
                    @if usual.len() > 1 { (all_usual(typed, place)) }
                    @for (watch, why) in &usual {
                        form.usual method="post" action="/setup/watches" {
                            (keys(&desk.visitor))
                            (fields_of(watch))
                            p { strong { (in_words(watch)) } ". " (why) }
                            p.soft { (how(watch))
                                " A convention, no finding." }
                            button type="submit" {
                                @if kept.iter().any(|k| same(k, watch)) {
                                    "Watch this instead"
                                } @else { "Watch this" }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// One tap for all that is usual.
fn all_usual(typed: &Typed<'_>, place: &Place) -> Markup {
    html! {
        form method="post" action="/setup/watches" {
            (keys(&typed.desk.visitor))
            input type="hidden" name="all" value=(place.name);
            p { button type="submit" { "Watch all of these" } }
        }
    }
}

fn kept_watch(typed: &Typed<'_>, watch: &Watch) -> Markup {
    let query: Vec<String> = values(watch)
        .into_iter()
        .map(|(name, value)| format!("{name}={value}"))
        .collect();
    html! {
        form method="post" action="/setup/unwatch" {
            (keys(&typed.desk.visitor))
            (fields_of(watch))
            p { "Kept: " strong { (in_words(watch)) } ". "
                span.soft { (how(watch)) } }
            p { button type="submit" { "No longer wanted" } " "
                a href={ "/setup/watches?" (query.join("&")) "#own" } {
                    "change it" } }
        }
    }
}

/// A whole watch by the names of the form's fields.
fn values(watch: &Watch) -> [(&'static str, String); 10] {
    let yes = |is: bool| if is { "1" } else { "" }.to_owned();
    [
        ("place", watch.place.to_string()),
        ("quantity", watch.quantity.0.word().to_owned()),
        ("rule", word_of(&Rule::WORDS, &watch.rule).to_owned()),
        ("low", shown(watch.low)),
        ("high", shown(watch.high)),
        ("mean", watch.mean_minutes.to_string()),
        ("for", watch.for_minutes.to_string()),
        ("margin", watch.margin.to_string()),
        ("urgent", yes(watch.urgent)),
        ("wet", yes(watch.wet_is_normal)),
    ]
}

/// The same as hidden fields, for one tap.
fn fields_of(watch: &Watch) -> Markup {
    html! {
        @for (name, value) in values(watch) {
            input type="hidden" name=(name) value=(value);
        }
    }
}

fn shown(limit: Option<f64>) -> String {
    limit.map(|limit| limit.to_string()).unwrap_or_default()
}

/// How it is judged, in whole sentences.
fn how(watch: &Watch) -> String {
    let Watch { mean_minutes, for_minutes, margin, .. } = watch;
    let quiet =
        if watch.urgent { "in quiet hours too" } else { "after quiet hours" };
    match watch.rule {
        Rule::Range | Rule::Freezing => format!(
            "The mean of {mean_minutes} min is compared; you are told once it \
             is outside for {for_minutes} min, {quiet}; it is over when the \
             mean is {margin} {} inside again.",
            watch.quantity.0.unit(),
        ),
        Rule::DaySum | Rule::Drift | Rule::Door | Rule::Sensor => {
            format!("You are told {quiet}.")
        }
    }
}

/// What each rule means, for the list.
fn rules() -> Vec<Choice> {
    let words = |rule| match rule {
        Rule::Range => "the mean leaves a range",
        Rule::Freezing => "frost, told soon",
        Rule::DaySum => "minutes outside add up over a day",
        Rule::Drift => "the mean of a day moves",
        Rule::Door => "a door left open",
        Rule::Sensor => "the sensor itself is stuck",
    };
    Rule::WORDS
        .iter()
        .map(|(rule, word)| ((*word).to_owned(), words(*rule).to_owned()))
        .collect()
}

fn own(typed: &Typed<'_>) -> Markup {
    let ticked = |name: &str| typed.form.text(name) == "1";
    let fields = html! {
        (typed.select("place", "Where", &place_choices(typed.desk)))
        (typed.select("quantity", "What", &quantity_choices()))
        (typed.select("rule", "How it is judged", &rules()))
        p.soft { "What is left empty is taken as usual for the rule." }
        div.numbers {
            (typed.number("low", "Lowest wanted", ""))
            (typed.number("high", "Highest wanted, or moves by", ""))
            (typed.number("mean", "Mean over, min", ""))
            (typed.number("for", "Out for, min", ""))
            (typed.number("margin", "In again so far inside", ""))
        }
        div.choice {
            input id="set-urgent" type="checkbox" name="urgent" value="1"
                checked[ticked("urgent")];
            label for="set-urgent" { "urgent: quiet hours do not hold it back" }
        }
        div.choice {
            input id="set-wet" type="checkbox" name="wet" value="1"
                checked[ticked("wet")];
            label for="set-wet" {
                "for a sensor: full air is normal here" }
        }
    };
    typed.form("watches", "Watch this", &fields)
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    if let Some(place) = desk.book().house.places.get(form.text("all")) {
        let when = When::exactly(desk.now);
        return presets(place.kind)
            .iter()
            .map(|preset| Statement::Watch(preset.at(&place.name)))
            .map(|watch| Said::new("", None, when, watch))
            .collect();
    }
    let place = reading.chosen(form, "place", "say at which place");
    let quantity = reading.quantity(form, "quantity");
    let rule = rule_of(form, reading);
    let (low, high) =
        (reading.decimal(form, "low"), reading.decimal(form, "high"));
    let margin = reading.decimal(form, "margin");
    let mean = minutes(form, reading, "mean");
    let for_minutes = minutes(form, reading, "for");
    let when = when(desk, form, reading);
    let (Some(place), Some(quantity)) = (place, quantity) else {
        return Vec::new();
    };
    let usual = plain(&place, quantity, rule);
    let watch = Watch {
        low: low.or(usual.low),
        high: high.or(usual.high),
        mean_minutes: mean.unwrap_or(usual.mean_minutes),
        for_minutes: for_minutes.unwrap_or(usual.for_minutes),
        margin: margin.unwrap_or(usual.margin),
        urgent: form.text("urgent") == "1",
        wet_is_normal: form.text("wet") == "1",
        ..usual
    };
    if reading.wrong.is_empty() {
        sound(&watch, reading);
    }
    vec![Said::new("rule", None, when, Statement::Watch(watch))]
}

fn rule_of(form: &Form, reading: &mut Reading) -> Rule {
    match form.text("rule") {
        "" => Rule::Range,
        typed => from_word(&Rule::WORDS, typed).unwrap_or_else(|_| {
            reading.wrong.add("rule", "say how it is judged");
            Rule::Range
        }),
    }
}

/// What the ledger would refuse, told beside its field.
fn sound(watch: &Watch, reading: &mut Reading) {
    let quantity = watch.quantity.0;
    let (lowest, highest) = quantity.limits();
    let ranges = matches!(watch.rule, Rule::Range | Rule::DaySum);
    for (field, limit) in [("low", watch.low), ("high", watch.high)] {
        if ranges
            && limit.is_some_and(|limit| !(lowest..=highest).contains(&limit))
        {
            let unit = quantity.unit();
            let told = format!(
                "no {quantity} is outside {lowest} to {highest} {unit}"
            );
            reading.wrong.add(field, told);
        }
    }
    let margin = watch.margin;
    if margin < 0.0 {
        reading.wrong.add("margin", "this must not be below 0");
    }
    match (watch.low, watch.high) {
        (None, None) if ranges => reading
            .wrong
            .add("low", "give a lowest wanted value, a highest one, or both"),
        (Some(low), Some(high)) if ranges && low >= high => {
            reading.wrong.add("high", format!("this must be above {low}"));
        }
        (Some(low), Some(high)) if ranges && 2.0 * margin >= high - low => {
            let told = format!(
                "this leaves nothing between {low} and {high}: take less \
                 than {}",
                (high - low) / 2.0
            );
            reading.wrong.add("margin", told);
        }
        _ => {}
    }
}

fn minutes(form: &Form, reading: &mut Reading, field: &str) -> Option<u32> {
    const DAY: u32 = 1_440;
    let typed = form.text(field);
    if typed.is_empty() {
        return None;
    }
    let minutes = typed.parse().ok().filter(|n| (1..=DAY).contains(n));
    if minutes.is_none() {
        reading.wrong.add(field, "give minutes, from 1 to 1440");
    }
    minutes
}

/// `POST /setup/unwatch`: a watch is no longer wanted.
pub(super) fn unwatch(desk: &Desk, form: &Form) -> Result<Answer, StoreError> {
    let mut reading = Reading::default();
    let rule = rule_of(form, &mut reading);
    let (Ok(place), Some(quantity), true) = (
        Name::new(form.text("place")),
        Quantity::from_word(form.text("quantity")),
        reading.wrong.is_empty(),
    ) else {
        return Ok(super::no_such_page());
    };
    let quantity = QuantityWord(quantity);
    let statement = Statement::Unwatch { place, quantity, rule };
    let draft = Draft::new(None, When::exactly(desk.now), statement);
    // A watch that is gone already is what was wanted.
    desk.record(&[draft], form)?;
    Ok(Answer::See("/setup/watches".to_owned()))
}
