//! Clients of a running supervisor: they speak its JSON API and nothing else.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use base::{Machine, Millis};
use supervisor::page::{ActOutcome, DeskAct};
use supervisor::snapshot::{Letter, Snapshot, Tone};

use crate::{refuse, unreached};

mod pinned;
mod reach;

pub use reach::At;

/// Arguments of `twinkeel status`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  twinkeel status\n  twinkeel status --why\n  twinkeel status --channels\n  twinkeel status --json"
)]
pub struct StatusArgs {
    #[command(flatten)]
    at: At,
    /// The whole snapshot as JSON.
    #[arg(long)]
    json: bool,
    /// The rule table row by row, with what holds.
    #[arg(long)]
    why: bool,
    /// Every channel: true peak, clips, and how it sounds against the first machine's.
    #[arg(long)]
    channels: bool,
}

/// Arguments of `twinkeel changeover`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel changeover B")]
pub struct ChangeoverArgs {
    #[command(flatten)]
    at: At,
    /// The machine to go on air, by its letter.
    machine: char,
    /// Even if the rules refuse it. The audience hears what it costs.
    #[arg(long)]
    forced: bool,
}

/// Arguments of `twinkeel release`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel release")]
pub struct ReleaseArgs {
    #[command(flatten)]
    at: At,
}

/// Arguments of `twinkeel alarm-test`.
#[derive(clap::Args)]
#[command(
    after_help = "Example: twinkeel alarm-test\n\nWhoever wears the output that rig.toml names under [alarm_sound] hears it: warn them."
)]
pub struct AlarmTestArgs {
    #[command(flatten)]
    at: At,
}

/// `twinkeel status`. Exit code 0 when another machine can take over, else 1.
pub fn status(a: &StatusArgs) -> ExitCode {
    let text = match read(&a.at, "snapshot") {
        Ok(t) => t,
        Err(e) => return unreached(&e),
    };
    let s: Snapshot = match serde_json::from_str(&text) {
        Ok(s) => s,
        Err(e) => return unreached(&format!("the supervisor speaks another format: {e}")),
    };
    let mut out = std::io::stdout().lock();
    let told = if a.json {
        writeln!(out, "{text}")
    } else if a.why {
        why(&mut out, &s)
    } else {
        tell(&mut out, &s, a.channels).and_then(|()| a.at.tell(&mut out))
    };
    match told {
        Ok(()) if s.takeovers.iter().any(|t| t.possible) => ExitCode::SUCCESS,
        Ok(()) => ExitCode::from(1),
        // A reader that has seen enough closes the pipe.
        Err(_) => ExitCode::SUCCESS,
    }
}

/// `twinkeel changeover`. Exit code 1 when it is refused.
pub fn changeover(a: &ChangeoverArgs) -> ExitCode {
    let Some(to) = Machine::from_letter(a.machine) else {
        return refuse(&format!("`{}` is no machine: write a letter from A to H", a.machine));
    };
    act(&a.at, &DeskAct::Changeover { to: Letter(to), forced: a.forced })
}

/// `twinkeel release`. Exit code 1 when there is no latch.
pub fn release(a: &ReleaseArgs) -> ExitCode {
    act(&a.at, &DeskAct::Release)
}

/// `twinkeel alarm-test`. Exit code 1 when nobody would hear it.
pub fn alarm_test(a: &AlarmTestArgs) -> ExitCode {
    act(&a.at, &DeskAct::TestAlarmSound)
}

pub(crate) fn read(at: &At, what: &str) -> Result<String, String> {
    let page = at.reach()?;
    page.text(page.agent.get(page.url(what)).call())
}

pub(crate) fn act(at: &At, act: &DeskAct) -> ExitCode {
    match ask(at, "act", &serde_json::json!({ "by": "command line", "do": act })) {
        Ok(ActOutcome::Done { text } | ActOutcome::Asked { text }) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Ok(ActOutcome::Refused { text, can_force, .. }) => {
            println!("Refused: {text}");
            if can_force {
                println!("It can be forced: add --forced.");
            }
            ExitCode::from(1)
        }
        Err(e) => unreached(&e),
    }
}

/// Asks the supervisor to do something; what it answers, or why it could not be asked.
pub(crate) fn ask(at: &At, what: &str, body: &impl serde::Serialize) -> Result<ActOutcome, String> {
    let page = at.reach()?;
    let text = page.text(page.agent.post(page.url(what)).header("Origin", &page.origin).send_json(body))?;
    serde_json::from_str(&text).map_err(|e| format!("the supervisor at {} speaks another format: {e}", page.origin))
}

fn why(out: &mut impl Write, s: &Snapshot) -> std::io::Result<()> {
    for r in &s.rules {
        let mark = if r.holds { "holds" } else { "  -  " };
        writeln!(out, "{mark}  {:28}  {}", r.id, r.text)?;
    }
    Ok(())
}

fn tell(out: &mut impl Write, s: &Snapshot, channels: bool) -> std::io::Result<()> {
    let (on, off) = colour(s.headline.tone);
    writeln!(out, "{on}{}{off}", s.headline.text)?;
    let on_air = s.on_air.map_or_else(|| "unknown".into(), |m| m.to_string());
    writeln!(
        out,
        "on air: {on_air}   mode: {:?}{}",
        s.mode,
        if s.latched.is_some() { "   UNPROTECTED (latched)" } else { "" }
    )?;
    if let Some(song) = s.song.as_ref().map(|r| &r.value) {
        let code = song.timecode.clone().unwrap_or_default();
        writeln!(out, "song {}: {}  {code}", song.number, song.name)?;
    }
    for o in &s.offsets {
        write!(out, "{}", o.text)?;
        if let Some(n) = o.now.as_ref().map(|r| r.value) {
            write!(out, " (± {})", Millis(n.bound.0))?;
        }
        if let Some(d) = o.drift {
            write!(out, "  drift {:.2} ± {:.2} ppm", d.rate.0, d.uncertainty.0)?;
        }
        writeln!(out)?;
    }
    for m in &s.machines {
        writeln!(out, "{} {:12} {:?}, {:?}", m.letter, m.name, m.role, m.fitness)?;
        for r in &m.reasons {
            writeln!(out, "    {}", r.text)?;
        }
        crate::channels_said::tell(out, m, s, channels)?;
    }
    for p in &s.parity {
        writeln!(out, "{}", p.text)?;
    }
    if let Some(cut) = &s.code_cut {
        writeln!(out, "At the newest changeover: {}", cut.text)?;
    }
    crate::patches_cmd::tell(out, s)?;
    if let Some(sound) = &s.alarm_sound {
        writeln!(out, "{}", sound.text)?;
    }
    for a in &s.alarms {
        writeln!(out, "{:?} alarm, {:?}: {}", a.priority, a.state, a.text)?;
    }
    Ok(())
}

/// Indicator colours of IEC 60073, only where they can be seen; the sentence says the same without them.
fn colour(tone: Tone) -> (&'static str, &'static str) {
    if !std::io::stdout().is_terminal() || std::env::var_os("NO_COLOR").is_some() {
        return ("", "");
    }
    let on = match tone {
        Tone::Good => "\x1b[32m",
        Tone::Abnormal => "\x1b[33m",
        Tone::Danger => "\x1b[31m",
        Tone::Action => "\x1b[34m",
        Tone::Neutral => "",
    };
    (on, "\x1b[0m")
}
