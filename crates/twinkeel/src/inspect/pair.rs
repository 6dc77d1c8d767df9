//! `twinkeel inspect pair`: are two recordings the same material, and how do they lie?

use std::io::Write;
use std::path::{Path, PathBuf};

use base::{Hertz, Samples, Span};
use measure::pair::{NoMatch, PairConfig, PairReport, Polarity, Side, compare};
use serde_json::{Value, json};

use super::pair_plot;
use super::wav::WavFile;
use super::{InspectError, Outcome};

/// Sample frames read at a time.
const STRETCH: usize = 65_536;

/// Compare two recordings: offset, drift, steps, gain, dropouts
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect pair machine-a.wav machine-b.wav --plot offset.svg

Both are taken to have been started together. An offset above zero says that A is ahead, that is, B is late; a drift \
above zero, that A gains on B. At unequal sample rates samples are A's. Uncertainties are two standard deviations. \
Repeating material, as a bare click, matches at many offsets: the one nearest to zero is told, and the period at which \
others fit alike.

Exit code: 0 when they match, 1 when they do not.")]
pub struct PairArgs {
    /// The recording of machine A: any WAV file
    #[arg(value_name = "A.wav")]
    pub a: PathBuf,
    /// The recording of machine B
    #[arg(value_name = "B.wav")]
    pub b: PathBuf,
    /// Length of a window; by default 0.1 to 1 s, a sixteenth of what both share
    #[arg(long, value_name = "SECONDS")]
    pub window: Option<f64>,
    /// Which channel of A, from 1; by default the mean of all
    #[arg(long, value_name = "N")]
    pub channel_a: Option<u16>,
    /// Which channel of B, from 1; by default the mean of all
    #[arg(long, value_name = "N")]
    pub channel_b: Option<u16>,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Draw offset and confidence over time
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// Reads both files and prints how they lie.
///
/// # Errors
/// When a file cannot be read, a channel does not exist, the window is no length or the plot cannot be written.
pub fn run(args: &PairArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let window = match args.window {
        Some(s) if !(s.is_finite() && (0.001..=3_600.0).contains(&s)) => {
            return Err(InspectError(format!("--window {s}: a length of 0.001 to 3600 seconds is wanted")));
        }
        given => given.map(Span::from_secs_f64),
    };
    let (a, rate_a) = sound(&args.a, args.channel_a)?;
    let (b, rate_b) = sound(&args.b, args.channel_b)?;
    let report = compare(&a, Hertz(rate_a), &b, Hertz(rate_b), PairConfig { window });
    if args.json {
        lines(&report, rate_a, out)?;
    } else {
        table(&report, rate_a, out)?;
    }
    if let Some(path) = &args.plot {
        let title = format!("{} against {}", name(&args.b), name(&args.a));
        std::fs::write(path, pair_plot::svg(&title, &report, rate_a))
            .map_err(|e| InspectError(format!("{}: the plot cannot be written: {e}", path.display())))?;
    }
    Ok(if report.no_match.is_none() { Outcome::Found } else { Outcome::Nothing })
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// One channel, or the mean of all, and the sample rate.
fn sound(path: &Path, channel: Option<u16>) -> Result<(Vec<f32>, f64), InspectError> {
    let mut wav = WavFile::open(path)?;
    let rate = f64::from(wav.sample_rate());
    let (mut all, mut part) = (Vec::new(), Vec::new());
    match channel {
        Some(n) => {
            let channel = wav.channel(n)?;
            while wav.read_channel(channel, STRETCH, &mut part)? > 0 {
                all.extend_from_slice(&part);
            }
        }
        None => loop {
            let frames = wav.read(STRETCH, &mut part)?;
            if frames == 0 {
                break;
            }
            let channels = part.len() / frames;
            all.extend(part.chunks_exact(channels.max(1)).map(|f| f.iter().sum::<f32>() / channels as f32));
        },
    }
    if let Some(warning) = wav.warning() {
        eprintln!("{warning}");
    }
    Ok((all, rate))
}

fn lines(report: &PairReport, rate: f64, out: &mut dyn Write) -> Result<(), InspectError> {
    for w in &report.windows {
        let offset = w.offset.map(|o| o.0);
        let line = json!({
            "t": w.at.secs_f64(), "match": w.matches, "offset_samples": offset, "offset_ms": offset.map(|o| ms(o, rate)),
            "confidence": w.confidence,
        });
        writeln!(out, "{line}")?;
    }
    let offset = report.offset.map(|o| o.0.0);
    let step =
        |t: Span, from: Samples, to: Samples| json!({"t": t.secs_f64(), "from_samples": from.0, "to_samples": to.0});
    let steps: Vec<Value> = report.steps.iter().map(|s| step(s.at, s.from, s.to)).collect();
    let side = |s: Side| if s == Side::A { "a" } else { "b" };
    let dropouts: Vec<Value> = report
        .dropouts
        .iter()
        .map(|d| json!({"machine": side(d.side), "from_sample": d.from.0, "to_sample": d.to.0}))
        .collect();
    let summary = json!({
        "match": report.no_match.is_none(),
        "offset_samples": offset,
        "offset_ms": offset.map(|o| ms(o, rate)),
        "uncertainty_samples": report.offset.map(|o| o.1.0),
        "ambiguous_period_samples": report.period.map(|p| p.0),
        "drift_ppm": report.drift.map(|d| d.0.0),
        "drift_uncertainty_ppm": report.drift.map(|d| d.1.0),
        "gain_db": report.gain.map(|g| g.0),
        "polarity": report.polarity.map(polarity),
        "steps": steps,
        "dropouts": dropouts,
        "reason": report.no_match.map(reason),
    });
    writeln!(out, "{}", json!({"summary": summary}))?;
    Ok(())
}

fn table(report: &PairReport, rate: f64, out: &mut dyn Write) -> Result<(), InspectError> {
    if !report.windows.is_empty() {
        writeln!(out, "{:>10} {:>14} {:>12} {:>11}", "time s", "samples", "ms", "confidence")?;
    }
    for w in &report.windows {
        let t = w.at.secs_f64();
        let sure = w.confidence;
        match w.offset {
            Some(o) => writeln!(out, "{t:>10.3} {:>+14.3} {:>+12.4} {sure:>11.2}", o.0, ms(o.0, rate))?,
            None => writeln!(out, "{t:>10.3} {:>14} {:>12} {sure:>11.2}", "no match", "")?,
        }
    }
    if let Some(why) = report.no_match {
        writeln!(out, "No match: {}.", reason(why))?;
        return Ok(());
    }
    if let Some((o, u)) = report.offset {
        let which = match o.0 {
            o if o > 0.0 => "A is ahead",
            o if o < 0.0 => "B is ahead",
            _ => "together",
        };
        writeln!(out, "offset     {:+.3} samples, uncertain by {:.3} ({:+.4} ms): {which}", o.0, u.0, ms(o.0, rate))?;
    }
    if let Some(p) = report.period {
        let ms = ms(p.0, rate);
        writeln!(
            out,
            "ambiguous  the material repeats every {:.1} samples ({ms:.2} ms): offsets that much off fit alike",
            p.0
        )?;
    }
    match report.drift {
        Some((d, u)) => writeln!(out, "drift      {:+.3} ppm, uncertain by {:.3}", d.0, u.0)?,
        None => writeln!(out, "drift      unknown: too few windows")?,
    }
    if let (Some(g), Some(p)) = (report.gain, report.polarity) {
        writeln!(out, "gain       {:+.2} dB (B relative to A), polarity {}", g.0, polarity(p))?;
    }
    for s in &report.steps {
        let (t, size) = (s.at.secs_f64(), s.to.0 - s.from.0);
        let milli = ms(size, rate);
        writeln!(out, "step       at {t:.4} s from {:+.2} to {:+.2} samples: {milli:+.3} ms", s.from.0, s.to.0)?;
    }
    for d in &report.dropouts {
        let (machine, lasts) = (if d.side == Side::A { "A" } else { "B" }, ms(d.to.0 - d.from.0, rate));
        writeln!(out, "dropout    of {machine}: samples {:.0} to {:.0}, {lasts:.2} ms", d.from.0, d.to.0)?;
    }
    Ok(())
}

fn ms(samples: f64, rate: f64) -> f64 {
    samples / rate * 1e3
}

const fn polarity(p: Polarity) -> &'static str {
    match p {
        Polarity::Same => "same",
        Polarity::Inverted => "inverted",
    }
}

fn reason(why: NoMatch) -> String {
    match why {
        NoMatch::TooShort => "a recording has fewer than 16 samples".to_owned(),
        NoMatch::Silent(Side::A) => "A is silent".to_owned(),
        NoMatch::Silent(Side::B) => "B is silent".to_owned(),
        NoMatch::BothSilent => "both are silent".to_owned(),
        NoMatch::Unlike => "nothing of A is found in B: other material".to_owned(),
        NoMatch::TooLittle(part) => format!("only {:.0} % of what both share is the same", 100.0 * part),
    }
}
