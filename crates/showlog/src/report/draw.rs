//! A drawing as a list of shapes, each in an ink with a meaning. The page turns inks into CSS classes, so that one
//! drawing is dark on screen and light on paper; the PDF turns them into colours of its own.

use std::fmt::Write;

/// What a shape means.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Ink {
    /// The axis and its ticks.
    Axis,
    /// Faint lines behind.
    Grid,
    /// The warning limit.
    Warning,
    /// The limit past which a machine is no candidate.
    Danger,
    /// The uncertainty round a curve.
    Band,
    /// The first, second, ... curve.
    Curve,
    /// What a changeover would cost.
    Cost,
    /// On air.
    OnAir,
    /// Fit, degraded, unfit, unknown or out of service.
    Fit,
    /// See [`Ink::Fit`].
    Degraded,
    /// See [`Ink::Fit`].
    Unfit,
    /// See [`Ink::Fit`].
    Unknown,
    /// Something missing.
    Dropout,
    /// A step of the offset.
    Step,
    /// A changeover, a command.
    Act,
    /// Words.
    Label,
    /// Less important words.
    Faint,
}

impl Ink {
    /// Its CSS class.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Ink::Axis => "ax",
            Ink::Grid => "gr",
            Ink::Warning => "wa",
            Ink::Danger => "da",
            Ink::Band => "ba",
            Ink::Curve => "cu",
            Ink::Cost => "co",
            Ink::OnAir => "oa",
            Ink::Fit => "fi",
            Ink::Degraded => "de",
            Ink::Unfit => "un",
            Ink::Unknown => "uk",
            Ink::Dropout => "dr",
            Ink::Step => "st",
            Ink::Act => "ac",
            Ink::Label => "la",
            Ink::Faint => "fa",
        }
    }
}

/// Where a text stands against its point.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// One shape.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Shape {
    /// Stroked, through these points.
    Line(Ink, Vec<(f64, f64)>),
    /// Filled, within these points.
    Area(Ink, Vec<(f64, f64)>),
    /// Filled: left, top, width, height.
    Bar(Ink, f64, f64, f64, f64),
    /// Filled: centre and radius.
    Dot(Ink, f64, f64, f64),
    /// Words at a point (their baseline).
    Text(Ink, f64, f64, Anchor, String),
}

/// A drawing with the words that stand for it where it cannot be seen.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Drawing {
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) title: String,
    pub(super) description: String,
    pub(super) shapes: Vec<Shape>,
}

impl Drawing {
    pub(super) fn line(&mut self, ink: Ink, points: Vec<(f64, f64)>) {
        self.shapes.push(Shape::Line(ink, points));
    }
    pub(super) fn area(&mut self, ink: Ink, points: Vec<(f64, f64)>) {
        self.shapes.push(Shape::Area(ink, points));
    }
    pub(super) fn bar(&mut self, ink: Ink, x: f64, y: f64, width: f64, height: f64) {
        self.shapes.push(Shape::Bar(ink, x, y, width, height));
    }
    pub(super) fn dot(&mut self, ink: Ink, x: f64, y: f64, radius: f64) {
        self.shapes.push(Shape::Dot(ink, x, y, radius));
    }
    pub(super) fn text(&mut self, ink: Ink, x: f64, y: f64, anchor: Anchor, text: impl Into<String>) {
        self.shapes.push(Shape::Text(ink, x, y, anchor, text.into()));
    }

    /// As SVG, to stand in a page; `id` must be unique in it.
    pub(super) fn svg(&self, id: &str, out: &mut String) {
        let (w, h) = (self.width, self.height);
        let _ = write!(
            out,
            "<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
            escape(&self.title),
            escape(&self.description)
        );
        for shape in &self.shapes {
            put(shape, out);
        }
        out.push_str("</svg>");
    }
}

fn put(shape: &Shape, out: &mut String) {
    let _ = match shape {
        Shape::Line(ink, points) => {
            let _ = write!(out, "<polyline class=\"{}\" points=\"", ink.class());
            put_points(points, out);
            out.write_str("\"/>")
        }
        Shape::Area(ink, points) => {
            let _ = write!(out, "<polygon class=\"{}\" points=\"", ink.class());
            put_points(points, out);
            out.write_str("\"/>")
        }
        Shape::Bar(ink, x, y, w, h) => {
            write!(
                out,
                "<rect class=\"{}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{w:.1}\" height=\"{h:.1}\"/>",
                ink.class()
            )
        }
        Shape::Dot(ink, x, y, r) => {
            write!(out, "<circle class=\"{}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\"/>", ink.class())
        }
        Shape::Text(ink, x, y, anchor, text) => {
            let anchor = match anchor {
                Anchor::Start => "",
                Anchor::Middle => " text-anchor=\"middle\"",
                Anchor::End => " text-anchor=\"end\"",
            };
            write!(out, "<text class=\"{}\" x=\"{x:.1}\" y=\"{y:.1}\"{anchor}>{}</text>", ink.class(), escape(text))
        }
    };
}

fn put_points(points: &[(f64, f64)], out: &mut String) {
    for (i, (x, y)) in points.iter().enumerate() {
        let _ = write!(out, "{}{x:.1},{y:.1}", if i == 0 { "" } else { " " });
    }
}

/// For text and attributes of HTML and SVG. Control characters, which XML cannot hold, become the replacement character.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(' '),
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Round numbers for an axis from `low` to `high`, about `wanted` of them.
pub(super) fn ticks(low: f64, high: f64, wanted: usize, steps: &[f64]) -> Vec<f64> {
    let range = high - low;
    if !(range.is_finite() && range > 0.0) {
        return Vec::new();
    }
    let rough = range / wanted.max(1) as f64;
    let step = if let Some(step) = steps.iter().copied().find(|s| *s >= rough) {
        step
    } else {
        let decade = 10f64.powf(rough.log10().floor());
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * decade).find(|s| *s >= rough).unwrap_or(rough)
    };
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).take(200).map(|i| i as f64 * step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_from_outside_cannot_become_markup() {
        assert_eq!(escape("<b a=\"x\">&'\u{7}"), "&lt;b a=&quot;x&quot;&gt;&amp;&#39;\u{fffd}");
    }

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(ticks(-6.0, 6.0, 6, &[]), [-6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0]);
        assert_eq!(ticks(0.0, 200.0, 8, &[15.0, 30.0, 60.0]), [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0]);
        assert!(ticks(1.0, 1.0, 5, &[]).is_empty());
        assert!(ticks(f64::NAN, 1.0, 5, &[]).is_empty());
    }
}
