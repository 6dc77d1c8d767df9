//! Footswitches and buttons: heard on threads of their own, judged by [`press`], and done in the button's name by the same way as an
//! act from the page. What they ask for may be refused like anybody's; the record has it either way.

mod book;
mod hear;
mod press;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};

use base::{Machine, Span};
use settings::buttons::{Button, ButtonMessage, Does};

use crate::desk::SupervisorDesk;
use crate::page::DeskAct;
use crate::scribe::{ScribeDesk, ToScribe};
use crate::snapshot::{Letter, Snapshot};
pub use book::Book;
use hear::{Heard, OscButton, Say};
use press::{Demand, Press};

/// As on the page.
const HOLD: Span = Span::from_millis(700);
const HOLD_FORCED: Span = Span::from_millis(1_500);

/// A button that acts.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Pressed {
    name: String,
    does: Does,
    to: Option<Machine>,
}

/// Starts all buttons.
///
/// # Errors
/// No thread could be started.
pub fn start(buttons: &[Button], book: &Book, desk: Arc<SupervisorDesk>, scribe: &ScribeDesk) -> std::io::Result<()> {
    if buttons.is_empty() {
        return Ok(());
    }
    let (to, pressed) = channel();
    let said = scribe.clone();
    let say: Say = Arc::new(move |code, text| said.tell(ToScribe::Said { code, text }));
    let mut by_port: BTreeMap<(String, String), Vec<Heard<ButtonMessage>>> = BTreeMap::new();
    let mut by_socket: BTreeMap<std::net::SocketAddr, Vec<Heard<OscButton>>> = BTreeMap::new();
    for b in buttons {
        match b {
            Button::Midi { port, host, message, .. } => {
                // Checked when the file was read.
                let Some(message) = ButtonMessage::parse(message) else { continue };
                by_port.entry((host.clone(), port.clone())).or_default().push(heard(b, message, &to, book));
            }
            Button::Osc { listen, from, address, paired, .. } => {
                let osc = OscButton { from: from.clone(), address: address.clone(), paired: paired.clone() };
                by_socket.entry(*listen).or_default().push(heard(b, osc, &to, book));
            }
        }
    }
    for ((host, port), buttons) in by_port {
        let say = noting(book, port.clone(), &say);
        hear::midi(host, port, buttons, say)?;
    }
    for (at, buttons) in by_socket {
        hear::osc(at, buttons, noting(book, at.to_string(), &say))?;
    }
    // The watch answers within two seconds at most: the waiting is done by a thread that hears nothing itself.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
    std::thread::Builder::new().name("buttons".into()).spawn(move || act(&pressed, &desk, &say, &runtime))?;
    Ok(())
}

/// What is said of a place is also what the page shows of its buttons.
fn noting(book: &Book, place: String, say: &Say) -> Say {
    let (book, say) = (book.clone(), say.clone());
    Arc::new(move |code, text| {
        match code {
            "button-here" => book.heard(&place, true),
            "button-gone" => book.heard(&place, false),
            _ => {}
        }
        say(code, text);
    })
}

fn heard<T>(b: &Button, by: T, to: &Sender<Pressed>, book: &Book) -> Heard<T> {
    let demand = match b.does() {
        Does::Answer | Does::Release => Demand::Once,
        Does::Changeover => Demand::Deliberate(HOLD),
        Does::ForcedChangeover => Demand::Deliberate(HOLD_FORCED),
    };
    let pressed = Pressed { name: b.name().into(), does: b.does(), to: b.to() };
    let (to, book, name) = (to.clone(), book.clone(), b.name().to_owned());
    Heard {
        by,
        press: Press::new(demand),
        seen: Box::new(move |at| book.pressed(&name, at)),
        act: Box::new(move || _ = to.send(pressed.clone())),
    }
}

fn act(pressed: &Receiver<Pressed>, desk: &SupervisorDesk, say: &Say, runtime: &tokio::runtime::Runtime) {
    while let Ok(p) = pressed.recv() {
        let act = asks_for(&p, &desk.snapshots.borrow());
        match act {
            // What came of it is in the record, in the button's name.
            Ok(act) => drop(runtime.block_on(desk.act_by(act, p.name, "button"))),
            Err(why) => say("button-refused", format!("{}: {why}", p.name)),
        }
    }
}

/// What a press means now.
fn asks_for(p: &Pressed, now: &Snapshot) -> Result<DeskAct, &'static str> {
    let other = || match (now.on_air, now.takeovers.as_slice()) {
        (Some(_), [one]) => Ok(one.to),
        _ => Err("nothing was done: it is not known which machine is the other one."),
    };
    let to = || p.to.map_or_else(other, |m| Ok(Letter(m)));
    Ok(match p.does {
        Does::Answer => {
            let proposal = now.proposal.as_ref().ok_or("nothing was done: there is no proposal.")?;
            DeskAct::AnswerProposal { id: proposal.id, yes: true }
        }
        Does::Release => DeskAct::Release,
        Does::Changeover => DeskAct::Changeover { to: to()?, forced: false },
        Does::ForcedChangeover => DeskAct::Changeover { to: to()?, forced: true },
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::snapshot::Proposal;

    #[test]
    fn the_page_shows_what_is_heard_and_pressed() {
        let button = Button::Osc {
            name: "foot".into(),
            does: Does::Changeover,
            to: None,
            listen: "127.0.0.1:9010".parse().unwrap(),
            from: Vec::new(),
            address: "/foot".into(),
            paired: None,
        };
        let book = Book::of(std::slice::from_ref(&button));
        let (told_to, told) = channel();
        let say: Say = Arc::new(move |code, _| told_to.send(code).unwrap());
        let said = noting(&book, book::place(&button), &say);
        let shown = || book.shown().first().map(|b| (b.heard, b.pressed)).unwrap();
        assert_eq!(shown(), (false, None));
        said("button-here", "Buttons are heard.".into());
        assert_eq!(shown(), (true, None));
        let (to, acts) = channel();
        let mut foot = heard(&button, (), &to, &book);
        let at = base::MonoTime::from_nanos(5);
        foot.on_edge(press::Edge::Down, at);
        assert_eq!(shown(), (true, Some(at)), "seen at once");
        assert!(acts.try_recv().is_err(), "and a moment's press does nothing");
        said("button-gone", "No button is heard.".into());
        assert!(!shown().0);
        assert_eq!(told.try_iter().collect::<Vec<_>>(), ["button-here", "button-gone"], "the record has it as before");
    }

    #[test]
    fn a_press_means_what_stands_now() {
        let mut s = Snapshot::starting(base::MonoTime::from_nanos(1));
        let p = |does, to| Pressed { name: "foot".into(), does, to };
        let b = Letter(Machine::B);
        assert!(asks_for(&p(Does::Answer, None), &s).is_err());
        assert!(asks_for(&p(Does::Changeover, None), &s).is_err(), "on air is not known: there is no other one");
        let forced = DeskAct::Changeover { to: b, forced: true };
        assert_eq!(asks_for(&p(Does::ForcedChangeover, Some(Machine::B)), &s), Ok(forced));
        s.proposal = Some(Proposal { id: 7, to: b, text: String::new() });
        assert_eq!(asks_for(&p(Does::Answer, None), &s), Ok(DeskAct::AnswerProposal { id: 7, yes: true }));
        assert_eq!(asks_for(&p(Does::Release, None), &s), Ok(DeskAct::Release));
    }
}
