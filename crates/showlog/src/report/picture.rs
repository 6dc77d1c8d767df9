//! The picture of one song: offset over time with its uncertainty and its limits, the steps, what a changeover would
//! have cost, and a lane for each machine: on air, fitness, and what was missing.

use base::{Machine, Span, SwitchView};

use super::draw::{Anchor, Drawing, Ink, ticks};
use super::findings::fitness_word;
use super::model::{Report, SongReport};
use super::runs::Timed;
use super::units;
use crate::read::ShowFile;
use crate::words::Fitness;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 24.0;
const PLOT: f64 = 176.0;
const COST: f64 = 34.0;
const LANE: f64 = 38.0;

/// The axes of one picture.
struct Frame {
    from: Span,
    /// What the time axis says at `from`.
    first: Span,
    seconds: f64,
    low: f64,
    high: f64,
}

impl Frame {
    fn x(&self, t: Span) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * ((t - self.from).secs_f64() / self.seconds).clamp(0.0, 1.0)
    }
    /// Milliseconds; what lies outside is drawn at the edge.
    fn y(&self, ms: f64) -> f64 {
        TOP + PLOT * (1.0 - ((ms - self.low) / (self.high - self.low)).clamp(0.0, 1.0))
    }
}

/// Draws song `index` of the report.
pub(super) fn song(show: &ShowFile, report: &Report, all: &[Timed], index: usize) -> Option<Drawing> {
    let song = report.songs.get(index)?;
    let from = all.partition_point(|x| x.t < song.from);
    let to = all.partition_point(|x| x.t <= song.to);
    let these = all.get(from..to)?;
    let title = format!("{}: offset over time", song.name);
    let frame = frame(show, these, song.from, song.to, song.song_at.unwrap_or(Span::ZERO));
    draw(show, report, song, these, &frame, title)
}

/// Draws any stretch of samples, its time counted from `zero`.
pub(super) fn stretch(show: &ShowFile, report: &Report, these: &[Timed], title: &str, zero: Span) -> Option<Drawing> {
    let (first, last) = (these.first()?, these.last()?);
    let song = super::song::stretch(show, these);
    let frame = frame(show, these, first.t, last.t, first.t - zero);
    draw(show, report, &song, these, &frame, title.to_owned())
}

fn draw(
    show: &ShowFile,
    report: &Report,
    song: &SongReport,
    these: &[Timed],
    frame: &Frame,
    title: String,
) -> Option<Drawing> {
    let machines = these.iter().map(|x| x.s.machines.len()).max()?;
    let lanes = TOP + PLOT + 14.0 + COST + 12.0;
    let height = lanes + LANE * machines as f64 + 24.0;
    let mut d = Drawing { width: WIDTH, height, title, description: describe(song), shapes: Vec::new() };
    put_limits(limits_of(show), frame, &mut d);
    time_axis(frame, height - 20.0, &mut d);
    for (i, pair) in song.pairs.iter().enumerate() {
        curve(these, pair.machine, frame, &mut d);
        for step in &pair.steps {
            let x = frame.x(step.at);
            d.line(Ink::Step, vec![(x, TOP), (x, TOP + PLOT)]);
            let (anchor, dx) = if x > WIDTH - 140.0 { (Anchor::End, -4.0) } else { (Anchor::Start, 4.0) };
            let text = format!("step {}", units::signed_ms(step.by));
            d.text(Ink::Faint, x + dx, TOP + 12.0 + 12.0 * i as f64, anchor, text);
        }
    }
    cost(song, these, frame, TOP + PLOT + 14.0, &mut d);
    for machine in Machine::first(machines) {
        lane(song, these, machine, frame, lanes + LANE * machine.index() as f64, &mut d);
    }
    for c in report.changeovers.iter().filter(|c| c.at >= song.from && c.at <= song.to) {
        let x = frame.x(c.at);
        d.line(Ink::Act, vec![(x, TOP - 6.0), (x, lanes + LANE * machines as f64)]);
        let (anchor, dx) = if x > WIDTH - 120.0 { (Anchor::End, -5.0) } else { (Anchor::Start, 5.0) };
        d.text(Ink::Label, x + dx, TOP - 8.0, anchor, format!("changeover to {}", c.to));
    }
    Some(d)
}

/// The limits as lines: where, in which ink, under which name; the upper ones first of each two.
fn limits_of(show: &ShowFile) -> [(Span, Ink, &'static str); 4] {
    let l = show.meta.limits;
    let zero = l.baseline.unwrap_or(Span::ZERO);
    [
        (zero + l.warning, Ink::Warning, "warning"),
        (zero - l.warning, Ink::Warning, "warning"),
        (zero + l.candidate, Ink::Danger, "no candidate"),
        (zero - l.candidate, Ink::Danger, "no candidate"),
    ]
}

fn describe(song: &SongReport) -> String {
    let mut out = String::new();
    for p in &song.pairs {
        let figure = |s: Option<Span>| s.map_or_else(|| "unknown".to_owned(), units::signed_ms);
        out.push_str(&format!(
            "A against {}: start skew {}, median {}, furthest {}",
            p.machine,
            figure(p.start_skew),
            figure(p.median),
            figure(p.worst)
        ));
        if let Some(at) = p.worst_at {
            out.push_str(&format!(" at {}", units::clock(at - song.from)));
        }
        if let Some(drift) = p.drift {
            out.push_str(&format!(
                ", drift {} plus or minus {:.1}",
                units::signed(drift.drift.0, 1, "ppm"),
                drift.uncertainty.0
            ));
        }
        out.push_str(&format!(", {}. ", units::counted(p.steps.len(), "step", "steps")));
    }
    if let Some(fit) = song.standby.fit {
        out.push_str(&format!("A standby was fit for {} of the song. ", units::percent(fit)));
    }
    out.push_str(&format!("{}.", units::counted(song.dropouts.len(), "dropout", "dropouts")));
    out
}

/// The axes: wide enough for the warning limits and for all offsets with their bounds.
fn frame(show: &ShowFile, these: &[Timed], from: Span, to: Span, first: Span) -> Frame {
    let limits = show.meta.limits;
    let zero = limits.baseline.unwrap_or(Span::ZERO).millis_f64();
    let warning = limits.warning.millis_f64();
    let (mut low, mut high) = (zero - warning, zero + warning);
    for m in these.iter().flat_map(|x| &x.s.machines) {
        if let Some(offset) = m.offset {
            let (o, b) = (offset.millis_f64(), m.bound.map_or(0.0, Span::millis_f64));
            // A very wide bound says that nothing is known; it must not flatten what is.
            let b = b.min(warning);
            low = low.min(o - b);
            high = high.max(o + b);
        }
    }
    let most = limits.dead_air.millis_f64() * 1.2;
    (low, high) = (low.max(zero - most), high.min(zero + most));
    let room = (high - low) * 0.08;
    Frame { from, first, seconds: (to - from).secs_f64().max(0.1), low: low - room, high: high + room }
}

fn put_limits(limits: [(Span, Ink, &str); 4], f: &Frame, d: &mut Drawing) {
    for ms in ticks(f.low, f.high, 5, &[]) {
        d.line(if ms == 0.0 { Ink::Axis } else { Ink::Grid }, vec![(LEFT, f.y(ms)), (WIDTH - RIGHT, f.y(ms))]);
        let digits = if f.high - f.low < 4.0 { 1 } else { 0 };
        let text = if ms == 0.0 { "0 ms".to_owned() } else { units::signed(ms, digits, "") };
        d.text(Ink::Faint, LEFT - 8.0, f.y(ms) + 4.0, Anchor::End, text.trim_end());
    }
    for (i, (at, ink, name)) in limits.into_iter().enumerate() {
        let ms = at.millis_f64();
        if ms > f.low && ms < f.high {
            d.line(ink, vec![(LEFT, f.y(ms)), (WIDTH - RIGHT, f.y(ms))]);
            let y = f.y(ms) + if i % 2 == 0 { -3.0 } else { 11.0 };
            d.text(Ink::Faint, WIDTH - RIGHT - 2.0, y, Anchor::End, name);
        }
    }
    d.text(Ink::Faint, LEFT, TOP - 8.0, Anchor::Start, "A ahead \u{2191}");
}

/// Steps of a time axis: seconds and minutes as clocks have them.
const CLOCK_STEPS: [f64; 12] = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_800.0, 3_600.0];

fn time_axis(f: &Frame, y: f64, d: &mut Drawing) {
    let offset = f.first.secs_f64();
    let wanted = ticks(offset, offset + f.seconds, 9, if f.seconds > 8.0 { &CLOCK_STEPS } else { &[] });
    for t in wanted {
        let x = f.x(f.from + Span::from_secs_f64(t - offset));
        d.line(Ink::Grid, vec![(x, TOP), (x, y)]);
        let text = if f.seconds > 8.0 { units::clock(Span::from_secs_f64(t)) } else { units::signed(t, 1, "s") };
        d.text(Ink::Faint, x, y + 14.0, Anchor::Middle, text);
    }
}

/// One column of the curve, about a pixel wide.
struct Column {
    x: f64,
    low: f64,
    high: f64,
    band_low: f64,
    band_high: f64,
}

fn curve(these: &[Timed], machine: Machine, f: &Frame, d: &mut Drawing) {
    let mut stretches: Vec<Vec<Column>> = Vec::new();
    let mut last: Option<Span> = None;
    for x in these {
        let Some((offset, m)) = x.s.machines.get(machine.index()).and_then(|m| Some((m.offset?, m))) else { continue };
        let (ms, bound) = (offset.millis_f64(), m.bound.map_or(0.0, Span::millis_f64));
        let at = f.x(x.t);
        let gap = last.is_none_or(|l| x.t - l > Span::from_secs(1));
        last = Some(x.t);
        if gap {
            stretches.push(Vec::new());
        }
        let Some(stretch) = stretches.last_mut() else { continue };
        match stretch.last_mut() {
            Some(c) if at - c.x < 1.2 => {
                (c.low, c.high) = (c.low.min(ms), c.high.max(ms));
                (c.band_low, c.band_high) = (c.band_low.min(ms - bound), c.band_high.max(ms + bound));
            }
            _ => stretch.push(Column { x: at, low: ms, high: ms, band_low: ms - bound, band_high: ms + bound }),
        }
    }
    for s in &stretches {
        let upper = s.iter().map(|c| (c.x, f.y(c.band_high)));
        let lower = s.iter().rev().map(|c| (c.x, f.y(c.band_low)));
        d.area(Ink::Band, upper.chain(lower).collect());
    }
    for s in &stretches {
        let mut points = Vec::with_capacity(s.len() * 2);
        for c in s {
            points.push((c.x, f.y(c.high)));
            if c.high > c.low {
                points.push((c.x, f.y(c.low)));
            }
        }
        d.line(Ink::Curve, points);
    }
    if let Some(c) = stretches.first().and_then(|s| s.first()) {
        let y = (f.y(c.band_high) - 5.0).max(TOP + 10.0);
        d.text(Ink::Label, c.x + 4.0, y, Anchor::Start, format!("A \u{2212} {machine}"));
    }
}

/// What a changeover would have cost, as an area: no area, no cost known.
fn cost(song: &SongReport, these: &[Timed], f: &Frame, top: f64, d: &mut Drawing) {
    let most = these.iter().filter_map(|x| x.s.takeover.jump).map(|j| j.abs().millis_f64()).fold(0.5, f64::max);
    d.line(Ink::Grid, vec![(LEFT, top + COST), (WIDTH - RIGHT, top + COST)]);
    d.text(Ink::Label, LEFT - 8.0, top + COST - 4.0, Anchor::End, "jump");
    let mut stretch: Vec<(f64, f64)> = Vec::new();
    let mut finish = |s: &mut Vec<(f64, f64)>| {
        if let (Some(a), Some(b)) = (s.first().copied(), s.last().copied()) {
            let mut points = std::mem::take(s);
            points.push((b.0.max(a.0 + 0.5), top + COST));
            points.push((a.0, top + COST));
            d.area(Ink::Cost, points);
        }
    };
    for x in these {
        match x.s.takeover.jump {
            Some(j) => {
                let (at, y) = (f.x(x.t), top + COST - (COST - 4.0) * j.abs().millis_f64() / most);
                match stretch.last_mut() {
                    Some(p) if at - p.0 < 1.2 => p.1 = p.1.min(y),
                    _ => stretch.push((at, y)),
                }
            }
            None => finish(&mut stretch),
        }
    }
    finish(&mut stretch);
    let words = match song.takeover.worst {
        Some(worst) => format!("a changeover would have jumped by {} at most", units::plain_ms(worst)),
        None => "what a changeover would have cost is not known".to_owned(),
    };
    d.text(Ink::Faint, LEFT + 4.0, top + 8.0, Anchor::Start, words);
}

/// One machine: a thick line while on air, a bar whose height and colour tell its fitness, and marks of what was missing.
fn lane(song: &SongReport, these: &[Timed], machine: Machine, f: &Frame, top: f64, d: &mut Drawing) {
    d.text(Ink::Label, LEFT - 8.0, top + 25.0, Anchor::End, machine.to_string());
    let end = |i: usize| these.get(i + 1).map_or(f.x(song.to), |n| f.x(n.t));
    let on_air = |x: &Timed| x.s.on_air == SwitchView::On(machine);
    let mut named = false;
    spells(these, on_air, |air, i, j| {
        if air {
            let x = f.x(these[i].t);
            d.bar(Ink::OnAir, x, top + 5.0, (end(j) - x).max(1.0), 4.0);
            if !named && end(j) - x > 60.0 {
                named = true;
                d.text(Ink::Faint, x + 3.0, top + 2.5, Anchor::Start, "on air");
            }
        }
    });
    let fitness = |x: &Timed| x.s.machines.get(machine.index()).map_or(Fitness::Unknown, |m| m.fitness);
    spells(these, fitness, |fit, i, j| {
        let (ink, height) = match fit {
            Fitness::Fit => (Ink::Fit, 5.0),
            Fitness::Degraded => (Ink::Degraded, 9.0),
            Fitness::Unfit => (Ink::Unfit, 14.0),
            Fitness::Unknown | Fitness::OutOfService => (Ink::Unknown, 14.0),
        };
        let x = f.x(these[i].t);
        let width = (end(j) - x).max(1.0);
        d.bar(ink, x, top + 27.0 - height, width, height);
        if fit != Fitness::Fit && width > 70.0 {
            d.text(Ink::Label, x + 4.0, top + 24.5, Anchor::Start, fitness_word(fit));
        }
    });
    for drop in song.dropouts.iter().filter(|x| x.machine == machine) {
        let x = f.x(drop.from);
        d.bar(Ink::Dropout, x - 1.0, top + 28.5, (f.x(drop.from + drop.length) - x).max(3.0), 5.0);
    }
}

/// Calls `put` for each stretch of one value: the value, its first and its last index.
fn spells<T: PartialEq>(these: &[Timed], of: impl Fn(&Timed) -> T, mut put: impl FnMut(T, usize, usize)) {
    let mut from = 0;
    for i in 1..=these.len() {
        if i == these.len() || of(&these[i]) != of(&these[from]) {
            put(of(&these[from]), from, i - 1);
            from = i;
        }
    }
}
