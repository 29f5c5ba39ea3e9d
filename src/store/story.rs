//! All that is kept about one alert: readings around it, what was told by
//! which way and how often it was tried, what was answered.
//!
//! Gathered and put in order; no words are chosen here.

use crate::observation::{Quantity, Reading};
use crate::store::place::place_readings;
use crate::store::{AlertRow, AnswerRow, OutboxRow, Store, StoreError, Try};
use crate::trial::book::Book;
use crate::units::Instant;

/// Readings are shown from so long before the alert's cause began, hours…
const HOURS_BEFORE: f64 = 2.0;
/// …to so long after it ended, hours.
const HOURS_AFTER: f64 = 1.0;

/// One alert from its beginning to now.
#[derive(Debug, Clone)]
pub struct Story {
    /// The alert.
    pub alert: AlertRow,
    /// The value furthest out.
    pub worst: Option<f64>,
    /// What spoke for its place around it, corrected, oldest first.
    pub readings: Vec<Reading>,
    /// Every message about it, with every try.
    pub messages: Vec<(OutboxRow, Vec<Try>)>,
    /// Every answer.
    pub answers: Vec<AnswerRow>,
}

impl Store {
    /// The story of an alert; none when there is no such alert.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn story(
        &self,
        id: &str,
        now: Instant,
    ) -> Result<Option<Story>, StoreError> {
        let Some(alert) = self.alert(id)? else { return Ok(None) };
        let mut messages = Vec::new();
        for message in self.messages_of(id)? {
            let tries = self.tries_of(message.id)?;
            messages.push((message, tries));
        }
        let readings = match (&alert.place, alert.quantity) {
            (Some(place), quantity) => {
                let (book, _) = Book::build(&self.ledger()?);
                let end = alert.cleared.unwrap_or(now);
                let end = end.plus_hours(HOURS_AFTER).min(now.plus_millis(1));
                let span = (alert.since.plus_hours(-HOURS_BEFORE), end);
                let quantity = quantity.unwrap_or(Quantity::Temperature);
                place_readings(self, &book.house, place, quantity, span)?
            }
            (None, _) => Vec::new(),
        };
        Ok(Some(Story {
            worst: self.worst_of(id)?,
            answers: self.answers_to(id)?,
            alert,
            readings,
            messages,
        }))
    }

    /// Alerts that a text may mean: an id, the watch of one that lasts, or
    /// the beginning of an id; newest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn alerts_called(
        &self,
        text: &str,
    ) -> Result<Vec<AlertRow>, StoreError> {
        if let Some(alert) = self.alert(text)? {
            return Ok(vec![alert]);
        }
        let all = self.alerts(Instant::default())?;
        let lasts: Vec<AlertRow> = all
            .iter()
            .filter(|alert| alert.watch == text && alert.cleared.is_none())
            .cloned()
            .collect();
        if !lasts.is_empty() {
            return Ok(lasts);
        }
        let begins = |alert: &AlertRow| alert.id.starts_with(text);
        Ok(all.into_iter().filter(begins).collect())
    }
}
