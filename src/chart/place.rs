//! One place: what germinated in its containers, and below it, on the same
//! time, the climate it happened in.
//!
//! Not a comparison of places (see `conditions` and `chill`).

use crate::chart::axis::{self, Scale, TimeAxis};
use crate::chart::canvas::{
    self, Anchor, Canvas, LABEL, Pen, SMALL, Shape, pen,
};
use crate::chart::colour::{self, Colour};
use crate::chart::light::{self, Light};
use crate::chart::text::{self, Weight};
use crate::chart::trace::{self, Frame, Trace};
use crate::chart::{Heading, Layout, LocalOffset, Outcome, Range, Step};
use crate::units::Instant;

/// What is drawn.
pub struct Figure<'a> {
    /// The words.
    pub heading: Heading,
    /// Left end of time.
    pub from: Instant,
    /// Right end of time.
    pub to: Instant,
    /// Containers in any order.
    pub containers: Vec<Container>,
    /// Temperature, °C, or that there is no log.
    pub temperature: Option<Trace>,
    /// Humidity, %.
    pub humidity: Option<Trace>,
    /// Light.
    pub light: Option<Light>,
    /// Local time.
    pub offset: LocalOffset<'a>,
}

/// A container and what was counted in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Container {
    /// Shown at its line when there are few: `18 weeks`, or its name.
    pub label: String,
    /// Level of the treatment, shown when there are many: `18 weeks`.
    pub treatment: String,
    /// The step of that level, which gives the colour.
    pub step: Step,
    /// When it was sown.
    pub sown: Instant,
    /// Looks, in any order.
    pub checks: Vec<Check>,
    /// The count and its interval at the end.
    pub outcome: Outcome,
}

/// A look at a container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Check {
    /// When.
    pub at: Instant,
    /// Germinated up to then, since sowing.
    pub germinated_total: u32,
}

/// More containers than this are drawn by treatment level.
const FEW: usize = 8;
const FEW_NARROW: usize = 5;
/// More lines than this in a level become a band from lowest to highest.
const MOST_LINES: usize = 150;
/// Room between the interval bars of two levels.
const LEVEL_GAP: f64 = 3.0;
/// Distance between labels.
const PITCH: f64 = 17.0;

/// Draws the figure.
#[must_use]
pub fn draw(figure: &Figure<'_>, layout: Layout) -> String {
    let plan = Plan::of(figure, layout);
    let heading_at = match layout {
        Layout::Wide => plan.left,
        Layout::Narrow => 12.0,
    };
    canvas::sheet(&figure.heading, layout, heading_at, |canvas, top| {
        let span = (figure.from, figure.to);
        let ends = (plan.left, plan.right);
        let time = TimeAxis::new(span, ends, figure.offset);
        let frame = Frame { layout, time, words_at: plan.words_at };
        let mut y = germination(canvas, &plan, &frame, top) + 16.0;
        let mut named = Vec::new();
        for (record, look) in [
            (figure.temperature.as_ref(), &trace::TEMPERATURE),
            (figure.humidity.as_ref(), &trace::HUMIDITY),
        ] {
            y = trace::draw(canvas, &frame, y, record, look, &mut named);
        }
        let light = figure.light.as_ref();
        let base = light::draw(canvas, &frame, y, light, &mut named);
        let sown: Vec<_> = figure.containers.iter().map(|c| c.sown).collect();
        time.draw(canvas, base, axis::same_day(&sown), layout) + 8.0
    })
}

/// A container ready to draw: colour, counts in order, never falling.
struct Line<'a> {
    container: &'a Container,
    colour: Colour,
    /// Sowing, then every check: instant and share germinated. What lies
    /// before the figure is where it begins.
    points: Vec<(Instant, f64)>,
    end: f64,
}

/// One label beside the ends of lines.
struct Label {
    /// Share at which it would like to stand.
    wish: f64,
    words: String,
    colour: Colour,
}

struct Plan<'a> {
    lines: Vec<Line<'a>>,
    labels: Vec<Label>,
    grouped: bool,
    left: f64,
    right: f64,
    /// Distance of the interval bars.
    bar_pitch: f64,
    words_at: f64,
    height: f64,
}

impl<'a> Plan<'a> {
    fn of(figure: &'a Figure<'_>, layout: Layout) -> Self {
        let line = |container| Line::of(container, figure.from);
        let mut lines: Vec<Line<'_>> =
            figure.containers.iter().filter_map(line).collect();
        let few = match layout {
            Layout::Wide => FEW,
            Layout::Narrow => FEW_NARROW,
        };
        let grouped = lines.len() > few;
        lines.sort_by(|a, b| {
            let level = b.container.step.cmp(&a.container.step);
            let level = level.then_with(|| {
                a.container.treatment.cmp(&b.container.treatment)
            });
            let by_level =
                if grouped { level } else { std::cmp::Ordering::Equal };
            by_level.then(b.end.total_cmp(&a.end))
        });
        let labels = if grouped {
            level_labels(&lines)
        } else {
            lines.iter().map(Line::label).collect()
        };
        let n = f64::from(u32::try_from(lines.len()).unwrap_or(u32::MAX));
        let (left, words_room, most_bars, widest) = match layout {
            Layout::Wide => (66.0, 150.0, 125.0, 9.0),
            Layout::Narrow => (64.0, 0.0, 56.0, 7.0),
        };
        let bar_pitch = (most_bars / n.max(1.0)).min(widest);
        let mut bars = n * bar_pitch + 8.0;
        if grouped {
            for _ in &labels {
                bars += LEVEL_GAP;
            }
        }
        let longest = labels
            .iter()
            .flat_map(|label| label.words.split('\n'))
            .map(|words| text::width(words, LABEL, Weight::Plain))
            .fold(122.0, f64::max);
        let words_room = longest.min(words_room);
        let words_at = layout.width() - words_room - 6.0;
        let right = words_at - bars - if words_room > 0.0 { 8.0 } else { 0.0 };
        let (least, label_pitch) = match layout {
            Layout::Wide => (250.0, PITCH),
            Layout::Narrow => (240.0, PITCH),
        };
        let mut stacked = 40.0;
        for _ in &labels {
            stacked += label_pitch;
        }
        let height = stacked.clamp(least, 2000.0);
        Self {
            lines,
            labels,
            grouped,
            left,
            right,
            bar_pitch,
            words_at,
            height,
        }
    }
}

impl<'a> Line<'a> {
    fn of(container: &'a Container, from: Instant) -> Option<Self> {
        let seeds = container.outcome.seeds;
        let end = container.outcome.fraction()?;
        let mut checks = container.checks.clone();
        checks.retain(|check| check.at >= container.sown);
        checks.sort_by_key(|check| check.at);
        let mut highest = 0;
        let mut points = vec![(container.sown, 0.0)];
        for check in checks {
            highest = highest.max(check.germinated_total).min(seeds);
            points.push((check.at, f64::from(highest) / f64::from(seeds)));
        }
        let before = points.partition_point(|(at, _)| *at < from);
        if let Some(last) = before.checked_sub(1) {
            points.drain(..last);
            points[0].0 = from;
        }
        let colour = Colour::of(container.step);
        Some(Self { container, colour, points, end })
    }

    fn label(&self) -> Label {
        let outcome = self.container.outcome.words();
        let name = text::shortened(
            &self.container.label,
            LABEL,
            Weight::Plain,
            144.0 - text::width(&outcome, LABEL, Weight::Plain),
        );
        let words = format!("{name} {outcome}");
        Label { wish: self.end, words, colour: self.colour }
    }
}

/// One label a level, two lines of words: name, then range and n.
fn level_labels(lines: &[Line<'_>]) -> Vec<Label> {
    let mut labels = Vec::new();
    let level = |line: &Line<'_>| {
        (line.container.step, line.container.treatment.clone())
    };
    for group in lines.chunk_by(|a, b| level(a) == level(b)) {
        let (first, last) = (&group[0], &group[group.len() - 1]);
        let (low, high) = (last.end * 100.0, first.end * 100.0);
        let range = if high - low < 0.5 {
            format!("{high:.0} %")
        } else {
            format!("{low:.0}–{high:.0} %")
        };
        let words = format!("{range}, n {}", group.len());
        let name = text::shortened(
            &first.container.treatment,
            LABEL,
            Weight::Plain,
            144.0,
        );
        let wish = group[group.len() / 2].end;
        labels.push(Label {
            wish,
            words: format!("{name}\n{words}"),
            colour: first.colour,
        });
    }
    labels
}

fn germination(
    canvas: &mut Canvas<'_>,
    plan: &Plan<'_>,
    frame: &Frame<'_>,
    top: f64,
) -> f64 {
    let (left, right) = (plan.left, plan.right);
    if plan.lines.is_empty() {
        let words = "no data: no container with seeds stood here";
        let at = (left, top + 8.0);
        canvas.text(at, words, LABEL, &colour::SOFT, Anchor::Start);
        return top + 26.0;
    }
    let (top, bottom) = (top + 6.0, top + 6.0 + plan.height);
    let scale = Scale::new((0.0, 1.0), (bottom, top));
    let ticks = [0.0, 0.5, 1.0].map(|v| (v, format!("{:.0} %", v * 100.0)));
    axis::grid(canvas, (left, right), &scale, &ticks);
    check_ticks(canvas, plan, frame, bottom);
    if plan.grouped {
        grouped_lines(canvas, plan, frame, &scale);
    } else {
        for line in plan.lines.iter().rev() {
            bands(canvas, line, frame, &scale);
        }
        for line in plan.lines.iter().rev() {
            steps(canvas, line, frame, &scale);
        }
    }
    bars(canvas, plan, &scale);
    match frame.layout {
        Layout::Wide => labels_beside(canvas, plan, &scale, (top, bottom)),
        Layout::Narrow if plan.grouped => {
            return labels_below(canvas, plan, bottom + 24.0);
        }
        Layout::Narrow => labels_on(canvas, plan, &scale, (top, bottom)),
    }
    bottom + 14.0
}

/// Every check is a tick, also one without news.
fn check_ticks(
    canvas: &mut Canvas<'_>,
    plan: &Plan<'_>,
    frame: &Frame<'_>,
    bottom: f64,
) {
    let checks = plan.lines.iter().flat_map(|line| &line.points[1..]);
    let mut xs: Vec<f64> = checks
        .filter(|(at, _)| frame.time.holds(*at))
        .map(|(at, _)| frame.time.x(*at))
        .collect();
    xs.sort_by(f64::total_cmp);
    xs.dedup_by(|b, a| *b - *a < 1.2);
    for x in xs {
        let tick = [(x, bottom + 4.0), (x, bottom + 9.0)];
        canvas.line(&tick, pen(&colour::TICK, 0.9));
    }
}

/// Between two checks a germination lies somewhere: the rectangle.
fn bands(
    canvas: &mut Canvas<'_>,
    line: &Line<'_>,
    frame: &Frame<'_>,
    scale: &Scale,
) {
    for pair in line.points.windows(2) {
        let [(from, old), (to, new)] = [pair[0], pair[1]];
        if new > old {
            canvas.rect(
                (frame.time.x(from), scale.at(old)),
                (frame.time.x(to), scale.at(new)),
                &line.colour,
                0.24,
            );
        }
    }
}

/// Thick where the count stood still, thin through the rectangles.
fn steps(
    canvas: &mut Canvas<'_>,
    line: &Line<'_>,
    frame: &Frame<'_>,
    scale: &Scale,
) {
    let flat = |pair: &[(Instant, f64)]| pair[1].1 <= pair[0].1;
    let mut start = 0;
    let pairs: Vec<_> = line.points.windows(2).collect();
    while start < pairs.len() {
        let kind = flat(pairs[start]);
        let same = pairs[start..].iter().take_while(|p| flat(p) == kind);
        let end = start + same.count();
        let path: Vec<_> = line.points[start..=end]
            .iter()
            .map(|(at, share)| (frame.time.x(*at), scale.at(*share)))
            .collect();
        let path =
            if kind { vec![path[0], path[path.len() - 1]] } else { path };
        let width = if kind { 2.1 } else { 1.0 };
        canvas.line(&path, pen(&line.colour, width));
        start = end;
    }
}

/// Many containers: thin lines, or for very many the band they fill.
fn grouped_lines(
    canvas: &mut Canvas<'_>,
    plan: &Plan<'_>,
    frame: &Frame<'_>,
    scale: &Scale,
) {
    let all = plan.lines.len();
    for group in plan.lines.chunk_by(|a, b| {
        a.container.step == b.container.step
            && a.container.treatment == b.container.treatment
    }) {
        if all > MOST_LINES {
            envelope(canvas, group, frame, scale);
            continue;
        }
        for line in group {
            let path: Vec<_> = turning_points(&line.points)
                .map(|(at, share)| (frame.time.x(at), scale.at(share)))
                .collect();
            let pen = Pen { colour: &line.colour, width: 1.0, alpha: 0.8 };
            canvas.line(&path, pen);
        }
    }
}

/// The points without those in the middle of a flat stretch.
fn turning_points(
    points: &[(Instant, f64)],
) -> impl Iterator<Item = (Instant, f64)> + '_ {
    let same = |a: f64, b: f64| a.total_cmp(&b).is_eq();
    points.iter().enumerate().filter_map(move |(i, point)| {
        let inner = i > 0 && i + 1 < points.len();
        let idle = inner
            && same(points[i - 1].1, point.1)
            && same(points[i + 1].1, point.1);
        (!idle).then_some(*point)
    })
}

fn envelope(
    canvas: &mut Canvas<'_>,
    group: &[Line<'_>],
    frame: &Frame<'_>,
    scale: &Scale,
) {
    let hours = frame.time.to.hours_since(frame.time.from);
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for step in 0..=60_u32 {
        let at = frame.time.from.plus_hours(hours * f64::from(step) / 60.0);
        let shares = group.iter().map(|line| {
            let next = line.points.partition_point(|(t, _)| *t <= at);
            line.points[next.saturating_sub(1)].1
        });
        let (low, high) = shares.fold((1.0_f64, 0.0_f64), |(l, h), share| {
            (l.min(share), h.max(share))
        });
        let x = frame.time.x(at);
        upper.push((x, scale.at(high)));
        lower.push((x, scale.at(low)));
    }
    canvas.line(&upper, pen(&group[0].colour, 1.2));
    canvas.line(&lower, pen(&group[0].colour, 1.2));
    upper.extend(lower.into_iter().rev());
    canvas.area(&upper, &group[0].colour, 0.12);
}

/// Intervals at the end, side by side; beyond many only thinner.
fn bars(canvas: &mut Canvas<'_>, plan: &Plan<'_>, scale: &Scale) {
    let width = (plan.bar_pitch * 0.45).clamp(0.5, 1.7);
    let mut x = plan.right + 4.0 + plan.bar_pitch / 2.0;
    let mut level = plan.lines.first().map(|l| &l.container.treatment);
    for line in &plan.lines {
        let own = Some(&line.container.treatment);
        if plan.grouped && level != own {
            x += LEVEL_GAP;
            level = own;
        }
        if let Some(Range { low, high }) = line.container.outcome.bar() {
            let bar = [(x, scale.at(low)), (x, scale.at(high))];
            canvas.line(&bar, pen(&line.colour, width));
            let radius = (plan.bar_pitch * 0.42).clamp(0.6, 3.2);
            let at = (x, scale.at(line.end));
            canvas.mark(Shape::Disc, at, radius, &line.colour);
        }
        x += plan.bar_pitch;
    }
}

fn labels_beside(
    canvas: &mut Canvas<'_>,
    plan: &Plan<'_>,
    scale: &Scale,
    (top, bottom): (f64, f64),
) {
    let two = plan.labels.iter().any(|label| label.words.contains('\n'));
    let gap = if two { 2.0 * PITCH + 3.0 } else { PITCH };
    let wishes: Vec<f64> =
        plan.labels.iter().map(|label| scale.at(label.wish)).collect();
    let ends = (top + 4.0, bottom - if two { PITCH } else { 0.0 });
    let places = axis::spread(&wishes, gap, ends);
    for (label, place) in plan.labels.iter().zip(places) {
        let mut y = place;
        for (i, words) in label.words.split('\n').enumerate() {
            let size = if i == 0 { LABEL } else { SMALL };
            let at = (plan.words_at, y);
            canvas.text(at, words, size, &label.colour, Anchor::Start);
            y += PITCH - 1.0;
        }
    }
}

/// On a phone: in the plot, on the end of each line. Lines only rise, so
/// nothing of a line's own lies above its end.
fn labels_on(
    canvas: &mut Canvas<'_>,
    plan: &Plan<'_>,
    scale: &Scale,
    (top, bottom): (f64, f64),
) {
    let wishes: Vec<f64> =
        plan.labels.iter().map(|label| scale.at(label.wish) - 9.0).collect();
    let places = axis::spread(&wishes, PITCH, (top - 4.0, bottom - 9.0));
    for (label, y) in plan.labels.iter().zip(places) {
        let words = label.words.replace('\n', ": ");
        let at = (plan.right - 4.0, y);
        canvas.text(at, &words, SMALL, &label.colour, Anchor::End);
    }
}

/// On a phone, many lines: below the panel, level by level from the top.
fn labels_below(canvas: &mut Canvas<'_>, plan: &Plan<'_>, top: f64) -> f64 {
    let mut y = top;
    for label in &plan.labels {
        let dash = [(plan.left, y), (plan.left + 14.0, y)];
        canvas.line(&dash, pen(&label.colour, 2.1));
        let words = label.words.replace('\n', ": ");
        let at = (plan.left + 21.0, y);
        canvas.text(at, &words, SMALL, &label.colour, Anchor::Start);
        y += PITCH;
    }
    y
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_before_the_span_begin_at_its_edge_and_not_at_nought() {
        let at = Instant::from_millis;
        let check = |at, germinated_total| Check { at, germinated_total };
        let container = Container {
            label: String::new(),
            treatment: String::new(),
            step: Step::Unstated,
            sown: at(10),
            checks: vec![check(at(20), 1), check(at(30), 2), check(at(50), 3)],
            outcome: Outcome { germinated: 3, seeds: 4, interval: None },
        };
        let points = |from| Line::of(&container, at(from)).unwrap().points;
        assert_eq!(points(40), [(at(40), 0.5), (at(50), 0.75)]);
        assert_eq!(points(60), [(at(60), 0.75)]);
        assert_eq!(points(10), points(0));
        assert_eq!(points(0)[0], (at(10), 0.0));
    }
}
