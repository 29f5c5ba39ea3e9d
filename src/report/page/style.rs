//! The style sheet: paper and ink, one accent, the colours of the figures.

use crate::chart::colour::{ALL, Colour};
use crate::report::figures::Figure;

/// The colours of the house as custom properties, light and dark.
pub(crate) fn colours() -> String {
    let properties = |value: fn(&Colour) -> String| -> String {
        ALL.iter().map(|c| format!("--{}:{};", c.name, value(c))).collect()
    };
    format!(
        ":root{{{}}}\n\
         @media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        properties(Colour::light_hex),
        properties(Colour::dark_hex)
    )
}

/// The whole style sheet of a page with these figures.
pub(super) fn sheet(figures: &[Figure]) -> String {
    // All figures carry the same style.
    let of_figures = figures
        .first()
        .and_then(|figure| style_of(&figure.wide))
        .unwrap_or_default();
    format!("{}{of_figures}\n{PAGE}", colours())
}

const OPEN: &str = "<style>";
const CLOSE: &str = "</style>";

fn style_of(svg: &str) -> Option<&str> {
    let (_, rest) = svg.split_once(OPEN)?;
    Some(rest.split_once(CLOSE)?.0)
}

/// A figure without the style it carries when it stands alone.
pub(crate) fn without_style(svg: &str) -> String {
    let pieces = svg.split_once(OPEN).and_then(|(before, rest)| {
        let (_, after) = rest.split_once(CLOSE)?;
        Some((before, after))
    });
    pieces.map_or_else(
        || svg.to_owned(),
        |(before, after)| format!("{before}{after}"),
    )
}

const PAGE: &str = include_str!("page.css");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_loses_only_its_style() {
        let svg = "<svg><title>a</title><style>x{}</style><g/></svg>";
        assert_eq!(without_style(svg), "<svg><title>a</title><g/></svg>");
        assert_eq!(style_of(svg), Some("x{}"));
        assert_eq!(without_style("<svg/>"), "<svg/>");
    }
}
