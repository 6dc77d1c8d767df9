//! A picture of two recordings against each other: the offset over time, steps and dropouts, and below it how sure each window is.

use std::fmt::Write;

use measure::pair::{PairReport, Side};

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 420.0;
const LEFT: f64 = 76.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 52.0;
/// Foot of the offset's field, and top and foot of the confidence's.
const MIDDLE: f64 = 280.0;
const LOWER: f64 = 316.0;
const FOOT: f64 = 380.0;
/// More points than this say no more at this width.
const COLUMNS: usize = 1_200;

/// The drawing.
pub fn svg(title: &str, report: &PairReport, rate: f64) -> String {
    let ms = |samples: f64| samples / rate * 1e3;
    let points: Vec<(f64, f64)> =
        report.windows.iter().filter_map(|w| w.offset.map(|o| (w.at.secs_f64(), ms(o.0)))).collect();
    let spread = |pick: fn(&(f64, f64)) -> f64| {
        points.iter().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
    };
    let (low, high) = if points.is_empty() { (-1.0, 1.0) } else { spread(|p| p.1) };
    // A course that does not move is drawn flat: no less than a tenth of a sample fills the field.
    let margin = (0.1 * (high - low)).max(ms(0.05)).max(1e-6 * high.abs());
    let (low, high) = (low - margin, high + margin);
    let half = match &report.windows[..] {
        [a, b, ..] => (b.at - a.at).secs_f64().abs() / 2.0,
        [a] => a.at.secs_f64().max(1e-3),
        [] => 0.5,
    };
    let edge = |w: Option<&measure::pair::PairWindow>, by: f64| w.map_or(0.0, |w| w.at.secs_f64() + by);
    let start = (edge(report.windows.first(), -half)).max(0.0);
    let end = edge(report.windows.last(), half).max(start + 1e-3);
    let x = |t: f64| LEFT + ((t - start) / (end - start)).clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT);
    let y = |v: f64| MIDDLE - (v - low) / (high - low) * (MIDDLE - TOP);

    let mut s = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        s,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
         font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"14\">{}</text>\
         <text x=\"{LEFT}\" y=\"38\" fill=\"#444\">{}</text>",
        escape(title),
        escape(&headline(report, rate))
    );
    // As many digits as tell one line from the next.
    let digits = ((-((high - low) / 4.0).log10()).ceil().clamp(0.0, 6.0)) as usize + 1;
    for i in 0..=4 {
        let part = f64::from(i) / 4.0;
        let (v, t) = (low + (high - low) * part, start + (end - start) * part);
        let (gx, gy, right) = (x(t), y(v), WIDTH - RIGHT);
        let anchor = if i == 4 { "end" } else { "middle" };
        let _ = writeln!(
            s,
            "<path d=\"M{LEFT} {gy:.1}H{right}\" stroke=\"#ddd\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{v:.digits$}</text>\
             <text x=\"{gx:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{t:.2} s</text>",
            LEFT - 6.0,
            gy + 4.0,
            FOOT + 20.0
        );
    }
    for (v, label) in [(0.0, "0"), (0.5, "0.5"), (1.0, "1")] {
        let gy = FOOT - v * (FOOT - LOWER);
        let (right, lx, ly) = (WIDTH - RIGHT, LEFT - 6.0, gy + 4.0);
        let _ = writeln!(
            s,
            "<path d=\"M{LEFT} {gy:.1}H{right}\" stroke=\"#ddd\"/><text x=\"{lx}\" y=\"{ly:.1}\" text-anchor=\"end\">{label}</text>"
        );
    }
    let names = [(TOP, MIDDLE, "offset, ms (above: A ahead)"), (LOWER, FOOT, "confidence")];
    for (top, foot, name) in names {
        let cy = (top + foot) / 2.0;
        let _ =
            writeln!(s, "<text transform=\"translate(14 {cy:.1}) rotate(-90)\" text-anchor=\"middle\">{name}</text>");
    }
    marks(&mut s, report, rate, &x);
    let step = report.windows.len().div_ceil(COLUMNS).max(1);
    for w in report.windows.iter().step_by(step) {
        let t = w.at.secs_f64();
        let (left, right, top) =
            (x(t - half), x(t + half * (2 * step - 1) as f64), FOOT - w.confidence * (FOOT - LOWER));
        let (width, height) = ((right - left - 0.5).max(0.5), (FOOT - top).max(1.0));
        let fill = if w.matches { "#246" } else { "#999" };
        let _ = writeln!(
            s,
            "<rect x=\"{left:.1}\" y=\"{:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" fill=\"{fill}\"/>",
            FOOT - height
        );
        if let Some(o) = w.offset {
            let (cx, cy) = (x(t), y(ms(o.0)));
            let _ = writeln!(
                s,
                "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"2.5\" fill=\"#246\"><title>{:+.3} samples at {t:.3} s</title></circle>",
                o.0
            );
        }
    }
    s.push_str("</svg>\n");
    s
}

/// Steps as lines, dropouts as bands, each with its word.
fn marks(s: &mut String, report: &PairReport, rate: f64, x: &dyn Fn(f64) -> f64) {
    for d in &report.dropouts {
        let (from, to) = (d.from.0 / rate, d.to.0 / rate);
        let (left, right) = (x(from), x(to).max(x(from) + 1.0));
        let name = if d.side == Side::A { "A" } else { "B" };
        let (width, height, label) = (right - left, FOOT - TOP, MIDDLE + 14.0);
        let _ = writeln!(
            s,
            "<rect x=\"{left:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{height}\" fill=\"#c60\" fill-opacity=\"0.3\">\
             <title>dropout of {name}: {from:.4} s to {to:.4} s</title></rect>\
             <text x=\"{left:.1}\" y=\"{label}\" font-size=\"10\">dropout of {name}</text>"
        );
    }
    for p in &report.steps {
        let at = x(p.at.secs_f64());
        let size = (p.to.0 - p.from.0) / rate * 1e3;
        let right = at > WIDTH - 160.0;
        let (tx, anchor) = if right { (at - 4.0, "end") } else { (at + 4.0, "start") };
        let _ = writeln!(
            s,
            "<path d=\"M{at:.1} {TOP}V{MIDDLE}\" stroke=\"#a00\" stroke-dasharray=\"4 3\"/>\
             <text x=\"{tx:.1}\" y=\"{:.1}\" font-size=\"10\" fill=\"#a00\" text-anchor=\"{anchor}\">step {size:+.3} ms</text>",
            TOP + 10.0
        );
    }
}

fn headline(report: &PairReport, rate: f64) -> String {
    let Some((offset, unsure)) = report.offset else { return "no match".to_owned() };
    let ms = |samples: f64| samples / rate * 1e3;
    let mut text = format!("offset {:+.4} ms ({:+.2} samples, uncertain by {:.2})", ms(offset.0), offset.0, unsure.0);
    if let Some((d, u)) = report.drift {
        let _ = write!(text, ", drift {:+.2} ppm (uncertain by {:.2})", d.0, u.0);
    }
    if let Some(g) = report.gain {
        let _ = write!(text, ", gain {:+.1} dB", g.0);
    }
    if report.polarity == Some(measure::pair::Polarity::Inverted) {
        text.push_str(", inverted");
    }
    if let Some(p) = report.period {
        let _ = write!(text, ", repeats every {:.2} ms", ms(p.0));
    }
    text
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
