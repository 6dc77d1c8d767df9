//! A picture of a recording's loudness over time, each channel's level under it, and where sound was missing.

use std::fmt::Write;

use base::Hertz;
use measure::dropout::Dropout;
use measure::loudness::Loudness;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 48.0;
const LOUDNESS: f64 = 240.0;
const LANE: f64 = 44.0;
const GAP: f64 = 36.0;
const BOTTOM: f64 = 36.0;
/// Columns drawn: more say no more at this width.
const COLUMNS: usize = 840;
/// The scale's ends, in LUFS and dBFS.
const FLOOR: f64 = -60.0;
const CEILING: f64 = 3.0;

/// When, momentary and short-term loudness.
type Instant = (f64, Option<f64>, Option<f64>);

/// Collects what will be drawn.
pub struct Plot {
    title: String,
    rate: f64,
    channels: usize,
    frames: u64,
    /// Per stretch: its end in seconds, momentary and short-term loudness.
    loudness: Vec<Instant>,
    /// Per stretch and channel: peak and mean square.
    levels: Vec<Vec<(f32, f32)>>,
    dropouts: Vec<(usize, f64, f64)>,
}

impl Plot {
    /// For a file of this name.
    pub fn new(title: &str, rate: Hertz, channels: usize) -> Plot {
        let (loudness, levels, dropouts) = (Vec::new(), vec![Vec::new(); channels], Vec::new());
        Plot { title: title.to_owned(), rate: rate.0, channels, frames: 0, loudness, levels, dropouts }
    }

    /// A stretch of sample frames, and the loudness after it.
    pub fn on_interleaved(&mut self, samples: &[f32], momentary: Option<f64>, short_term: Option<f64>) {
        for (c, lane) in self.levels.iter_mut().enumerate() {
            let of_channel = || samples.iter().skip(c).step_by(self.channels).filter(|s| s.is_finite());
            let peak = of_channel().fold(0f32, |p, s| p.max(s.abs()));
            let squares: f32 = of_channel().map(|s| s * s).sum();
            lane.push((peak, squares / of_channel().count().max(1) as f32));
        }
        self.frames += (samples.len() / self.channels) as u64;
        self.loudness.push((self.frames as f64 / self.rate, momentary, short_term));
    }

    /// Sound is missing from a channel (from 1).
    pub fn dropout(&mut self, channel: usize, d: &Dropout) {
        self.dropouts.push((channel, d.from as f64 / self.rate, d.to as f64 / self.rate));
    }

    /// The drawing.
    pub fn svg(&self, reading: &Loudness) -> String {
        let end = (self.frames as f64 / self.rate).max(1e-3);
        let x = |t: f64| LEFT + t / end * (WIDTH - LEFT - RIGHT);
        let lanes_top = TOP + LOUDNESS + GAP;
        let lanes_bottom = lanes_top + LANE * self.channels as f64;
        let height = lanes_bottom + BOTTOM;
        let mut s = String::new();
        // Writing to a String cannot fail.
        let _ = writeln!(
            s,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" \
             font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\
             <text x=\"{LEFT}\" y=\"22\" font-size=\"14\">{}</text>",
            escape(&self.title)
        );
        self.legend(&mut s, reading);
        for (from, to) in self.dropouts.iter().map(|d| (x(d.1), x(d.2))) {
            let w = (to - from).max(1.5);
            let _ = writeln!(
                s,
                "<rect x=\"{from:.1}\" y=\"{TOP}\" width=\"{w:.1}\" height=\"{LOUDNESS}\" fill=\"#c60\" fill-opacity=\"0.3\"/>"
            );
        }
        self.loudness_curves(&mut s, &x, reading);
        self.lanes(&mut s, &x, end, lanes_top);
        for i in 0..=4 {
            let t = end * f64::from(i) / 4.0;
            let anchor = ["start", "middle", "middle", "middle", "end"][i as usize];
            let (gx, y) = (x(t), lanes_bottom + 20.0);
            let _ = writeln!(s, "<text x=\"{gx:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>", seconds(t, end));
        }
        s.push_str("</svg>\n");
        s
    }

    fn legend(&self, s: &mut String, reading: &Loudness) {
        let value = |v: Option<f64>| v.map_or_else(|| "unknown".to_owned(), |v| format!("{v:.1}"));
        let missing = match self.dropouts.len() {
            0 => String::new(),
            1 => "  \u{25ae} 1 dropout".to_owned(),
            n => format!("  \u{25ae} {n} dropouts"),
        };
        let _ = writeln!(
            s,
            "<text x=\"{LEFT}\" y=\"40\" xml:space=\"preserve\"><tspan fill=\"#6a9bd1\">momentary</tspan>  \
             <tspan fill=\"#246\" font-weight=\"bold\">short-term</tspan>  \
             <tspan fill=\"#444\">- - integrated {} LUFS, range {} LU</tspan><tspan fill=\"#a40\">{missing}</tspan></text>",
            value(reading.integrated),
            value(reading.range)
        );
    }

    fn loudness_curves(&self, s: &mut String, x: &impl Fn(f64) -> f64, reading: &Loudness) {
        let y = |v: f64| TOP + (CEILING - v.clamp(FLOOR, CEILING)) / (CEILING - FLOOR) * LOUDNESS;
        let right = WIDTH - RIGHT;
        for v in [0, -10, -20, -30, -40, -50, -60] {
            let gy = y(f64::from(v));
            let _ = writeln!(
                s,
                "<path d=\"M{LEFT} {gy:.1}H{right}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{v}</text>",
                LEFT - 6.0,
                gy + 4.0
            );
        }
        let step = self.loudness.len().div_ceil(COLUMNS).max(1);
        let mut curve = |pick: fn(&Instant) -> Option<f64>, stroke: &str, width: f64| {
            let mut d = String::new();
            let mut down = false;
            for part in self.loudness.chunks(step) {
                let t = part[0].0;
                match part.iter().filter_map(pick).reduce(f64::max) {
                    Some(v) => {
                        let _ = write!(d, "{}{:.1} {:.1}", if down { 'L' } else { 'M' }, x(t), y(v));
                        down = true;
                    }
                    None => down = false,
                }
            }
            let _ = writeln!(
                s,
                "<path d=\"{d}\" fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"/>"
            );
        };
        curve(|l| l.1, "#6a9bd1", 1.0);
        curve(|l| l.2, "#246", 2.0);
        if let Some(i) = reading.integrated {
            let gy = y(i);
            let _ = writeln!(s, "<path d=\"M{LEFT} {gy:.1}H{right}\" stroke=\"#444\" stroke-dasharray=\"6 4\"/>");
        }
        let _ = writeln!(
            s,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" font-size=\"10\">LUFS</text>",
            LEFT - 6.0,
            TOP - 8.0
        );
    }

    /// Each channel from -60 dBFS to full scale: RMS dark, peaks light over it.
    fn lanes(&self, s: &mut String, x: &impl Fn(f64) -> f64, end: f64, top: f64) {
        let tall = LANE - 8.0;
        let high = |db: f64| (db.clamp(FLOOR, 0.0) - FLOOR) / -FLOOR * tall;
        for (c, lane) in self.levels.iter().enumerate() {
            let base = top + LANE * c as f64 + tall;
            let (w, number, middle) = (WIDTH - LEFT - RIGHT, c + 1, base - tall / 2.0 + 4.0);
            let _ = writeln!(
                s,
                "<rect x=\"{LEFT}\" y=\"{:.1}\" width=\"{w}\" height=\"{tall}\" fill=\"#f4f4f4\"/>\
                 <text x=\"{:.1}\" y=\"{middle:.1}\" text-anchor=\"end\">ch {number}</text>",
                base - tall,
                LEFT - 6.0
            );
            let step = lane.len().div_ceil(COLUMNS).max(1);
            let wide = (w / lane.len().max(1) as f64 * step as f64).max(0.5);
            let (mut peaks, mut means) = (String::new(), String::new());
            for (i, part) in lane.chunks(step).enumerate() {
                let t = (i * step) as f64 / lane.len().max(1) as f64 * end;
                let peak = part.iter().fold(0f32, |p, l| p.max(l.0));
                let mean = part.iter().map(|l| f64::from(l.1)).sum::<f64>() / part.len() as f64;
                let (hp, hm) = (high(20.0 * f64::from(peak).log10()), high(10.0 * mean.log10()));
                for (to, h) in [(&mut peaks, hp), (&mut means, hm)] {
                    if h > 0.0 {
                        let _ = write!(to, "M{:.2} {base:.1}v-{h:.1}h{wide:.2}v{h:.1}z", x(t));
                    }
                }
            }
            let _ = writeln!(s, "<path d=\"{peaks}\" fill=\"#b9d0ea\"/><path d=\"{means}\" fill=\"#4a7ab5\"/>");
            for (_, from, to) in self.dropouts.iter().filter(|d| d.0 == number) {
                let w = (x(*to) - x(*from)).max(1.5);
                let ms = (to - from) * 1e3;
                let _ = writeln!(
                    s,
                    "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{w:.1}\" height=\"{tall}\" fill=\"#c60\">\
                     <title>dropout at {from:.4} s, {ms:.2} ms</title></rect>",
                    x(*from),
                    base - tall
                );
            }
        }
        let _ = writeln!(
            s,
            "<text x=\"{LEFT}\" y=\"{:.1}\" font-size=\"10\" fill=\"#444\">each channel from -60 dBFS to full scale: RMS dark, \
             peak light</text>",
            top - 8.0
        );
    }
}

/// A time as short as its scale allows.
fn seconds(t: f64, end: f64) -> String {
    if end >= 300.0 {
        let whole = t.round() as u64;
        return format!("{}:{:02} min", whole / 60, whole % 60);
    }
    format!("{t:.2} s")
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
