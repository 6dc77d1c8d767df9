//! Where an offset leads and what it probably comes from, in words. The limits by which a cause is told are common practice.

use base::{Machine, Millis, Span};
use measure::hints::Hint;
use measure::offset::Forecast;
use rig::AlarmCode;

use crate::snapshot::CauseHint;

/// "reaches 5 ms in 3 min 20 s (3 min 5 s to 3 min 40 s)".
pub fn forecast(f: &Forecast, limit: Span) -> String {
    let range = match f.latest {
        Some(latest) if lasting(latest) == lasting(f.earliest) => String::new(),
        Some(latest) => format!(" ({} to {})", lasting(f.earliest), lasting(latest)),
        None => format!(" ({} at the earliest; the drift may be none)", lasting(f.earliest)),
    };
    format!("reaches {} ms in {}{range}", short(Millis::from(limit).0), lasting(f.reached_in))
}

/// A probable cause of what is seen between machine A and `m`.
pub fn hint(hint: &Hint, m: Machine) -> CauseHint {
    let (code, text) = match hint {
        Hint::OwnCrystals { drift, uncertainty } => (
            "own-crystals",
            format!(
                "A and {m} drift apart steadily by {:.1} ± {:.1} ppm: their interfaces run on crystals of their own. Lock both to one word clock.",
                drift.0.abs(),
                uncertainty.0
            ),
        ),
        Hint::Dropouts { buffer, steps } => (
            "dropouts",
            format!(
                "{steps} {} of whole buffers ({buffer} samples at 48 kHz) between A and {m}: one of them drops audio. Raise its buffer size.",
                if *steps == 1 { "step" } else { "steps" }
            ),
        ),
        Hint::TriggerOrBuffer { offset } => (
            "trigger-or-buffer",
            format!(
                "A and {m} stay {:.1} ms apart: the trigger reaches them at different times, or their buffer sizes differ.",
                offset.abs().millis_f64()
            ),
        ),
        Hint::TempoMap { song, apart } => (
            "tempo-map",
            format!(
                "One song alone drifts (number {} of the last ones played), by {:.0} ppm against the others: its tempo map or warp differs between A and {m}.",
                song + 1,
                apart.0.abs()
            ),
        ),
    };
    CauseHint { code: code.into(), text }
}

/// The likely cause of an alarm about a machine, for the record.
pub fn of_alarm<'a>(code: AlarmCode, m: Machine, mut hints: impl Iterator<Item = &'a Hint>) -> Option<String> {
    let fits = |h: &&Hint| match code {
        AlarmCode::OffsetHigh | AlarmCode::OffsetOut => true,
        AlarmCode::Dropouts => matches!(h, Hint::Dropouts { .. }),
        _ => false,
    };
    hints.find(fits).map(|h| hint(h, m).text)
}

/// "3 min 20 s", "41 s", "1 h 5 min".
fn lasting(t: Span) -> String {
    let s = (t.nanos().max(0) + 500_000_000) / 1_000_000_000;
    match (s / 3600, s % 3600 / 60, s % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

/// A limit as people write it: 5, not 5.0; 2.5 as it is.
fn short(ms: f64) -> String {
    let text = format!("{ms:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use base::Ppm;

    #[test]
    fn a_forecast_has_its_range() {
        let s = Span::from_secs;
        let f = Forecast { reached_in: s(200), earliest: s(185), latest: Some(s(220)) };
        let limit = Span::from_millis(5);
        assert_eq!(forecast(&f, limit), "reaches 5 ms in 3 min 20 s (3 min 5 s to 3 min 40 s)");
        let sure = Forecast { earliest: s(200), latest: Some(s(200)), ..f };
        assert_eq!(forecast(&sure, limit), "reaches 5 ms in 3 min 20 s");
        let vague = Forecast { reached_in: s(3_900), earliest: s(1_800), latest: None };
        assert_eq!(
            forecast(&vague, Span::from_micros(2_500)),
            "reaches 2.5 ms in 1 h 5 min (30 min at the earliest; the drift may be none)"
        );
    }

    #[test]
    fn an_alarm_gets_the_cause_that_fits_it() {
        let crystals = Hint::OwnCrystals { drift: Ppm(-23.3), uncertainty: Ppm(0.6) };
        let dropouts = Hint::Dropouts { buffer: 512, steps: 2 };
        let all = [crystals, dropouts];
        let of = |code| of_alarm(code, Machine::B, all.iter());
        assert!(of(AlarmCode::OffsetHigh).unwrap().starts_with("A and B drift apart steadily by 23.3 ± 0.6 ppm"));
        assert!(of(AlarmCode::Dropouts).unwrap().starts_with("2 steps of whole buffers (512 samples"));
        assert_eq!(of(AlarmCode::Hot), None);
        assert_eq!(of_alarm(AlarmCode::OffsetHigh, Machine::B, [].iter()), None);
    }
}
