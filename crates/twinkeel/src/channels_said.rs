//! A machine's channels in lines: what is amiss always, all of them when asked for.

use std::io::Write;

use base::{MonoTime, Span, WallTime};
use supervisor::snapshot::{AgainstView, HeardChannel, MachineView, MetersView, Snapshot, Tone};

/// A mean this far from zero is worth a word.
const DC: f64 = 0.01;

/// Channels that clipped or do not sound as the first machine's do; `all`: every one.
pub fn tell(out: &mut impl Write, m: &MachineView, s: &Snapshot, all: bool) -> std::io::Result<()> {
    for c in &m.channels {
        let clipped = c.meters.as_ref().is_some_and(|r| r.value.clipped > 0);
        let amiss = c.against.as_ref().is_some_and(|a| a.tone == Tone::Abnormal);
        if all || clipped || amiss {
            writeln!(out, "    {:12} {}", c.name, line(c, s))?;
        }
    }
    Ok(())
}

fn line(c: &HeardChannel, s: &Snapshot) -> String {
    let read = c.meters.as_ref().map(|r| meters(&r.value, r.expires > s.now, s.wall));
    let like = c.against.as_ref().map(|a| against(a, s.now));
    let said: Vec<String> = read.into_iter().chain(like).collect();
    if said.is_empty() { "nothing is known beyond its level".into() } else { said.join(". ") }
}

fn meters(r: &MetersView, fresh: bool, wall: WallTime) -> String {
    let now = match r.true_peak.0 {
        _ if !fresh => "true peak not known now".into(),
        db if db.is_finite() => format!("true peak {db:.1} dBTP"),
        _ => "silent".into(),
    };
    let highest = if r.highest.0.is_finite() { format!(", highest {:.1}", r.highest.0) } else { String::new() };
    let ago = |t: WallTime| lasting(Span::from_nanos(wall.0 - t.0));
    let clips = match (r.clipped, r.last_clip_wall) {
        (0, _) => format!(", none clipped in {}", ago(r.since_wall)),
        (n, last) => {
            let newest = last.map_or_else(String::new, |t| format!(", the last {} ago", ago(t)));
            format!(", {n} clipped in {}{newest}", ago(r.since_wall))
        }
    };
    let dc = if r.dc.abs() >= DC { format!(", DC {:.1} %", r.dc * 100.0) } else { String::new() };
    format!("{now}{highest}{clips}{dc}")
}

fn against(a: &AgainstView, now: MonoTime) -> String {
    let lag = a
        .lag
        .filter(|l| l.0.abs() >= 0.05)
        .map(|l| format!("{:.1} ms {}", l.0.abs(), if l.0 > 0.0 { "behind" } else { "ahead" }));
    let level = a
        .level
        .filter(|l| l.0.abs() >= 0.1)
        .map(|l| format!("{:.1} dB {}", l.0.abs(), if l.0 > 0.0 { "louder" } else { "softer" }));
    let figures: Vec<String> = lag.into_iter().chain(level).collect();
    match a.compared.filter(|_| now >= a.expires) {
        // What was measured then is no figure of now.
        Some(at) => format!("{} Not compared for {}.", a.text, lasting(now - at)),
        None if figures.is_empty() => a.text.clone(),
        None => format!("{} ({}).", a.text.trim_end_matches('.'), figures.join(", ")),
    }
}

fn lasting(t: Span) -> String {
    match t.nanos() / 1_000_000_000 {
        s if s < 90 => format!("{} s", s.max(0)),
        s if s < 5_400 => format!("{} min", (s + 30) / 60),
        s => format!("{} h", (s + 1_800) / 3_600),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use base::{Db, Dbfs, Millis};

    #[test]
    fn a_finding_that_is_old_is_said_to_be() {
        let at = |s: u64| MonoTime::from_nanos(s * 1_000_000_000);
        let a = AgainstView {
            code: "silent".into(),
            tone: Tone::Abnormal,
            text: "B's `keys` is silent where A's is not.".into(),
            lag: None,
            level: None,
            compared: Some(at(100)),
            compared_wall: None,
            expires: at(111),
        };
        assert_eq!(against(&a, at(110)), "B's `keys` is silent where A's is not.");
        assert_eq!(against(&a, at(340)), "B's `keys` is silent where A's is not. Not compared for 4 min.");
        let same = AgainstView {
            text: "B's `keys` sounds like A's.".into(),
            lag: Some(Millis(3.04)),
            level: Some(Db(-1.5)),
            ..a
        };
        assert_eq!(against(&same, at(110)), "B's `keys` sounds like A's (3.0 ms behind, 1.5 dB softer).");
        assert_eq!(against(&same, at(120)), "B's `keys` sounds like A's. Not compared for 20 s.");
    }

    #[test]
    fn clips_are_said_with_since_when_and_the_newest() {
        let r = MetersView {
            true_peak: Dbfs(-0.31),
            highest: Dbfs(0.8),
            clipped: 37,
            since_wall: WallTime(0),
            last_clip_wall: Some(WallTime(3_500_000_000_000)),
            dc: -0.021,
        };
        let wall = WallTime(3_600_000_000_000);
        let said = "true peak -0.3 dBTP, highest 0.8, 37 clipped in 60 min, the last 2 min ago, DC -2.1 %";
        assert_eq!(meters(&r, true, wall), said);
        let none = MetersView { clipped: 0, highest: Dbfs::SILENCE, dc: 0.0, ..r };
        assert_eq!(meters(&none, false, wall), "true peak not known now, none clipped in 60 min");
    }
}
