//! A row of a table, asked for its cells one by one.
//!
//! It turns text into names, counts, times and words, and notes what is
//! wrong; what the row says is put together in the `rows_of_…` files.

use crate::exchange::nearest::did_you_mean;
use crate::exchange::sheet::{Noticed, RowOrigin, RowProblem, Sheet};
use crate::exchange::times::ZoneRule;
use crate::observation::{Name, shown};
use crate::trial::entry::Factors;
use crate::trial::label::Label;
use crate::trial::when::When;

/// A row: asked for a cell it gives the value, or notes what is wrong and
/// gives nothing, so that all bad cells of a row are listed at once.
pub(crate) struct Row<'a> {
    sheet: &'a Sheet,
    zone: &'a ZoneRule,
    pub(crate) origin: RowOrigin,
    record: &'a csv::StringRecord,
    pub(crate) noticed: Noticed,
}

impl<'a> Row<'a> {
    pub(crate) fn new(
        sheet: &'a Sheet,
        zone: &'a ZoneRule,
        origin: RowOrigin,
        record: &'a csv::StringRecord,
    ) -> Self {
        Self { sheet, zone, origin, record, noticed: Noticed::default() }
    }

    /// Notes a problem of this row.
    pub(crate) fn problem(&mut self, reason: impl Into<String>) {
        self.noticed.problems.push(RowProblem {
            file: self.origin.file.clone(),
            line: self.origin.line,
            reason: reason.into(),
        });
    }

    /// The cell as it stands; empty when the file has no such column.
    pub(crate) fn verbatim(&self, column: &str) -> &'a str {
        self.sheet.cell(self.record, column)
    }

    /// The cell without blanks around it.
    pub(crate) fn text(&self, column: &str) -> &'a str {
        self.verbatim(column).trim()
    }

    pub(crate) fn string(&self, column: &str) -> String {
        self.text(column).to_owned()
    }

    /// A note: its own blanks and line breaks are kept, a blank one is none.
    pub(crate) fn note(&self, column: &str) -> String {
        let text = self.verbatim(column);
        if text.trim().is_empty() { String::new() } else { text.to_owned() }
    }

    /// A text that must be there.
    pub(crate) fn needed_text(&mut self, column: &str) -> Option<String> {
        let text = self.string(column);
        if text.is_empty() {
            self.problem(format!("{column} is empty"));
            return None;
        }
        Some(text)
    }

    pub(crate) fn name(&mut self, column: &str) -> Option<Name> {
        if self.text(column).is_empty() {
            self.problem(format!("{column} is empty"));
            return None;
        }
        self.name_if_any(column)?
    }

    /// `Some(None)` when the cell is empty.
    #[allow(
        clippy::option_option,
        reason = "bad, empty and given are three things"
    )]
    pub(crate) fn name_if_any(&mut self, column: &str) -> Option<Option<Name>> {
        let text = self.text(column);
        if text.is_empty() {
            return Some(None);
        }
        match Name::new(text) {
            Ok(name) => Some(Some(name)),
            Err(error) => {
                let would = name_like(text)
                    .map(|name| format!(" (\"{name}\" would do)"))
                    .unwrap_or_default();
                self.problem(format!("{column}: {error}{would}"));
                None
            }
        }
    }

    /// A count of seeds; an empty cell is `empty`, or a problem without it.
    pub(crate) fn count(
        &mut self,
        column: &str,
        empty: Option<u32>,
    ) -> Option<u32> {
        let text = self.text(column);
        if text.is_empty() {
            if empty.is_none() {
                self.problem(format!("{column} is empty"));
            }
            return empty;
        }
        let digits = text.bytes().all(|b| b.is_ascii_digit());
        match text.parse() {
            Ok(count) if digits => Some(count),
            _ => {
                self.problem(format!(
                    "{column}: \"{}\" is not a whole number of seeds",
                    shown(text)
                ));
                None
            }
        }
    }

    pub(crate) fn when(&mut self, column: &str) -> Option<When> {
        if self.text(column).is_empty() {
            self.problem(format!("{column} is empty"));
            return None;
        }
        self.when_if_any(column)?
    }

    /// `Some(None)` when the cell is empty.
    #[allow(
        clippy::option_option,
        reason = "bad, empty and given are three things"
    )]
    pub(crate) fn when_if_any(&mut self, column: &str) -> Option<Option<When>> {
        let text = self.text(column);
        if text.is_empty() {
            return Some(None);
        }
        match self.zone.read(text) {
            Ok(understood) => {
                let remarks = &mut self.noticed.remarks;
                let origin = &self.origin;
                remarks.extend(
                    understood.remark.map(|said| format!("{origin}: {said}")),
                );
                Some(Some(understood.when))
            }
            Err(reason) => {
                self.problem(format!("{column}: {reason}"));
                None
            }
        }
    }

    /// One of a few words; an empty cell is `empty`, or a problem without it.
    pub(crate) fn word<T: Copy>(
        &mut self,
        column: &str,
        words: &[(T, &'static str)],
        empty: Option<T>,
    ) -> Option<T> {
        let text = self.text(column).to_lowercase();
        if text.is_empty() && empty.is_some() {
            return empty;
        }
        let spelt = text.replace([' ', '_'], "-");
        let found = words.iter().find(|(_, known)| *known == spelt);
        if found.is_none() {
            let known = words.iter().map(|(_, word)| *word);
            let near = did_you_mean(&spelt, known.clone());
            self.problem(format!(
                "{column}: \"{}\" is none of {}{near}",
                shown(&text),
                known.collect::<Vec<_>>().join(", ")
            ));
        }
        found.map(|(value, _)| *value)
    }

    pub(crate) fn label(&mut self) -> Option<Option<Label>> {
        let text = self.text("label");
        if text.is_empty() {
            return Some(None);
        }
        match Label::parse(text) {
            Ok(label) => Some(Some(label)),
            Err(error) => {
                self.problem(format!("label: \"{}\": {error}", shown(text)));
                None
            }
        }
    }

    /// The factor columns that are filled in.
    pub(crate) fn factors(&self) -> Factors {
        self.sheet.factors(self.record)
    }
}

/// A name that a text could be turned into.
fn name_like(text: &str) -> Option<Name> {
    let spelt: String = text
        .trim()
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect();
    Name::new(spelt.trim_matches('-')).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exchange::columns::CHECKS;

    #[test]
    fn every_bad_cell_of_a_row_is_listed() {
        let text = "unit,at,germinated,looked\nR 1,soon,1.5,openned\n";
        let mut noticed = Noticed::default();
        let sheet =
            Sheet::parse(text.as_bytes(), &CHECKS, &mut noticed).unwrap();
        let zone = ZoneRule {
            zone: chrono_tz::UTC,
            evening: chrono::NaiveTime::from_hms_opt(20, 0, 0).unwrap(),
        };
        let mut row = sheet.rows(&zone).next().unwrap();
        assert!(row.name("unit").is_none());
        assert!(row.when("at").is_none());
        assert!(row.count("germinated", None).is_none());
        let looks = crate::trial::entry::Look::WORDS;
        assert!(row.word("looked", &looks, None).is_none());
        let reasons: Vec<_> =
            row.noticed.problems.iter().map(|p| p.reason.as_str()).collect();
        assert_eq!(reasons.len(), 4);
        assert!(reasons[0].ends_with("(\"r-1\" would do)"), "{}", reasons[0]);
        assert_eq!(
            reasons[3],
            "looked: \"openned\" is none of opened, through-lid; did you \
             mean \"opened\"?"
        );
    }
}
