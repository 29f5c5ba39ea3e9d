//! Now: alerts on top, what to do today, and how each place is, in words and
//! shapes, with the age of what is known.

use maud::{Markup, html};

use crate::climate::hours::{hour_of, hour_start};
use crate::climate::log::Span;
use crate::health::ChannelState;
use crate::observation::{Name, Quantity, Reading};
use crate::report::words::{number, plain};
use crate::store::{SeriesInfo, StoreError};
use crate::trial::house::Place;
use crate::units::MILLIS_PER_DAY;
use crate::web::alerts;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::round::find_form;
use crate::web::spark::spark;
use crate::web::thinned::{self, Thinned};
use crate::web::units::walk;
use crate::web::words::{ago, n_of};

/// A reading older than this says nothing of now, ms.
pub(crate) const STALE_MILLIS: i64 = 60 * 60_000;
/// The daemon speaks twice a minute; a word older than this is history, ms.
const DAEMON_SPEAKS_MILLIS: i64 = 2 * 60_000;

/// `GET /`
pub(crate) fn page(desk: &Desk) -> Result<Answer, StoreError> {
    let mut lasting = desk.store.alerts(desk.now)?;
    lasting.retain(|alert| alert.cleared.is_none());
    let series = desk.store.series()?;
    let day = last_day_everywhere(desk)?;
    let troubles = troubles(desk)?;
    let body = html! {
        h1.unseen { "Now" }
        (live_line(Some(&alerts_mark(desk)?)))
        @if !lasting.is_empty() {
            section.card.trouble aria-label="Alerts" {
                (alerts::list(desk, &lasting)?)
            }
        }
        @for trouble in &troubles { p.message.trouble { (trouble) } }
        (to_do(desk, &series))
        h2 { "Places" }
        p.soft { "A line is the last day, its breadth the lowest and the \
            highest of each hour." }
        @if desk.book().house.places.is_empty() {
            p { "No place is recorded yet. " a href="/setup" { "Set up" } }
        }
        @for place in desk.book().house.places.values() {
            (at_place(desk, &series, place, &day))
        }
    };
    Ok(Answer::page("Now", Tab::Now, body))
}

/// What the daemon says of itself, when it is not well.
pub(crate) fn troubles(desk: &Desk) -> Result<Vec<String>, StoreError> {
    let mut told = Vec::new();
    let Some((at, health)) = desk.store.daemon_said()? else {
        return Ok(told);
    };
    if desk.now.millis_since(at) > DAEMON_SPEAKS_MILLIS {
        told.push(format!(
            "The part that stores readings last spoke {}.",
            ago(desk.now, at)
        ));
    }
    if health.failing {
        told.push(
            "Readings cannot be stored; boards keep them until they can."
                .to_owned(),
        );
    }
    told.extend(
        health
            .broken
            .iter()
            .map(|broken| format!("Not started: {}", plain(broken))),
    );
    told.extend(
        health
            .channels
            .iter()
            .filter(|channel| channel.state == ChannelState::Fails)
            .map(|channel| {
                format!(
                    "Alerts do not leave by “{}”: {}",
                    plain(&channel.name),
                    plain(&channel.detail)
                )
            }),
    );
    Ok(told)
}

fn to_do(desk: &Desk, series: &[SeriesInfo]) -> Markup {
    let stops = walk(desk);
    let due = stops.iter().filter(|stop| stop.due).count();
    let due = u64::try_from(due).unwrap_or_default();
    let mut strays: Vec<&str> = series
        .iter()
        .map(|info| &info.series.board)
        .filter(|board| !desk.book().house.declares(board))
        .map(crate::observation::Name::as_str)
        .collect();
    strays.dedup();
    html! {
        section {
            h2.first { "Today" }
            @if due > 0 {
                p.state { strong { (n_of(due, "unit", "units")) }
                    " to look at" }
                p { a.button.main href="/round" { "Start the round" } }
            } @else if desk.book().trials.is_empty() {
                p { "Nothing is recorded yet. Five steps lead to the first \
                    count; no board is needed." }
                p { a.button.main href="/setup" { "Begin" } }
            } @else if stops.is_empty() {
                p { "No open unit holds seeds: there is nothing to look at." }
            } @else {
                p.state { "Every unit was looked at today." }
            }
            @for board in strays {
                p { "Board " strong { (board) } " sends, but no place is \
                    recorded for it. " a href="/setup/boards" {
                    "Give it one" } }
            }
            (find_form())
        }
    }
}

/// How a quantity stands at a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum State {
    InRange,
    Above,
    Below,
    NoRange,
    /// The newest reading is too old to say.
    Unknown,
}

impl State {
    pub(crate) fn of(
        desk: &Desk,
        place: &Place,
        q: Quantity,
        reading: &Reading,
    ) -> Self {
        if desk.now.millis_since(reading.at) > STALE_MILLIS {
            return Self::Unknown;
        }
        let Some(watch) = desk.book().house.range_of(&place.name, q) else {
            return Self::NoRange;
        };
        if watch.high.is_some_and(|high| reading.value > high) {
            Self::Above
        } else if watch.low.is_some_and(|low| reading.value < low) {
            Self::Below
        } else {
            Self::InRange
        }
    }

    fn mark(self) -> &'static str {
        match self {
            Self::InRange => "●",
            Self::Above => "▲",
            Self::Below => "▼",
            Self::NoRange => "–",
            Self::Unknown => "?",
        }
    }

    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::InRange => "in range",
            Self::Above => "above its range",
            Self::Below => "below its range",
            Self::NoRange => "without a range",
            Self::Unknown => "unknown now",
        }
    }

    fn class(self) -> &'static str {
        match self {
            Self::Above | Self::Below => "out",
            Self::Unknown => "stale",
            Self::InRange | Self::NoRange => "in",
        }
    }
}

/// The last day of some places, hour by hour.
pub(crate) fn last_day(
    desk: &Desk,
    places: &[&Name],
) -> Result<Day, StoreError> {
    let from = desk.now.plus_millis(-MILLIS_PER_DAY);
    let span = Span::new(hour_start(hour_of(from) + 1), desk.now);
    let thinned = thinned::at_places(desk, places, span)?;
    Ok(Day { span, thinned })
}

/// The last day of every place.
pub(crate) fn last_day_everywhere(desk: &Desk) -> Result<Day, StoreError> {
    last_day(desk, &desk.book().house.places.keys().collect::<Vec<_>>())
}

/// A day, hour by hour.
pub(crate) struct Day {
    span: Span,
    thinned: Thinned,
}

fn at_place(
    desk: &Desk,
    series: &[SeriesInfo],
    place: &Place,
    day: &Day,
) -> Markup {
    html! {
        section.place {
            h3 { a href={ "/place/" (place.name) } { (plain(&place.title)) } }
            div data-live=(place.name) { (values(desk, series, place, day)) }
        }
    }
}

/// Where the script says whether values are live; `alerts` is what the page
/// shows of them.
pub(crate) fn live_line(alerts: Option<&str>) -> Markup {
    html! { p.soft.live id="live" data-alerts=[alerts] {} }
}

/// Changes when an alert begins or ends.
pub(crate) fn alerts_mark(desk: &Desk) -> Result<String, StoreError> {
    let alerts = desk.store.alerts(desk.now)?;
    let lasting = alerts.iter().filter(|alert| alert.cleared.is_none());
    let ids: Vec<&str> = lasting.map(|alert| alert.id.as_str()).collect();
    Ok(ids.join(" "))
}

/// The newest values of a place, each with its state and age.
pub(crate) fn values(
    desk: &Desk,
    series: &[SeriesInfo],
    place: &Place,
    day: &Day,
) -> Markup {
    let known = newest(desk, series, place);
    html! {
        @if known.is_empty() {
            p.soft { "No board speaks for this place." }
        } @else {
            ul.values {
                @for (quantity, reading) in known {
                    @let state = State::of(desk, place, quantity, &reading);
                    li class=(state.class()) {
                        span.value {
                            (value(quantity, reading.value)) " "
                            span.unit { (quantity.unit()) }
                        }
                        @if let Some(hourly) =
                            day.thinned.get(&(place.name.clone(), quantity))
                        {
                            (spark(hourly, quantity, day.span))
                        }
                        span.soft {
                            span.mark aria-hidden="true" { (state.mark()) }
                            " " (quantity.word()) " " (state.words()) ", "
                            (ago(desk.now, reading.at))
                            @for mark in reading.quality.words() {
                                ", " (mark)
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A value with the digits that a cheap sensor means.
pub(crate) fn value(quantity: Quantity, value: f64) -> String {
    let digits = usize::from(quantity == Quantity::Temperature);
    number(value, digits)
}

/// The newest reading of each quantity that speaks for a place now,
/// corrected as the ledger says.
pub(crate) fn newest(
    desk: &Desk,
    series: &[SeriesInfo],
    place: &Place,
) -> Vec<(Quantity, Reading)> {
    let house = &desk.book().house;
    let (now, after) = (desk.now, desk.now.plus_millis(1));
    Quantity::CLIMATE
        .into_iter()
        .filter_map(|quantity| {
            let voices = house.voices(&place.name, quantity, now, after);
            let voice = voices.last()?;
            let info = series.iter().find(|i| i.series == voice.series)?;
            let mut reading = info.newest?;
            if let Some(calibration) =
                house.calibration_at(&info.series, reading.at)
            {
                reading.value =
                    calibration.gain * reading.value + calibration.offset;
            }
            Some((quantity, reading))
        })
        .collect()
}
