//! What one moment counts towards a dose: a broken line over the measured
//! value, and its exact mean while the value moves in a straight line.
//!
//! Not a curve fitter: a shape has straight pieces and jumps, nothing else.

/// Units counted an hour, as a broken line over the measured value.
///
/// Degree-hours, lux-hours and "hours above a limit" are all the time
/// integral of such a line. The mean over a straight move of the value is
/// exact, so an hour that crosses the base counts only its warm part; the
/// mean of the two clipped ends would count too much.
///
/// A value that stays exactly on a jump gets the larger side: "at or above",
/// "at or below", "within, ends included".
///
/// # When it misleads
/// The line between two readings is a guess. A spike between them is not
/// seen by any rule; only a shorter interval of the board helps.
///
/// # Example
/// From 4 °C to 6 °C in one hour, base 5 °C: a triangle of half an hour and
/// one degree.
/// ```
/// use vernalog::climate::shape::Shape;
/// let above_5 = Shape::above(5.0);
/// assert!((above_5.mean_between(4.0, 6.0) - 0.25).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// Values at which the line bends or jumps, rising.
    edges: Vec<f64>,
    /// One more than edges: the straight piece below, between, above them.
    lines: Vec<Line>,
}

/// A straight piece of a shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    slope: f64,
    constant: f64,
}

impl Line {
    const ZERO: Self = Self::flat(0.0);
    const ONE: Self = Self::flat(1.0);

    const fn flat(constant: f64) -> Self {
        Self { slope: 0.0, constant }
    }

    fn at(self, value: f64) -> f64 {
        self.slope * value + self.constant
    }

    /// Its integral over some time with so much area under the values.
    pub(crate) fn over(self, time: f64, area: f64) -> f64 {
        self.slope * area + self.constant * time
    }
}

impl Shape {
    /// The value itself: lux to lux-hours, or a mean over time.
    #[must_use]
    pub fn value() -> Self {
        Self {
            edges: Vec::new(),
            lines: vec![Line { slope: 1.0, constant: 0.0 }],
        }
    }

    /// The excess over `base`, zero below it.
    #[must_use]
    pub fn above(base: f64) -> Self {
        Self {
            edges: vec![base],
            lines: vec![Line::ZERO, Line { slope: 1.0, constant: -base }],
        }
    }

    /// The excess over `base` that stays level above `optimum` and is zero
    /// above `ceiling`. The three must rise.
    #[must_use]
    pub(crate) fn rise(
        base: f64,
        optimum: Option<f64>,
        ceiling: Option<f64>,
    ) -> Self {
        let mut shape = Self::above(base);
        if let Some(optimum) = optimum {
            shape.edges.push(optimum);
            shape.lines.push(Line::flat(optimum - base));
        }
        if let Some(ceiling) = ceiling {
            shape.edges.push(ceiling);
            shape.lines.push(Line::ZERO);
        }
        shape
    }

    /// One while the value is at or above `limit`: hours above it.
    #[must_use]
    pub fn at_or_above(limit: f64) -> Self {
        Self { edges: vec![limit], lines: vec![Line::ZERO, Line::ONE] }
    }

    /// One while the value is at or below `limit`: hours below it.
    #[must_use]
    pub fn at_or_below(limit: f64) -> Self {
        Self { edges: vec![limit], lines: vec![Line::ONE, Line::ZERO] }
    }

    /// One while the value is from `low` to `high`, ends included.
    #[must_use]
    pub fn within(low: f64, high: f64) -> Self {
        Self {
            edges: vec![low, high],
            lines: vec![Line::ZERO, Line::ONE, Line::ZERO],
        }
    }

    /// The straight piece on which every value from `low` to `high` lies, if
    /// one does.
    pub(crate) fn piece(&self, (low, high): (f64, f64)) -> Option<Line> {
        let below = self.edges.iter().filter(|edge| **edge < low).count();
        let reached = self.edges.iter().filter(|edge| **edge <= high).count();
        (below == reached).then(|| self.lines[below])
    }

    /// What a steady `value` counts in an hour.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        let below = self.edges.iter().filter(|edge| **edge < value).count();
        let reached = self.edges.iter().filter(|edge| **edge <= value).count();
        self.lines[below..=reached]
            .iter()
            .map(|line| line.at(value))
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// What an hour counts in which the value moves straight from one to
    /// the other: exact, whatever lies between.
    #[must_use]
    pub fn mean_between(&self, start: f64, end: f64) -> f64 {
        let (low, high) =
            if start <= end { (start, end) } else { (end, start) };
        let first = self.edges.iter().filter(|edge| **edge <= low).count();
        let crossed = &self.edges[first..];
        match crossed.first() {
            Some(edge) if *edge < high => {}
            // The usual case: the whole move lies on one straight piece.
            _ if low < high => {
                return self.lines[first].at(f64::midpoint(low, high));
            }
            _ => return self.at(low),
        }
        let mut area = 0.0;
        let mut from = low;
        for (line, edge) in self.lines[first..]
            .iter()
            .zip(crossed.iter().copied().chain(std::iter::once(f64::INFINITY)))
        {
            let to = edge.min(high);
            area += (to - from) * line.at(f64::midpoint(from, to));
            from = to;
            if edge >= high {
                break;
            }
        }
        area / (high - low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(got: f64, expected: f64) {
        assert!((got - expected).abs() < 1e-12, "{got} is not {expected}");
    }

    /// Source: areas of triangles and trapezia, by hand.
    #[test]
    fn a_move_across_every_edge_is_exact() {
        let shape = Shape::rise(5.0, Some(25.0), Some(35.0));
        // 0→40: 5 nothing, 20×20/2 = 200, 10×20 = 200, 5 nothing.
        check(shape.mean_between(0.0, 40.0), 400.0 / 40.0);
        check(shape.mean_between(40.0, 0.0), 400.0 / 40.0);
        check(shape.mean_between(30.0, 31.0), 20.0);
        check(Shape::within(0.0, 7.0).mean_between(-1.0, 9.0), 0.7);
    }

    #[test]
    fn a_steady_value_on_a_jump_counts_as_inside() {
        check(Shape::at_or_above(65.0).mean_between(65.0, 65.0), 1.0);
        check(Shape::at_or_below(65.0).at(65.0), 1.0);
        check(Shape::within(0.0, 7.0).at(0.0), 1.0);
        check(Shape::within(0.0, 7.0).at(7.0), 1.0);
        check(Shape::rise(0.0, Some(20.0), Some(30.0)).at(30.0), 20.0);
        check(Shape::rise(0.0, Some(20.0), Some(30.0)).at(30.1), 0.0);
    }

    /// Bit for bit, so that a short cut changes no dose.
    #[test]
    fn on_one_piece_the_line_says_what_the_shape_says() {
        let shapes = [
            Shape::value(),
            Shape::above(3.0),
            Shape::rise(0.0, Some(20.0), Some(30.0)),
            Shape::within(0.0, 7.0),
            Shape::at_or_below(0.0),
            Shape::at_or_above(15.0),
        ];
        let values: Vec<f64> =
            (-40..=350).map(|n| f64::from(n) / 10.0).collect();
        let mut found = 0;
        for shape in &shapes {
            for a in &values {
                for b in &values {
                    let Some(line) = shape.piece((a.min(*b), a.max(*b))) else {
                        continue;
                    };
                    found += 1;
                    let ours = line.at(f64::midpoint(*a, *b));
                    let theirs = shape.mean_between(*a, *b);
                    assert_eq!(ours.to_bits(), theirs.to_bits(), "{a} {b}");
                }
            }
        }
        assert!(found > 100_000, "{found}");
    }

    #[test]
    fn a_tiny_move_across_an_edge_keeps_its_digits() {
        let mean = Shape::above(5.0).mean_between(5.0 - 1e-9, 5.0 + 1e-9);
        assert!((mean - 0.25e-9).abs() < 1e-15);
    }
}
