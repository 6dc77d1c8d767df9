//! Channels of the invented machines: what their slower meters read, and how B's sound against A's.

use base::{Db, Dbfs, Machine, Millis, MonoTime, Reading, Span, WallTime};
use twinkeel_supervisor::snapshot::*;

const NAMES: [&str; 8] = ["drums", "bass", "strings", "choir", "click", "cues", "spare", "timecode"];
/// Comparisons made up here are worth this long.
const WORTH: Span = Span::from_secs(17);

/// All eight, B's like A's.
pub fn alike(l: Letter, now: MonoTime) -> Vec<HeardChannel> {
    NAMES.iter().enumerate().map(|(i, name)| channel(l, name, i, now)).collect()
}

fn channel(l: Letter, name: &str, i: usize, now: MonoTime) -> HeardChannel {
    let peak = if name == "spare" { Dbfs::SILENCE } else { Dbfs(-8.0 - i as f64) };
    let against = AgainstView {
        code: "same".into(),
        tone: Tone::Good,
        text: format!("{l}'s `{name}` sounds like A's."),
        lag: Some(Millis(3.1)),
        level: Some(Db(0.0)),
        compared: Some(now),
        compared_wall: Some(WallTime(0)),
        expires: now + WORTH,
    };
    HeardChannel {
        name: name.into(),
        meters: Some(Reading {
            value: MetersView {
                true_peak: peak,
                highest: Dbfs(peak.0 + 4.0),
                clipped: 0,
                since_wall: WallTime(1_764_097_200_000_000_000),
                last_clip_wall: None,
                dc: 0.0,
            },
            as_of: now,
            expires: now,
        }),
        against: (l.0 != Machine::A && !matches!(name, "timecode" | "spare")).then_some(against),
    }
}

/// B's choir is silent, its strings are inverted and were not heard for an hour, its cues were never compared, and its drums clip.
pub fn differ(m: &mut MachineView, now: MonoTime, wall: WallTime) {
    let l = m.letter;
    for c in &mut m.channels {
        let name = c.name.clone();
        let Some(a) = &mut c.against else { continue };
        match name.as_str() {
            "choir" => {
                (a.code, a.tone, a.lag, a.level) = ("silent".into(), Tone::Abnormal, None, None);
                a.text = format!("{l}'s `{name}` is silent where A's is not.");
            }
            "strings" => {
                (a.code, a.tone) = ("inverted".into(), Tone::Abnormal);
                a.text = format!("{l}'s `{name}` has the other polarity than A's.");
                (a.compared, a.expires) = (Some(now - Span::from_secs(3_600)), now - Span::from_secs(3_583));
                a.compared_wall = Some(WallTime(wall.0 - 3_600_000_000_000));
            }
            "cues" => {
                let text = format!("{l}'s `{name}` was not compared with A's yet.");
                *a = AgainstView { code: "not-compared".into(), text, expires: now, ..AgainstView::default() };
            }
            "bass" => (a.lag, a.level) = (Some(Millis(-2.4)), Some(Db(-1.5))),
            _ => {}
        }
    }
    let Some(r) = m.channels.first_mut().and_then(|c| c.meters.as_mut()) else { return };
    (r.value.true_peak, r.value.highest, r.value.clipped, r.value.dc) = (Dbfs(-0.3), Dbfs(0.8), 37, 0.021);
    r.value.last_clip_wall = Some(WallTime(wall.0 - 90_000_000_000));
}

/// As many as a machine can have.
pub fn sixty_four(m: &mut MachineView, now: MonoTime) {
    let name = |i: usize| format!("stem {}", i + 1);
    m.channels = (0..64).map(|i| channel(m.letter, &name(i), i % 30, now)).collect();
    if let Some(levels) = &mut m.levels {
        let level = |i: usize| Dbfs(-10.0 - (i % 40) as f64);
        levels.value =
            (0..64).map(|i| LevelView { name: name(i), peak: level(i), rms: Dbfs(level(i).0 - 9.0) }).collect();
    }
}

/// Readings go on; what was not compared of late stays so.
pub fn keep_fresh(c: &mut HeardChannel, now: MonoTime, fresh: MonoTime) {
    if let Some(r) = &mut c.meters {
        (r.as_of, r.expires) = (now, fresh);
    }
    if let Some(a) = c.against.as_mut().filter(|a| a.code != "not-compared" && a.code != "inverted") {
        (a.compared, a.expires) = (Some(now), now + WORTH);
    }
}
