//! What the numbers rest on and how they were made: data quality, methods
//! as they were really run, care, versions.

use maud::{Markup, html};

use crate::climate::chill::ChillBand;
use crate::climate::integrate::{LEAST_COVERAGE, LONGEST_FILLED_HOURS};
use crate::observation::Quantity;
use crate::report::page::Made;
use crate::report::page::table::{
    Caption, cell, number, table, two_lines, words as column,
};
use crate::report::results::FORMAT;
use crate::report::{Scene, words};
use crate::stats::strata::LEAST_DF;
use crate::study::DataQuality;
use crate::study::factors::{PLACE, is_pair};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::place::{BASES, PlaceStudy, WARM_PHASE_CELSIUS};
use crate::study::prediction::{Clock, FURTHER};
use crate::study::thermal::STATED_BASE_CELSIUS;
use crate::study::wording::percent;
use crate::trial::entry::PlaceKind;

/// Cautions about people and food stand at the end, with the care notes.
pub(super) fn is_about_care(id: &str) -> bool {
    ["mould-and-people", "food-fridge"].contains(&id)
}

pub(super) fn quality(scene: Scene<'_>) -> Markup {
    let quality = &scene.study.data_quality;
    let rows: Vec<Vec<Markup>> =
        scene.study.places.iter().map(|p| covered(quality, p)).collect();
    let mut left_out: Vec<Vec<Markup>> = quality
        .left_out
        .iter()
        .map(|(mark, n)| {
            vec![cell(format!("marked {mark}")), cell(words::count(*n))]
        })
        .collect();
    if quality.excluded > 0 {
        left_out.push(vec![
            cell("in windows the grower excluded"),
            cell(words::count(quality.excluded)),
        ]);
    }
    html! {
        section #quality aria-labelledby="h-quality" {
            h2 #h-quality { "Data" }
            (table(
                &Caption {
                    title: "How much of the time is covered",
                    note: "Of the time units of the trial were at the place.",
                },
                &[
                    column("Place"),
                    number("Temperature"),
                    number("Humidity"),
                    number("Light"),
                ],
                &rows,
            ))
            (table(
                &Caption {
                    title: "Readings left out",
                    note: "Kept in the store; the time without them counts \
                           as missing.",
                },
                &[column("Why"), number("Readings")],
                &left_out,
            ))
            @if !scene.problems.is_empty() {
                h3 { "Ledger entries left out" }
                ul {
                    @for problem in scene.problems {
                        li { (words::plain(problem)) }
                    }
                }
            }
            p.small {
                "The same numbers for other programs: results.json, \
                 containers.csv and places.csv beside this page; their times \
                 are UTC."
            }
        }
    }
}

/// Coverage of the three quantities at a place.
fn covered(quality: &DataQuality, place: &PlaceStudy) -> Vec<Markup> {
    let of = |quantity: Quantity| {
        let found = quality
            .covered
            .iter()
            .find(|c| c.place == place.name && c.quantity == quantity)
            .filter(|covered| covered.coverage > 0.0);
        found.map_or_else(
            || html! { span.soft { "not logged" } },
            |covered| {
                let missing = words::number(covered.missing_hours, 0);
                two_lines(
                    &percent(covered.coverage),
                    &format!("{missing} h missing"),
                )
            },
        )
    };
    let mut row = vec![cell(words::plain(&place.title))];
    row.extend(Quantity::CLIMATE.map(of));
    row
}

pub(super) fn care(scene: Scene<'_>) -> Markup {
    let cautions: Vec<_> = scene
        .study
        .cautions
        .iter()
        .filter(|caution| is_about_care(caution.id))
        .collect();
    html! {
        @if !cautions.is_empty() {
            section #care aria-labelledby="h-care" {
                h2 #h-care { "Care" }
                ul.cautions {
                    @for caution in cautions {
                        li { (words::plain(&caution.text)) }
                    }
                }
            }
        }
    }
}

/// What was really run in this report, and only that.
struct Ran {
    containers: bool,
    readings: bool,
    light: bool,
    photons: bool,
    tested: bool,
    holm: bool,
    pairs: bool,
    /// The clock of the prediction, if one was made.
    ahead: Option<Clock>,
    fridge: bool,
    place: bool,
}

impl Ran {
    fn of(scene: Scene<'_>) -> Self {
        let study = scene.study;
        let planned =
            study.factors.iter().filter(|f| f.corrected_p.is_some()).count();
        Self {
            containers: study.containers().next().is_some(),
            readings: study.data_quality.readings_used > 0,
            light: study.places.iter().any(|p| p.light.covered_hours > 0.0),
            photons: study
                .places
                .iter()
                .any(|p| crate::report::results::photons(p).is_some()),
            tested: planned > 0,
            holm: planned > 1,
            ahead: study
                .prediction
                .as_ref()
                .filter(|found| found.refused().is_none())
                .map(|found| found.clock),
            pairs: study.factors.iter().any(|f| is_pair(f.name())),
            fridge: study.places.iter().any(|p| p.kind == PlaceKind::Fridge),
            place: study.factors.iter().any(|f| f.name() == PLACE),
        }
    }
}

pub(super) fn chapter(scene: Scene<'_>) -> Markup {
    let ran = Ran::of(scene);
    html! {
        section #methods aria-labelledby="h-methods" {
            h2 #h-methods { "Methods, as they were run" }
            dl.method {
                @if ran.containers { (counts(scene)) }
                @if ran.tested { (tests(&ran)) }
                @if ran.place { (place_method()) }
                @if ran.readings { (integration()) (warmth()) }
                @if ran.light { (light(&ran)) }
                @if ran.fridge { (cold(&ran)) }
                @if ran.containers { (thermal_time()) }
                @if let Some(ahead) = ran.ahead { (prediction(ahead)) }
            }
        }
    }
}

fn prediction(clock: Clock) -> Markup {
    html! {
        dt { "Still to come" }
        dd {
            @match clock {
                Clock::Warmth => {
                    "Chance of germinating between two looks: complementary \
                     log-log regression with the degree-hours of the interval \
                     as exposure, on the logarithm of the degree-hours since \
                     sowing and its square (grouped proportional hazards \
                     after Prentice & Gloeckler 1978), errors by container."
                }
                Clock::Days => {
                    "Split-population model with log-normal times, in days \
                     (after Farewell 1982), errors by leaving out each \
                     container."
                }
            }
            " Each container's own counts shift its hazard (gamma); limits of \
             the count to come are beta-binomial. Nothing is foretold beyond "
            (words::number(FURTHER, 1))
            " times what was followed so far."
        }
    }
}

fn thermal_time() -> Markup {
    html! {
        dt { "Thermal time" }
        dd {
            "Share = g_max · Φ((lg warmth − lg θ50) / σ), by maximum \
             likelihood on what lay between two looks; warmth in \
             degree-hours above the stated base of "
            (STATED_BASE_CELSIUS) " °C (a convention), filled where it may \
             be. Limits: jackknife over containers. After Garcia-Huidobro, \
             Monteith and Squire 1982, and Bradford 2002."
        }
    }
}

fn counts(scene: Scene<'_>) -> Markup {
    html! {
        dt { "Share germinated" }
        dd {
            "Germinated seeds of the seeds sown into the container"
            @if let Some(days) = scene.study.common_age_days {
                ", compared " (words::number(days, 0))
                " days after sowing: the shortest time any container was \
                 followed"
            }
            ". One container: Wilson's score interval, 95 % (Wilson 1927)."
        }
        dt { "Time to germination" }
        dd {
            "A germination is known only to lie between two looks; seeds \
             left, taken out or moved on had not germinated by then. Time to \
             half comes from the interval-censored curve (Turnbull 1976), \
             once of the seeds sown and once of those that germinated. The \
             mean time counts each seed at the look that saw it. Seeds taken \
             out for mould are a fate of their own."
        }
    }
}

fn tests(ran: &Ran) -> Markup {
    html! {
        dt { "Comparisons" }
        dd {
            "Each factor is tested on the things it was given to: counts are \
             added up to that unit, and a quasi-binomial regression compares \
             units within the unit above, each factor against the others \
             (split-plot analysis after Fisher; quasi-likelihood after \
             McCullagh & Nelder). The scatter between units is never taken \
             below that of seeds alone. A p-value needs at least "
            (LEAST_DF) " degrees of freedom for that scatter. Pairs of \
             levels have intervals that hold for all pairs of the factor \
             together (Bonferroni)."
            @if ran.holm {
                " Planned comparisons are corrected for their number (Holm \
                 1979)."
            }
            @if ran.pairs {
                " Two factors together: whether what one does hangs on the \
                 other, by the product of both in the same regression."
            }
            " What was not planned is described, without p."
        }
    }
}

fn place_method() -> Markup {
    html! {
        dt { "Places" }
        dd {
            "A place is one spot in one run. Below " (LEAST_PLACE_RUNS)
            " place-runs, doses are drawn beside germination without line, \
             slope or p."
        }
    }
}

fn integration() -> Markup {
    html! {
        dt { "Doses" }
        dd {
            "Readings of the board that speaks for the place, corrected by \
             its calibration, marked ones left out; the straight line \
             between two readings is integrated in UTC. Where two are further \
             apart than three times the usual interval (at least 15 \
             minutes) there is a hole. Holes of up to "
            (words::number(LONGEST_FILLED_HOURS, 0))
            " hours are filled from the same hour of neighbouring days, with \
             the lowest and highest of them as range. Below "
            (percent(LEAST_COVERAGE))
            " coverage a dose is not compared."
        }
    }
}

fn warmth() -> Markup {
    let bases: Vec<String> =
        BASES.iter().map(|base| format!("{base:.0}")).collect();
    html! {
        dt { "Warmth" }
        dd {
            "Degree-hours above " (crate::study::wording::list(&bases))
            " °C, over the unit's own stays. 0 °C is a convention and the \
             one compared; the others show whether the order of places hangs \
             on it."
        }
    }
}

fn light(ran: &Ran) -> Markup {
    html! {
        dt { "Light" }
        dd {
            "Lux-hours, over the hours of day at which the place gets light. \
             A sensor at the end of its scale makes the dose \"at least\"."
            @if ran.photons {
                " Photons are given as a range for the named light source \
                 (lux for each µmol m⁻² s⁻¹ after Thimijan & Heins 1983 and \
                 others), only where one is named."
            }
        }
    }
}

fn cold(ran: &Ran) -> Markup {
    let band = ChillBand::default();
    html! {
        dt { "Chill" }
        dd {
            "Moist hours at " (words::number(band.low.degrees(), 0)) " to "
            (words::number(band.high.degrees(), 0))
            " °C over the seeds' whole history: the stays of the container \
             and of the batch it came from. The band is a convention. A warm \
             phase counts moist hours at or above "
            (words::number(WARM_PHASE_CELSIUS, 0)) " °C before sowing. \
             Stated stays without a log give stated weeks and no logged hours."
        }
        @if ran.readings {
            dt { "Fridge and mould" }
            dd {
                "An opened door is a sudden rise of the fridge's own \
                 temperature, at least twice its usual one and 1 °C, of \
                 which half is lost again within an hour. Mould lies between \
                 the last look without it and the first with it; exposure \
                 is counted until then."
            }
        }
    }
}

pub(super) fn versions(scene: Scene<'_>, made: Made<'_>) -> Markup {
    html! {
        footer {
            h2 #versions { "Versions" }
            p {
                "vernalog " (made.version) "; results in format " (FORMAT)
                ". Told up to "
                (words::moment(scene.zone, scene.study.until))
                "; written " (words::moment(scene.zone, made.at)) ". Times \
                on this page are those of " (scene.zone.name()) "."
            }
        }
    }
}
