//! What was typed into a form: kept as typed, understood field by field.
//!
//! Each misunderstanding is a sentence for beside its field; nothing is
//! written here.

use crate::trial::entry::{Look, from_word};
use crate::web::session::random;

/// Name of the field with the session's token.
pub(crate) const TOKEN: &str = "token";
/// Name of the field that makes a form count once.
pub(crate) const KEY: &str = "form";
/// Name of the field that says how long ago a form was typed that was kept
/// on the phone without a connection.
const TYPED_AGO: &str = "typed_ago_ms";
/// Well within the time for which the store knows a form again, ms.
const LONGEST_KEPT_MILLIS: i64 = 60 * 86_400_000;
/// No box holds more seeds; more is a slip of the finger.
const MOST_SEEDS: u32 = 1_000_000;
/// Free text beyond this is cut off by the refusal, not silently.
const LONGEST_TEXT: usize = 2_000;

/// A form as it was sent.
#[derive(Debug, Clone, Default)]
pub(crate) struct Form(Vec<(String, String)>);

impl Form {
    pub(crate) fn new(fields: Vec<(String, String)>) -> Self {
        Self(fields)
    }

    /// What was typed, without blanks around it.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.0
            .iter()
            .find(|(field, _)| field == name)
            .map_or("", |(_, value)| value.trim())
    }

    /// Every value of a field that may come several times.
    pub(crate) fn all<'a>(
        &'a self,
        name: &'a str,
    ) -> impl Iterator<Item = &'a str> {
        self.0
            .iter()
            .filter(move |(field, _)| field == name)
            .map(|(_, value)| value.trim())
    }

    /// Whether the page's script sent it, which follows no redirect.
    pub(crate) fn by_script(&self) -> bool {
        self.text("kept") == "1"
    }

    /// How long ago it was typed, ms; a form that was not kept is of now.
    pub(crate) fn typed_ago_millis(&self) -> Result<i64, String> {
        let typed = self.text(TYPED_AGO);
        if typed.is_empty() {
            return Ok(0);
        }
        typed
            .parse()
            .ok()
            .filter(|ago| (0..=LONGEST_KEPT_MILLIS).contains(ago))
            .ok_or_else(|| {
                "this count was kept for more than 60 days on the phone; \
                 type it into the tally sheet, with its date"
                    .to_owned()
            })
    }

    /// The key that makes the form count once.
    pub(crate) fn key(&self) -> Result<&str, String> {
        let key = self.text(KEY);
        let ours =
            key.len() == 32 && key.bytes().all(|b| b.is_ascii_hexdigit());
        if ours {
            Ok(key)
        } else {
            Err("this form is not one of ours; open the page anew".to_owned())
        }
    }
}

/// Reads fields one by one and gathers what was not understood.
#[derive(Debug, Default)]
pub(crate) struct Reading {
    pub(crate) wrong: Wrong,
}

/// Sentences by field; the empty field is the form as a whole.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Wrong(Vec<(String, String)>);

impl Wrong {
    pub(crate) fn add(&mut self, field: &str, sentence: impl Into<String>) {
        self.0.push((field.to_owned(), sentence.into()));
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The first sentence about a field.
    pub(crate) fn of(&self, field: &str) -> Option<&str> {
        self.0
            .iter()
            .find(|(about, _)| about == field)
            .map(|(_, sentence)| sentence.as_str())
    }

    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }
}

impl Reading {
    /// A count of seeds; an empty field is none.
    pub(crate) fn seeds(&mut self, form: &Form, field: &str) -> u32 {
        let typed = form.text(field);
        if typed.is_empty() {
            return 0;
        }
        match typed.parse::<u32>() {
            Ok(seeds) if seeds <= MOST_SEEDS => seeds,
            _ => {
                self.wrong.add(
                    field,
                    format!(
                        "“{}” is not a number of seeds: type a whole number \
                         such as 0 or 3",
                        crate::observation::shown(typed)
                    ),
                );
                0
            }
        }
    }

    /// Free text.
    pub(crate) fn text(&mut self, form: &Form, field: &str) -> String {
        let typed = form.text(field);
        if typed.len() > LONGEST_TEXT {
            self.wrong.add(
                field,
                format!("this is too long: at most {LONGEST_TEXT} letters"),
            );
        }
        typed.to_owned()
    }

    /// Opened or through the lid.
    pub(crate) fn look(&mut self, form: &Form) -> Look {
        from_word(&Look::WORDS, form.text("looked")).unwrap_or_else(|_| {
            self.wrong.add("looked", "say whether the lid was opened");
            Look::Opened
        })
    }
}

/// A key for a form that is being drawn.
pub(crate) fn new_key() -> String {
    random()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(typed: &str) -> Form {
        Form::new(vec![("new".to_owned(), typed.to_owned())])
    }

    #[test]
    fn a_number_of_seeds_is_a_whole_number_or_nothing() {
        for (typed, seeds) in [("", 0), (" 0 ", 0), ("07", 7), ("30", 30)] {
            let mut reading = Reading::default();
            assert_eq!(reading.seeds(&form(typed), "new"), seeds);
            assert!(reading.wrong.is_empty(), "{typed}");
        }
        for typed in ["-1", "1.5", "three", "3a", "4294967296", "²"] {
            let mut reading = Reading::default();
            reading.seeds(&form(typed), "new");
            let told = reading.wrong.of("new").unwrap();
            assert!(told.contains(typed), "{told}");
        }
    }

    #[test]
    fn a_kept_form_says_how_long_ago_it_was_typed() {
        let ago = |text: &str| {
            Form::new(vec![(TYPED_AGO.to_owned(), text.to_owned())])
                .typed_ago_millis()
                .ok()
        };
        assert_eq!(ago(""), Some(0));
        assert_eq!(ago("90000"), Some(90_000));
        for never in ["-1", "soon", "5184000001", "9223372036854775808"] {
            assert_eq!(ago(never), None, "{never}");
        }
    }

    #[test]
    fn a_form_without_a_key_of_ours_is_none() {
        let with = |key: &str| {
            Form::new(vec![(KEY.to_owned(), key.to_owned())]).key().is_ok()
        };
        assert!(with(&new_key()));
        assert!(!with("") && !with("x") && !with(&"g".repeat(32)));
    }
}
