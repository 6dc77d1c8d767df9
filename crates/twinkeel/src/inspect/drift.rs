//! `twinkeel inspect drift`: drift, steps and stability of a record of offsets.

use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};

use base::Span;
use measure::drift::{DriftReport, OffsetPoint, analyse};
use measure::stability::{Deviations, deviations, phase_of};
use serde_json::{Value, json};

use super::{InspectError, Outcome};

/// Find drift, steps and stability in a record of offsets
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect drift offsets.csv --json

Columns, by the names in the first line: t_s, offset_ms. With --phase (seconds) or --frequency (no unit) the file is \
one column of numbers without a header, --tau0 seconds apart, and only its stability is computed. The uncertainty of \
the drift is two standard deviations.")]
pub struct DriftArgs {
    /// The record: CSV with the columns t_s,offset_ms
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// The file is one column of phases in seconds: stability only
    #[arg(long, requires = "tau0", conflicts_with = "frequency")]
    pub phase: bool,
    /// The file is one column of frequencies: stability only
    #[arg(long, requires = "tau0")]
    pub frequency: bool,
    /// The spacing of phases or frequencies
    #[arg(long, value_name = "SECONDS")]
    pub tau0: Option<f64>,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Draw the offsets over time
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// Reads the file and prints what it holds.
///
/// # Errors
/// When the file cannot be read, a line of it is not a number, or the spacing is not above zero.
pub fn run(args: &DriftArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    if args.phase || args.frequency {
        return stability_only(args, out);
    }
    let mut points = read_offsets(&args.file)?;
    points.sort_by_key(|p| p.at);
    let report = analyse(&points);
    let stability = match even_spacing(&points) {
        Some(tau0) => {
            let phase: Vec<f64> = points.iter().map(|p| p.offset.secs_f64()).collect();
            table(&deviations(&phase, tau0), tau0)
        }
        None => Vec::new(),
    };
    summary(args.json, report.as_ref(), &stability, out)?;
    if let Some(path) = &args.plot {
        let series: Vec<(f64, f64)> = points.iter().map(|p| (p.at.secs_f64(), p.offset.millis_f64())).collect();
        std::fs::write(path, plot(&args.file.display().to_string(), "offset, ms", &series))
            .map_err(|e| InspectError(format!("{}: the plot cannot be written: {e}", path.display())))?;
    }
    Ok(if report.is_some() { Outcome::Found } else { Outcome::Nothing })
}

fn summary(
    json: bool,
    report: Option<&DriftReport>,
    stability: &[Value],
    out: &mut dyn Write,
) -> Result<(), InspectError> {
    let drift = report.and_then(|r| r.drift).map(|d| d.0);
    let uncertainty = report.and_then(|r| r.uncertainty).map(|u| u.0);
    if json {
        let steps = report.map_or(&[][..], |r| &r.steps);
        let steps: Vec<_> = steps.iter().map(|s| json!({"t": s.at.secs_f64(), "ms": s.size.millis_f64()})).collect();
        let segments = report.map_or(&[][..], |r| &r.segments);
        let segments: Vec<_> = segments
            .iter()
            .map(|s| json!({"from": s.from.secs_f64(), "to": s.to.secs_f64(), "drift_ppm": s.drift.0}))
            .collect();
        let object = json!({"summary": {
            "drift_ppm": drift, "drift_uncertainty_ppm": uncertainty,
            "start_skew_ms": report.map(|r| r.start_skew.millis_f64()),
            "steps": steps, "segments": segments,
            "worst_ms": report.map(|r| r.worst.abs().millis_f64()),
            "stability": stability,
        }});
        writeln!(out, "{object}")?;
        return Ok(());
    }
    let Some(report) = report else {
        writeln!(out, "the record is empty")?;
        return Ok(());
    };
    match (drift, uncertainty) {
        (Some(d), Some(u)) => writeln!(out, "drift       {d:+.3} ppm, uncertain by {u:.3}")?,
        _ => writeln!(out, "drift       unknown: too few samples")?,
    }
    writeln!(out, "start skew  {:+.3} ms", report.start_skew.millis_f64())?;
    writeln!(out, "worst       {:.3} ms", report.worst.abs().millis_f64())?;
    for s in &report.steps {
        writeln!(out, "step        {:+.3} ms at {:.3} s", s.size.millis_f64(), s.at.secs_f64())?;
    }
    for s in &report.segments {
        writeln!(out, "segment     {:.3} s to {:.3} s: {:+.3} ppm", s.from.secs_f64(), s.to.secs_f64(), s.drift.0)?;
    }
    print_table(stability, out)
}

fn stability_only(args: &DriftArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let seconds = args.tau0.unwrap_or(0.0);
    let tau0 = Span::from_secs_f64(seconds);
    if !seconds.is_finite() || tau0 <= Span::ZERO {
        return Err(InspectError(format!("--tau0 {seconds}: a spacing above zero is wanted, in seconds")));
    }
    let column = read_column(&args.file)?;
    let phase = if args.frequency { phase_of(&column, tau0) } else { column };
    let stability = table(&deviations(&phase, tau0), tau0);
    if args.json {
        writeln!(out, "{}", json!({"summary": {"stability": stability}}))?;
    } else {
        print_table(&stability, out)?;
    }
    Ok(if stability.is_empty() { Outcome::Nothing } else { Outcome::Found })
}

fn table(deviations: &[Deviations], tau0: Span) -> Vec<Value> {
    let row = |d: &Deviations| {
        let tau = tau0.secs_f64() * d.spacings as f64;
        json!({"tau_s": tau, "adev": d.adev, "oadev": d.oadev, "mdev": d.mdev, "tdev_s": d.tdev})
    };
    deviations.iter().map(row).collect()
}

fn print_table(stability: &[Value], out: &mut dyn Write) -> Result<(), InspectError> {
    if stability.is_empty() {
        return Ok(());
    }
    writeln!(out, "{:>12} {:>12} {:>12} {:>12} {:>12}", "tau s", "adev", "oadev", "mdev", "tdev s")?;
    for row in stability {
        let cell = |key: &str| row[key].as_f64().map_or("-".to_owned(), |x| format!("{x:.6e}"));
        let tau = row["tau_s"].as_f64().unwrap_or(0.0);
        writeln!(
            out,
            "{tau:>12.4} {:>12} {:>12} {:>12} {:>12}",
            cell("adev"),
            cell("oadev"),
            cell("mdev"),
            cell("tdev_s")
        )?;
    }
    Ok(())
}

/// The spacing, if all samples are within a hundredth of it.
fn even_spacing(points: &[OffsetPoint]) -> Option<Span> {
    let (first, last) = (points.first()?, points.last()?);
    let mean = (last.at - first.at).secs_f64() / (points.len().checked_sub(1).filter(|n| *n > 0)?) as f64;
    let even = points.windows(2).all(|w| ((w[1].at - w[0].at).secs_f64() - mean).abs() <= 0.01 * mean);
    (even && mean > 0.0).then(|| Span::from_secs_f64(mean))
}

fn open(path: &Path) -> Result<(String, std::fs::File), InspectError> {
    let name = path.display().to_string();
    match std::fs::File::open(path) {
        Ok(file) => Ok((name, file)),
        Err(e) => Err(InspectError(format!("{name}: cannot be opened: {e}"))),
    }
}

fn read_offsets(path: &Path) -> Result<Vec<OffsetPoint>, InspectError> {
    let (name, file) = open(path)?;
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(file);
    let header = reader.headers().map_err(|e| InspectError(format!("{name}: line 1: {e}")))?.clone();
    let column = |wanted: &str| {
        header.iter().position(|h| h.trim_start_matches('\u{feff}').eq_ignore_ascii_case(wanted)).ok_or_else(|| {
            InspectError(format!(
                "{name}: line 1: there is no column \"{wanted}\"; the first line must name t_s,offset_ms"
            ))
        })
    };
    let (t, y) = (column("t_s")?, column("offset_ms")?);
    let mut points = Vec::new();
    for record in reader.into_records() {
        let record = record.map_err(|e| InspectError(format!("{name}: {e}")))?;
        let line = record.position().map_or(0, csv::Position::line);
        // An offset that was not known then is left empty.
        if record.get(y).is_none_or(str::is_empty) && record.get(t).is_some_and(|t| !t.is_empty()) {
            continue;
        }
        let at = number(&name, line, "t_s", record.get(t).unwrap_or(""))?;
        let offset = number(&name, line, "offset_ms", record.get(y).unwrap_or(""))?;
        points.push(OffsetPoint { at: Span::from_secs_f64(at), offset: Span::from_secs_f64(offset / 1e3) });
    }
    Ok(points)
}

fn read_column(path: &Path) -> Result<Vec<f64>, InspectError> {
    let (name, file) = open(path)?;
    let text = std::io::read_to_string(file).map_err(|e| InspectError(format!("{name}: {e}")))?;
    let lines = text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty());
    lines.map(|(i, l)| number(&name, i as u64 + 1, "the value", l.trim())).collect()
}

fn number(name: &str, line: u64, what: &str, text: &str) -> Result<f64, InspectError> {
    match text.parse::<f64>() {
        Ok(x) if x.is_finite() && x.abs() < 1e15 => Ok(x),
        _ => Err(InspectError(format!("{name}: line {line}: {what} is \"{text}\"; a decimal number is wanted"))),
    }
}

/// A picture of one series over time in seconds.
pub(super) fn plot(title: &str, what: &str, series: &[(f64, f64)]) -> String {
    let (width, height, left, top, foot) = (960.0, 320.0, 80.0, 40.0, 40.0);
    let range = |pick: fn(&(f64, f64)) -> f64| {
        let (low, high) =
            series.iter().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(x), b.max(x)));
        if low.is_finite() { (low, high.max(low + 1e-9)) } else { (0.0, 1.0) }
    };
    let ((t0, t1), (y0, y1)) = (range(|p| p.0), range(|p| p.1));
    let x = |t: f64| left + (t - t0) / (t1 - t0) * (width - left - 20.0);
    let y = |v: f64| height - foot - (v - y0) / (y1 - y0) * (height - top - foot);
    let escaped = title.replace('&', "&amp;").replace('<', "&lt;");
    let mut s = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" \
         font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/><text x=\"{left}\" y=\"24\" \
         font-size=\"14\">{escaped}: {what}</text>\n"
    );
    // Writing to a String cannot fail.
    for i in 0..=4 {
        let part = f64::from(i) / 4.0;
        let (v, t) = (y0 + (y1 - y0) * part, t0 + (t1 - t0) * part);
        let _ = writeln!(
            s,
            "<path d=\"M{left} {:.1}H{}\" stroke=\"#ddd\"/><text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{v:.4}</text>\
             <text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{t:.1} s</text>",
            y(v),
            width - 20.0,
            left - 6.0,
            y(v) + 4.0,
            x(t),
            height - 20.0
        );
    }
    s.push_str("<path fill=\"none\" stroke=\"#204a87\" d=\"");
    // More points than columns say no more: each column keeps its lowest and its highest.
    for chunk in series.chunks(series.len().div_ceil(1_600).max(1)) {
        let by = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        if let (Some(low), Some(high)) = (chunk.iter().min_by(by), chunk.iter().max_by(by)) {
            for p in if low.0 <= high.0 { [low, high] } else { [high, low] } {
                let command = if s.ends_with('"') { 'M' } else { 'L' };
                let _ = write!(s, "{command}{:.1} {:.1}", x(p.0), y(p.1));
            }
        }
    }
    s.push_str("\"/></svg>\n");
    s
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn inspect(name: &str, text: &str, with: impl FnOnce(&mut DriftArgs)) -> Result<(Outcome, Value), InspectError> {
        let file = std::env::temp_dir().join(format!("twinkeel-drift-{}-{name}.csv", std::process::id()));
        std::fs::write(&file, text).unwrap();
        let mut args =
            DriftArgs { file: file.clone(), phase: false, frequency: false, tau0: None, json: true, plot: None };
        with(&mut args);
        let mut out = Vec::new();
        let result = run(&args, &mut out);
        std::fs::remove_file(file).unwrap();
        Ok((result?, serde_json::from_slice::<Value>(&out).unwrap()["summary"].clone()))
    }

    #[test]
    fn a_step_does_not_bend_the_drift() {
        let mut text = "t_s,offset_ms\n".to_owned();
        for i in 0..1_500 {
            let t = 0.2 * f64::from(i);
            // The noise is a plain congruential one, even over +-0.1 ms.
            let noise = f64::from((i * 7_919 + 13) % 1_000) / 5_000.0 - 0.1;
            let step = if t < 150.0 { 0.0 } else { 5.0 };
            text += &format!("{t:.3},{:.6}\n", 2.0 + 0.010 * t + step + noise);
        }
        let (outcome, summary) = inspect("step", &text, |_| ()).unwrap();
        assert_eq!(outcome, Outcome::Found);
        let drift = summary["drift_ppm"].as_f64().unwrap();
        let uncertainty = summary["drift_uncertainty_ppm"].as_f64().unwrap();
        assert!((drift - 10.0).abs() < uncertainty.max(0.1), "{summary}");
        assert_eq!(summary["steps"].as_array().unwrap().len(), 1);
        assert!((summary["steps"][0]["ms"].as_f64().unwrap() - 5.0).abs() < 0.05);
        assert!((summary["steps"][0]["t"].as_f64().unwrap() - 150.0).abs() < 0.3);
        assert_eq!(summary["segments"].as_array().unwrap().len(), 2);
        assert!((summary["start_skew_ms"].as_f64().unwrap() - 2.0).abs() < 0.05);
        assert_eq!(summary["stability"][3]["tau_s"].as_f64().map(|t| (t * 10.0).round()), Some(20.0));
    }

    #[test]
    fn frequencies_give_stability_alone() {
        // NBS Monograph 140, nine frequencies: Allan deviation 91.22945 (from memory).
        let text = "892\n809\n823\n798\n671\n644\n883\n903\n677\n";
        let (_, summary) = inspect("nbs", text, |a| (a.frequency, a.tau0) = (true, Some(1.0))).unwrap();
        assert!((summary["stability"][0]["adev"].as_f64().unwrap() - 91.22945).abs() < 1e-4, "{summary}");
        assert!(inspect("tau", text, |a| (a.phase, a.tau0) = (true, Some(0.0))).is_err());
    }

    #[test]
    fn wrong_and_empty_records_are_told_apart() {
        let wrong = inspect("cell", "t_s,offset_ms\n0,1\n1,x\n", |_| ()).unwrap_err().0;
        assert!(wrong.contains("line 3") && wrong.contains("offset_ms"), "{wrong}");
        assert!(inspect("head", "time,offset\n", |_| ()).unwrap_err().0.contains("t_s"));
        let (outcome, summary) = inspect("empty", "t_s,offset_ms\n", |_| ()).unwrap();
        assert_eq!(outcome, Outcome::Nothing);
        assert!(summary["drift_ppm"].is_null() && summary["steps"].as_array().unwrap().is_empty());
        let (outcome, summary) = inspect("one", "t_s,offset_ms\n0,1.5\n", |_| ()).unwrap();
        assert_eq!((outcome, summary["worst_ms"].as_f64()), (Outcome::Found, Some(1.5)));
    }
}
