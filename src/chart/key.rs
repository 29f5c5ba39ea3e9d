//! The key above a figure: places with their shapes and words in colours, in
//! as many rows as it takes.
//!
//! Not the words beside a line: those are the figure's own.

use std::collections::BTreeMap;

use crate::chart::Layout;
use crate::chart::canvas::{Anchor, Canvas, SMALL, Shape};
use crate::chart::colour::{self, Colour};
use crate::chart::text::{self, Weight};

/// Places with their shapes, in the order of their names; letters where
/// there are more places than shapes.
pub(crate) fn shapes<'a>(
    names: impl Iterator<Item = &'a str>,
) -> BTreeMap<&'a str, Shape> {
    let mut names: Vec<&str> = names.collect();
    names.sort_unstable();
    names.dedup();
    let many = names.len() > Shape::OF_PLACES.len();
    let shape = |i: usize| {
        if many { Shape::Letter(i) } else { Shape::OF_PLACES[i] }
    };
    names.into_iter().enumerate().map(|(i, name)| (name, shape(i))).collect()
}

/// Where the next word of a key stands.
pub(crate) struct Key {
    left: f64,
    last: f64,
    x: f64,
    y: f64,
}

impl Key {
    pub(crate) fn at(layout: Layout, (left, top): (f64, f64)) -> Self {
        Self { left, last: layout.width() - 10.0, x: left, y: top + 2.0 }
    }

    /// The height of its last row.
    pub(crate) const fn y(&self) -> f64 {
        self.y
    }

    /// Goes on in a row of its own.
    pub(crate) fn next_row(&mut self) {
        (self.x, self.y) = (self.left, self.y + 18.0);
    }

    /// Room for something so wide, in a new row where this one is full.
    pub(crate) fn room(&mut self, wide: f64) -> (f64, f64) {
        if self.x > self.left && self.x + wide > self.last {
            self.next_row();
        }
        let at = (self.x, self.y);
        self.x += wide + 16.0;
        at
    }

    pub(crate) fn places(
        &mut self,
        canvas: &mut Canvas<'_>,
        shapes: &BTreeMap<&str, Shape>,
    ) {
        let most = self.last - self.left - 20.0;
        for (name, shape) in shapes {
            let name = text::shortened(name, SMALL, Weight::Plain, most);
            let wide = 14.0 + text::width(&name, SMALL, Weight::Plain);
            let (x, y) = self.room(wide);
            canvas.mark(*shape, (x + 5.0, y), 4.0, &colour::INK);
            let at = (x + 14.0, y);
            canvas.text(at, &name, SMALL, &colour::INK, Anchor::Start);
        }
    }

    pub(crate) fn word(
        &mut self,
        canvas: &mut Canvas<'_>,
        word: &str,
        colour: &Colour,
    ) {
        let at = self.room(text::width(word, SMALL, Weight::Plain));
        canvas.text(at, word, SMALL, colour, Anchor::Start);
    }
}
