//! Label ids: five letters without look-alikes and a check letter.
//!
//! A label is unique for ever and carries no meaning: what it belongs to is
//! in the ledger.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Letters that cannot be taken for a digit or for one another by hand.
const LETTERS: &[u8; 23] = b"ABCDEFGHJKMNPQRSTUVWXYZ";
/// 23, a prime: distinct weights then catch every wrong letter and every
/// swapped pair.
const BASE: u64 = 23;
/// Letters before the check letter.
const LENGTH: usize = 5;
/// How many labels there are: 23⁵.
const SUPPLY: u64 = BASE.pow(5);
/// Steps through all labels in an order in which neighbours look unlike;
/// no multiple of 23, so no label comes twice.
const STRIDE: u64 = 2_654_435;
/// The first label is not all `A`.
const FIRST: u64 = 1_618_033;

/// The id printed on a unit's label.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
)]
#[serde(into = "String", try_from = "String")]
pub struct Label([u8; LENGTH + 1]);

/// A text that is no label.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LabelError {
    /// Not six of the letters in use.
    #[error("a label has six letters, none of I, L, O")]
    NotALabel,
    /// The last letter does not fit the others.
    #[error("the last letter does not fit: one letter of the label is wrong")]
    CheckLetter,
}

impl Label {
    /// The `n`th label of a store, counted from 0.
    ///
    /// Distinct for all `n` below 6 436 343, more units than a life allows.
    #[must_use]
    pub fn nth(n: u64) -> Self {
        let mut rest = (FIRST + (n % SUPPLY) * STRIDE) % SUPPLY;
        let mut letters = [0_u8; LENGTH + 1];
        for slot in letters.iter_mut().take(LENGTH) {
            *slot = letter(rest % BASE);
            rest /= BASE;
        }
        letters[LENGTH] = check_letter(&letters[..LENGTH]);
        Self(letters)
    }

    /// Reads a label as typed: any case, spaces and hyphens ignored.
    ///
    /// # Errors
    /// [`LabelError`] when it is no label or its check letter does not fit.
    pub fn parse(text: &str) -> Result<Self, LabelError> {
        let typed: Vec<u8> = text
            .bytes()
            .filter(|b| !matches!(b, b' ' | b'-'))
            .map(|b| b.to_ascii_uppercase())
            .collect();
        let letters: [u8; LENGTH + 1] =
            typed.try_into().map_err(|_| LabelError::NotALabel)?;
        if letters.iter().any(|l| !LETTERS.contains(l)) {
            return Err(LabelError::NotALabel);
        }
        if check_letter(&letters[..LENGTH]) != letters[LENGTH] {
            return Err(LabelError::CheckLetter);
        }
        Ok(Self(letters))
    }
}

fn letter(value: u64) -> u8 {
    LETTERS[usize::try_from(value).expect("a value below 23")]
}

/// Makes the sum of value × weight divisible by 23; the weights 6, 5, 4, 3,
/// 2, 1 differ, so that a swap of any two unlike letters changes the sum.
fn check_letter(letters: &[u8]) -> u8 {
    let sum: u64 = letters
        .iter()
        .zip((2..=6).rev())
        .map(|(l, weight)| weight * value(*l))
        .sum();
    letter((BASE - sum % BASE) % BASE)
}

fn value(letter: u8) -> u64 {
    let place = LETTERS.iter().position(|l| *l == letter);
    u64::try_from(place.expect("a letter in use")).expect("below 23")
}

impl fmt::Display for Label {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(std::str::from_utf8(&self.0).expect("letters are ASCII"))
    }
}

impl From<Label> for String {
    fn from(label: Label) -> Self {
        label.to_string()
    }
}

impl TryFrom<String> for Label {
    type Error = LabelError;
    fn try_from(text: String) -> Result<Self, LabelError> {
        Self::parse(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_wrong_letter_and_every_swap_is_noticed() {
        for n in (0..SUPPLY).step_by(997_331) {
            let right = Label::nth(n).0;
            for i in 0..=LENGTH {
                for other in LETTERS.iter().filter(|l| **l != right[i]) {
                    let mut wrong = right;
                    wrong[i] = *other;
                    let text = std::str::from_utf8(&wrong).unwrap();
                    assert!(Label::parse(text).is_err(), "{text} passed");
                }
                for j in 0..i {
                    let mut swapped = right;
                    swapped.swap(i, j);
                    let text = std::str::from_utf8(&swapped).unwrap();
                    assert_eq!(
                        Label::parse(text).is_ok(),
                        right[i] == right[j],
                        "{text}"
                    );
                }
            }
        }
    }

    #[test]
    fn labels_do_not_come_twice() {
        let seen: std::collections::BTreeSet<_> =
            (0..20_000).map(Label::nth).collect();
        assert_eq!(seen.len(), 20_000);
    }

    #[test]
    fn a_label_is_read_as_typed() {
        let label = Label::nth(7);
        let typed = label.to_string().to_lowercase();
        let spaced = format!("{} {}", &typed[..3], &typed[3..]);
        assert_eq!(Label::parse(&spaced), Ok(label));
        assert_eq!(Label::parse("ABC"), Err(LabelError::NotALabel));
    }
}
