//! `plan`: what a next trial should change, or the layout of a new one.

use serde_json::json;

use crate::cli::arguments::PlanArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::report;
use crate::store::Access;
use crate::study::design::{Design, Shown, Wish, design};

pub(crate) fn plan(
    house: impl Fn() -> Result<House, Failure>,
    arguments: &PlanArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    if arguments.levels.is_empty() && arguments.places.is_empty() {
        return of_trial(&house()?, output);
    }
    let wish = Wish {
        levels: arguments.levels.clone(),
        places: if arguments.places.is_empty() {
            vec!["one-place".to_owned()]
        } else {
            arguments.places.clone()
        },
        expected: arguments.expected / 100.0,
        difference: arguments.difference / 100.0,
        dispersion: arguments.scatter,
        seeds: arguments.seeds,
        power: arguments.power / 100.0,
        batches: arguments.batches,
        seed: arguments.seed,
    };
    let found = design(&wish).map_err(|error| {
        Failure::of(&error)
            .hint("try --difference, --seeds or --scatter with other numbers")
    })?;
    if output.json {
        output.object(&as_json(&wish, &found))?;
    } else {
        in_words(&wish, arguments, &found, output)?;
    }
    Ok(Answer::Done)
}

/// What the trial at hand could not tell.
fn of_trial(house: &House, output: &mut Output) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let (_, book) = house.ledger()?;
    let trial = house.trial(&book)?.name.clone();
    let request = report::request(house, Some(trial), None, "report".into());
    let results =
        crate::report::results(&request, &store).map_err(report::failed)?;
    for next in &results.next {
        if output.json {
            output.object(&json!(next))?;
        } else {
            output.line(&format!("- {}", next.text))?;
        }
    }
    if results.next.is_empty() {
        output.talk(
            "this trial told apart what was planned; `vernalog plan --levels \
             … --places …` lays out another",
        );
    }
    Ok(Answer::Done)
}

fn power_words(shown: &Shown, what: &str) -> String {
    format!(
        "{what}: {} of {} seeds at each; chance of seeing the difference {:.0} \
         % (noncentral F), {:.0} % ± {:.0} (2,000 invented trials)",
        shown.units_each,
        shown.seeds_each,
        100.0 * shown.by_f.power,
        100.0 * shown.invented.power,
        100.0 * shown.invented.error
    )
}

fn in_words(
    wish: &Wish,
    arguments: &PlanArguments,
    found: &Design,
    output: &mut Output,
) -> Result<(), Failure> {
    output.line(&format!(
        "For a difference of {:.0} of every 100 about {:.0}, scatter between \
         containers {} times that of seeds alone:",
        100.0 * wish.difference,
        100.0 * wish.expected,
        wish.dispersion
    ))?;
    output.line(&format!(
        "- {} batches for each level of {}, {} seeds in each; {} seeds in all",
        found.batches_each, arguments.factor, found.seeds_in_batch, found.seeds
    ))?;
    output.line(&format!(
        "- each batch at every place, {} of {} seeds there",
        crate::study::wording::counted(
            usize::try_from(found.containers_each).unwrap_or(1),
            "container"
        ),
        wish.seeds
    ))?;
    if let Some(shown) = &found.levels {
        let what = format!("- levels of {}, unit batch", arguments.factor);
        output.line(&power_words(shown, &what))?;
    }
    if let Some(shown) = &found.places {
        output.line(&power_words(shown, "- places, unit container"))?;
        output.line(
            "- a place is one spot in one run: this does not tell warmth from \
             light and damp; about ten place-runs would",
        )?;
    }
    output.line(&format!("Spots, drawn by lot (seed {}):", wish.seed))?;
    let rows: Vec<Vec<String>> = found
        .spots
        .iter()
        .map(|spot| {
            vec![
                spot.place.clone(),
                spot.position.to_string(),
                spot.container.clone(),
                spot.batch.clone(),
                spot.level.clone(),
            ]
        })
        .collect();
    output.table(
        &["place", "spot", "container", "batch", &arguments.factor],
        &rows,
    )
}

fn as_json(wish: &Wish, found: &Design) -> serde_json::Value {
    let shown = |shown: &Option<Shown>| {
        shown.map(|shown| {
            json!({
                "units_each": shown.units_each,
                "seeds_each": shown.seeds_each,
                "dispersion": shown.by_f.dispersion,
                "power_by_f": shown.by_f.power,
                "power_invented": shown.invented.power,
                "power_invented_error": shown.invented.error,
            })
        })
    };
    json!({
        "format": "vernalog-plan/1",
        "seed": wish.seed,
        "expected": wish.expected,
        "difference": wish.difference,
        "batches_each": found.batches_each,
        "containers_each": found.containers_each,
        "seeds_in_batch": found.seeds_in_batch,
        "seeds": found.seeds,
        "levels": shown(&found.levels),
        "places": shown(&found.places),
        "spots": found.spots.iter().map(|spot| json!({
            "place": spot.place,
            "position": spot.position,
            "container": spot.container,
            "batch": spot.batch,
            "level": spot.level,
        })).collect::<Vec<_>>(),
    })
}
