//! One place: what came up there above the climate it came up in, over a
//! chosen span, and the doses of that span.
//!
//! No comparison of places: that is the report's.

use std::collections::BTreeMap;

use axum::extract::Path;
use maud::{Markup, PreEscaped, html};

use crate::chart::trace::{Stretch, Trace};
use crate::chart::{Heading, Layout, Step, place as figure};
use crate::climate::integrate::Dose;
use crate::climate::log::Span;
use crate::observation::{Quantity, Reading, Series};
use crate::report::figures::climate::{daily, daily_light};
use crate::report::figures::counted;
use crate::report::page::style::without_style;
use crate::report::words::{
    about, dates, number, of_hundred, offset_seconds, plain,
};
use crate::store::StoreError;
use crate::study::place::{Logged, PlaceClimate, climate};
use crate::trial::house::Place;
use crate::trial::unit::Unit;
use crate::units::MILLIS_PER_DAY;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::frame;
use crate::web::now::{live_line, value, values};
use crate::web::routes::{Asked, Named};
use crate::web::units::{Stop, link, walk};
use crate::web::words::{last_time, n_of};

/// Spans to choose from, days.
const SPANS: [u16; 4] = [3, 7, 28, 90];
/// The span shown first, days.
const USUAL: u16 = 7;
/// Up to so many days the climate is drawn by the hour.
const BY_HOUR: u16 = 7;

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
    let days = asked.text("days").parse().ok();
    let days = days.filter(|days| SPANS.contains(days)).unwrap_or(USUAL);
    let span = Span::new(
        desk.now.plus_millis(-i64::from(days) * MILLIS_PER_DAY),
        desk.now,
    );
    let readings = readings(desk, place, span)?;
    let zone = desk.zone().zone;
    let local = |at| offset_seconds(zone, at);
    let logged = Logged {
        house: &desk.book().house,
        readings: &readings,
        local: &local,
    };
    let climate = climate(logged, &place.name, span);
    let series = desk.store.series()?;
    let stops = walk(desk);
    let here: Vec<&Stop<'_>> =
        stops.iter().filter(|s| s.place == Some(&place.name)).collect();
    let body = html! {
        p.kicker { (kind(place)) }
        h1 { (plain(&place.title)) }
        (live_line(None))
        div data-live=(place.name) { (values(desk, &series, place)) }
        nav.spans aria-label="Span" {
            @for choice in SPANS {
                @if choice == days {
                    strong aria-current="true" { (choice) " days" }
                } @else {
                    a href={ "/place/" (place.name) "?days=" (choice) } {
                        (choice) " days"
                    }
                }
            }
        }
        (figures(desk, place, &here, &climate, days, span))
        (doses(&climate, days))
        (units(desk, &here))
    };
    Ok(Answer::page(&plain(&place.title), Tab::Elsewhere, body))
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

/// Readings of the series that speak for the place in the span.
fn readings(
    desk: &Desk,
    place: &Place,
    span: Span,
) -> Result<BTreeMap<Series, Vec<Reading>>, StoreError> {
    let house = &desk.book().house;
    let mut wanted: Vec<Series> = Quantity::CLIMATE
        .into_iter()
        .flat_map(|q| house.voices(&place.name, q, span.from, span.to))
        .map(|voice| voice.series)
        .collect();
    wanted.sort();
    wanted.dedup();
    let end = span.to.plus_millis(1);
    let found = desk.store.readings_of(&wanted, span.from, end)?;
    Ok(wanted.into_iter().zip(found).collect())
}

fn figures(
    desk: &Desk,
    place: &Place,
    here: &[&Stop<'_>],
    climate: &PlaceClimate,
    days: u16,
    span: Span,
) -> Markup {
    let zone = desk.zone().zone;
    let offset = |at| offset_seconds(zone, at);
    let trace = |quantity| trace(desk, place, climate, quantity, days, span);
    let light = &climate.quantities[&Quantity::Light];
    let containers: Vec<figure::Container> = here
        .iter()
        .map(|stop| stop.here.unit)
        .filter(|unit| unit.is_container())
        .map(container)
        .collect();
    let drawn = figure::Figure {
        heading: heading(desk, place, climate, containers.len(), span),
        from: span.from,
        to: span.to,
        containers,
        temperature: trace(Quantity::Temperature),
        humidity: trace(Quantity::Humidity),
        light: light.is_known().then(|| daily_light(light, span)),
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

fn trace(
    desk: &Desk,
    place: &Place,
    climate: &PlaceClimate,
    quantity: Quantity,
    days: u16,
    span: Span,
) -> Option<Trace> {
    let known = &climate.quantities[&quantity];
    if !known.is_known() {
        return None;
    }
    let watch = desk.book().house.range_of(&place.name, quantity);
    let mut trace = daily(known, watch, span);
    if days <= BY_HOUR {
        trace.each = "hour".to_owned();
        trace.stretches = climate.hours[&quantity]
            .iter()
            .map(|hour| Stretch {
                from: hour.span.from,
                to: hour.span.to,
                mean: hour.mean,
                low: hour.low,
                high: hour.high,
            })
            .collect();
    }
    Some(trace)
}

fn container(unit: &Unit) -> figure::Container {
    figure::Container {
        label: unit.name.to_string(),
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
    climate: &PlaceClimate,
    containers: usize,
    span: Span,
) -> Heading {
    let known: Vec<String> = Quantity::CLIMATE
        .into_iter()
        .map(|quantity| {
            let known = &climate.quantities[&quantity];
            match (known.mean, known.low, known.high) {
                (Some(mean), Some(low), Some(high)) => format!(
                    "{} mean {} {}, {} to {}",
                    quantity.word(),
                    value(quantity, mean),
                    quantity.unit(),
                    value(quantity, low),
                    value(quantity, high)
                ),
                _ => format!("{} not logged", quantity.word()),
            }
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

fn doses(climate: &PlaceClimate, days: u16) -> Markup {
    html! {
        h2 { "Doses of these " (days) " days" }
        dl.doses {
            (dose("Warmth", "°C·h above 0 °C", &climate.warmth))
            (dose("Light", "lx·h", &climate.light))
        }
        p.soft { "Of the air and the light of the place, not of the inside \
            of a closed box." }
    }
}

fn dose(name: &str, unit: &str, dose: &Dose) -> Markup {
    let coverage = dose.coverage().filter(|share| *share > 0.0);
    html! {
        div {
            dt { (name) }
            dd {
                @if let Some(share) = coverage {
                    @if dose.at_least { "at least " }
                    (about(dose.covered_sum)) " " (unit)
                    span.soft {
                        " in " (number(dose.covered_hours, 0)) " logged h, "
                        (of_hundred(share)) " % of the hours that matter"
                    }
                } @else { "not logged" }
            }
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
                        span.what { strong { (unit.name) }
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
