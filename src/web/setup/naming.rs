//! Short names: read as typed, or proposed from a title.
//!
//! A proposal never takes a name that is in use.

use crate::observation::{Name, shown};
use crate::web::form::{Form, Reading};

/// A name as typed, or one made from other words when nothing was typed.
/// `None` when neither is a name; then the field says what would do.
pub(crate) fn named(
    reading: &mut Reading,
    form: &Form,
    field: &str,
    instead: &str,
    taken: impl Fn(&str) -> bool,
) -> Option<Name> {
    let typed = form.text(field);
    let text = if typed.is_empty() {
        proposed(instead, taken)
    } else {
        typed.to_owned()
    };
    match Name::new(text.clone()) {
        Ok(name) => Some(name),
        Err(_) => {
            let would_do = slug(&text);
            reading.wrong.add(
                field,
                if would_do.is_empty() {
                    "give it a short name of a–z, 0–9 and -, such as \
                     fridge-drawer"
                        .to_owned()
                } else {
                    format!(
                        "“{}” is not a short name: use a–z, 0–9 and - only; \
                         “{would_do}” would do",
                        shown(&text)
                    )
                },
            );
            None
        }
    }
}

/// A free name made from words: `Hedge by the lane` → `hedge-by-the-lane`,
/// then `hedge-by-the-lane-2`. Empty when the words hold no letter.
pub(crate) fn proposed(words: &str, taken: impl Fn(&str) -> bool) -> String {
    let base = slug(words);
    if base.is_empty() || !taken(&base) {
        return base;
    }
    (2..)
        .map(|n| {
            let tail = format!("-{n}");
            let most = base.len().min(MOST - tail.len());
            format!("{}{tail}", base[..most].trim_end_matches('-'))
        })
        .find(|name| !taken(name))
        .expect("some number is free")
}

/// Letters of a [`Name`].
const MOST: usize = 40;

/// The letters of a name that words come down to.
fn slug(words: &str) -> String {
    let mut slug = String::new();
    for c in words.chars().flat_map(char::to_lowercase) {
        match plain_letter(c) {
            Some(letters) => slug.push_str(letters),
            None if c.is_ascii_lowercase() || c.is_ascii_digit() => {
                slug.push(c);
            }
            None if !slug.is_empty() && !slug.ends_with('-') => slug.push('-'),
            None => {}
        }
    }
    slug.truncate(MOST);
    slug.truncate(slug.trim_end_matches('-').len());
    slug
}

/// Letters with marks, as names write them.
fn plain_letter(c: char) -> Option<&'static str> {
    Some(match c {
        'á' | 'à' | 'â' | 'ã' | 'å' => "a",
        'ä' | 'æ' => "ae",
        'é' | 'è' | 'ê' | 'ë' => "e",
        'í' | 'ì' | 'î' | 'ï' => "i",
        'ó' | 'ò' | 'ô' | 'õ' | 'ø' => "o",
        'ö' | 'œ' => "oe",
        'ú' | 'ù' | 'û' => "u",
        'ü' => "ue",
        'ç' => "c",
        'ñ' => "n",
        'ß' => "ss",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_come_down_to_a_name_that_is_free() {
        let none = |_: &str| false;
        let made = proposed("Hedge by the lane, 2026", none);
        assert_eq!(made, "hedge-by-the-lane-2026");
        assert_eq!(proposed("Róisín’s sill", none), "roisin-s-sill");
        assert_eq!(proposed("…", none), "");
        let taken = ["sill", "sill-2"];
        assert_eq!(proposed("Sill", |n| taken.contains(&n)), "sill-3");
        let long = "a".repeat(60);
        let made = proposed(&long, |n| n.len() == 40 && !n.contains('-'));
        assert_eq!((made.len(), &made[38..]), (40, "-2"));
        assert!(Name::new(made).is_ok());
    }

    #[test]
    fn a_text_that_is_no_name_is_told_what_would_do() {
        let form =
            Form::new(vec![("place".to_owned(), "Fridge Drawer".to_owned())]);
        let mut reading = Reading::default();
        let none = named(&mut reading, &form, "place", "", |_| false);
        assert_eq!(none, None);
        let told = reading.wrong.of("place").unwrap();
        assert!(told.contains("“fridge-drawer” would do"), "{told}");
    }
}
