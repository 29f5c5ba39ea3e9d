//! JSON Pointer (RFC 6901), strictly: a bad escape is an error when the
//! settings are read, not a value that is silently never found.

use serde_json::Value;

use crate::observation::shown;

/// A way to one value inside a JSON document.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pointer {
    tokens: Vec<String>,
}

/// Why a text is no JSON Pointer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PointerError {
    /// It neither is empty nor begins with `/`.
    #[error("pointer \"{}\" must be empty or begin with /", shown(pointer))]
    NoSlash {
        /// The text.
        pointer: String,
    },
    /// A `~` without 0 or 1 behind it.
    #[error("pointer \"{}\" has a ~ that is neither ~0 nor ~1", shown(pointer))]
    BadEscape {
        /// The text.
        pointer: String,
    },
}

impl Pointer {
    /// Reads a pointer.
    ///
    /// # Errors
    /// [`PointerError`] when it breaks the grammar of RFC 6901, section 3.
    pub fn new(pointer: &str) -> Result<Self, PointerError> {
        if pointer.is_empty() {
            return Ok(Self { tokens: Vec::new() });
        }
        let Some(rest) = pointer.strip_prefix('/') else {
            return Err(PointerError::NoSlash { pointer: pointer.into() });
        };
        let tokens: Option<Vec<String>> =
            rest.split('/').map(unescaped).collect();
        let bad = || PointerError::BadEscape { pointer: pointer.into() };
        Ok(Self { tokens: tokens.ok_or_else(bad)? })
    }

    /// The value it leads to, if there is one.
    #[must_use]
    pub fn value<'a>(&self, document: &'a Value) -> Option<&'a Value> {
        self.tokens.iter().try_fold(document, |value, token| match value {
            Value::Object(object) => object.get(token),
            Value::Array(array) => array.get(index(token)?),
            _ => None,
        })
    }
}

/// `~1` is `/` and `~0` is `~`, read from left to right, so that `~01` is
/// `~1`.
fn unescaped(token: &str) -> Option<String> {
    let mut plain = String::new();
    let mut characters = token.chars();
    while let Some(c) = characters.next() {
        plain.push(match c {
            '~' => match characters.next() {
                Some('0') => '~',
                Some('1') => '/',
                _ => return None,
            },
            c => c,
        });
    }
    Some(plain)
}

/// An array index: digits without a leading zero. `-`, the element after the
/// last, never has a value.
fn index(token: &str) -> Option<usize> {
    let digits = token.bytes().all(|b| b.is_ascii_digit());
    let leading_zero = token.len() > 1 && token.starts_with('0');
    if digits && !leading_zero { token.parse().ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6901 section 5; status: `tests/reference/messages/README.md`.
    const CASES: &str = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/messages/json_pointer.json"
    ));

    #[test]
    fn pointers_lead_where_rfc_6901_says() {
        let cases: Value = serde_json::from_str(CASES).unwrap();
        let document = &cases["document"];
        let found = cases["cases"].as_array().unwrap();
        assert_eq!(found.len(), 12);
        for case in found {
            let text = case["pointer"].as_str().unwrap();
            let pointer = Pointer::new(text).unwrap();
            assert_eq!(pointer.value(document), Some(&case["value"]), "{text}");
        }
        let errors = cases["errors"].as_array().unwrap();
        assert_eq!(errors.len(), 6);
        for case in errors {
            let text = case["pointer"].as_str().unwrap();
            let value = Pointer::new(text)
                .ok()
                .and_then(|pointer| pointer.value(document).cloned());
            assert_eq!(value, None, "{text}: {}", case["why"]);
        }
        let token = cases["decode_order"]["pointer_token"].as_str().unwrap();
        let decoded = cases["decode_order"]["decodes_to"].as_str();
        assert_eq!(unescaped(token).as_deref(), decoded);
    }

    #[test]
    fn bad_pointers_are_refused_with_their_rule() {
        let reason = |text| Pointer::new(text).unwrap_err().to_string();
        assert_eq!(
            reason("foo"),
            "pointer \"foo\" must be empty or begin with /"
        );
        assert_eq!(
            reason("/~a"),
            "pointer \"/~a\" has a ~ that is neither ~0 nor ~1"
        );
        assert!(Pointer::new("/a~").is_err());
    }
}
