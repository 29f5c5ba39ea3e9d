//! The sheet and the pen: everything that touches plotters.
//!
//! Not a layout: it draws what it is told, in units of the finished figure.
//! plotters rounds to whole units, so it draws ten times as large and the
//! view box brings it back.

use plotters::backend::{DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    Color, FontFamily, FontStyle, RGBAColor, RGBColor, ShapeStyle, TextStyle,
};

use crate::chart::colour::{self, Colour};
use crate::chart::text::{self, Weight};
use crate::chart::{Heading, Layout};

/// How much larger than the figure plotters draws.
const FINE: f64 = 10.0;
/// plotters writes font sizes divided by this.
const FONT_FACTOR: f64 = 1.24;
/// Class of the root element; scopes the style.
pub(crate) const CLASS: &str = "vernalog-figure";

/// Font size of titles.
const TITLE: f64 = 17.0;
const TITLE_NARROW: f64 = 15.5;
/// Font size of the line below the title and of labels.
pub(crate) const LABEL: f64 = 13.0;
/// Font size of axes; the smallest there is.
pub(crate) const SMALL: f64 = 12.0;

/// Which point of a text stands at the given x.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// Shape of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Disc,
    Square,
    Diamond,
    Triangle,
    Ring,
    Frame,
    OpenDiamond,
    OpenTriangle,
    /// The n-th letter, when there are more places than shapes.
    Letter(usize),
}

impl Shape {
    /// Shapes that tell places apart.
    pub(crate) const OF_PLACES: [Self; 8] = [
        Self::Disc,
        Self::Square,
        Self::Diamond,
        Self::Triangle,
        Self::Ring,
        Self::Frame,
        Self::OpenDiamond,
        Self::OpenTriangle,
    ];
}

/// A pen on a sheet; coordinates in units of the finished figure, y down.
pub(crate) struct Canvas<'a> {
    backend: SVGBackend<'a>,
}

/// Draws a figure: heading, then what `draw` adds from the given y down to
/// the y it returns.
pub(crate) fn sheet(
    heading: &Heading,
    layout: Layout,
    left: f64,
    draw: impl FnOnce(&mut Canvas<'_>, f64) -> f64,
) -> String {
    let mut drawing = String::new();
    let mut canvas =
        Canvas { backend: SVGBackend::with_string(&mut drawing, (1, 1)) };
    let top = draw_heading(&mut canvas, heading, layout, left);
    let bottom = draw(&mut canvas, top);
    drop(canvas);
    framed(&drawing, heading, layout, bottom)
}

fn draw_heading(
    canvas: &mut Canvas<'_>,
    heading: &Heading,
    layout: Layout,
    left: f64,
) -> f64 {
    let room = layout.width() - left - 12.0;
    let size = match layout {
        Layout::Wide => TITLE,
        Layout::Narrow => TITLE_NARROW,
    };
    let mut y = 10.0;
    for line in text::balanced(&heading.title, size, Weight::Bold, room, 4) {
        y += size + 5.0;
        canvas.bold((left, y - size * 0.5), &line, size, &colour::INK);
    }
    y += 3.0;
    for line in text::lines(&heading.subtitle, LABEL, Weight::Plain, room, 6) {
        y += LABEL + 4.0;
        let at = (left, y - LABEL * 0.5);
        canvas.text(at, &line, LABEL, &colour::SOFT, Anchor::Start);
    }
    y + 14.0
}

/// plotters' elements inside our own root element with title, description,
/// style and paper.
fn framed(
    drawing: &str,
    heading: &Heading,
    layout: Layout,
    bottom: f64,
) -> String {
    let elements = drawing.split_once(">\n").map_or("", |(_, rest)| rest);
    // A quote inside text is escaped, so these only meet attributes.
    let elements = elements
        .replace(" opacity=\"1\"", "")
        .replace(" stroke-width=\"1\"", "");
    let (width, height) = (layout.width(), bottom.ceil());
    let paper = colour::PAPER.light_hex();
    format!(
        "<svg class=\"{CLASS}\" role=\"img\" width=\"{width}\" \
         height=\"{height}\" viewBox=\"0 0 {} {}\" \
         xmlns=\"http://www.w3.org/2000/svg\">\n\
         <title>{}</title>\n<desc>{}</desc>\n<style>\n{}</style>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"{paper}\"/>\n{elements}",
        width * FINE,
        height * FINE,
        text::escaped(&heading.title),
        text::escaped(&heading.description),
        colour::style(CLASS),
    )
}

type Point = (f64, f64);

fn fine((x, y): Point) -> (i32, i32) {
    (fine_length(x), fine_length(y))
}

#[allow(
    clippy::cast_possible_truncation,
    reason = "clamped to a range far inside i32; NaN becomes 0"
)]
fn fine_length(units: f64) -> i32 {
    (units * FINE).clamp(-1.0e6, 1.0e6).round() as i32
}

#[allow(
    clippy::cast_sign_loss,
    reason = "clamped to at least one unit of the fine grid"
)]
fn fine_width(units: f64) -> u32 {
    fine_length(units).max(1) as u32
}

fn paint(colour: &Colour, alpha: f64) -> RGBAColor {
    let [red, green, blue] = colour.light;
    RGBColor(red, green, blue).mix(alpha)
}

impl Canvas<'_> {
    /// A line through points.
    pub(crate) fn line(&mut self, points: &[Point], pen: Pen<'_>) {
        if points.len() < 2 {
            return;
        }
        let mut path: Vec<_> = points.iter().copied().map(fine).collect();
        path.dedup();
        let style = ShapeStyle {
            color: paint(pen.colour, pen.alpha),
            filled: false,
            stroke_width: fine_width(pen.width),
        };
        believe(self.backend.draw_path(path, &style));
    }

    /// A filled area.
    pub(crate) fn area(
        &mut self,
        points: &[Point],
        colour: &Colour,
        alpha: f64,
    ) {
        let path: Vec<_> = points.iter().copied().map(fine).collect();
        let style = ShapeStyle::from(paint(colour, alpha)).filled();
        believe(self.backend.fill_polygon(path, &style));
    }

    /// A filled rectangle between two corners.
    pub(crate) fn rect(
        &mut self,
        (x0, y0): Point,
        (x1, y1): Point,
        colour: &Colour,
        alpha: f64,
    ) {
        let style = ShapeStyle::from(paint(colour, alpha)).filled();
        let corners =
            (fine((x0.min(x1), y0.min(y1))), fine((x0.max(x1), y0.max(y1))));
        believe(self.backend.draw_rect(corners.0, corners.1, &style, true));
    }

    /// Slanted lines inside a rectangle.
    pub(crate) fn hatch(
        &mut self,
        (x0, y0): Point,
        (x1, y1): Point,
        pen: Pen<'_>,
        pitch: f64,
    ) {
        let (width, height) = (x1 - x0, y1 - y0);
        if width < 2.0 || height < 2.0 {
            let middle = f64::midpoint(x0, x1);
            self.line(&[(middle, y0), (middle, y1)], pen);
            return;
        }
        // Lines x + y = c, cut at the four sides.
        let mut c = pitch * 0.5;
        while c < width + height {
            let from = (x0 + c.min(width), y0 + (c - width).max(0.0));
            let to = (x0 + (c - height).max(0.0), y0 + c.min(height));
            self.line(&[from, to], pen);
            c += pitch;
        }
    }

    /// A mark of a shape; `radius` is that of the disc of equal weight.
    pub(crate) fn mark(
        &mut self,
        shape: Shape,
        at: Point,
        radius: f64,
        colour: &Colour,
    ) {
        let ring = |r: f64, corners: &[(f64, f64)]| -> Vec<Point> {
            corners.iter().map(|(x, y)| (at.0 + x * r, at.1 + y * r)).collect()
        };
        let square = [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)];
        let diamond = [(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)];
        let triangle = [(0.0, -1.25), (1.2, 0.85), (-1.2, 0.85)];
        let (corners, open): (&[Point], bool) = match shape {
            Shape::Disc | Shape::Ring => {
                self.disc(at, radius, colour);
                if shape == Shape::Ring {
                    self.disc(at, radius * 0.5, &colour::PAPER);
                }
                return;
            }
            Shape::Letter(n) => {
                let name = letter(n);
                self.text(at, &name, SMALL, colour, Anchor::Middle);
                return;
            }
            Shape::Square => (&square, false),
            Shape::Diamond => (&diamond, false),
            Shape::Triangle => (&triangle, false),
            Shape::Frame => (&square, true),
            Shape::OpenDiamond => (&diamond, true),
            Shape::OpenTriangle => (&triangle, true),
        };
        self.area(&ring(radius, corners), colour, 1.0);
        if open {
            self.area(&ring(radius * 0.5, corners), &colour::PAPER, 1.0);
        }
    }

    fn disc(&mut self, at: Point, radius: f64, colour: &Colour) {
        let style = ShapeStyle::from(paint(colour, 1.0)).filled();
        let radius = fine_width(radius);
        believe(self.backend.draw_circle(fine(at), radius, &style, true));
    }

    /// Text whose middle line runs through y.
    pub(crate) fn text(
        &mut self,
        at: Point,
        words: &str,
        size: f64,
        colour: &Colour,
        anchor: Anchor,
    ) {
        self.write(at, words, size, colour, (anchor, FontStyle::Normal));
    }

    /// Bold text from x on.
    pub(crate) fn bold(
        &mut self,
        at: Point,
        words: &str,
        size: f64,
        colour: &Colour,
    ) {
        self.write(at, words, size, colour, (Anchor::Start, FontStyle::Bold));
    }

    fn write(
        &mut self,
        at: Point,
        words: &str,
        size: f64,
        colour: &Colour,
        (anchor, weight): (Anchor, FontStyle),
    ) {
        let words = text::clean(words);
        if words.is_empty() {
            return;
        }
        let across = match anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let font = (FontFamily::SansSerif, size * FONT_FACTOR * FINE, weight);
        let colour = paint(colour, 1.0);
        let style = TextStyle::from(font)
            .color(&colour)
            .pos(Pos::new(across, VPos::Center));
        believe(self.backend.draw_text(&words, &style, fine(at)));
    }
}

/// `A`, `B`, … `Z`, then numbers.
pub(crate) fn letter(n: usize) -> String {
    u8::try_from(n)
        .ok()
        .filter(|n| *n < 26)
        .map_or_else(|| (n + 1).to_string(), |n| char::from(b'A' + n).into())
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen<'a> {
    pub(crate) colour: &'a Colour,
    pub(crate) width: f64,
    pub(crate) alpha: f64,
}

/// A full line of a colour.
pub(crate) const fn pen(colour: &Colour, width: f64) -> Pen<'_> {
    Pen { colour, width, alpha: 1.0 }
}

/// Drawing into a text cannot fail.
fn believe<T, E: std::fmt::Debug>(drawn: Result<T, E>) {
    drawn.map(drop).expect("writing SVG into a string succeeds");
}
