//! One place: what came up there above the climate it came up in, over a
//! chosen span, the doses of that span, and the boards there.
//!
//! No comparison of places: that is the report's.

use axum::extract::Path;
use maud::{Markup, PreEscaped, html};

use crate::chart::light::{Light, LightDay};
use crate::chart::trace::{Hole, Stretch, Trace, Wanted};
use crate::chart::{Heading, Layout, Step, place as figure};
use crate::climate::hours::{HourSum, hour_of, hour_start};
use crate::climate::log::Span;
use crate::observation::Quantity;
use crate::report::figures::counted;
use crate::report::page::style::without_style;
use crate::report::words::{
    about, dates, number, of_hundred, offset_seconds, plain,
};
use crate::store::{SeriesInfo, StoreError};
use crate::study::hourly::{Hourly, HourlyDose};
use crate::trial::house::{BoardStay, Place};
use crate::trial::unit::Unit;
use crate::units::{Instant, MILLIS_PER_DAY};
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::now::{STALE_MILLIS, live_line, value, values};
use crate::web::routes::{Asked, Named};
use crate::web::units::{Stop, link, name_of, walk};
use crate::web::words::{ago, last_time, n_of};
use crate::web::{frame, now, thinned};

/// Spans to choose from: word in the address, words, days.
const SPANS: [(&str, &str, Option<i64>); 4] = [
    ("day", "a day", Some(1)),
    ("week", "a week", Some(7)),
    ("month", "a month", Some(30)),
    ("all", "all", None),
];
/// The span shown first.
const USUAL: usize = 1;
/// Up to so many hours each hour is a column of its own.
const BY_HOUR: f64 = 8.0 * 24.0;
/// Shorter holes cannot be seen, h.
const LEAST_HOLE_HOURS: f64 = 1.0;

/// `GET /place/…`
pub(crate) fn page(
    desk: &Desk,
    Path(name): &Named,
    asked: &Asked,
) -> Result<Answer, StoreError> {
    let Some(place) = desk.book().house.places.get(name.as_str()) else {
        let told = format!("No place is called “{}”.", plain(name));
        return Ok(frame::missing(&told));
    };
    let series = desk.store.series()?;
    let stops = walk(desk);
    let here: Vec<&Stop<'_>> =
        stops.iter().filter(|s| s.place == Some(&place.name)).collect();
    let chosen = SPANS.iter().find(|(word, ..)| *word == asked.text("span"));
    let chosen = *chosen.unwrap_or(&SPANS[USUAL]);
    let first = match chosen.2 {
        Some(days) => desk.now.plus_millis(-days * MILLIS_PER_DAY),
        None => beginning(desk, &series, place, &here),
    };
    let span = Span::new(hour_start(hour_of(first)), desk.now);
    let thinned = thinned::at_places(desk, &[&place.name], span)?;
    let of = |q: Quantity| &thinned[&(place.name.clone(), q)];
    let climate: Climate<'_> = Quantity::CLIMATE.map(|q| (q, of(q)));
    let day = now::last_day(desk, &[&place.name])?;
    let body = html! {
        p.kicker { (kind(place)) }
        h1 { (plain(&place.title)) }
        (live_line(None))
        div data-live=(place.name) { (values(desk, &series, place, &day)) }
        h2 { "Conditions" }
        nav.spans aria-label="Span" {
            @for (word, words, _) in SPANS {
                @if word == chosen.0 {
                    strong aria-current="true" { (words) }
                } @else {
                    a href={ "/place/" (place.name) "?span=" (word) } {
                        (words)
                    }
                }
            }
        }
        (figures(desk, place, &here, &climate, span))
        (doses(desk, &climate, span))
        (units(desk, &here))
        (boards(desk, &series, place))
    };
    Ok(Answer::page(&plain(&place.title), Tab::Elsewhere, body))
}

/// What is known of each quantity.
type Climate<'a> = [(Quantity, &'a Hourly); 3];

fn known<'a>(climate: &Climate<'a>, wanted: Quantity) -> Option<&'a Hourly> {
    let (_, hourly) = climate.iter().find(|(q, _)| *q == wanted)?;
    hourly.is_known().then_some(*hourly)
}

/// The first that is known of a place: a reading, or a container that is
/// there now.
fn beginning(
    desk: &Desk,
    series: &[SeriesInfo],
    place: &Place,
    here: &[&Stop<'_>],
) -> Instant {
    let stays = &desk.book().house.board_stays;
    let heard = stays
        .iter()
        .filter(|stay| stay.place == place.name)
        .filter_map(|stay| {
            let own = series.iter().filter(|info| {
                info.series.board == stay.board
                    && info.series.probe == stay.probe
            });
            let first = own.filter_map(|info| info.first).min()?;
            Some(first.max(stay.from.at))
        });
    let sown = here
        .iter()
        .map(|stop| stop.here.unit)
        .filter(|unit| unit.is_container())
        .map(|unit| unit.begun.at);
    let usual = desk.now.plus_millis(-7 * MILLIS_PER_DAY);
    heard.chain(sown).filter(|at| *at < desk.now).min().unwrap_or(usual)
}

fn kind(place: &Place) -> String {
    let words = &crate::trial::entry::PlaceKind::WORDS;
    let kind = crate::trial::entry::word_of(words, &place.kind);
    if place.light_source.is_empty() {
        kind.to_owned()
    } else {
        format!("{kind}, lit by {}", plain(&place.light_source))
    }
}

fn figures(
    desk: &Desk,
    place: &Place,
    here: &[&Stop<'_>],
    climate: &Climate<'_>,
    span: Span,
) -> Markup {
    let zone = desk.zone().zone;
    let offset = |at| offset_seconds(zone, at);
    let trace = |quantity| trace(desk, place, climate, quantity, span);
    let containers: Vec<figure::Container> = here
        .iter()
        .map(|stop| stop.here.unit)
        .filter(|unit| unit.is_container())
        .map(|unit| container(desk, unit))
        .collect();
    let drawn = figure::Figure {
        heading: heading(desk, place, climate, containers.len(), span),
        from: span.from,
        to: span.to,
        containers,
        temperature: trace(Quantity::Temperature),
        humidity: trace(Quantity::Humidity),
        light: known(climate, Quantity::Light).map(|light| Light {
            days: light
                .days(&offset)
                .into_iter()
                .map(|day| LightDay {
                    from: day.span.from,
                    to: day.span.to,
                    lux_hours: day.sum,
                    at_least: day.at_least,
                })
                .collect(),
            holes: holes(light),
        }),
        offset: &offset,
    };
    let svg = |layout| PreEscaped(without_style(&figure::draw(&drawn, layout)));
    html! {
        figure {
            div.wide { (svg(Layout::Wide)) }
            div.narrow { (svg(Layout::Narrow)) }
        }
    }
}

fn holes(hourly: &Hourly) -> Vec<Hole> {
    hourly
        .holes
        .iter()
        .filter(|hole| hole.hours() >= LEAST_HOLE_HOURS)
        .map(|hole| Hole { from: hole.from, to: hole.to })
        .collect()
}

/// Hours as they are; the figure gathers them to one column a pixel and
/// keeps the lowest and the highest of each.
fn trace(
    desk: &Desk,
    place: &Place,
    climate: &Climate<'_>,
    quantity: Quantity,
    span: Span,
) -> Option<Trace> {
    let known = known(climate, quantity)?;
    let watch = desk.book().house.range_of(&place.name, quantity);
    let each = if span.hours() <= BY_HOUR { "hour" } else { "" };
    let stretch = |hour: &HourSum| Stretch {
        from: hour.span().from,
        to: hour.span().to.min(span.to),
        mean: hour.mean(),
        low: hour.low,
        high: hour.high,
    };
    Some(Trace {
        each: each.to_owned(),
        stretches: known.hours.iter().map(stretch).collect(),
        holes: holes(known),
        wanted: watch.map(|watch| Wanted {
            low: watch.low,
            high: watch.high,
            hours_outside: None,
        }),
    })
}

fn container(desk: &Desk, unit: &Unit) -> figure::Container {
    figure::Container {
        label: name_of(desk, unit),
        treatment: "all containers".to_owned(),
        step: Step::Unstated,
        sown: unit.begun.at,
        checks: unit
            .looks
            .iter()
            .map(|look| figure::Check {
                at: look.when.at,
                germinated_total: look.total,
            })
            .collect(),
        outcome: counted(unit.germinated(), unit.entered()),
    }
}

fn heading(
    desk: &Desk,
    place: &Place,
    climate: &Climate<'_>,
    containers: usize,
    span: Span,
) -> Heading {
    let known: Vec<String> = climate
        .iter()
        .map(|(quantity, hourly)| match (hourly.mean(), hourly.extremes()) {
            (Some(mean), Some((low, high))) => format!(
                "{} mean {} {}, {} to {}",
                quantity.word(),
                value(*quantity, mean),
                quantity.unit(),
                value(*quantity, low),
                value(*quantity, high)
            ),
            _ => format!("{} not logged", quantity.word()),
        })
        .collect();
    let title = plain(&place.title);
    let containers = u64::try_from(containers).unwrap_or_default();
    let subtitle = format!(
        "{}; {} here now",
        dates(desk.zone().zone, span.from, span.to),
        n_of(containers, "container", "containers")
    );
    let description = format!("{title}. {subtitle}. {}.", known.join("; "));
    Heading { title, subtitle, description }
}

fn doses(desk: &Desk, climate: &Climate<'_>, span: Span) -> Markup {
    let zone = desk.zone().zone;
    let local = |at| offset_seconds(zone, at);
    let warmth = known(climate, Quantity::Temperature).map(|t| t.warmth(span));
    let light = known(climate, Quantity::Light).map(|l| l.light(span, &local));
    html! {
        h2 { "Doses of this span" }
        dl.doses {
            (dose("Warmth", "°C·h above 0 °C", "the hours", warmth))
            (dose("Light", "lx·h", "the daylight hours", light))
        }
        p.soft { "Of the air and the light of the place, not of the inside \
            of a closed box. Reckoned from hours; a report takes each \
            reading." }
    }
}

fn dose(name: &str, unit: &str, of: &str, dose: Option<HourlyDose>) -> Markup {
    html! {
        div {
            dt { (name) }
            dd {
                @if let Some(dose) = dose {
                    @if dose.at_least { "at least " }
                    (about(dose.sum)) " " (unit)
                    span.soft {
                        " in " (number(dose.logged_hours, 0)) " logged h"
                        @if dose.share > 0.0 {
                            ", " (of_hundred(dose.share)) " % of " (of)
                        } @else { ", all of them dark" }
                    }
                } @else { "not logged" }
            }
        }
    }
}

/// Boards that are here now and how they are.
fn boards(desk: &Desk, series: &[SeriesInfo], place: &Place) -> Markup {
    let house = &desk.book().house;
    let here: Vec<&BoardStay> = house
        .board_stays
        .iter()
        .filter(|stay| stay.place == place.name && stay.from.at <= desk.now)
        .filter(|stay| stay.to.is_none_or(|to| desk.now < to.at))
        .collect();
    html! {
        h2 { "Boards here" }
        @if here.is_empty() {
            p { "No board is recorded for this place." }
        } @else {
            ul.boards {
                @for stay in here { li { (board(desk, series, stay)) } }
            }
        }
    }
}

fn board(desk: &Desk, series: &[SeriesInfo], stay: &BoardStay) -> Markup {
    let own = |info: &&SeriesInfo| info.series.board == stay.board;
    let heard = series
        .iter()
        .filter(own)
        .filter_map(|info| info.newest)
        .map(|reading| reading.at)
        .max();
    let newest = |quantity| {
        series
            .iter()
            .filter(own)
            .filter(|info| info.series.quantity == quantity)
            .filter_map(|info| info.newest)
            .max_by_key(|reading| reading.at)
    };
    let (now, after) = (desk.now, desk.now.plus_millis(1));
    let house = &desk.book().house;
    let speaks: Vec<&str> = Quantity::CLIMATE
        .into_iter()
        .filter(|q| {
            house.voices(&stay.place, *q, now, after).iter().any(|voice| {
                voice.series.board == stay.board
                    && voice.series.probe == stay.probe
            })
        })
        .map(Quantity::word)
        .collect();
    let silent = heard.is_none_or(|at| now.millis_since(at) > STALE_MILLIS);
    html! {
        strong { (stay.board) }
        @if stay.probe.as_str() != "air" { ", probe " (stay.probe) }
        @if !stay.position.is_empty() { ", " (plain(&stay.position)) }
        span.soft {
            span.mark aria-hidden="true" { @if silent { "?" } @else { "●" } }
            @match heard {
                Some(at) => {
                    @if silent { " silent, last heard " }
                    @else { " heard " }
                    (ago(now, at))
                }
                None => { " was never heard" }
            }
            @for quantity in [Quantity::Battery, Quantity::Signal] {
                @if let Some(reading) = newest(quantity) {
                    ", " (quantity.word()) " "
                    (number(reading.value,
                        if quantity == Quantity::Battery { 2 } else { 0 }))
                    " " (quantity.unit())
                }
            }
            @if speaks.is_empty() { " · beside the one that speaks" }
            @else { " · speaks for " (speaks.join(", ")) }
        }
    }
}

fn units(desk: &Desk, here: &[&Stop<'_>]) -> Markup {
    html! {
        h2 { "Here now" }
        @if here.is_empty() {
            p { "No unit with seeds is here." }
        } @else {
            ul.rows {
                @for stop in here {
                    @let unit = stop.here.unit;
                    li { a href=(link(unit)) {
                        span.what { strong { (name_of(desk, unit)) }
                            @if !stop.position.is_empty() {
                                " " span.soft { (plain(stop.position)) }
                            }
                        }
                        span.soft { (unit.germinated()) " of "
                            (unit.entered()) " germinated · "
                            (last_time(desk.zone(), desk.now,
                                unit.looks.last())) }
                    } }
                }
            }
        }
    }
}
