//! Messages that wait for their channel, or left: what must survive a
//! restart.
//!
//! Not how a message leaves (that is `notify`) and not when (that is the
//! daemon's): here it is only kept, with every try.

use rusqlite::{OptionalExtension, Row, params};

use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// A message that waits for its channel, or left.
#[derive(Debug, Clone, PartialEq)]
pub struct OutboxRow {
    /// Its number.
    pub id: i64,
    /// The alert it is about; none when it is about no single one.
    pub alert: Option<String>,
    /// The channel it waits for.
    pub channel: String,
    /// The alert as JSON, `attempt` apart.
    pub body: String,
    /// When it was written.
    pub written: Instant,
    /// How often it was tried.
    pub attempts: u32,
    /// Since when it is kept back for quiet hours.
    pub held: Option<Instant>,
    /// When the channel took it.
    pub taken: Option<Instant>,
    /// When it was given up.
    pub given_up: Option<Instant>,
    /// The message that tells it in its place.
    pub told_in: Option<String>,
    /// What the last attempt met.
    pub error: Option<String>,
}

/// One try to deliver a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Try {
    /// Which try, from 1.
    pub attempt: u32,
    /// When it began.
    pub at: Instant,
    /// When it ended; none when it was cut off, or still goes on.
    pub ended: Option<Instant>,
    /// What it met; none when the message was taken.
    pub error: Option<String>,
}

/// How many messages a channel has not delivered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undelivered {
    /// The channel.
    pub channel: String,
    /// Those that wait.
    pub waiting: u64,
    /// Those that were given up and not told in a summary yet.
    pub given_up: u64,
}

/// What follows from a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AfterFailure {
    /// It is due again then.
    Again(Instant),
    /// It is not tried any more.
    GivenUp,
}

/// Whether only the urgent may be told now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hour {
    /// Everything.
    Open,
    /// The urgent, and what has an hour of its own.
    Quiet,
}

const WAITS: &str =
    "taken_ms IS NULL AND given_up_ms IS NULL AND told_in IS NULL";
/// In quiet hours.
const CAN_WAIT: &str = "(body ->> '$.severity' = 'normal' \
                        AND body ->> '$.state' <> 'daily')";

impl Store {
    /// Messages of a channel that are due, oldest first, at most so many.
    /// One that is to wait longer than `longest_wait_ms` is due as well: the
    /// clock was set back. A message about an alert waits until what was
    /// told of that alert before has left, so that an end never arrives
    /// before its beginning. In quiet hours only the urgent is due.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn due_messages(
        &self,
        channel: &str,
        now: Instant,
        longest_wait_ms: i64,
        hour: Hour,
        at_most: u32,
    ) -> Result<Vec<OutboxRow>, StoreError> {
        let quiet = hour == Hour::Quiet;
        let sql = format!(
            "SELECT * FROM outbox AS own WHERE channel = ?1 AND {WAITS} \
             AND next_ms - ?2 NOT BETWEEN 1 AND ?3 \
             AND (NOT ?5 OR NOT {CAN_WAIT}) AND NOT EXISTS (\
             SELECT 1 FROM outbox AS earlier WHERE earlier.alert = own.alert \
             AND earlier.channel = own.channel AND earlier.id < own.id \
             AND earlier.taken_ms IS NULL AND earlier.given_up_ms IS NULL \
             AND earlier.told_in IS NULL \
             AND (NOT ?5 OR earlier.body ->> '$.severity' = 'urgent')) \
             ORDER BY next_ms, id LIMIT ?4"
        );
        let given =
            params![channel, now.millis(), longest_wait_ms, at_most, quiet];
        self.rows(&sql, given, message_from)
    }

    /// When the next message of a channel is to be tried, if one waits.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn next_due(
        &self,
        channel: &str,
    ) -> Result<Option<Instant>, StoreError> {
        let sql = format!(
            "SELECT min(next_ms) FROM outbox WHERE channel = ?1 AND {WAITS}"
        );
        let millis: Option<i64> = self
            .connection
            .query_row(&sql, [channel], |row| row.get(0))
            .reading()?;
        Ok(millis.map(Instant::from_millis))
    }

    /// Every message about an alert, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn messages_of(
        &self,
        alert: &str,
    ) -> Result<Vec<OutboxRow>, StoreError> {
        let sql = "SELECT * FROM outbox WHERE alert = ?1 ORDER BY id";
        self.rows(sql, [alert], message_from)
    }

    /// Every try to deliver a message, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tries_of(&self, message: i64) -> Result<Vec<Try>, StoreError> {
        let sql = "SELECT attempt, at_ms, ended_ms, error FROM delivery \
                   WHERE message = ?1 ORDER BY attempt";
        self.rows(sql, [message], |row| {
            let ended: Option<i64> = row.get(2)?;
            Ok(Try {
                attempt: row.get(0)?,
                at: Instant::from_millis(row.get(1)?),
                ended: ended.map(Instant::from_millis),
                error: row.get(3)?,
            })
        })
    }

    /// How many messages wait, and how many were given up and not told in a
    /// summary yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn undelivered(&self) -> Result<(u64, u64), StoreError> {
        let all = self.undelivered_by_channel()?;
        Ok(all.iter().fold((0, 0), |(waiting, given_up), one| {
            (waiting + one.waiting, given_up + one.given_up)
        }))
    }

    /// The same for each channel that has any.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn undelivered_by_channel(
        &self,
    ) -> Result<Vec<Undelivered>, StoreError> {
        let sql = "SELECT channel, \
                   count(*) FILTER (WHERE given_up_ms IS NULL), \
                   count(*) FILTER (WHERE given_up_ms IS NOT NULL) \
                   FROM outbox WHERE taken_ms IS NULL AND told_in IS NULL \
                   GROUP BY channel ORDER BY channel";
        let count = |row: &Row<'_>, column| -> Result<u64, rusqlite::Error> {
            let n: i64 = row.get(column)?;
            Ok(u64::try_from(n).unwrap_or_default())
        };
        self.rows(sql, [], |row| {
            Ok(Undelivered {
                channel: row.get(0)?,
                waiting: count(row, 1)?,
                given_up: count(row, 2)?,
            })
        })
    }

    /// Messages that wait although they were tried three times and more,
    /// for over an hour, and messages that were given up within a day; those
    /// about an alert of this watch are not counted.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn hopeless_messages(
        &self,
        but_of: &str,
        now: Instant,
    ) -> Result<(u64, u64), StoreError> {
        let counts: (i64, i64) = self
            .connection
            .prepare_cached(
                "SELECT coalesce(sum(taken_ms IS NULL AND given_up_ms IS NULL \
                 AND attempts >= 3 AND written_ms < ?2 - 3600000), 0), \
                 coalesce(sum(given_up_ms >= ?2 - 86400000), 0) FROM outbox \
                 WHERE taken_ms IS NULL AND told_in IS NULL \
                 AND coalesce(alert, '') NOT IN \
                 (SELECT id FROM alert WHERE watch = ?1)",
            )
            .reading()?
            .query_row(params![but_of, now.millis()], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .reading()?;
        let count = |n: i64| u64::try_from(n).unwrap_or_default();
        Ok((count(counts.0), count(counts.1)))
    }

    /// A try begins. It is counted before anything leaves, so that a repeat
    /// always has a higher number, however the daemon ends.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn try_begins(
        &mut self,
        message: i64,
        now: Instant,
    ) -> Result<u32, StoreError> {
        let transaction = self.begin()?;
        let attempt: u32 = transaction
            .query_row(
                "UPDATE outbox SET attempts = attempts + 1 WHERE id = ?1 \
                 RETURNING attempts",
                [message],
                |row| row.get(0),
            )
            .writing()?;
        transaction
            .execute(
                "INSERT INTO delivery (message, attempt, at_ms) \
                 VALUES (?1, ?2, ?3)",
                params![message, attempt, now.millis()],
            )
            .writing()?;
        transaction.commit().writing()?;
        Ok(attempt)
    }

    /// The channel took a message. Did it tell what had been given up, that
    /// is told now.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn message_taken(
        &mut self,
        id: i64,
        now: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        transaction
            .execute(
                "UPDATE outbox SET taken_ms = ?2, error = NULL WHERE id = ?1",
                [id, now.millis()],
            )
            .writing()?;
        transaction
            .execute(
                "UPDATE outbox SET told_in = news.message \
                 FROM (SELECT message, channel FROM outbox WHERE id = ?1 \
                 AND body ->> '$.state' = 'dropped') AS news \
                 WHERE outbox.channel = news.channel \
                 AND outbox.given_up_ms IS NOT NULL \
                 AND outbox.told_in IS NULL",
                [id],
            )
            .writing()?;
        end_of_try(&transaction, id, None, now)?;
        transaction.commit().writing()
    }

    /// The channel did not take a message. Those that stand in for it get it
    /// as well, each once.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn message_failed(
        &mut self,
        id: i64,
        error: &str,
        now: Instant,
        after: AfterFailure,
        stand_ins: &[String],
    ) -> Result<(), StoreError> {
        let next = match after {
            AfterFailure::Again(next) => Some(next.millis()),
            AfterFailure::GivenUp => None,
        };
        let transaction = self.begin()?;
        transaction
            .execute(
                "UPDATE outbox SET error = ?2, \
                 next_ms = coalesce(?3, next_ms), \
                 given_up_ms = iif(?3 IS NULL, ?4, NULL) WHERE id = ?1",
                params![id, error, next, now.millis()],
            )
            .writing()?;
        for channel in stand_ins {
            transaction
                .execute(
                    "INSERT INTO outbox (alert, channel, body, written_ms, \
                     next_ms) SELECT alert, ?2, body, ?3, ?3 FROM outbox \
                     WHERE id = ?1 ON CONFLICT (message, channel) DO NOTHING",
                    params![id, channel, now.millis()],
                )
                .writing()?;
        }
        end_of_try(&transaction, id, Some(error), now)?;
        transaction.commit().writing()
    }

    /// Marks what a channel keeps back in quiet hours.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn hold_messages(
        &mut self,
        channel: &str,
        now: Instant,
    ) -> Result<(), StoreError> {
        let sql = format!(
            "UPDATE outbox SET held_ms = ?2 WHERE channel = ?1 AND {WAITS} \
             AND held_ms IS NULL AND {CAN_WAIT}"
        );
        self.connection
            .execute(&sql, params![channel, now.millis()])
            .writing()?;
        Ok(())
    }

    /// What a channel kept back and never tried, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn held_messages(
        &self,
        channel: &str,
    ) -> Result<Vec<OutboxRow>, StoreError> {
        let sql = format!(
            "SELECT * FROM outbox WHERE channel = ?1 AND {WAITS} \
             AND held_ms IS NOT NULL AND attempts = 0 ORDER BY id"
        );
        self.rows(&sql, [channel], message_from)
    }

    /// Lets go of what a channel kept back; with a summary, that tells
    /// these messages in their place.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn release_messages(
        &mut self,
        channel: &str,
        summary: Option<(&str, &[OutboxRow])>,
        now: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        if let Some((body, told)) = summary {
            let message: String = transaction
                .query_row(
                    "INSERT INTO outbox (channel, body, written_ms, next_ms) \
                     VALUES (?1, ?2, ?3, ?3) RETURNING message",
                    params![channel, body, now.millis()],
                    |row| row.get(0),
                )
                .writing()?;
            for one in told {
                transaction
                    .execute(
                        "UPDATE outbox SET told_in = ?2 WHERE id = ?1",
                        params![one.id, message],
                    )
                    .writing()?;
            }
        }
        let sql = format!(
            "UPDATE outbox SET held_ms = NULL WHERE channel = ?1 AND {WAITS}"
        );
        transaction.execute(&sql, [channel]).writing()?;
        transaction.commit().writing()
    }

    /// Writes a message about no single alert, once for each channel.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn write_notice(
        &mut self,
        channels: &[String],
        body: &str,
        now: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        for channel in channels {
            transaction
                .prepare_cached(
                    "INSERT INTO outbox (channel, body, written_ms, next_ms) \
                     VALUES (?1, ?2, ?3, ?3) \
                     ON CONFLICT (message, channel) DO NOTHING",
                )
                .writing()?
                .execute(params![channel, body, now.millis()])
                .writing()?;
        }
        transaction.commit().writing()
    }

    /// Bodies of the messages of a channel that were given up and not told
    /// in a summary yet, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn given_up(&self, channel: &str) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT body FROM outbox WHERE channel = ?1 \
                   AND given_up_ms IS NOT NULL AND told_in IS NULL ORDER BY id";
        self.rows(sql, [channel], |row| row.get(0))
    }

    /// The waiting summary of what a channel gave up, if there is one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn waiting_summary_of_dropped(
        &self,
        channel: &str,
    ) -> Result<Option<i64>, StoreError> {
        let sql = format!(
            "SELECT id FROM outbox WHERE channel = ?1 AND {WAITS} \
             AND body ->> '$.state' = 'dropped' LIMIT 1"
        );
        self.connection
            .query_row(&sql, [channel], |row| row.get(0))
            .optional()
            .reading()
    }

    /// Gives a message another body; its text is then another message.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn rewrite_message(
        &mut self,
        id: i64,
        body: &str,
    ) -> Result<(), StoreError> {
        self.connection
            .execute(
                "UPDATE outbox SET body = ?2 WHERE id = ?1",
                params![id, body],
            )
            .writing()?;
        Ok(())
    }

    /// Everything that waits for a channel is due now: it works again.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn wake_messages(
        &mut self,
        channel: &str,
        now: Instant,
    ) -> Result<(), StoreError> {
        let sql = format!(
            "UPDATE outbox SET next_ms = ?2 WHERE channel = ?1 AND {WAITS} \
             AND next_ms > ?2"
        );
        self.connection
            .execute(&sql, params![channel, now.millis()])
            .writing()?;
        Ok(())
    }
}

fn end_of_try(
    transaction: &rusqlite::Transaction<'_>,
    message: i64,
    error: Option<&str>,
    now: Instant,
) -> Result<(), StoreError> {
    transaction
        .execute(
            "UPDATE delivery SET ended_ms = ?2, error = ?3 WHERE message = ?1 \
             AND attempt = (SELECT attempts FROM outbox WHERE id = ?1)",
            params![message, now.millis(), error],
        )
        .writing()?;
    Ok(())
}

pub(super) fn message_from(
    row: &Row<'_>,
) -> Result<OutboxRow, rusqlite::Error> {
    let at = |column: &str| -> Result<Option<Instant>, rusqlite::Error> {
        let millis: Option<i64> = row.get(column)?;
        Ok(millis.map(Instant::from_millis))
    };
    Ok(OutboxRow {
        id: row.get("id")?,
        alert: row.get("alert")?,
        channel: row.get("channel")?,
        body: row.get("body")?,
        written: at("written_ms")?.unwrap_or_default(),
        attempts: row.get("attempts")?,
        held: at("held_ms")?,
        taken: at("taken_ms")?,
        given_up: at("given_up_ms")?,
        told_in: row.get("told_in")?,
        error: row.get("error")?,
    })
}
