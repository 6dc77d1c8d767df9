//! `twinkeel inspect level`: how loud a recording is, and where sound is missing from it.

use std::io::Write;
use std::path::PathBuf;

use base::{Dbfs, Hertz};
use measure::dropout::{Dropout, DropoutDetector};
use measure::levels::ChannelMeter;
use measure::loudness::{Layout, Loudness, LoudnessMeter};
use serde_json::json;

use super::level_plot::Plot;
use super::wav::WavFile;
use super::{InspectError, Outcome};

/// Sample frames read at a time: a tenth of a second or less, so that the plot has a point for each.
const STRETCH: usize = 4_096;

/// Levels, loudness and dropouts of a WAV file
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect level show.wav --plot show.svg

Loudness is that of ITU-R BS.1770-4 with the windows of EBU Tech 3341 and the range of Tech 3342. A file's channel mask says \
which channels stand at the sides (counted 1.5 dB more) and which is left out; without one, 4, 5 and 6 channels are L R Ls Rs, \
L R C Ls Rs and L R C LFE Ls Rs, and 7 or more are tracks that all count alike. A file shorter than a window (0.4 s, 3 s) has \
no such loudness.

A dropout reaches from its first sample to the first that is programme again; where samples are missing between two others, both are \
the same.")]
pub struct LevelArgs {
    /// The recording: any WAV file, 8 to 192 kHz
    #[arg(value_name = "FILE.wav")]
    pub file: PathBuf,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Draw levels, loudness and dropouts over time
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// Reads the file and prints what it holds.
///
/// # Errors
/// When the file cannot be read or the plot cannot be written.
pub fn run(args: &LevelArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let mut wav = WavFile::open(&args.file)?;
    let rate = Hertz(f64::from(wav.sample_rate()));
    let channels = wav.channels();
    let mut loudness = LoudnessMeter::new(&Layout::of(channels, wav.channel_mask()), rate)
        .map_err(|e| InspectError(format!("{}: {e}", args.file.display())))?;
    let mut ears: Vec<Ear> = (0..channels).map(|_| Ear::new(rate)).collect();
    let mut plot = args.plot.as_ref().map(|_| Plot::new(&args.file.display().to_string(), rate, channels));

    let mut samples = Vec::new();
    while wav.read(STRETCH, &mut samples)? > 0 {
        loudness.on_interleaved(&samples);
        for (c, ear) in ears.iter_mut().enumerate() {
            ear.hear(&samples, c, channels);
        }
        if let Some(p) = &mut plot {
            p.on_interleaved(&samples, loudness.momentary(), loudness.short_term());
        }
    }
    if let Some(warning) = wav.warning() {
        eprintln!("{warning}");
    }

    let sounds = ears.iter().any(|e| e.meter.last_nonzero().is_some() || e.meter.not_numbers() > 0);
    let dropouts: Vec<_> = ears
        .iter_mut()
        .enumerate()
        .flat_map(|(c, e)| merged(&mut e.dropouts).into_iter().map(move |d| (c + 1, d)))
        .collect();
    let report = Report { json: args.json, rate };
    if sounds {
        report.heading(out)?;
        for (c, ear) in ears.iter_mut().enumerate() {
            report.channel(c + 1, ear, loudness.true_peak(c), out)?;
        }
    }
    let reading = loudness.read();
    report.summary(&reading, &dropouts, sounds, out)?;
    if let (Some(mut plot), Some(path)) = (plot, &args.plot) {
        dropouts.iter().for_each(|(channel, d)| plot.dropout(*channel, d));
        let wrong = |e| InspectError(format!("{}: the plot cannot be written: {e}", path.display()));
        std::fs::write(path, plot.svg(&reading)).map_err(wrong)?;
    }
    Ok(if sounds { Outcome::Found } else { Outcome::Nothing })
}

/// One channel's instruments.
struct Ear {
    meter: ChannelMeter,
    detector: DropoutDetector,
    dropouts: Vec<Dropout>,
}

impl Ear {
    fn new(rate: Hertz) -> Ear {
        Ear { meter: ChannelMeter::new(), detector: DropoutDetector::new(rate), dropouts: Vec::new() }
    }
    fn hear(&mut self, samples: &[f32], channel: usize, channels: usize) {
        self.meter.on_interleaved(samples, channel, channels);
        let dropouts = &mut self.dropouts;
        self.detector.on_interleaved(samples, channel, channels, &mut |d| dropouts.push(d));
    }
}

/// In order, and what lies within another, or begins it, told once.
fn merged(dropouts: &mut Vec<Dropout>) -> Vec<Dropout> {
    dropouts.sort_by_key(|d| (d.from, std::cmp::Reverse(d.to)));
    let mut out: Vec<Dropout> = Vec::new();
    for d in dropouts.drain(..) {
        match out.last_mut() {
            Some(last) if d.from <= last.to => last.to = last.to.max(d.to),
            _ => out.push(d),
        }
    }
    out
}

struct Report {
    json: bool,
    rate: Hertz,
}

impl Report {
    fn heading(&self, out: &mut dyn Write) -> std::io::Result<()> {
        if self.json {
            return Ok(());
        }
        writeln!(out, "channel  peak dBFS  true peak dBTP  RMS dBFS         DC  full scale")
    }

    fn channel(&self, number: usize, ear: &mut Ear, true_peak: Dbfs, out: &mut dyn Write) -> std::io::Result<()> {
        let r = ear.meter.read();
        if self.json {
            let line = json!({
                "channel": number, "peak_dbfs": level(r.peak), "true_peak_dbtp": level(true_peak), "rms_dbfs": level(r.rms),
                "dc": r.dc, "full_scale_samples": r.clipped, "not_numbers": r.not_numbers,
            });
            return writeln!(out, "{line}");
        }
        let (peak, tp, rms) = (text(level(r.peak), 2), text(level(true_peak), 2), text(level(r.rms), 2));
        writeln!(out, "{number:>7}  {peak:>9}  {tp:>14}  {rms:>8}  {:>9.6}  {:>10}", r.dc, r.clipped)?;
        if r.not_numbers > 0 {
            writeln!(out, "         {} samples are infinite or not numbers", r.not_numbers)?;
        }
        Ok(())
    }

    fn summary(
        &self,
        l: &Loudness,
        dropouts: &[(usize, Dropout)],
        sounds: bool,
        out: &mut dyn Write,
    ) -> std::io::Result<()> {
        if self.json {
            let dropouts: Vec<_> =
                dropouts.iter().map(|(c, d)| json!({"channel": c, "from_sample": d.from, "to_sample": d.to})).collect();
            let line = json!({"summary": {
                "integrated_lufs": l.integrated, "loudness_range_lu": l.range, "momentary_max_lufs": l.momentary_max,
                "short_term_max_lufs": l.short_term_max, "dropouts": dropouts,
            }});
            return writeln!(out, "{line}");
        }
        if !sounds {
            return writeln!(out, "Silence.");
        }
        writeln!(out, "integrated {} LUFS, range {} LU", text(l.integrated, 1), text(l.range, 1))?;
        let (m, s) = (text(l.momentary_max, 1), text(l.short_term_max, 1));
        writeln!(out, "greatest momentary {m} LUFS, short-term {s} LUFS")?;
        for (c, d) in dropouts {
            let (at, ms) = (d.from as f64 / self.rate.0, (d.to - d.from) as f64 / self.rate.0 * 1e3);
            writeln!(out, "dropout: channel {c}, at {at:.4} s, {ms:.2} ms (samples {} to {})", d.from, d.to)?;
        }
        match dropouts.len() {
            0 => writeln!(out, "No dropouts."),
            1 => writeln!(out, "1 dropout."),
            n => writeln!(out, "{n} dropouts."),
        }
    }
}

/// A level for JSON: minus infinity is unknown.
fn level(v: Dbfs) -> Option<f64> {
    v.0.is_finite().then_some(v.0)
}

fn text(v: Option<f64>, decimals: usize) -> String {
    v.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}
