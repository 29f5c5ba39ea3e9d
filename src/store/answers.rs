//! What somebody answered to alerts: kept, so that a restart forgets nothing.
//!
//! What follows from an answer is decided in `alert::telling`.

use rusqlite::{OptionalExtension, Row, params};

use crate::alert::telling::{Answer, Answered};
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// An answer as kept.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerRow {
    /// The alert.
    pub alert: String,
    /// What was answered.
    pub answered: Answered,
    /// Why, in the words of whoever answered; may be empty.
    pub reason: String,
    /// Who; may be empty.
    pub by: String,
    /// `command` or `page`.
    pub origin: String,
}

/// An answer to be written.
#[derive(Debug, Clone, Copy)]
pub struct NewAnswer<'a> {
    /// The alert.
    pub alert: &'a str,
    /// What is answered.
    pub answer: Answer,
    /// Why.
    pub reason: &'a str,
    /// Who.
    pub by: &'a str,
    /// `command` or `page`.
    pub origin: &'a str,
    /// The page's form, which counts once.
    pub form: Option<&'a str>,
}

impl Store {
    /// Writes an answer, with the value furthest out by now. False when this
    /// very form was written before.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn answer_alert(
        &mut self,
        new: &NewAnswer<'_>,
        now: Instant,
    ) -> Result<bool, StoreError> {
        let transaction = self.begin()?;
        if let Some(form) = new.form {
            let fresh = transaction
                .execute(
                    "INSERT INTO taken_form (form, at_ms) VALUES (?1, ?2) \
                     ON CONFLICT (form) DO NOTHING",
                    params![form, now.millis()],
                )
                .writing()?;
            if fresh == 0 {
                return Ok(false);
            }
        }
        let (kind, until) = match new.answer {
            Answer::Seen => ("seen", None),
            Answer::Snoozed { until } => ("snoozed", Some(until.millis())),
        };
        transaction
            .execute(
                "INSERT INTO answer (alert, kind, at_ms, until_ms, worst, \
                 reason, by, origin) SELECT id, ?2, ?3, ?4, \
                 coalesce(worst, value), ?5, ?6, ?7 FROM alert WHERE id = ?1",
                params![
                    new.alert,
                    kind,
                    now.millis(),
                    until,
                    new.reason,
                    new.by,
                    new.origin
                ],
            )
            .writing()?;
        transaction.commit().writing()?;
        Ok(true)
    }

    /// Every answer to an alert, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn answers_to(
        &self,
        alert: &str,
    ) -> Result<Vec<AnswerRow>, StoreError> {
        let sql = "SELECT * FROM answer WHERE alert = ?1 ORDER BY id";
        self.rows(sql, [alert], answer_from)
    }

    /// When an alert was last told, as its beginning or as a repeat, and its
    /// first text as it was sent; none when it was told by no channel.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn last_told(
        &self,
        alert: &str,
    ) -> Result<Option<(Instant, String)>, StoreError> {
        let last: Option<i64> = self
            .connection
            .query_row(
                "SELECT written_ms FROM outbox WHERE alert = ?1 \
                 AND body ->> '$.state' IN ('raised', 'lasts') \
                 ORDER BY id DESC LIMIT 1",
                [alert],
                |row| row.get(0),
            )
            .optional()
            .reading()?;
        let first: Option<String> = self
            .connection
            .query_row(
                "SELECT body FROM outbox WHERE alert = ?1 \
                 AND body ->> '$.state' = 'raised' ORDER BY id LIMIT 1",
                [alert],
                |row| row.get(0),
            )
            .optional()
            .reading()?;
        Ok(last.map(Instant::from_millis).zip(first))
    }

    /// Writes that an alert is told once more, for each channel.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tell_again(
        &mut self,
        alert: &str,
        channels: &[String],
        body: &str,
        now: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        for channel in channels {
            transaction
                .execute(
                    "INSERT INTO outbox (alert, channel, body, written_ms, \
                     next_ms) VALUES (?1, ?2, ?3, ?4, ?4) \
                     ON CONFLICT (message, channel) DO NOTHING",
                    params![alert, channel, body, now.millis()],
                )
                .writing()?;
        }
        transaction.commit().writing()
    }

    /// Whether a message of this kind and day was written.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn message_was_written(
        &self,
        message: &str,
    ) -> Result<bool, StoreError> {
        self.connection
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM outbox WHERE message = ?1)",
                [message],
                |row| row.get(0),
            )
            .reading()
    }
}

fn answer_from(row: &Row<'_>) -> Result<AnswerRow, rusqlite::Error> {
    let at = |column: &str| -> Result<Option<Instant>, rusqlite::Error> {
        let millis: Option<i64> = row.get(column)?;
        Ok(millis.map(Instant::from_millis))
    };
    Ok(AnswerRow {
        alert: row.get("alert")?,
        answered: Answered {
            answer: at("until_ms")?
                .map_or(Answer::Seen, |until| Answer::Snoozed { until }),
            at: at("at_ms")?.unwrap_or_default(),
            worst: row.get("worst")?,
        },
        reason: row.get("reason")?,
        by: row.get("by")?,
        origin: row.get("origin")?,
    })
}
