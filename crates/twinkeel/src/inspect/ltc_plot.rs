//! A picture of timecode over time: the speed of each frame, and where there was none.

use std::fmt::Write;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 320.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 40.0;
/// More points than this say no more at this width; each drawn one is then the lowest and highest of several.
const COLUMNS: usize = 1_600;

/// Collects what will be drawn.
pub struct Plot {
    title: String,
    sample_rate: f64,
    frames: Vec<(f64, f64)>,
    gaps: Vec<(f64, f64, &'static str)>,
    end: f64,
}

impl Plot {
    /// For a file of this name.
    pub fn new(title: &str, sample_rate: f64) -> Plot {
        Plot { title: title.to_owned(), sample_rate, frames: Vec::new(), gaps: Vec::new(), end: 0.0 }
    }
    /// A frame between these samples, and its speed.
    pub fn frame(&mut self, start: f64, end: f64, speed: f64) {
        self.frames.push((start / self.sample_rate, speed));
        self.end = end / self.sample_rate;
    }
    /// No frames between these samples.
    pub fn gap(&mut self, from: f64, to: f64, kind: &'static str) {
        self.gaps.push((from / self.sample_rate, to / self.sample_rate, kind));
    }

    /// The drawing.
    pub fn svg(&self) -> String {
        let speeds = || self.frames.iter().map(|f| f.1);
        let (low, high) = (speeds().fold(f64::INFINITY, f64::min), speeds().fold(f64::NEG_INFINITY, f64::max));
        let (low, high) = if self.frames.is_empty() { (0.0, 30.0) } else { (low, high) };
        let margin = (0.1 * (high - low)).max(0.001 * high);
        let (low, high) = (low - margin, high + margin);
        let end = self.end.max(1e-3);
        let x = |t: f64| LEFT + t / end * (WIDTH - LEFT - RIGHT);
        let y = |v: f64| HEIGHT - BOTTOM - (v - low) / (high - low) * (HEIGHT - TOP - BOTTOM);

        let mut s = String::new();
        // Writing to a String cannot fail.
        let _ = writeln!(
            s,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
             font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\
             <text x=\"{LEFT}\" y=\"24\" font-size=\"14\">{}: frames per second</text>",
            escape(&self.title)
        );
        for i in 0..=4 {
            let (v, t) = (low + (high - low) * f64::from(i) / 4.0, end * f64::from(i) / 4.0);
            let (gx, gy, right) = (x(t), y(v), WIDTH - RIGHT);
            let _ = writeln!(
                s,
                "<path d=\"M{LEFT} {gy:.1}H{right}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{v:.3}</text>\
                 <text x=\"{gx:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{t:.2} s</text>",
                LEFT - 6.0,
                gy + 4.0,
                HEIGHT - BOTTOM + 20.0
            );
        }
        for (from, to, kind) in &self.gaps {
            let (a, b) = (x(*from), x(*to).max(x(*from) + 1.0));
            let (w, h) = (b - a, HEIGHT - TOP - BOTTOM);
            let _ = writeln!(
                s,
                "<rect x=\"{a:.1}\" y=\"{TOP}\" width=\"{w:.1}\" height=\"{h}\" fill=\"#c60\" fill-opacity=\"0.25\">\
                 <title>{kind}: {from:.3} s to {to:.3} s</title></rect>\
                 <text x=\"{a:.1}\" y=\"{:.1}\" font-size=\"10\">{kind}</text>",
                TOP - 4.0
            );
        }
        let step = self.frames.len().div_ceil(COLUMNS).max(1);
        for part in self.frames.chunks(step) {
            let (a, b) = part.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), f| (a.min(f.1), b.max(f.1)));
            let (px, top, bottom) = (x(part[0].0), y(b) - 0.75, y(a) + 0.75);
            let _ = write!(s, "<path d=\"M{px:.1} {top:.1}V{bottom:.1}\" stroke=\"#246\" stroke-width=\"1.5\"/>");
        }
        s.push_str("</svg>\n");
        s
    }
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
