//! The switch owns the truth of what is on air: it is asked, believed, and watched until it confirms.

use base::{Machine, MonoTime, Span, SwitchView};

use crate::action::{Action, Actions, push};
use crate::evidence::RigEvidence;
use crate::facts::OnAirKnown;
use crate::judge::Judge;
use crate::setup::Latch;
use crate::table::Rule;
use crate::track::Wake;

impl Judge {
    /// Hears what the switch and its tap say is on air. The switch owns the truth.
    pub(crate) fn ask_the_switch(&mut self, ev: &RigEvidence, wake: &Wake, out: &mut Actions) {
        let now = wake.now;
        let read = |r: Option<base::Reading<SwitchView>>| {
            let r = r?;
            wake.note(r.expires);
            r.fresh(now).filter(|v| *v != SwitchView::Unknown).map(|v| (v, r.as_of))
        };
        let reply = read(ev.switch.reply);
        let tap = if ev.switch.has_tap { read(ev.switch.tap) } else { None };
        self.ever_replied |= reply.is_some() || tap.is_some();
        if let Some(p) = self.pending {
            let confirms =
                |r: Option<(SwitchView, MonoTime)>| r.is_some_and(|(v, at)| v == SwitchView::On(p.to) && at >= p.first);
            if confirms(reply) || confirms(tap) {
                self.pending = None;
                push(out, Action::Confirmed { to: p.to, after: now - p.first });
                self.goes_on_air(p.to, now);
            } else {
                self.known = OnAirKnown::Pending;
            }
            return;
        }
        let says = match (reply, tap) {
            (Some((SwitchView::Conflict, _)), _) | (_, Some((SwitchView::Conflict, _))) => SwitchView::Conflict,
            (Some((SwitchView::On(a), _)), Some((SwitchView::On(b), _))) if a != b => SwitchView::Conflict,
            // An answer from before our last change is an old one.
            (Some((v, at)), _) | (None, Some((v, at))) if at >= self.on_air_since || v == self.view_of_on_air() => v,
            (Some(_), _) | (None, Some(_)) => self.view_of_on_air(),
            (None, None) => SwitchView::Unknown,
        };
        // A command that somebody else gave, or we before a restart.
        if let Some((to, at)) = ev.switch.commanded
            && at >= self.on_air_since
            && says != SwitchView::On(to)
            && !wake.passed(at, self.setup.limits.confirm)
        {
            self.known = OnAirKnown::Pending;
            return;
        }
        self.known = match says {
            SwitchView::Conflict => OnAirKnown::Conflict,
            SwitchView::On(m) if m.index() >= self.machines => OnAirKnown::Conflict,
            SwitchView::On(m) => {
                self.told = None;
                self.adopt(m, now, out);
                OnAirKnown::Yes
            }
            SwitchView::Unknown => match self.told {
                Some(m) => {
                    if self.on_air != Some(m) {
                        self.goes_on_air(m, now);
                    }
                    OnAirKnown::Yes
                }
                None => OnAirKnown::No,
            },
        };
    }

    fn view_of_on_air(&self) -> SwitchView {
        self.on_air.map_or(SwitchView::Unknown, SwitchView::On)
    }

    /// The switch says a machine is on air: believe it, and latch if it went there without us.
    fn adopt(&mut self, m: Machine, now: MonoTime, out: &mut Actions) {
        if self.on_air == Some(m) {
            return;
        }
        let expected = match self.on_air {
            None => self.memory.on_air.is_none_or(|was| was == m) || self.memory.latch.is_some_and(|l| l.to == m),
            // An unconfirmed command that took effect after all is no surprise.
            Some(_) => self.unconfirmed == Some(m),
        };
        self.unconfirmed = None;
        push(out, Action::Adopted { to: m, moved: !expected });
        self.goes_on_air(m, now);
        if !expected {
            self.moved_at = Some(now);
            self.latch(Latch { to: m, rule: Rule::SwitchMoved }, out);
        }
    }

    fn goes_on_air(&mut self, m: Machine, now: MonoTime) {
        self.known = OnAirKnown::Yes;
        self.on_air = Some(m);
        self.on_air_since = now;
        self.proven = false;
        if self.memory.on_air != Some(m) {
            self.memory.on_air = Some(m);
            self.persist = true;
        }
    }

    /// Has the command confirmed, or the next output tried.
    pub(crate) fn watch_command(&mut self, ev: &RigEvidence, wake: &Wake, out: &mut Actions) {
        let Some(mut p) = self.pending else { return };
        let now = wake.now;
        let failed = ev.switch.output_failed && now > p.last;
        // Where the tap alone can confirm it, that takes as long as the tap does.
        let slow = if ev.switch.has_tap && ev.switch.reply.is_none() { ev.switch.tap_takes } else { Span::ZERO };
        let confirm = self.setup.limits.confirm + slow;
        if !failed && !wake.passed(p.last, confirm) {
            return;
        }
        p.tries = p.tries.saturating_add(1);
        p.last = now;
        if p.tries < self.setup.limits.output_tries {
            self.pending = Some(p);
            push(out, Action::NextOutput { to: p.to, tried: p.tries, term: self.memory.term });
            wake.note(now + confirm);
        } else {
            self.pending = None;
            self.unconfirmed = Some(p.to);
            if !self.ever_replied && !ev.switch.has_tap {
                // A switch that cannot answer: what was sent is the best that is known.
                self.told = Some(p.to);
            }
            wake.note(now + Span::from_nanos(1));
        }
    }
}
