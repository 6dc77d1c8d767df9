//! A4 pages: words, rules and drawings laid out from the top, and written by krilla. Pages are laid out as lists of marks
//! first, so that each footer knows how many there are. The fonts are DejaVu Sans (free under the Bitstream Vera
//! licence), embedded as far as used.

use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};
use krilla::{Document, geom};

use super::draw::{Anchor, Drawing, Ink, Shape};

const WIDTH: f64 = 595.0;
const HEIGHT: f64 = 842.0;
const MARGIN: f64 = 42.0;
const INNER: f64 = WIDTH - 2.0 * MARGIN;

pub(super) type Colour = (u8, u8, u8);
pub(super) const BLACK: Colour = (20, 24, 29);
pub(super) const FAINT: Colour = (83, 96, 109);
pub(super) const LINE: Colour = (195, 202, 210);
pub(super) const RED: Colour = (179, 34, 26);
pub(super) const YELLOW: Colour = (168, 121, 0);
pub(super) const GREEN: Colour = (29, 122, 67);
pub(super) const BLUE: Colour = (29, 95, 174);
pub(super) const GREY: Colour = (138, 148, 158);

/// One mark on a page.
enum Mark {
    Text { x: f64, y: f64, size: f64, bold: bool, colour: Colour, text: String },
    Rule { y: f64 },
    Drawing { x: f64, y: f64, scale: f64, drawing: Drawing },
}

/// A face with its widths.
struct Face {
    font: Font,
    widths: ttf_parser::Face<'static>,
}

impl Face {
    fn new(data: &'static [u8]) -> Option<Face> {
        Some(Face { font: Font::new(data.into(), 0)?, widths: ttf_parser::Face::parse(data, 0).ok()? })
    }
    fn width(&self, text: &str, size: f64) -> f64 {
        let units = f64::from(self.widths.units_per_em());
        let advance = |c| self.widths.glyph_index(c).and_then(|g| self.widths.glyph_hor_advance(g)).unwrap_or(1_000);
        text.chars().map(|c| f64::from(advance(c))).sum::<f64>() / units * size
    }
}

pub(super) struct Layout {
    regular: Face,
    bold: Face,
    pages: Vec<Vec<Mark>>,
    y: f64,
}

impl Layout {
    /// One empty page; `None` when the fonts cannot be read.
    pub(super) fn new() -> Option<Layout> {
        let (regular, bold) = (Face::new(dejavu::sans::regular())?, Face::new(dejavu::sans::bold())?);
        Some(Layout { regular, bold, pages: vec![Vec::new()], y: MARGIN })
    }
    fn page(&mut self) -> &mut Vec<Mark> {
        if self.pages.is_empty() {
            self.pages.push(Vec::new());
        }
        let last = self.pages.len() - 1;
        &mut self.pages[last]
    }
    pub(super) fn new_page(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
    }
    pub(super) fn space(&mut self, by: f64) {
        self.y += by;
    }
    /// Begins a new page unless this much room is left.
    pub(super) fn keep(&mut self, height: f64) {
        if self.y + height > HEIGHT - MARGIN - 14.0 {
            self.new_page();
        }
    }
    pub(super) fn rule(&mut self) {
        let y = self.y + 3.0;
        self.page().push(Mark::Rule { y });
        self.y += 8.0;
    }
    pub(super) fn heading(&mut self, text: &str) {
        self.space(10.0);
        self.keep(48.0);
        self.text(text, 12.5, true, BLACK, 0.0);
        self.space(2.0);
    }
    /// Words in lines.
    pub(super) fn text(&mut self, text: &str, size: f64, bold: bool, colour: Colour, indent: f64) {
        for line in self.wrap(text, size, bold, INNER - indent) {
            let height = size * 1.38;
            self.keep(height);
            let y = self.y + size;
            self.page().push(Mark::Text { x: MARGIN + indent, y, size, bold, colour, text: line });
            self.y += height;
        }
    }
    fn wrap(&self, text: &str, size: f64, bold: bool, width: f64) -> Vec<String> {
        let face = if bold { &self.bold } else { &self.regular };
        let mut lines = vec![String::new()];
        for word in text.split_whitespace() {
            for piece in pieces(face, word, size, width) {
                let Some(line) = lines.last_mut() else { continue };
                let joined = if line.is_empty() { piece.clone() } else { format!("{line} {piece}") };
                if face.width(&joined, size) <= width {
                    *line = joined;
                } else {
                    lines.push(piece);
                }
            }
        }
        lines
    }
    pub(super) fn row(&mut self, columns: &[f64], cells: &[&str], head: bool) {
        self.keep(14.0);
        let y = self.y + 9.0;
        for (i, (x, cell)) in columns.iter().zip(cells).enumerate() {
            let room = columns.get(i + 1).copied().unwrap_or(INNER) - x - 4.0;
            let mut text = (*cell).to_owned();
            while self.regular.width(&text, 8.5) > room && text.pop().is_some() {}
            if text.len() < cell.len() {
                text.pop();
                text.push('\u{2026}');
            }
            let colour = if head { FAINT } else { BLACK };
            self.page().push(Mark::Text { x: MARGIN + x, y, size: 8.5, bold: head, colour, text });
        }
        self.y += 13.0;
    }
    pub(super) fn drawing(&mut self, drawing: Drawing) {
        let scale = INNER / drawing.width;
        let height = drawing.height * scale;
        self.keep(height + 6.0);
        let y = self.y + 2.0;
        self.page().push(Mark::Drawing { x: MARGIN, y, scale, drawing });
        self.y += height + 8.0;
    }
}

/// A word that is wider than a line, cut.
fn pieces(face: &Face, word: &str, size: f64, width: f64) -> Vec<String> {
    let mut out = vec![String::new()];
    for c in word.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }) {
        let Some(last) = out.last_mut() else { continue };
        let mut longer = last.clone();
        longer.push(c);
        if !last.is_empty() && face.width(&longer, size) > width {
            out.push(c.to_string());
        } else {
            *last = longer;
        }
    }
    out
}

/// The document; `what` it is stands beside its title.
pub(super) fn write(l: &Layout, title: &str, what: &str) -> Result<Vec<u8>, String> {
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new().title(format!("{title}: {what}")).language("en".to_owned()).producer("Twinkeel".to_owned()),
    );
    let count = l.pages.len();
    for (i, marks) in l.pages.iter().enumerate() {
        let settings = PageSettings::from_wh(WIDTH as f32, HEIGHT as f32).ok_or("the page has no size")?;
        let mut page = document.start_page_with(settings);
        let mut s = page.surface();
        for mark in marks {
            put(mark, l, &mut s);
        }
        let footer = format!("{title} \u{b7} page {} of {count}", i + 1);
        words(&l.regular, &footer, (MARGIN, HEIGHT - 24.0), 7.5, FAINT, &mut s);
        s.finish();
        page.finish();
    }
    document.finish().map_err(|e| format!("{e:?}"))
}

fn put(mark: &Mark, l: &Layout, s: &mut Surface) {
    match mark {
        Mark::Text { x, y, size, bold, colour, text } => {
            words(if *bold { &l.bold } else { &l.regular }, text, (*x, *y), *size, *colour, s);
        }
        Mark::Rule { y } => line(&[(MARGIN, *y), (WIDTH - MARGIN, *y)], LINE, 0.8, None, s),
        Mark::Drawing { x, y, scale, drawing } => {
            let (x, y, k) = (*x as f32, *y as f32, *scale as f32);
            s.push_transform(&Transform::from_row(k, 0.0, 0.0, k, x, y));
            for shape in &drawing.shapes {
                shape_on(shape, l, s);
            }
            s.pop();
        }
    }
}

fn fill(colour: Colour, opacity: f32) -> Fill {
    let (r, g, b) = colour;
    Fill {
        paint: rgb::Color::new(r, g, b).into(),
        opacity: NormalizedF32::new(opacity).unwrap_or(NormalizedF32::ONE),
        rule: Default::default(),
    }
}

fn words(face: &Face, text: &str, (x, y): (f64, f64), size: f64, colour: Colour, s: &mut Surface) {
    s.set_stroke(None);
    s.set_fill(Some(fill(colour, 1.0)));
    s.draw_text(Point::from_xy(x as f32, y as f32), face.font.clone(), size as f32, text, false, TextDirection::Auto);
}

fn path(points: &[(f64, f64)], closed: bool) -> Option<geom::Path> {
    let mut p = PathBuilder::new();
    for (i, (x, y)) in points.iter().enumerate() {
        if i == 0 { p.move_to(*x as f32, *y as f32) } else { p.line_to(*x as f32, *y as f32) }
    }
    if closed {
        p.close();
    }
    p.finish()
}

fn line(points: &[(f64, f64)], colour: Colour, width: f32, dash: Option<Vec<f32>>, s: &mut Surface) {
    let (r, g, b) = colour;
    let Some(path) = path(points, false) else { return };
    s.set_fill(None);
    s.set_stroke(Some(Stroke {
        paint: rgb::Color::new(r, g, b).into(),
        width,
        dash: dash.map(|array| StrokeDash { array, offset: 0.0 }),
        ..Default::default()
    }));
    s.draw_path(&path);
}

fn area(points: &[(f64, f64)], colour: Colour, opacity: f32, s: &mut Surface) {
    let Some(path) = path(points, true) else { return };
    s.set_stroke(None);
    s.set_fill(Some(fill(colour, opacity)));
    s.draw_path(&path);
}

/// An ink on paper: colour, opacity where it fills, width and dashes where it strokes.
fn ink(i: Ink) -> (Colour, f32, f32, Option<Vec<f32>>) {
    match i {
        Ink::Axis => (FAINT, 1.0, 1.0, None),
        Ink::Grid => (LINE, 1.0, 0.7, None),
        Ink::Warning => (YELLOW, 1.0, 1.0, Some(vec![6.0, 4.0])),
        Ink::Danger => (RED, 1.0, 1.0, Some(vec![2.0, 3.0])),
        Ink::Band => (BLACK, 0.16, 1.0, None),
        Ink::Curve | Ink::OnAir | Ink::Label => (BLACK, 1.0, 1.4, None),
        Ink::Cost => (BLUE, 0.28, 1.0, None),
        Ink::Fit => (GREEN, 1.0, 1.0, None),
        Ink::Degraded => (YELLOW, 1.0, 1.0, None),
        Ink::Unfit | Ink::Dropout => (RED, 1.0, 1.0, None),
        Ink::Unknown => (GREY, 1.0, 1.0, None),
        Ink::Step => (YELLOW, 1.0, 1.4, Some(vec![1.0, 3.0])),
        Ink::Act => (BLUE, 1.0, 2.0, None),
        Ink::Faint => (FAINT, 1.0, 1.0, None),
    }
}

fn shape_on(shape: &Shape, l: &Layout, s: &mut Surface) {
    match shape {
        Shape::Line(i, points) => {
            let (colour, _, width, dash) = ink(*i);
            line(points, colour, width, dash, s);
        }
        Shape::Area(i, points) => {
            let (colour, opacity, ..) = ink(*i);
            area(points, colour, opacity, s);
        }
        Shape::Bar(i, x, y, w, h) => {
            let (colour, opacity, ..) = ink(*i);
            area(&[(*x, *y), (x + w, *y), (x + w, y + h), (*x, y + h)], colour, opacity, s);
        }
        Shape::Dot(_, x, y, r) => {
            let round = (0..24)
                .map(|k| f64::from(k) / 24.0 * std::f64::consts::TAU)
                .map(|a| (x + r * a.cos(), y + r * a.sin()));
            area(&round.collect::<Vec<_>>(), BLACK, 1.0, s);
        }
        Shape::Text(i, x, y, anchor, text) => {
            let face = if *i == Ink::Label { &l.bold } else { &l.regular };
            // Numbers upon dots are white.
            let colour = if *i == Ink::Axis { (255, 255, 255) } else { ink(*i).0 };
            let width = face.width(text, 11.5);
            let x = match anchor {
                Anchor::Start => *x,
                Anchor::Middle => x - width / 2.0,
                Anchor::End => x - width,
            };
            words(face, text, (x, *y), 11.5, colour, s);
        }
    }
}
