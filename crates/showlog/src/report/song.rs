//! One song: its offsets, whether somebody could have taken over, what that would have cost, and what was missing.

use base::{AudioState, Heard, Machine, Ppm, Span, SwitchView, TransportState};

use super::fit::{self, Point};
use super::model::{DriftReport, DropoutReport, Gap, PairReport, SongReport, Standby, StepReport, TakeoverReport};
use super::runs::{Run, Timed};
use super::units;
use crate::detail;
use crate::read::ShowFile;
use crate::words::{EventKind, Fitness, MachineSample, Sample};

/// The report of one run.
pub(super) fn song(show: &ShowFile, all: &[Timed], run: Run) -> SongReport {
    let these = &all[run.from..run.to];
    let (first, last) = (&these[0], &these[these.len() - 1]);
    let name = match show.meta.songs.iter().find(|s| s.number == run.number) {
        Some(s) => s.name.clone(),
        None if run.number == 0 => "outside the set list".to_owned(),
        None => format!("song {}", run.number),
    };
    let machines = these.iter().map(|x| x.s.machines.len()).max().unwrap_or(0);
    SongReport {
        number: run.number,
        name,
        from: first.t,
        to: last.t,
        song_at: first.s.song_at,
        wall: show.wall(first.epoch, first.s.at),
        samples: these.len(),
        pairs: Machine::first(machines).skip(1).map(|m| pair(show, these, m)).collect(),
        standby: standby(show, these),
        takeover: takeover(these),
        dropouts: dropouts(show, these, machines),
    }
}

/// The same figures over any stretch of samples.
pub(super) fn stretch(show: &ShowFile, these: &[Timed]) -> SongReport {
    let number = these.first().and_then(|x| x.s.song).unwrap_or(0);
    song(show, these, Run { number, from: 0, to: these.len() })
}

fn of(s: &Sample, machine: Machine) -> Option<&MachineSample> {
    s.machines.get(machine.index())
}

/// A bound that says that nothing is known.
const USELESS: Span = Span::from_secs(10);

fn pair(show: &ShowFile, these: &[Timed], machine: Machine) -> PairReport {
    let known: Vec<(Span, Span, Option<Span>)> = these
        .iter()
        .filter_map(|x| of(x.s, machine).and_then(|m| Some((x.t, m.offset?, m.bound.filter(|b| *b < USELESS)))))
        .collect();
    let start = these[0].t;
    let zero = show.meta.limits.baseline.unwrap_or(Span::ZERO);
    let worst = known.iter().max_by_key(|(_, offset, _)| (*offset - zero).abs());
    let points: Vec<Point> =
        known.iter().map(|(t, y, _)| Point { t: (*t - start).secs_f64(), y: y.secs_f64() }).collect();
    let fitted = fit::fit(&points);
    PairReport {
        machine,
        start_skew: fit::median_span(
            known.iter().filter(|(t, ..)| *t - start <= Span::from_secs(1)).map(|(_, y, _)| *y),
        ),
        median: fit::median_span(known.iter().map(|(_, y, _)| *y)),
        worst: worst.map(|w| w.1),
        worst_at: worst.map(|w| w.0),
        bound: known.iter().filter_map(|k| k.2).max(),
        known: known.len() as f64 / these.len() as f64,
        drift: fitted.slope.map(|s| DriftReport {
            drift: Ppm(s.slope * 1e6),
            uncertainty: Ppm(s.uncertainty * 1e6),
            seconds: s.means,
            autocorrelation: s.autocorrelation,
        }),
        steps: fitted
            .steps
            .iter()
            .map(|(t, by)| StepReport { at: start + Span::from_secs_f64(*t), by: Span::from_secs_f64(*by) })
            .collect(),
    }
}

/// Two gaps nearer than this are one, if they have one reason.
const JOIN: Span = Span::from_millis(500);

fn standby(show: &ShowFile, these: &[Timed]) -> Standby {
    let (mut with_air, mut with_fit) = (0usize, 0usize);
    let mut gaps: Vec<Gap> = Vec::new();
    for (i, x) in these.iter().enumerate() {
        let SwitchView::On(air) = x.s.on_air else { continue };
        with_air += 1;
        let others = || Machine::first(x.s.machines.len()).filter(|m| *m != air);
        if others().any(|m| of(x.s, m).is_some_and(|m| m.fitness == Fitness::Fit)) {
            with_fit += 1;
            continue;
        }
        let until = these.get(i + 1).map_or(x.t, |n| n.t.min(x.t + JOIN));
        let nearest = others().max_by_key(|m| of(x.s, *m).map(|m| nearness(m.fitness)));
        let fitness = nearest.and_then(|m| of(x.s, m)).map_or(Fitness::Unknown, |m| m.fitness);
        match gaps.last_mut() {
            Some(gap) if x.t - gap.to <= JOIN && gap.machine == nearest && gap.fitness == fitness => gap.to = until,
            _ => {
                let why = nearest.map_or_else(|| "the rig has no other machine".to_owned(), |m| why(show, x, m));
                gaps.push(Gap { from: x.t, to: until, machine: nearest, fitness, why });
            }
        }
    }
    Standby { fit: (with_air > 0).then(|| with_fit as f64 / with_air as f64), gaps }
}

const fn nearness(f: Fitness) -> u8 {
    match f {
        Fitness::Fit => 4,
        Fitness::Degraded => 3,
        Fitness::Unfit => 2,
        Fitness::Unknown => 1,
        Fitness::OutOfService => 0,
    }
}

/// Why a machine was not fit: as the judge said at its last change of fitness, else as the sample itself shows.
fn why(show: &ShowFile, x: &Timed, machine: Machine) -> String {
    let since = Span::from_millis(300);
    let said = show
        .events
        .iter()
        .filter(|e| e.event.kind == EventKind::Fitness && e.event.machine == Some(machine) && e.id.epoch == x.epoch)
        .take_while(|e| e.event.at <= x.s.at + since)
        .last();
    let told = said.and_then(|e| serde_json::from_value::<detail::Fitness>(e.event.detail.clone()).ok());
    match (said, told) {
        (Some(_), Some(d)) if d.fitness != Fitness::Fit && !d.reasons.is_empty() => {
            let words: Vec<String> = d.reasons.iter().map(|r| r.trim_end_matches('.').to_owned()).collect();
            units::listed(&words)
        }
        (Some(e), Some(d)) if d.fitness != Fitness::Fit && !e.event.text.is_empty() => {
            e.event.text.trim_end_matches('.').to_owned()
        }
        _ => of(x.s, machine).map_or_else(|| "nothing is known of it".to_owned(), |m| shown(m, x.s.song, show)),
    }
}

fn shown(m: &MachineSample, song: Option<u16>, show: &ShowFile) -> String {
    let why = match (m.fitness, m.heard, m.transport, m.audio) {
        (Fitness::OutOfService, ..) => "a person took it out of service",
        (_, Heard::Never, ..) => "it was never heard",
        (_, Heard::Silent, ..) => "it was not heard on any path",
        (_, Heard::AgentLost | Heard::Goodbye, ..) => "its agent, or the supervisor's input for it, was gone",
        (_, _, TransportState::Stalled, _) => "its transport stalled",
        (_, _, TransportState::Lost, _) => "its timecode was lost",
        (_, _, TransportState::Stopped, _) => "it was stopped",
        (_, _, _, AudioState::Silent | AudioState::Ceased) => "it had no sound",
        (_, _, _, AudioState::Wrong) => "its sound was wrong",
        _ if song.is_some() && m.song.is_some() && m.song != song => "it was in another song",
        _ => match m.offset {
            Some(o) if o.abs() > show.meta.limits.candidate => {
                return format!("it was {} away", units::plain_ms(o));
            }
            None => "its offset was not known",
            Some(_) => "the record does not say why",
        },
    };
    why.to_owned()
}

fn takeover(these: &[Timed]) -> TakeoverReport {
    let known: Vec<(Span, Span)> = these.iter().filter_map(|x| Some((x.t, x.s.takeover.jump?))).collect();
    let worst = known.iter().max_by_key(|(_, jump)| jump.abs());
    let levels = these.iter().filter_map(|x| x.s.takeover.level).filter(|l| l.0.is_finite());
    TakeoverReport {
        median: fit::median_span(known.iter().map(|(_, j)| j.abs())),
        worst: worst.map(|w| w.1),
        worst_at: worst.map(|w| w.0),
        level: levels.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs())),
        known: known.len() as f64 / these.len() as f64,
    }
}

/// What was missing from a machine at an instant while the song was on.
pub(super) fn missing(m: &MachineSample) -> Option<&'static str> {
    match (m.heard, m.audio, m.transport) {
        _ if m.fitness == Fitness::OutOfService => None,
        (Heard::Silent, ..) => Some("not heard on any path"),
        (_, AudioState::Ceased, _) => Some("audio ceased"),
        (_, AudioState::Silent, _) => Some("silent on all channels"),
        (_, AudioState::Wrong, _) => Some("noise, DC or not-a-number"),
        (_, _, TransportState::Stalled) => Some("transport stalled"),
        (_, _, TransportState::Lost) => Some("timecode lost"),
        _ => None,
    }
}

fn dropouts(show: &ShowFile, these: &[Timed], machines: usize) -> Vec<DropoutReport> {
    let mut out = Vec::new();
    for machine in Machine::first(machines) {
        let mut open: Option<DropoutReport> = None;
        let mut last = these[0].t;
        for x in these {
            let what = of(x.s, machine).and_then(missing);
            let on_air = x.s.on_air == SwitchView::On(machine);
            let same = open.as_ref().is_some_and(|d| Some(d.what.as_str()) == what && x.t - last < JOIN);
            if same {
                if let Some(d) = &mut open {
                    d.length = x.t - d.from;
                    d.on_air |= on_air;
                }
            } else {
                out.extend(open.take());
                open = what.map(|what| DropoutReport {
                    machine,
                    from: x.t,
                    length: Span::ZERO,
                    what: what.to_owned(),
                    on_air,
                });
            }
            last = x.t;
        }
        out.extend(open);
    }
    out.extend(told(show, these));
    out.sort_by_key(|d| (d.from, d.machine));
    out
}

/// Dropouts that were told as events, exact to the sample.
fn told(show: &ShowFile, these: &[Timed]) -> Vec<DropoutReport> {
    let (from, to) = (these[0].t, these[these.len() - 1].t);
    let inside = show.events.iter().filter(|e| e.event.kind == EventKind::Dropout);
    inside
        .filter_map(|e| {
            let t = show.since_start(e.id.epoch, e.event.at);
            let d: detail::Dropout = serde_json::from_value(e.event.detail.clone()).ok()?;
            let machine = e.event.machine?;
            let on_air = these[these.partition_point(|x| x.t < t).min(these.len() - 1)].s.on_air;
            (t >= from && t <= to).then(|| DropoutReport {
                machine,
                from: t,
                length: d.length,
                what: if e.event.text.is_empty() { "samples missing".to_owned() } else { e.event.text.clone() },
                on_air: on_air == SwitchView::On(machine),
            })
        })
        .collect()
}
