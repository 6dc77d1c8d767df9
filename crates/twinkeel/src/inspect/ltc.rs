//! `twinkeel inspect ltc`: every whole frame of timecode in a recording, to a fraction of a sample.

use std::io::Write;
use std::path::PathBuf;

use base::{Direction, FrameRate, Hertz};
use serde_json::json;
use timecode::ltc::{GapKind, LtcDecoder, LtcEvent, LtcFrame};

use super::ltc_plot::Plot;
use super::wav::WavFile;
use super::{InspectError, Outcome};

/// Samples read at a time.
const STRETCH: usize = 16_384;

/// Read linear timecode (LTC) from a WAV file
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect ltc soundcheck.wav --channel 3 --plot speed.svg

The nominal rate is found from the labels (where the seconds turn) and the measured speed; drop-frame code names \
itself. Between 24 and 23.976, or 30 and 29.97, the larger part of the frames decides, each counted if its speed lies \
within 0.05 % of one of them; code played at other speeds throughout is called by the whole rate.")]
pub struct LtcArgs {
    /// The recording: any WAV file, 8 to 192 kHz
    #[arg(value_name = "FILE.wav")]
    pub file: PathBuf,
    /// Which channel carries the code, from 1
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub channel: u16,
    /// The nominal rate in frames per second
    #[arg(long, value_name = "RATE", default_value = "auto", value_parser = ["auto", "23.976", "24", "25", "29.97", "30"])]
    pub rate: String,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Draw speed and gaps over time
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// Reads the file and prints what it holds.
///
/// # Errors
/// When the file cannot be read, the channel does not exist or the plot cannot be written.
pub fn run(args: &LtcArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let mut wav = WavFile::open(&args.file)?;
    let channel = wav.channel(args.channel)?;
    let given = FrameRate::ALL.into_iter().find(|r| r.name() == args.rate);
    let sample_rate = f64::from(wav.sample_rate());
    let mut decoder = LtcDecoder::new(Hertz(sample_rate), given);
    let mut report = Report::new(args, sample_rate);
    if !args.json {
        writeln!(out, "timecode        start sample      end sample  direction  frames/s  user bits")?;
    }

    let (mut samples, mut events) = (Vec::new(), Vec::new());
    while wav.read_channel(channel, STRETCH, &mut samples)? > 0 {
        decoder.on_samples(&samples, &mut |e| events.push(e));
        report.on_events(&mut events, out)?;
    }
    decoder.finish(&mut |e| events.push(e));
    report.on_events(&mut events, out)?;

    if let Some(warning) = wav.warning() {
        eprintln!("{warning}");
    }
    report.summary(decoder.rate(), out)?;
    if let (Some(plot), Some(path)) = (&report.plot, &args.plot) {
        let wrong = |e| InspectError(format!("{}: the plot cannot be written: {e}", path.display()));
        std::fs::write(path, plot.svg()).map_err(wrong)?;
    }
    Ok(if report.frames > 0 { Outcome::Found } else { Outcome::Nothing })
}

/// What has been found so far.
struct Report {
    json: bool,
    sample_rate: f64,
    frames: u64,
    rejected: u64,
    drop_frame: Option<bool>,
    gaps: Vec<serde_json::Value>,
    plot: Option<Plot>,
}

impl Report {
    fn new(args: &LtcArgs, sample_rate: f64) -> Report {
        Report {
            json: args.json,
            sample_rate,
            frames: 0,
            rejected: 0,
            drop_frame: None,
            gaps: Vec::new(),
            plot: args.plot.as_ref().map(|_| Plot::new(&args.file.display().to_string(), sample_rate)),
        }
    }

    fn on_events(&mut self, events: &mut Vec<LtcEvent>, out: &mut dyn Write) -> Result<(), InspectError> {
        for event in events.drain(..) {
            match event {
                LtcEvent::Frame(f) => {
                    self.frames += 1;
                    self.drop_frame = Some(f.drop_frame);
                    if let Some(p) = &mut self.plot {
                        p.frame(f.start_sample, f.end_sample, f.frames_per_second);
                    }
                    self.frame(&f, out)?;
                }
                LtcEvent::Gap { from_sample, to_sample, kind } => {
                    let kind = gap_name(kind);
                    self.gaps.push(json!({"from_sample": from_sample, "to_sample": to_sample, "kind": kind}));
                    if let Some(p) = &mut self.plot {
                        p.gap(from_sample, to_sample, kind);
                    }
                    if !self.json {
                        let lasts = (to_sample - from_sample) / self.sample_rate * 1e3;
                        writeln!(out, "-- {kind} of {lasts:.1} ms")?;
                    }
                }
                LtcEvent::Rejected { .. } => self.rejected += 1,
            }
        }
        Ok(())
    }

    fn frame(&self, f: &LtcFrame, out: &mut dyn Write) -> Result<(), InspectError> {
        let label = label(f);
        let direction = if f.direction == Direction::Reverse { "reverse" } else { "forward" };
        let user: String = f.user_bits.iter().map(|b| format!("{b:02x}")).collect();
        let (start, end, speed) = (f.start_sample, f.end_sample, f.frames_per_second);
        if self.json {
            let line = json!({
                "timecode": label, "start_sample": start, "end_sample": end, "direction": direction,
                "frames_per_second": speed, "user_bits": user,
            });
            writeln!(out, "{line}")?;
        } else {
            writeln!(out, "{label}  {start:>15.2} {end:>15.2}  {direction:<9} {speed:>9.4}  {user:>9}")?;
        }
        Ok(())
    }

    fn summary(&self, rate: Option<FrameRate>, out: &mut dyn Write) -> Result<(), InspectError> {
        // Whether labels are dropped stands in its own field.
        let rate = rate.map(|r| r.name().trim_end_matches("df"));
        if self.json {
            let line = json!({"summary": {
                "frames": self.frames, "rejected": self.rejected, "rate": rate, "drop_frame": self.drop_frame,
                "gaps": self.gaps,
            }});
            writeln!(out, "{line}")?;
        } else {
            match rate {
                None => writeln!(out, "No timecode.")?,
                Some(rate) => {
                    let drop = if self.drop_frame == Some(true) { " drop-frame" } else { "" };
                    let (frames, rejected, gaps) = (self.frames, self.rejected, self.gaps.len());
                    writeln!(out, "{frames} frames at {rate}{drop}, {gaps} gaps, {rejected} words not believed.")?;
                }
            }
        }
        Ok(())
    }
}

/// A semicolon stands where the drop-frame flag is set, whatever the rate was taken to be.
fn label(f: &LtcFrame) -> String {
    let t = f.timecode;
    let mark = if f.drop_frame { ';' } else { ':' };
    format!("{:02}:{:02}:{:02}{mark}{:02}", t.hours(), t.minutes(), t.seconds(), t.frame())
}

const fn gap_name(kind: GapKind) -> &'static str {
    match kind {
        GapKind::Silence => "silence",
        GapKind::Damage => "damage",
        GapKind::Jump => "jump",
    }
}
