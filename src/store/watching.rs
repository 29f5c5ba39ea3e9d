//! Watch states and alerts: what must survive a restart.
//!
//! Which state follows from which reading is decided in `alert`; how a
//! message leaves is `notify`, and how it waits is `outbox`. Here states are
//! only kept.

use std::collections::BTreeMap;

use rusqlite::{OptionalExtension, Row, Transaction, params};

use crate::health::DaemonHealth;
use crate::observation::{Name, Quantity};
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// An alert as kept.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertRow {
    /// Stable and unique.
    pub id: String,
    /// The watch that raised it.
    pub watch: String,
    /// What kind of cause.
    pub kind: String,
    /// Where, if at a place.
    pub place: Option<Name>,
    /// Which board, if it is about one.
    pub board: Option<Name>,
    /// Of what, if about a quantity.
    pub quantity: Option<Quantity>,
    /// `urgent` or `normal`.
    pub severity: String,
    /// Since when the cause lasts.
    pub since: Instant,
    /// When it was raised.
    pub raised: Instant,
    /// When it ended; none while it lasts.
    pub cleared: Option<Instant>,
    /// The value that raised it.
    pub value: Option<f64>,
    /// The limit it crossed.
    pub limit: Option<f64>,
    /// For a tired person.
    pub text: String,
}

/// What one step of a watch changes, written in one transaction.
#[derive(Debug, Default)]
pub struct WatchStep {
    /// The watch and its new state as JSON.
    pub states: Vec<(String, String)>,
    /// Alerts to be written or, by their id, replaced.
    pub alerts: Vec<AlertRow>,
    /// Alerts that last, each with the value furthest out by now.
    pub worst: Vec<(String, f64)>,
    /// Messages to be sent: alert, channel, body.
    pub messages: Vec<(String, String, String)>,
}

impl WatchStep {
    /// Adds what a later step changes.
    pub fn then(&mut self, later: Self) {
        self.states.extend(later.states);
        self.alerts.extend(later.alerts);
        self.worst.extend(later.worst);
        self.messages.extend(later.messages);
    }

    /// Whether it changes nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.states.is_empty()
            && self.alerts.is_empty()
            && self.worst.is_empty()
            && self.messages.is_empty()
    }
}

impl Store {
    /// The state of every watch as JSON.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn watch_states(&self) -> Result<BTreeMap<String, String>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT watch, state FROM watch_state")
            .reading()?;
        let rows = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .reading()?;
        rows.collect::<Result<_, _>>().reading()
    }

    /// Keeps what a step of the watches changed, all or nothing.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn keep_watch_step(
        &mut self,
        step: &WatchStep,
        now: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        for (watch, state) in &step.states {
            transaction
                .prepare_cached(
                    "INSERT OR REPLACE INTO watch_state (watch, state) \
                     VALUES (?1, ?2)",
                )
                .writing()?
                .execute([watch, state])
                .writing()?;
        }
        for alert in &step.alerts {
            write_alert(&transaction, alert)?;
        }
        for (alert, worst) in &step.worst {
            transaction
                .prepare_cached("UPDATE alert SET worst = ?2 WHERE id = ?1")
                .writing()?
                .execute(params![alert, worst])
                .writing()?;
        }
        for (alert, channel, body) in &step.messages {
            transaction
                .prepare_cached(
                    "INSERT INTO outbox (alert, channel, body, written_ms, \
                     next_ms) VALUES (?1, ?2, ?3, ?4, ?4) \
                     ON CONFLICT (message, channel) DO NOTHING",
                )
                .writing()?
                .execute(params![alert, channel, body, now.millis()])
                .writing()?;
        }
        transaction.commit().writing()
    }

    /// Keeps what the daemon says of itself.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn daemon_says(
        &mut self,
        health: &DaemonHealth,
        now: Instant,
    ) -> Result<(), StoreError> {
        let body = serde_json::to_string(health)
            .expect("plain data can be written as JSON");
        self.connection
            .execute(
                "INSERT OR REPLACE INTO daemon_says (name, at_ms, body) \
                 VALUES ('daemon', ?1, ?2)",
                params![now.millis(), body],
            )
            .writing()?;
        Ok(())
    }

    /// What the daemon last said of itself, and when.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn daemon_said(
        &self,
    ) -> Result<Option<(Instant, DaemonHealth)>, StoreError> {
        let said: Option<(i64, String)> = self
            .connection
            .query_row(
                "SELECT at_ms, body FROM daemon_says WHERE name = 'daemon'",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()
            .reading()?;
        let Some((at, body)) = said else { return Ok(None) };
        let health = serde_json::from_str(&body).map_err(|error| {
            StoreError::Damaged {
                what: "word of the daemon".to_owned(),
                why: error.to_string(),
            }
        })?;
        Ok(Some((Instant::from_millis(at), health)))
    }

    /// One alert by its id.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn alert(&self, id: &str) -> Result<Option<AlertRow>, StoreError> {
        self.connection
            .query_row("SELECT * FROM alert WHERE id = ?1", [id], alert_from)
            .optional()
            .reading()
    }

    /// The value of an alert that was furthest out, or else the one that
    /// raised it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn worst_of(&self, id: &str) -> Result<Option<f64>, StoreError> {
        let sql = "SELECT coalesce(worst, value) FROM alert WHERE id = ?1";
        let found: Option<Option<f64>> = self
            .connection
            .query_row(sql, [id], |row| row.get(0))
            .optional()
            .reading()?;
        Ok(found.flatten())
    }

    /// Alerts raised since an instant and those that last, newest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn alerts(&self, since: Instant) -> Result<Vec<AlertRow>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT * FROM alert WHERE raised_ms >= ?1 \
                 OR cleared_ms IS NULL ORDER BY raised_ms DESC, id",
            )
            .reading()?;
        let mut rows = statement.query([since.millis()]).reading()?;
        let mut alerts = Vec::new();
        while let Some(row) = rows.next().reading()? {
            alerts.push(alert_from(row).reading()?);
        }
        Ok(alerts)
    }
}

fn write_alert(
    transaction: &Transaction<'_>,
    alert: &AlertRow,
) -> Result<(), StoreError> {
    transaction
        .prepare_cached(
            "INSERT INTO alert (id, watch, kind, place, board, quantity, \
             severity, since_ms, raised_ms, cleared_ms, value, limit_value, \
             text) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, \
             ?12, ?13) ON CONFLICT (id) DO UPDATE SET \
             cleared_ms = excluded.cleared_ms, text = excluded.text",
        )
        .writing()?
        .execute(params![
            alert.id,
            alert.watch,
            alert.kind,
            alert.place.as_ref().map(Name::as_str),
            alert.board.as_ref().map(Name::as_str),
            alert.quantity.map(Quantity::word),
            alert.severity,
            alert.since.millis(),
            alert.raised.millis(),
            alert.cleared.map(Instant::millis),
            alert.value,
            alert.limit,
            alert.text,
        ])
        .writing()?;
    Ok(())
}

fn alert_from(row: &Row<'_>) -> Result<AlertRow, rusqlite::Error> {
    let name = |column: &str| -> Result<Option<Name>, rusqlite::Error> {
        let text: Option<String> = row.get(column)?;
        Ok(text.and_then(|text| Name::new(text).ok()))
    };
    let quantity: Option<String> = row.get("quantity")?;
    let at = |column: &str| -> Result<Instant, rusqlite::Error> {
        row.get(column).map(Instant::from_millis)
    };
    Ok(AlertRow {
        id: row.get("id")?,
        watch: row.get("watch")?,
        kind: row.get("kind")?,
        place: name("place")?,
        board: name("board")?,
        quantity: quantity.as_deref().and_then(Quantity::from_word),
        severity: row.get("severity")?,
        since: at("since_ms")?,
        raised: at("raised_ms")?,
        cleared: row
            .get::<_, Option<i64>>("cleared_ms")?
            .map(Instant::from_millis),
        value: row.get("value")?,
        limit: row.get("limit_value")?,
        text: row.get("text")?,
    })
}
