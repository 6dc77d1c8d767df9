//! `twinkeel inspect clock`: another machine's clock against ours, from a record of exchanges.

use std::io::Write;
use std::path::{Path, PathBuf};

use base::{ClockState, MonoTime, RemoteTime, Span};
use measure::{ClockConfig, ClockEstimate, ClockEstimator, Exchange, ExchangeRefusal, ExchangeVerdict};
use serde_json::json;

use super::{InspectError, Outcome};

/// Follow another machine's clock through a record of exchanges
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect clock exchanges.csv --json

Columns, by the names in the first line: seq, t1, t2, t3, t4 in seconds. t1 and t4 are read on our clock (sent, \
answered), t2 and t3 on the other's (received, replied). An empty t4 is a lost reply; other columns are ignored.")]
pub struct ClockArgs {
    /// The record: CSV with the columns seq,t1,t2,t3,t4
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Draw the offset and its bound over time
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

/// All instants are moved by this, so that a clock that reads less than zero has room below.
const ROOM: i128 = 1 << 62;

/// Reads the file and prints what it holds.
///
/// # Errors
/// When the file cannot be read or a line of it is not an exchange.
pub fn run(args: &ClockArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let mut rows = Rows::open(&args.file)?;
    let mut estimator = ClockEstimator::new(ClockConfig::default());
    let mut report = Report::default();
    if !args.json {
        writeln!(out, "{:>8} {:>14} {:>18} {:>10} {:>12}  state", "seq", "t s", "offset s", "skew ppm", "bound us")?;
    }
    while let Some(row) = rows.next()? {
        let Some((exchange, t4)) = row else {
            report.lost += 1;
            continue;
        };
        let verdict = estimator.on_exchange(exchange);
        report.on_verdict(verdict, &estimator);
        if matches!(verdict, ExchangeVerdict::Refused(_)) {
            continue;
        }
        let estimate = estimator.estimate(exchange.t4);
        report.points.push((t4, estimate));
        line(args.json, exchange.seq, t4, &estimate, out)?;
    }
    report.summary(args.json, out)?;
    if let Some(path) = &args.plot {
        std::fs::write(path, super::drift::plot(&args.file.display().to_string(), "offset, s", &report.series()))
            .map_err(|e| InspectError(format!("{}: the plot cannot be written: {e}", path.display())))?;
    }
    Ok(if report.points.is_empty() { Outcome::Nothing } else { Outcome::Found })
}

fn line(json: bool, seq: u64, t: f64, e: &ClockEstimate, out: &mut dyn Write) -> Result<(), InspectError> {
    let state = match e.state {
        ClockState::Acquiring => "acquiring",
        ClockState::Tracking | ClockState::Holdover => "tracking",
        ClockState::Stepped => "stepped",
    };
    let (offset, bound) = (e.offset.secs_f64(), e.bound.secs_f64());
    if json {
        let object =
            json!({"seq": seq, "t": t, "offset_s": offset, "skew_ppm": e.skew.0, "bound_s": bound, "state": state});
        writeln!(out, "{object}")?;
    } else {
        writeln!(out, "{seq:>8} {t:>14.6} {offset:>18.9} {:>10.3} {:>12.1}  {state}", e.skew.0, bound * 1e6)?;
    }
    Ok(())
}

#[derive(Default)]
struct Report {
    points: Vec<(f64, ClockEstimate)>,
    lost: u64,
    refused: u64,
    duplicates: u64,
    late: u64,
    impossible: u64,
    contradicting: u64,
    steps: Vec<(f64, f64, MonoTime)>,
}

impl Report {
    fn on_verdict(&mut self, verdict: ExchangeVerdict, estimator: &ClockEstimator) {
        match verdict {
            ExchangeVerdict::Accepted => {}
            ExchangeVerdict::Step(step) => {
                self.steps.push((seconds(step.at), step.size.secs_f64(), step.at));
            }
            ExchangeVerdict::Refused(why) => {
                self.refused += 1;
                match why {
                    ExchangeRefusal::Duplicate | ExchangeRefusal::Stale => self.duplicates += 1,
                    ExchangeRefusal::Late => self.late += 1,
                    ExchangeRefusal::Impossible => self.impossible += 1,
                    ExchangeRefusal::Contradicts => self.contradicting += 1,
                }
            }
        }
        // The first exchanges after a step make its size better known.
        if let (Some(last), Some(step)) = (self.steps.last_mut(), estimator.last_step())
            && step.at == last.2
        {
            last.1 = step.size.secs_f64();
        }
    }

    fn series(&self) -> Vec<(f64, f64)> {
        self.points.iter().map(|(t, e)| (*t, e.offset.secs_f64())).collect()
    }

    fn summary(&self, json: bool, out: &mut dyn Write) -> Result<(), InspectError> {
        if json {
            let steps: Vec<_> = self.steps.iter().map(|s| json!({"t": s.0, "seconds": s.1})).collect();
            let object = json!({"summary": {
                "accepted": self.points.len(), "refused": self.refused, "lost": self.lost, "steps": steps,
                "refused_why": {"duplicate": self.duplicates, "late": self.late, "impossible": self.impossible,
                    "contradicting": self.contradicting},
            }});
            writeln!(out, "{object}")?;
            return Ok(());
        }
        writeln!(
            out,
            "{} accepted, {} refused ({} duplicates, {} late, {} impossible, {} contradicting), {} lost",
            self.points.len(),
            self.refused,
            self.duplicates,
            self.late,
            self.impossible,
            self.contradicting,
            self.lost
        )?;
        for (t, size, _) in &self.steps {
            writeln!(out, "step of {size:+.6} s at {t:.3} s")?;
        }
        Ok(())
    }
}

/// Seconds as the file has them.
fn seconds(at: MonoTime) -> f64 {
    (i128::from(at.nanos()) - ROOM) as f64 / 1e9
}

/// One row: an exchange with its t4 as written, or a lost one.
type Row = Option<(Exchange, f64)>;

struct Rows {
    name: String,
    records: csv::StringRecordsIntoIter<std::fs::File>,
    columns: [usize; 5],
}

const NAMES: [&str; 5] = ["seq", "t1", "t2", "t3", "t4"];

impl Rows {
    fn open(path: &Path) -> Result<Rows, InspectError> {
        let name = path.display().to_string();
        let file = std::fs::File::open(path).map_err(|e| InspectError(format!("{name}: cannot be opened: {e}")))?;
        let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(file);
        let header = reader.headers().map_err(|e| InspectError(format!("{name}: line 1: {e}")))?.clone();
        let mut columns = [0; 5];
        for (column, wanted) in columns.iter_mut().zip(NAMES) {
            *column = header
                .iter()
                .position(|h| h.trim_start_matches('\u{feff}').eq_ignore_ascii_case(wanted))
                .ok_or_else(|| {
                    InspectError(format!(
                        "{name}: line 1: there is no column \"{wanted}\"; the first line must name seq,t1,t2,t3,t4"
                    ))
                })?;
        }
        Ok(Rows { name, records: reader.into_records(), columns })
    }

    fn next(&mut self) -> Result<Option<Row>, InspectError> {
        let Some(record) = self.records.next() else { return Ok(None) };
        let record = record.map_err(|e| InspectError(format!("{}: {e}", self.name)))?;
        let line = record.position().map_or(0, csv::Position::line);
        let field = |i: usize| record.get(self.columns[i]).unwrap_or("");
        let wrong = |i: usize, mend: &str| {
            let (name, column, text) = (&self.name, NAMES[i], field(i));
            InspectError(format!("{name}: line {line}: {column} is \"{text}\"; {mend}"))
        };
        if field(4).is_empty() {
            return Ok(Some(None));
        }
        let seq = field(0).parse::<u64>().map_err(|_| wrong(0, "a whole number is wanted"))?;
        let mut at = [0u64; 4];
        for (i, t) in at.iter_mut().enumerate() {
            *t = nanos(field(i + 1))
                .and_then(|ns| u64::try_from(ns + ROOM).ok())
                .ok_or_else(|| wrong(i + 1, "seconds as a decimal number are wanted"))?;
        }
        let t4 = field(4).parse::<f64>().map_err(|_| wrong(4, "seconds as a decimal number are wanted"))?;
        let exchange = Exchange {
            seq,
            t1: MonoTime::from_nanos(at[0]),
            t2: RemoteTime::from_nanos(at[1]),
            t3: RemoteTime::from_nanos(at[2]),
            t4: MonoTime::from_nanos(at[3]),
        };
        Ok(Some(Some((exchange, t4))))
    }
}

/// Seconds as nanoseconds, without passing through a floating-point number where that would lose digits.
fn nanos(text: &str) -> Option<i128> {
    let (negative, digits) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.len() + part.len() == 0 || whole.len() > 12 || !plain(whole) || !plain(part) {
        // An exponent, perhaps.
        let s = text.parse::<f64>().ok().filter(|s| s.abs() < 1e9)?;
        return Some(i128::from(Span::from_secs_f64(s).nanos()));
    }
    let mut ns = if whole.is_empty() { 0 } else { whole.parse::<i128>().ok()? * 1_000_000_000 };
    let mut unit = 100_000_000i128;
    for b in part.bytes().take(9) {
        ns += i128::from(b - b'0') * unit;
        unit /= 10;
    }
    if part.as_bytes().get(9).is_some_and(|b| *b >= b'5') {
        ns += 1;
    }
    Some(if negative { -ns } else { ns })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn inspect(name: &str, text: &str) -> Result<(Outcome, Vec<serde_json::Value>), InspectError> {
        let file = std::env::temp_dir().join(format!("twinkeel-clock-{}-{name}.csv", std::process::id()));
        std::fs::write(&file, text).unwrap();
        let mut out = Vec::new();
        let outcome = run(&ClockArgs { file: file.clone(), json: true, plot: None }, &mut out);
        std::fs::remove_file(file).unwrap();
        let outcome = outcome?;
        let text = String::from_utf8(out).unwrap();
        Ok((outcome, text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()))
    }

    #[test]
    fn seconds_are_read_to_the_nanosecond() {
        assert_eq!(nanos("1700000000.123456789"), Some(1_700_000_000_123_456_789));
        assert_eq!(nanos("-0.4"), Some(-400_000_000));
        assert_eq!(nanos("1e-3"), Some(1_000_000));
        assert_eq!(nanos("0.0000000016"), Some(2));
        for bad in ["", "-", "x", "nan", "inf", "1.2.3", "."] {
            assert_eq!(nanos(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_step_a_duplicate_a_loss_and_a_bogus_reply_are_told_apart() {
        let mut text = "note,seq,t1,t2,t3,t4\n".to_owned();
        for seq in 0..100 {
            let t = 0.05 * f64::from(seq);
            let offset = if seq < 50 { -0.25 } else { 0.25 };
            let (go, back) = (1e-4, 1e-4 + 1e-6 * f64::from(seq % 7));
            let mut row = |wild: f64| {
                let (t2, t3) = (t + go + offset + wild, t + go + 1e-3 + offset + wild);
                text += &format!(",{seq},{t:.9},{t2:.9},{t3:.9},{:.9}\n", t + go + 1e-3 + back);
            };
            match seq {
                20 => text += ",20,1.0,0.75,0.751,\n",
                30 => row(7.5),
                40 => {
                    row(0.0);
                    row(0.0);
                }
                _ => row(0.0),
            }
        }
        let (outcome, lines) = inspect("step", &text).unwrap();
        assert_eq!(outcome, Outcome::Found);
        let summary = &lines.last().unwrap()["summary"];
        // 101 rows: one lost, one bogus, one duplicate, and two that wait for a third before a step is believed.
        assert_eq!((summary["lost"].as_u64(), summary["refused"].as_u64()), (Some(1), Some(4)));
        assert_eq!(summary["accepted"].as_u64(), Some(lines.len() as u64 - 1));
        let steps = summary["steps"].as_array().unwrap();
        assert_eq!(steps.len(), 1);
        assert!((steps[0]["seconds"].as_f64().unwrap() - 0.5).abs() < 1e-4);
        assert!((steps[0]["t"].as_f64().unwrap() - 2.5).abs() < 0.25);
        let last = &lines[lines.len() - 2];
        assert_eq!(last["state"], "tracking");
        assert!((last["offset_s"].as_f64().unwrap() - 0.25).abs() < 1e-5);
    }

    #[test]
    fn wrong_input_is_named_with_its_place() {
        let column = inspect("column", "seq,t1,t2,t3\n").unwrap_err().0;
        assert!(column.contains("line 1") && column.contains("\"t4\""), "{column}");
        let cell = inspect("cell", "seq,t1,t2,t3,t4\n1,0,0,0,1\n2,0,abc,0,1\n").unwrap_err().0;
        assert!(cell.contains("line 3") && cell.contains("t2") && cell.contains("abc"), "{cell}");
        assert_eq!(inspect("lost", "seq,t1,t2,t3,t4\n1,0,0,0,\n").unwrap().0, Outcome::Nothing);
        assert_eq!(inspect("empty", "seq,t1,t2,t3,t4\n").unwrap().0, Outcome::Nothing);
    }
}
