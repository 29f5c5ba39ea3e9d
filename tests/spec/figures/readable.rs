//! Whether the gallery can be read: contrast, size, nothing cut, nothing on
//! top of something else.

use roxmltree::{Document, Node};
use vernalog::chart::colour::{self, Colour, Serves};

/// Relative luminance.
///
/// Source: WCAG 2.2, definition of "relative luminance" (from memory; the
/// two check values below are the well-known ends).
fn luminance(rgb: [f64; 3]) -> f64 {
    let [red, green, blue] = rgb.map(|channel| {
        let c = channel / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    });
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

/// Source: WCAG 2.2, definition of "contrast ratio" (from memory).
fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
    ratio(a.map(f64::from), b.map(f64::from))
}

fn ratio(a: [f64; 3], b: [f64; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Source: black on white is 21 : 1 by definition; #767676 is the lightest
/// grey that passes 4.5 : 1 on white (widely published; from memory).
#[test]
fn contrast_follows_its_definition() {
    assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
    assert!(contrast([0x76; 3], [255; 3]) >= 4.5);
    assert!(contrast([0x77; 3], [255; 3]) < 4.5);
}

#[test]
fn every_colour_has_the_contrast_of_its_use_in_both_themes() {
    for colour in colour::ALL {
        let least = match colour.serves {
            Serves::Ground => continue,
            Serves::Mark => 3.0,
            Serves::Text => 4.5,
        };
        // Marks also stand on the band of a wanted range.
        for (theme, own, grounds) in [
            (
                "light",
                colour.light,
                [colour::PAPER.light, colour::WANTED.light],
            ),
            ("dark", colour.dark, [colour::PAPER.dark, colour::WANTED.dark]),
        ] {
            let on_paper = contrast(own, grounds[0]);
            assert!(on_paper >= least, "{} {theme} {on_paper}", colour.name);
            let on_band = contrast(own, grounds[1]);
            assert!(on_band >= 3.0, "{} {theme} {on_band}", colour.name);
        }
    }
}

/// Light colours are told apart by their hex value in the style, so no two
/// may be alike.
#[test]
fn no_two_colours_share_a_value() {
    for (i, a) in colour::ALL.iter().enumerate() {
        for b in &colour::ALL[i + 1..] {
            assert!(a.light != b.light && a.name != b.name);
            assert_ne!(a.light_hex(), b.dark_hex());
        }
    }
}

fn of_house(hex: &str) -> Colour {
    *colour::ALL
        .iter()
        .find(|colour| colour.light_hex() == hex)
        .unwrap_or_else(|| panic!("{hex} is no colour of the house"))
}

/// Text in text colours, full marks in mark colours; ground colours and
/// what is thinned by opacity carry nothing alone.
#[test]
fn figures_use_each_colour_only_for_what_it_serves() {
    for (name, svg) in super::gallery() {
        let document = Document::parse(&svg).unwrap();
        for node in document.descendants().filter(Node::is_element) {
            for attribute in ["fill", "stroke"] {
                let Some(hex) = node.attribute(attribute) else { continue };
                if hex == "none" {
                    continue;
                }
                let serves = of_house(hex).serves;
                if node.has_tag_name("text") {
                    assert_eq!(serves, Serves::Text, "{name}: {hex}");
                }
                if node.has_tag_name("circle") && hex != "#FCFBF8" {
                    assert_ne!(serves, Serves::Ground, "{name}: {hex}");
                }
            }
        }
    }
}

/// Lines may be thinned, but not below 3 : 1 as they then look on paper.
#[test]
fn thinned_lines_keep_their_contrast() {
    for (name, svg) in super::gallery() {
        let document = Document::parse(&svg).unwrap();
        for node in document.descendants() {
            let opacity = node.attribute("opacity").map(str::parse::<f64>);
            let (true, Some(Ok(alpha))) =
                (node.has_tag_name("polyline"), opacity)
            else {
                continue;
            };
            let colour = of_house(node.attribute("stroke").unwrap());
            for (own, paper) in [
                (colour.light, colour::PAPER.light),
                (colour.dark, colour::PAPER.dark),
            ] {
                let paper = paper.map(f64::from);
                let mixed = [0, 1, 2].map(|i| {
                    alpha * f64::from(own[i]) + (1.0 - alpha) * paper[i]
                });
                let ratio = ratio(mixed, paper);
                assert!(ratio >= 3.0, "{name} {} {ratio}", colour.name);
            }
        }
    }
}

/// A text with the box it fills at least, in tenths of a unit.
struct Words<'a> {
    text: &'a str,
    left: f64,
    right: f64,
    middle: f64,
    size: f64,
}

fn words<'a>(document: &'a Document<'_>) -> Vec<Words<'a>> {
    let number = |node: &Node<'_, '_>, name: &str| -> f64 {
        node.attribute(name).unwrap().parse().unwrap()
    };
    document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .map(|node| {
            let text = node.text().unwrap().trim();
            let size = number(&node, "font-size");
            let x = number(&node, "x");
            // Narrower than most faces, so that an overlap is a real one.
            let chars = u32::try_from(text.chars().count()).unwrap();
            let width = 0.5 * size * f64::from(chars);
            let left = match node.attribute("text-anchor").unwrap() {
                "start" => x,
                "middle" => x - width / 2.0,
                _ => x - width,
            };
            let middle = number(&node, "y");
            Words { text, left, right: left + width, middle, size }
        })
        .collect()
}

#[test]
fn no_text_is_small_or_cut_off() {
    for (name, svg) in super::gallery() {
        let document = Document::parse(&svg).unwrap();
        let view = document.root_element().attribute("viewBox").unwrap();
        let view: Vec<f64> =
            view.split(' ').map(|v| v.parse().unwrap()).collect();
        for words in words(&document) {
            let what = format!("{name}: {}", words.text);
            assert!(words.size > 119.9, "{what}");
            assert!(words.left >= 0.0 && words.right <= view[2], "{what}");
            let half = words.size / 2.0;
            assert!(words.middle - half >= 0.0, "{what}");
            assert!(words.middle + half <= view[3], "{what}");
        }
    }
}

#[test]
fn no_text_lies_on_another() {
    for (name, svg) in super::gallery() {
        let document = Document::parse(&svg).unwrap();
        let words = words(&document);
        for (i, a) in words.iter().enumerate() {
            for b in &words[i + 1..] {
                let across = a.left < b.right && b.left < a.right;
                let apart = (a.middle - b.middle).abs();
                let down = apart < 0.45 * (a.size + b.size);
                assert!(
                    !(across && down),
                    "{name}: \"{}\" on \"{}\"",
                    a.text,
                    b.text
                );
            }
        }
    }
}
