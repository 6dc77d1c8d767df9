//! What the scribe writes down for the check: the newest word of each agent always, and, while a check runs, whatever happens.

use std::collections::BTreeMap;

use base::{Machine, MachineId, MonoTime, Span};
use rig::check::{ChannelSeen, Identity, Likeness, PatchSeen, SessionIs};
use watch::WatchView;
use watch::likeness::{Compared, Likeness as Found};
use wire::message::TriggerKind;
use wire::{Health, Hello, Inventory, Kit, Up};

/// Turns of a channel that are kept: what two in a row say is so.
const TURNS: usize = 6;

/// See the module.
#[derive(Default)]
pub struct Notebook {
    /// Who each agent is.
    pub hello: BTreeMap<Machine, Hello>,
    /// What each machine has.
    pub inventory: BTreeMap<Machine, Inventory>,
    /// What it is made of.
    pub kit: BTreeMap<Machine, Kit>,
    /// What lies in the session folders.
    pub sessions: Vec<SessionIs>,
    /// Its host's health.
    pub health: BTreeMap<Machine, Health>,
    open: bool,
    /// The newest figures, while a check runs.
    pub view: Option<WatchView>,
    /// The least processor use of the run.
    pub least_cpu: BTreeMap<Machine, u16>,
    /// Triggers of the run, on our clock.
    pub triggers: Vec<(Machine, MonoTime)>,
    /// Patches of the run.
    pub patches: BTreeMap<Machine, Vec<PatchSeen>>,
    /// Comparisons of the run, the newest last.
    compared: BTreeMap<(Machine, String), Vec<Compared>>,
    /// What the tap measured of a changeover: whereto, when it was commanded.
    pub heard: Vec<(Machine, MonoTime, crate::house::Heard)>,
    /// Confirmations of the switch: whereto, how long after the command.
    pub confirmed: Vec<(Machine, Span)>,
}

impl Notebook {
    /// A check begins: what happened before is forgotten.
    pub fn begin(&mut self) {
        let keep = (
            std::mem::take(&mut self.hello),
            std::mem::take(&mut self.inventory),
            std::mem::take(&mut self.kit),
            std::mem::take(&mut self.health),
            std::mem::take(&mut self.sessions),
        );
        *self = Notebook { open: true, ..Notebook::default() };
        (self.hello, self.inventory, self.kit, self.health, self.sessions) = keep;
    }

    /// The check is over.
    pub fn close(&mut self) {
        self.open = false;
        self.view = None;
    }

    /// An agent's message. Says what voids a standing pass, if it does.
    pub fn on_up(&mut self, m: Machine, up: &Up) -> Option<String> {
        match up {
            Up::Hello(h) => _ = self.hello.insert(m, h.clone()),
            Up::Inventory(i) => _ = self.inventory.insert(m, i.clone()),
            Up::Kit(k) => {
                let was = self.kit.insert(m, k.clone());
                let device = was.and_then(|w| w.device).zip(k.device.as_ref());
                if let Some((was, is)) = device.filter(|(was, is)| was != *is) {
                    return Some(format!("{m}'s audio device is {is} since the last pass, was {was}."));
                }
            }
            Up::Health(h) => {
                if let Some(cpu) = h.cpu_permille.filter(|_| self.open) {
                    self.least_cpu.entry(m).and_modify(|c| *c = cpu.min(*c)).or_insert(cpu);
                }
                self.health.insert(m, h.clone());
            }
            Up::Trigger { at, what: TriggerKind::Start, .. } if self.open => {
                let offset = self.view.as_ref().and_then(|v| v.machines.get(m.index())).map(|f| f.clock.offset);
                self.triggers.extend(offset.map(|o| (m, at.to_local(o))));
            }
            Up::Patch { channel, bank_msb, bank_lsb, program, .. } if self.open => {
                let patch = PatchSeen { channel: *channel, bank: (*bank_msb, *bank_lsb), program: *program };
                self.patches.entry(m).or_default().push(patch);
            }
            Up::Source { name, state: wire::message::SourceState::Gone, .. } => {
                return Some(format!("{m}'s {name} was gone since the last pass."));
            }
            _ => {}
        }
        None
    }

    /// New figures.
    pub fn on_view(&mut self, view: &WatchView) {
        if self.open {
            self.view = Some(view.clone());
        }
    }

    /// Two machines' sound was compared.
    pub fn on_compared(&mut self, c: &Compared) {
        if self.open && c.found.is_some() {
            let turns = self.compared.entry((c.machine, c.channel.clone())).or_default();
            turns.push(c.clone());
            if turns.len() > TURNS {
                turns.remove(0);
            }
        }
    }

    /// A new passage: sounds of the one before are forgotten, and so are its triggers.
    pub fn begin_passage(&mut self) {
        self.compared.clear();
        self.patches.clear();
    }

    /// The tap measured a changeover.
    pub fn on_heard(&mut self, to: Machine, at: MonoTime, heard: &crate::house::Heard) {
        if self.open {
            self.heard.push((to, at, *heard));
        }
    }

    /// The switch confirmed.
    pub fn on_confirmed(&mut self, to: Machine, after: Span) {
        if self.open {
            self.confirmed.push((to, after));
        }
    }

    /// What each channel of a machine sounds like beside the first machine's.
    pub fn channels(&self, m: Machine) -> Vec<ChannelSeen> {
        let of = self.compared.iter().filter(|((i, _), turns)| *i == m && !turns.is_empty());
        of.filter_map(|((_, name), turns)| {
            let last = turns.last()?;
            let level = turns.iter().rev().find_map(|c| c.gain);
            let lag = median(turns.iter().filter_map(|c| c.lag).collect());
            Some(ChannelSeen { name: name.clone(), likeness: settled(turns, last)?, level, lag })
        })
        .collect()
    }

    /// Which computers, which starts of them, and what lies in their session folders.
    pub fn identity(&self, ids: &[MachineId]) -> Identity {
        let machine = |(i, id): (usize, &MachineId)| {
            let hello = Machine::new(i).and_then(|m| self.hello.get(&m));
            (*id, hello.map(|h| h.boot))
        };
        Identity {
            machines: ids.iter().enumerate().map(machine).collect(),
            supervisor: ports::os::boot_id(),
            sessions: self.sessions.clone(),
        }
    }
}

/// What the turns say: a trouble counts when two in a row show it, as the watch has it. One turn alone that shows trouble tells nothing:
/// a channel that sounds for a moment in a second (a spoken cue) may be caught at its edge.
fn settled(turns: &[Compared], last: &Compared) -> Option<Likeness> {
    let likeness = |c: &Compared| c.found.as_ref().map(of);
    let newest = likeness(last)?;
    let before = turns.iter().rev().nth(1).and_then(likeness);
    match before {
        Some(b) if b == newest => Some(newest),
        Some(b) if newest != Likeness::Same && b == Likeness::Same => Some(Likeness::Same),
        None if newest != Likeness::Same => None,
        _ => Some(newest),
    }
}

fn of(found: &Found) -> Likeness {
    match found {
        // Its level has an item of its own.
        Found::Same | Found::Level(_) => Likeness::Same,
        Found::Inverted => Likeness::Inverted,
        Found::Silent => Likeness::Silent,
        Found::Alone => Likeness::Alone,
        Found::Other => Likeness::Other,
        Found::Another(name) => Likeness::Another(name.clone()),
        Found::NeverAlike => Likeness::NeverAlike,
    }
}

fn median(mut spans: Vec<Span>) -> Option<Span> {
    spans.sort();
    spans.get(spans.len() / 2).copied()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use base::Db;

    fn turn(found: Found, lag_ms: Option<i64>) -> Compared {
        Compared {
            machine: Machine::B,
            channel: "click".into(),
            at: MonoTime::ZERO,
            found: Some(found),
            lag: lag_ms.map(Span::from_millis),
            gain: Some(Db(0.5)),
            confidence: 0.9,
            changed: None,
        }
    }

    fn likeness(turns: &[Found]) -> Option<Likeness> {
        let mut n = Notebook::default();
        n.begin();
        turns.iter().for_each(|f| n.on_compared(&turn(f.clone(), None)));
        n.channels(Machine::B).first().map(|c| c.likeness.clone())
    }

    #[test]
    fn a_trouble_counts_when_two_turns_show_it() {
        assert_eq!(likeness(&[Found::Same, Found::Other]), Some(Likeness::Same));
        assert_eq!(likeness(&[Found::Same, Found::Other, Found::Other]), Some(Likeness::Other));
        assert_eq!(likeness(&[Found::Other]), None);
        assert_eq!(likeness(&[Found::Other, Found::Same]), Some(Likeness::Same));
        assert_eq!(likeness(&[Found::Level(Db(5.0)), Found::Level(Db(5.0))]), Some(Likeness::Same));
    }

    #[test]
    fn nothing_is_noted_but_while_a_check_runs() {
        let mut n = Notebook::default();
        n.on_compared(&turn(Found::Same, Some(3)));
        n.on_confirmed(Machine::B, Span::from_millis(3));
        assert!(n.channels(Machine::B).is_empty() && n.confirmed.is_empty());
        n.begin();
        [3, 3, 90].iter().for_each(|ms| n.on_compared(&turn(Found::Same, Some(*ms))));
        let c = n.channels(Machine::B);
        assert_eq!((c[0].lag, c[0].level), (Some(Span::from_millis(3)), Some(Db(0.5))));
    }

    #[test]
    fn a_source_that_was_gone_and_another_device_void_a_pass() {
        let mut n = Notebook::default();
        let kit = |d: &str| Up::Kit(Kit { device: Some(d.into()), ..Kit::default() });
        assert_eq!(n.on_up(Machine::B, &kit("interface")), None);
        assert_eq!(n.on_up(Machine::B, &kit("interface")), None);
        assert!(n.on_up(Machine::B, &kit("built-in")).unwrap().contains("built-in"));
        let gone = Up::Source {
            at: base::RemoteTime::from_nanos(1),
            name: "MIDI port show".into(),
            state: wire::message::SourceState::Gone,
            why: "unplugged".into(),
        };
        assert_eq!(n.on_up(Machine::B, &gone).unwrap(), "B's MIDI port show was gone since the last pass.");
    }
}
