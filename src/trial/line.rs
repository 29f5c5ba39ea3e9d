//! An entry as one line of JSON: the history of an export, the journal
//! beside the data file, and what `record --json` prints are all this form.
//!
//! Lossless: what is read back is the very entry. No file is opened here.

use serde::Deserialize;
use serde_json::{Value, json};

use crate::observation::Name;
use crate::trial::entry::{Draft, Entry, EntryId, Statement};
use crate::trial::when::When;
use crate::units::Instant;

/// An entry with all that is known of it, as one JSON object.
///
/// `at` is the time as stated (a date alone stays a date), `instant` the
/// instant that it stands for.
#[must_use]
pub fn to_json(entry: &Entry) -> Value {
    json!({
        "id": entry.id,
        "trial": entry.draft.trial,
        "at": entry.draft.when.text(),
        "instant": entry.draft.when.at,
        "written": entry.written,
        "by": entry.by,
        "origin": entry.origin,
        "supersedes": entry.draft.supersedes,
        "reason": entry.draft.reason,
        "statement": entry.draft.statement,
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    id: EntryId,
    trial: Option<Name>,
    at: String,
    instant: Instant,
    written: Instant,
    by: String,
    origin: String,
    supersedes: Option<EntryId>,
    reason: Option<String>,
    statement: Statement,
}

/// The entry that a line of this form says.
///
/// # Errors
/// What is wrong with the line.
pub fn from_json(text: &str) -> Result<Entry, String> {
    let line: Line =
        serde_json::from_str(text).map_err(|error| error.to_string())?;
    let when = When::from_text(&line.at, line.instant);
    if when.text() != line.at {
        return Err(format!(
            "\"{}\" and {} are not the same time",
            line.at, line.instant
        ));
    }
    Ok(Entry {
        id: line.id,
        draft: Draft {
            trial: line.trial,
            when,
            statement: line.statement,
            supersedes: line.supersedes,
            reason: line.reason,
        },
        written: line.written,
        by: line.by,
        origin: line.origin,
    })
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;

    use super::*;

    #[test]
    fn every_precision_of_time_comes_back_as_it_was_stated() {
        let at = Instant::from_millis(1_773_518_400_000);
        let date = NaiveDate::from_ymd_opt(2026, 3, 14).unwrap();
        let whens = [
            When::on(date, at),
            When::to_the_minute(at),
            When::exactly(at),
            When::exactly(at.plus_millis(1)),
        ];
        for when in whens {
            let statement = Statement::Note {
                about: None,
                text: "a line\nand \"another\"".to_owned(),
            };
            let entry = Entry {
                id: EntryId(7),
                draft: Draft {
                    supersedes: Some(EntryId(3)),
                    reason: Some("miscounted".to_owned()),
                    ..Draft::new(None, when, statement)
                },
                written: at.plus_millis(5),
                by: "Aoife".to_owned(),
                origin: "command".to_owned(),
            };
            let line = to_json(&entry).to_string();
            assert_eq!(line.lines().count(), 1);
            assert_eq!(from_json(&line), Ok(entry));
        }
    }

    #[test]
    fn a_time_that_contradicts_its_instant_is_refused() {
        let line = r#"{"id":1,"trial":null,"at":"2026-03-14T10:00Z","instant":"2026-03-14T11:00:00.000Z","written":"2026-03-14T11:00:00.000Z","by":"","origin":"","supersedes":null,"reason":null,"statement":{"kind":"undo"}}"#;
        assert!(from_json(line).unwrap_err().contains("not the same time"));
    }
}
