//! Words on a figure: made safe, measured, broken into lines, shortened.
//!
//! Not a font: no font file is read, so widths are those of a wide
//! sans-serif face, and what fits here fits in most others too.

/// How text is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Weight {
    Plain,
    Bold,
}

/// Text without anything that breaks XML or turns the reading direction of
/// what follows; white space of any kind becomes one space.
pub(crate) fn clean(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_whitespace() {
            if !safe.ends_with(' ') && !safe.is_empty() {
                safe.push(' ');
            }
        } else if !c.is_control() && !turns_or_breaks(c) {
            safe.push(c);
        }
    }
    safe.truncate(safe.trim_end().len());
    safe
}

/// Marks that turn the reading direction, and code points XML 1.0 forbids.
fn turns_or_breaks(c: char) -> bool {
    matches!(c,
        '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}'
        | '\u{2066}'..='\u{2069}' | '\u{FFF9}'..='\u{FFFB}'
        | '\u{FFFE}' | '\u{FFFF}')
}

/// Safe for element content of hand-written XML.
pub(crate) fn escaped(text: &str) -> String {
    clean(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// Width of one character in ems of a wide sans-serif face.
fn ems(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | '\'' | '|' => 0.29,
        '.' | ',' | ':' | ';' | ' ' | 'I' | '!' => 0.34,
        'f' | 't' | 'r' | '(' | ')' | '-' | '/' | '·' | '°' => 0.43,
        'm' | 'w' | 'M' | 'W' | '%' | '@' | '…' | '—' => 0.98,
        'A'..='Z' | '<' | '>' | '=' | '+' | '×' | '&' => 0.76,
        '\0'..='\u{7f}' => 0.635,
        '\u{1100}'..='\u{115f}'
        | '\u{2e80}'..='\u{a4cf}'
        | '\u{ac00}'..='\u{d7a3}'
        | '\u{f900}'..='\u{faff}'
        | '\u{fe30}'..='\u{fe6f}'
        | '\u{ff00}'..='\u{ff60}'
        | '\u{1f000}'.. => 1.05,
        '\u{0300}'..='\u{036f}' => 0.0,
        _ => 0.7,
    }
}

/// Estimated width in units at a font size.
pub(crate) fn width(text: &str, size: f64, weight: Weight) -> f64 {
    let factor = if weight == Weight::Bold { 1.1 } else { 1.0 };
    text.chars().map(ems).sum::<f64>() * size * factor
}

/// The text, or as much of its beginning as fits, with an ellipsis.
pub(crate) fn shortened(
    text: &str,
    size: f64,
    weight: Weight,
    room: f64,
) -> String {
    let text = clean(text);
    if width(&text, size, weight) <= room {
        return text;
    }
    let mut short = String::new();
    for c in text.chars() {
        short.push(c);
        let with_dots = format!("{short}…");
        if width(&with_dots, size, weight) > room {
            short.pop();
            break;
        }
    }
    format!("{}…", short.trim_end())
}

/// The text in at most `most` lines that each fit the room; words longer
/// than a line are cut, and what does not fit ends in an ellipsis.
pub(crate) fn lines(
    text: &str,
    size: f64,
    weight: Weight,
    room: f64,
    most: usize,
) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    let mut words = words(&clean(text)).into_iter();
    while let Some(word) = words.next() {
        let longer = if line.is_empty() {
            word.clone()
        } else {
            format!("{line} {word}")
        };
        if width(&longer, size, weight) <= room {
            line = longer;
            continue;
        }
        if lines.len() + 1 >= most {
            let rest: Vec<String> = words.collect();
            let all = format!("{longer} {}", rest.join(" "));
            lines.push(shortened(&all, size, weight, room));
            return lines;
        }
        if !line.is_empty() {
            lines.push(line);
        }
        line = shortened(&word, size, weight, room);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// The words of a text; a number and its unit are one.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let bare = word.trim_end_matches([',', ';', '.', ':', ')']);
        match words.last_mut() {
            Some(number) if ["°C", "%"].contains(&bare) => {
                number.push(' ');
                number.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// As [`lines`], but of about equal length: no word stands alone.
pub(crate) fn balanced(
    text: &str,
    size: f64,
    weight: Weight,
    room: f64,
    most: usize,
) -> Vec<String> {
    let widest = lines(text, size, weight, room, most);
    let mut best = widest;
    let mut narrower = room;
    while best.len() > 1 && narrower > room * 0.5 {
        narrower -= room * 0.04;
        let tried = lines(text, size, weight, narrower, best.len());
        if tried.iter().any(|line| line.ends_with('…')) {
            break;
        }
        best = tried;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_and_turning_marks_are_dropped() {
        assert_eq!(clean(" a\u{1b}[2J\n\t b\u{202e}c\u{ffff} "), "a[2J bc");
    }

    #[test]
    fn a_long_name_is_cut_to_its_room() {
        let name = "Ærøskøbing–Ålesund–".repeat(4);
        let short = shortened(&name, 12.0, Weight::Plain, 120.0);
        assert!(short.ends_with('…'));
        assert!(width(&short, 12.0, Weight::Plain) <= 120.0);
        assert!(short.chars().count() > 8);
    }

    #[test]
    fn lines_keep_every_word_when_there_is_room() {
        let text = "four containers of sixty seeds, sown on 14 March";
        let got = lines(text, 13.0, Weight::Plain, 160.0, 9);
        assert_eq!(got.join(" "), text);
        assert!(got.len() > 1);
        for line in got {
            assert!(width(&line, 13.0, Weight::Plain) <= 160.0);
        }
        let degrees = "fridge: 4.0 °C, above 90 %";
        for room in (20..160).map(f64::from) {
            let got = lines(degrees, 13.0, Weight::Plain, room, 9);
            let begins = |unit: &str| got.iter().any(|l| l.starts_with(unit));
            assert!(!begins("°C") && !begins("%"), "{got:?}");
        }
        let two = lines(text, 13.0, Weight::Plain, 100.0, 2);
        assert_eq!(two.len(), 2);
        assert!(two[1].ends_with('…'));
    }
}
