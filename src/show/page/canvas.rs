//! Draws lines, boxes and words as inline SVG. Plain functions, no library.
//!
//! Every picture is drawn twice, for a wide page and for a narrow one, because words in a drawing
//! that is only shrunk cannot be read on a phone. The style sheet shows one of the two.
//!
//! Does not: know what is drawn.

use std::fmt::Write as _;

use super::html::{Html, number};

/// Width of the drawing on a wide page and on paper.
const WIDE: f64 = 760.0;
/// Width of the drawing on a narrow page.
const NARROW: f64 = 340.0;

/// A drawing under construction.
#[derive(Debug, Clone)]
pub(crate) struct Canvas {
    html: Html,
    /// Width.
    pub(crate) width: f64,
    /// Height, grows with [`Canvas::down`].
    pub(crate) height: f64,
}

impl Canvas {
    /// An empty drawing of this width.
    pub(crate) fn new(width: f64) -> Self {
        Self {
            html: Html::new(),
            width,
            height: 0.0,
        }
    }

    /// Whether the page is narrow.
    pub(crate) fn is_narrow(&self) -> bool {
        self.width < 500.0
    }

    /// Makes room below; gives where it begins.
    pub(crate) fn down(&mut self, height: f64) -> f64 {
        let top = self.height;
        self.height += height;
        top
    }

    /// A straight line.
    pub(crate) fn line(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        let (x1, y1, x2, y2) = (px(from.0), px(from.1), px(to.0), px(to.1));
        self.html.put(
            "line",
            &[
                ("x1", &x1),
                ("y1", &y1),
                ("x2", &x2),
                ("y2", &y2),
                ("class", class),
            ],
            "",
        );
    }

    /// A box.
    pub(crate) fn rect(&mut self, at: (f64, f64), size: (f64, f64), class: &str) {
        let (x, y) = (px(at.0), px(at.1));
        let (width, height) = (px(size.0.max(0.5)), px(size.1.max(0.5)));
        self.html.put(
            "rect",
            &[
                ("x", &x),
                ("y", &y),
                ("width", &width),
                ("height", &height),
                ("class", class),
            ],
            "",
        );
    }

    /// Words. They stay within the drawing whatever fonts a machine has: what could leave it is moved inwards, what is wider
    /// than the whole drawing is drawn narrower.
    pub(crate) fn text(&mut self, at: (f64, f64), class: &str, text: &str) {
        let widest = widest(text, class);
        let room = self.width - 2.0 * EDGE;
        // How much of it is left of `at`, by the classes of the style sheet.
        let before = match class.split(' ').find_map(anchor) {
            Some(share) => share * widest.min(room),
            None => 0.0,
        };
        let left = (at.0 - before).min(self.width - EDGE - widest).max(EDGE);
        let (x, y, room_px) = (px(left + before), px(at.1), px(room));
        let mut attributes = vec![("x", x.as_str()), ("y", &y), ("class", class)];
        if widest > room {
            attributes.push(("textLength", &room_px));
            attributes.push(("lengthAdjust", "spacingAndGlyphs"));
        }
        self.html.put("text", &attributes, text);
    }

    /// A round mark.
    pub(crate) fn circle(&mut self, at: (f64, f64), radius: f64, class: &str) {
        let (x, y, r) = (px(at.0), px(at.1), px(radius));
        self.html.put(
            "circle",
            &[("cx", &x), ("cy", &y), ("r", &r), ("class", class)],
            "",
        );
    }

    /// A path from its commands.
    pub(crate) fn path(&mut self, commands: &str, class: &str) {
        if !commands.is_empty() {
            self.html
                .put("path", &[("d", commands), ("class", class)], "");
        }
    }

    /// A line through points.
    pub(crate) fn curve(&mut self, points: &[(f64, f64)], class: &str) {
        let mut commands = String::new();
        for (index, (x, y)) in points.iter().enumerate() {
            let command = if index == 0 { 'M' } else { 'L' };
            let _ = write!(commands, "{command}{} {}", px(*x), px(*y));
        }
        self.path(&commands, class);
    }

    /// A mark by its shape: triangles, cross, diamond, square, ring.
    pub(crate) fn mark(&mut self, shape: MarkShape, at: (f64, f64), size: f64) {
        let (x, y, s) = (at.0, at.1, size);
        let (class, points) = match shape {
            MarkShape::Up => ("fill", vec![(x, y - s), (x + s, y + s), (x - s, y + s)]),
            MarkShape::Down => ("fill", vec![(x, y + s), (x + s, y - s), (x - s, y - s)]),
            MarkShape::Diamond => (
                "hollow",
                vec![(x, y - s), (x + s, y), (x, y + s), (x - s, y)],
            ),
            MarkShape::Square => (
                "fill",
                vec![
                    (x - s, y - s),
                    (x + s, y - s),
                    (x + s, y + s),
                    (x - s, y + s),
                ],
            ),
            MarkShape::Ring => {
                self.circle(at, s, "hollow");
                return;
            }
            MarkShape::Cross => {
                self.line((x - s, y - s), (x + s, y + s), "curve");
                self.line((x - s, y + s), (x + s, y - s), "curve");
                return;
            }
        };
        let mut commands = String::new();
        for (index, (x, y)) in points.iter().enumerate() {
            let command = if index == 0 { 'M' } else { 'L' };
            let _ = write!(commands, "{command}{} {}", px(*x), px(*y));
        }
        commands.push('Z');
        self.path(&commands, class);
    }

    fn into_svg(self, class: &str, label: &str) -> Html {
        let view = format!("0 0 {} {}", px(self.width), px(self.height));
        let mut svg = Html::new();
        svg.around(
            "svg",
            &[
                ("viewBox", &view),
                ("class", class),
                ("role", "img"),
                ("aria-label", label),
            ],
            |inner| {
                inner.add(&self.html);
            },
        );
        svg
    }
}

/// Nothing comes nearer to the edge of a drawing.
const EDGE: f64 = 1.0;

/// The share of words that stands left of where they are put.
fn anchor(class: &str) -> Option<f64> {
    match class {
        "t-mid" => Some(0.5),
        "t-end" => Some(1.0),
        _ => None,
    }
}

/// How wide words are at most, by the widest of the fonts that the pages are tested with (em of each kind of letter:
/// derived from the tables of DejaVu Serif, rounded up).
fn widest(text: &str, class: &str) -> f64 {
    let em = |letter: char| match letter {
        ' ' | '.' | ',' | ':' | ';' | '·' | '\'' | 'i' | 'j' | 'l' => 0.34,
        '0'..='9' | 'a'..='h' | 'k' | 'n'..='v' | 'x'..='z' => 0.66,
        'm' | 'w' | 'M' | 'W' | '%' | '…' | '@' => 1.1,
        'A'..='Z' | '!'..='~' | '°' => 0.88,
        _ => 1.0,
    };
    // As the style sheet has it.
    let size = match class
        .split(' ')
        .find(|one| matches!(*one, "t-small" | "t-tiny"))
    {
        Some("t-small") => 10.5,
        Some(_) => 9.0,
        None => 12.0,
    };
    // Where only letters of one width are there, each takes whole pixels.
    let even = text.chars().count() as f64 * 0.67;
    text.chars().map(em).sum::<f64>().max(even) * size
}

/// Shapes of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MarkShape {
    Up,
    Down,
    Cross,
    Diamond,
    Square,
    Ring,
}

/// A drawing with what it says in words, for those who do not see it, and its caption.
pub(crate) fn figure(html: &mut Html, label: &str, caption: &str, draw: impl Fn(&mut Canvas)) {
    html.around("figure", &[], |figure| {
        for (width, class) in [(WIDE, "figure-wide"), (NARROW, "narrow")] {
            let mut canvas = Canvas::new(width);
            draw(&mut canvas);
            figure.add(&canvas.into_svg(class, label));
        }
        figure.put("figcaption", &[], caption);
    });
}

/// From a value to a place on the drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scale {
    /// Values at both ends.
    pub(crate) values: (f64, f64),
    /// Places of both ends.
    pub(crate) places: (f64, f64),
}

impl Scale {
    /// Where a value stands.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let (from, to) = self.values;
        let (start, end) = self.places;
        let width = to - from;
        if width.abs() < f64::EPSILON {
            return f64::midpoint(start, end);
        }
        start + (value - from) / width * (end - start)
    }

    /// Round values inside, about so many; with the decimals that they need.
    pub(crate) fn ticks(&self, about: f64) -> (Vec<f64>, usize) {
        let (from, to) = self.values;
        let step = round_step((to - from) / about);
        let decimals = [1.0, 0.1, 0.01, 0.001]
            .iter()
            .position(|unit| step + 1e-12 >= *unit)
            .unwrap_or(4);
        let mut ticks = Vec::new();
        let mut tick = (from / step - 1e-9).ceil() * step;
        while tick <= to + step * 1e-6 && ticks.len() < 50 {
            ticks.push(tick);
            tick += step;
        }
        (ticks, decimals)
    }
}

/// 1, 2 or 5 times a power of ten, not below `least`.
fn round_step(least: f64) -> f64 {
    if !least.is_finite() || least <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(least.log10().floor());
    let factors = [1.0, 2.0, 5.0, 10.0];
    let found = factors.iter().find(|factor| **factor * power >= least);
    found.copied().unwrap_or(10.0) * power
}

/// Lowest and highest, a little widened.
pub(crate) fn range(
    values: impl Iterator<Item = f64>,
    least: f64,
    margin: f64,
) -> Option<(f64, f64)> {
    let (low, high) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(v), high.max(v))
        });
    if low > high {
        return None;
    }
    let missing = (least - (high - low)).max(0.0) / 2.0;
    let more = (high - low) * margin + missing;
    Some((low - more, high + more))
}

/// A place with one decimal.
fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// Rough width of words of 12 px, to see whether they fit.
pub(crate) fn words_width(text: &str) -> f64 {
    text.chars().count() as f64 * 6.4
}

/// Where the axis of time begins: left of it stand the values of the vertical scales.
pub(crate) const LEFT: f64 = 44.0;

/// A vertical scale as lines across with their values on the left.
pub(crate) fn across(canvas: &mut Canvas, scale: &Scale, about: f64, unit: &str) {
    let (ticks, decimals) = scale.ticks(about);
    for (index, tick) in ticks.iter().enumerate() {
        let y = scale.at(*tick);
        let end = canvas.width;
        canvas.line((LEFT, y), (end, y), "grid");
        let unit = if index + 1 == ticks.len() { unit } else { "" };
        let text = format!("{} {unit}", number(*tick, decimals));
        canvas.text(
            (LEFT - 6.0, y + 4.0),
            "t-soft t-small t-end",
            text.trim_end(),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let scale = Scale {
            values: (0.0, 97.0),
            places: (100.0, 0.0),
        };
        // Kind: derived. 97 / 4 = 24.25, the next of 1, 2, 5 times ten is 50.
        assert_eq!(scale.ticks(4.0), (vec![0.0, 50.0], 0));
        // Kind: derived. Half of the way.
        assert!((scale.at(48.5) - 50.0).abs() < 1e-9);
    }

    #[test]
    fn empty_and_flat_ranges_do_no_harm() {
        assert_eq!(range(std::iter::empty(), 1.0, 0.1), None);
        assert_eq!(range([f64::NAN].into_iter(), 1.0, 0.1), None);
        assert_eq!(range([5.0, 5.0].into_iter(), 2.0, 0.1), Some((4.0, 6.0)));
        let flat = Scale {
            values: (1.0, 1.0),
            places: (0.0, 10.0),
        };
        assert!((flat.at(1.0) - 5.0).abs() < 1e-9);
        assert!(flat.ticks(4.0).0.len() <= 50);
    }
}
