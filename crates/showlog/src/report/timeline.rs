//! The picture of one changeover: milliseconds from the first evidence of the fault to the switch's confirmation.

use base::Span;

use super::draw::{Anchor, Drawing, Ink, ticks};
use super::model::ChangeoverReport;
use super::units;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 16.0;
const RIGHT: f64 = 24.0;

/// Draws it; `None` where only one instant is known.
pub(super) fn changeover(c: &ChangeoverReport) -> Option<Drawing> {
    let zero = Span::ZERO;
    let fault = c.verdict_after.map(|v| zero - v);
    let sent = c.sent_after;
    let confirmed = c.confirmed_after.map(|after| after + sent.unwrap_or(zero));
    let first = c.evidence.iter().map(|e| e.after).chain(fault).min().unwrap_or(zero).min(zero);
    let last = [Some(zero), sent, confirmed].into_iter().flatten().max().unwrap_or(zero);
    // Evidence from long before would press the rest into a dot.
    let first = first.max(fault.unwrap_or(zero).min(zero) - Span::from_millis(50));
    let (low, high) = (first.millis_f64(), last.millis_f64());
    if high - low < 1e-3 {
        return None;
    }
    let room = (high - low) * 0.04;
    let (low, high) = (low - room, high + room);
    let x = |s: Span| LEFT + (WIDTH - LEFT - RIGHT) * ((s.millis_f64() - low) / (high - low)).clamp(0.0, 1.0);
    let mut d = Drawing {
        width: WIDTH,
        height: 118.0,
        title: format!("Changeover to {} in milliseconds", c.to),
        description: describe(c),
        shapes: Vec::new(),
    };
    let digits = match high - low {
        range if range < 0.8 => 2,
        range if range < 8.0 => 1,
        _ => 0,
    };
    for ms in ticks(low, high, 10, &[]) {
        let at = Span::from_secs_f64(ms / 1e3);
        d.line(Ink::Grid, vec![(x(at), 34.0), (x(at), 88.0)]);
        let text = if ms == 0.0 { "0 ms".to_owned() } else { units::signed(ms, digits, "") };
        d.text(Ink::Faint, x(at), 104.0, Anchor::Middle, text.trim_end());
    }
    let bar = |d: &mut Drawing, ink: Ink, from: Span, to: Span, y: f64| {
        d.bar(ink, x(from), y, (x(to) - x(from)).max(2.0), 14.0)
    };
    if let Some(fault) = fault {
        bar(&mut d, Ink::Degraded, fault, zero, 40.0);
        label(&mut d, x(fault), x(zero), 30.0, "fault to verdict", zero - fault);
    }
    if let Some(sent) = sent {
        bar(&mut d, Ink::Act, zero, sent, 56.0);
    }
    if let Some(confirmed) = confirmed {
        let from = sent.unwrap_or(zero);
        bar(&mut d, Ink::Fit, from, confirmed, 72.0);
        let words = format!("command to confirmation {}", units::plain_ms(confirmed - from));
        let (at, anchor) = beside(x(from), x(confirmed));
        d.text(Ink::Label, at, 83.5, anchor, words);
    }
    if let Some(sent) = sent {
        let words = format!("verdict to first byte {}", units::plain_ms(sent));
        let (at, anchor) = beside(x(zero), x(sent));
        d.text(Ink::Label, at, 67.5, anchor, words);
    }
    for (i, e) in c.evidence.iter().enumerate().filter(|(_, e)| e.after >= first && e.after <= last) {
        d.dot(Ink::Step, x(e.after), 47.0, 6.5);
        d.text(Ink::Axis, x(e.after), 50.5, Anchor::Middle, (i + 1).to_string());
    }
    Some(d)
}

/// Where words about a bar find room: before it, after it, or else within.
fn beside(from: f64, to: f64) -> (f64, Anchor) {
    const WORDS: f64 = 240.0;
    if from > WORDS {
        (from - 6.0, Anchor::End)
    } else if to < WIDTH - WORDS {
        (to + 6.0, Anchor::Start)
    } else {
        (from + 6.0, Anchor::Start)
    }
}

fn label(d: &mut Drawing, from: f64, to: f64, y: f64, words: &str, span: Span) {
    let text = format!("{words} {}", units::plain_ms(span));
    if to - from > 200.0 || from < WIDTH - 260.0 {
        d.text(Ink::Label, from, y, Anchor::Start, text);
    } else {
        d.text(Ink::Label, to, y, Anchor::End, text);
    }
}

fn describe(c: &ChangeoverReport) -> String {
    let figure = |s: Option<Span>| s.map_or_else(|| "unknown".to_owned(), units::plain_ms);
    format!(
        "From the first evidence of the fault to the verdict: {}. From the verdict to the first byte on the output: {}. From there to the confirmation: {}.",
        figure(c.verdict_after),
        figure(c.sent_after),
        figure(c.confirmed_after)
    )
}
