//! Every colour of the figures, with its value in the light and in the dark
//! theme.
//!
//! Not a style sheet: a figure is drawn in the light values and carries a
//! `<style>` that swaps them by custom property, so one drawing serves
//! paper, both themes, and programs that read no styles.

use crate::chart::Step;

/// What a colour may be used for, and with it the contrast it must have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Serves {
    /// Paper, grid lines, hatches, bands: quiet, nothing is read from them
    /// that is not also said in words.
    Ground,
    /// Lines and marks: at least 3 : 1 on paper.
    Mark,
    /// Text, lines and marks: at least 4.5 : 1 on paper.
    Text,
}

/// A colour of the house.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour {
    /// CSS custom property, without the dashes.
    pub name: &'static str,
    /// Red, green, blue on light paper; unique among all colours.
    pub light: [u8; 3],
    /// Red, green, blue on dark paper.
    pub dark: [u8; 3],
    /// What it may be used for.
    pub serves: Serves,
}

const fn colour(
    name: &'static str,
    light: u32,
    dark: u32,
    serves: Serves,
) -> Colour {
    Colour { name, light: bytes(light), dark: bytes(dark), serves }
}

const fn bytes(rgb: u32) -> [u8; 3] {
    let [_, red, green, blue] = rgb.to_be_bytes();
    [red, green, blue]
}

/// The sheet.
pub const PAPER: Colour = colour("paper", 0xFCFBF8, 0x16191B, Serves::Ground);
/// Titles and names.
pub const INK: Colour = colour("ink", 0x262A2E, 0xECE9E3, Serves::Text);
/// Numbers on axes and second lines.
pub const SOFT: Colour = colour("soft", 0x5D6369, 0xA6ACB1, Serves::Text);
/// Grid lines.
pub const RULE: Colour = colour("rule", 0xE2E1DB, 0x30353A, Serves::Ground);
/// Hatch of holes in the log.
pub const HATCH: Colour = colour("hatch", 0xC6C7C4, 0x4B5157, Serves::Ground);
/// Check ticks, door ticks.
pub const TICK: Colour = colour("tick", 0x7D8388, 0x80878D, Serves::Mark);
/// Band of a wanted range.
pub const WANTED: Colour = colour("wanted", 0xE8ECDF, 0x262D22, Serves::Ground);
/// Climate lines and their bands, stays.
pub const AIR: Colour = colour("air", 0x4C5963, 0xB3BEC7, Serves::Text);
/// Light.
pub const SUN: Colour = colour("sun", 0x948347, 0xB7A566, Serves::Mark);
/// The one accent: what somebody should look at.
pub const ACCENT: Colour = colour("accent", 0xB33C1B, 0xF08A66, Serves::Text);
/// Not chilled.
pub const NONE: Colour = colour("chill-none", 0x963C4A, 0xE2808E, Serves::Text);
/// Chilled short.
pub const SHORT: Colour =
    colour("chill-short", 0x9A6413, 0xDDA44C, Serves::Text);
/// Chilled medium.
pub const MEDIUM: Colour =
    colour("chill-medium", 0x2E7D85, 0x5CB7C0, Serves::Text);
/// Chilled long.
pub const LONG: Colour = colour("chill-long", 0x1B4A6B, 0xA9CFF0, Serves::Text);

/// All of them.
pub const ALL: [Colour; 14] = [
    PAPER, INK, SOFT, RULE, HATCH, TICK, WANTED, AIR, SUN, ACCENT, NONE, SHORT,
    MEDIUM, LONG,
];

impl Colour {
    /// As written in an SVG attribute, light value.
    #[must_use]
    pub fn light_hex(&self) -> String {
        hex(self.light)
    }

    /// As written in an SVG attribute, dark value.
    #[must_use]
    pub fn dark_hex(&self) -> String {
        hex(self.dark)
    }

    /// The colour of a chilling step.
    #[must_use]
    pub const fn of(step: Step) -> Self {
        match step {
            Step::None => NONE,
            Step::Short => SHORT,
            Step::Medium => MEDIUM,
            Step::Long => LONG,
            Step::Unstated => AIR,
        }
    }
}

fn hex([red, green, blue]: [u8; 3]) -> String {
    format!("#{red:02X}{green:02X}{blue:02X}")
}

/// The style of every figure, for a page that keeps its styles apart.
#[must_use]
pub fn style_of_figures() -> String {
    style(crate::chart::canvas::CLASS)
}

/// The style of one figure: light values by default, so that a page may set
/// the same custom properties, and dark values where the reader asks for
/// them on a screen.
pub(crate) fn style(class: &str) -> String {
    let mut css = String::new();
    let mut dark = String::new();
    for colour in ALL {
        let (name, light) = (colour.name, colour.light_hex());
        for attribute in ["fill", "stroke"] {
            css += &format!(
                "svg.{class} [{attribute}=\"{light}\"]\
                 {{{attribute}:var(--{name},{light})}}\n"
            );
        }
        dark += &format!("--{name}:{};", colour.dark_hex());
    }
    let paper = PAPER.light_hex();
    css += &format!(
        "svg.{class}{{max-width:100%;height:auto}}\n\
         svg.{class} text{{paint-order:stroke;stroke-width:30;\
         stroke-linejoin:round;stroke:{paper};\
         stroke:var(--paper,{paper});font-variant-numeric:tabular-nums}}\n\
         @media screen and (prefers-color-scheme:dark)\
         {{svg.{class}{{{dark}}}}}\n"
    );
    css
}
