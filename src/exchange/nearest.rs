//! "Did you mean": the known word most like the one that was typed.
//!
//! Not a spelling checker: a word that is not near stays without a proposal.

/// The known word most like `word`, if one is near enough to be meant.
///
/// Near: at most one slip in every three letters, where a slip is a letter
/// wrong, missing, too many, or two neighbours swapped.
#[must_use]
pub fn nearest<'a>(
    word: &str,
    known: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let word = word.to_lowercase();
    let allowed = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|candidate| (slips(&word, candidate), candidate))
        .filter(|(slips, _)| *slips <= allowed)
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

/// `; did you mean "…"?`, or nothing.
#[must_use]
pub fn did_you_mean<'a>(
    word: &str,
    known: impl IntoIterator<Item = &'a str>,
) -> String {
    nearest(word, known)
        .map(|near| format!("; did you mean \"{near}\"?"))
        .unwrap_or_default()
}

/// The number of slips between two words (optimal string alignment).
fn slips(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    // The first row and column: everything left out or added.
    let mut table: Vec<Vec<usize>> =
        (0..=a.len()).map(|i| (i..=i + b.len()).collect()).collect();
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let wrong = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (table[i - 1][j] + 1)
                .min(table[i][j - 1] + 1)
                .min(table[i - 1][j - 1] + wrong);
            let swapped =
                i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1];
            if swapped {
                best = best.min(table[i - 2][j - 2] + 1);
            }
            table[i][j] = best;
        }
    }
    table[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_slip_is_forgiven_and_another_word_is_not() {
        let known = ["germinated", "mouldy_now", "looked"];
        assert_eq!(nearest("germinatd", known), Some("germinated"));
        assert_eq!(nearest("lokoed", known), Some("looked"));
        assert_eq!(nearest("Looked", known), Some("looked"));
        assert_eq!(nearest("weather", known), None);
    }

    #[test]
    fn slips_count_what_a_hand_does_wrong() {
        for (a, b, expected) in [
            ("", "", 0),
            ("sill", "sill", 0),
            ("sill", "sil", 1),
            ("sill", "silll", 1),
            ("sill", "sell", 1),
            ("sill", "slil", 1),
            ("sill", "", 4),
        ] {
            assert_eq!(slips(a, b), expected, "{a} {b}");
        }
    }
}
