//! `watches`: the ranges to be kept.

use serde_json::json;

use crate::alert::preset;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::trial::entry::{Rule, word_of};

pub(crate) fn watches(
    house: &House,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let (_, book) = house.ledger()?;
    let watches = book.house.watches.values();
    if output.json {
        for (entry, watch) in watches {
            output.object(&json!({
                "format": "vernalog-watch/1",
                "entry": entry,
                "place": watch.place,
                "quantity": watch.quantity,
                "rule": watch.rule,
                "low": watch.low,
                "high": watch.high,
                "mean_minutes": watch.mean_minutes,
                "for_minutes": watch.for_minutes,
                "margin": watch.margin,
                "urgent": watch.urgent,
                "wet_is_normal": watch.wet_is_normal,
                "words": preset::in_words(watch),
            }))?;
        }
        return Ok(Answer::Done);
    }
    let rows: Vec<Vec<String>> = watches
        .map(|(entry, watch)| {
            let limit = |value: Option<f64>| {
                value.map(|value| value.to_string()).unwrap_or_default()
            };
            let quantity = watch.quantity.0;
            vec![
                watch.place.to_string(),
                quantity.to_string(),
                word_of(&Rule::WORDS, &watch.rule).to_owned(),
                limit(watch.low),
                limit(watch.high),
                quantity.unit().to_owned(),
                format!("{} min", watch.mean_minutes),
                format!("{} min", watch.for_minutes),
                watch.margin.to_string(),
                if watch.urgent { "urgent" } else { "normal" }.to_owned(),
                entry.0.to_string(),
            ]
        })
        .collect();
    if rows.is_empty() {
        output.talk(
            "no range is to be kept; `vernalog record watch PLACE` records \
             the usual ones",
        );
        return Ok(Answer::Done);
    }
    output.table(
        &[
            "place", "quantity", "rule", "low", "high", "", "mean of",
            "out for", "margin", "severity", "entry",
        ],
        &rows,
    )?;
    Ok(Answer::Done)
}
