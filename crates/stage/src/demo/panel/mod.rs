//! The demo with a person at it: the show plays by itself, and a panel of its own, clearly marked, breaks things and mends them.
//!
//! All processes are started from the thread that runs here, which lives as long as the demo: the system ends a child when the
//! thread that started it ends. The web server, the watcher and the signals only send orders to it.

mod http;
mod offers;

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{Machine, MonoTime};
use serde::{Deserialize, Serialize};

use super::conductor::Conductor;
use super::layout::MACHINES;
use super::network::Loopback;
use super::rig::{DemoRig, look};
use super::tail::Tail;
use super::{DemoConfig, DemoError};
use crate::os::now;
use crate::scenario::{Fault, Who};
use crate::show::Show;
use offers::{OFFERS, Offer, words};

/// Lines kept for the panel.
const LINES: usize = 200;

/// What a person at the panel wants.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Order {
    /// Break something.
    Break {
        /// What.
        fault: Fault,
        /// On which machine: `a`, `b` or `all`.
        #[serde(default)]
        machine: Option<Who>,
    },
    /// Mend it.
    Mend {
        /// What.
        fault: Fault,
        /// On which machine.
        #[serde(default)]
        machine: Option<Who>,
    },
    /// Mend everything.
    MendAll,
    /// End this song, go to the next.
    NextSong,
    /// End the demo. (Signals send it; the panel has no button for it.)
    End,
}

/// What the panel shows.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Board {
    page: String,
    headline: String,
    offers: Vec<Offer>,
    broken: Vec<Broken>,
    lines: Vec<String>,
}

#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
struct Broken {
    fault: Fault,
    machine: Option<Who>,
}

/// Runs until it is told to end (Ctrl-C).
///
/// # Errors
/// What could not be started.
pub fn run_interactive(c: &DemoConfig) -> Result<(), DemoError> {
    let mut c = c.clone();
    if let Some(port) = c.page_port {
        // A second demo, or another program, must not keep this one from running.
        if TcpListener::bind((Ipv4Addr::LOCALHOST, port)).is_err() {
            println!("Port {port} is taken, so the page gets another one.");
            c.page_port = None;
        }
    }
    let listener = panel_listener(c.page_port)?;
    let panel = listener.local_addr().map_err(DemoError::of("the panel"))?;
    let (tell, orders) = channel();
    end_on_signals(tell.clone())?;
    let outside = c.scenario.rig.heard_by == settings::rig::HeardBy::Supervisor;
    let ears = if outside { "the interface that hears them" } else { "their agents" };
    println!("Starting two playback computers, {ears}, a changeover switch and the supervisor.");
    let network = Loopback::start(c.scenario.rig.paths, c.seed)?;
    let rig = DemoRig::start(&c, Arc::new(network))?;
    let page = format!("http://{}", rig.layout.page);
    let board = Arc::new(Mutex::new(Board {
        page: page.clone(),
        headline: "The rig is up.".into(),
        offers: offers::offers(outside),
        ..Board::default()
    }));
    http::serve(listener, board.clone(), tell).map_err(DemoError::of("the panel"))?;
    watch(rig.layout.page, board.clone())?;
    println!(
        "\n  Twinkeel's page    {page}\n  the demo's panel   http://{panel}   (break things here)\n\nCtrl-C ends it.\n"
    );
    open(&page);
    let show = Show::new(c.seed);
    let tail = Tail::new(&rig.layout.shows.join("events.jsonl"));
    let conductor = Conductor::new(&show, now());
    let mut stand = Stand { rig, show, conductor, tail, board, broken: Vec::new(), began: now() };
    stand.run(&orders);
    let house = stand.rig.layout.house.display().to_string();
    stand.rig.end();
    println!("Ended. What the house heard is in {house}, the record in the folder beside it.");
    Ok(())
}

/// Everything the demo's own thread holds.
struct Stand {
    rig: DemoRig,
    show: Show,
    conductor: Conductor,
    tail: Tail,
    board: Arc<Mutex<Board>>,
    broken: Vec<Broken>,
    began: MonoTime,
}

impl Stand {
    fn run(&mut self, orders: &Receiver<Order>) {
        loop {
            match orders.recv_timeout(Duration::from_millis(20)) {
                Ok(Order::End) | Err(RecvTimeoutError::Disconnected) => return,
                Ok(order) => self.obey(order),
                Err(RecvTimeoutError::Timeout) => {}
            }
            if let Some(cue) = self.conductor.cue(now()) {
                self.rig.show(cue);
                self.say(now(), &self.cue_words(cue));
            }
            for line in self.tail.lines() {
                if line.is_news() {
                    self.say(MonoTime::from_nanos(line.mono_ns), &line.text);
                }
            }
        }
    }

    fn cue_words(&self, cue: crate::scenario::Show) -> String {
        match cue {
            crate::scenario::Show::Load(n) => {
                format!("[show] song {n} is loaded: {}", self.show.song(n).map_or("?", |s| s.title))
            }
            crate::scenario::Show::Start => "[show] the pad is hit: the song starts".into(),
            crate::scenario::Show::Stop => "[show] the pad is hit: the song stops".into(),
        }
    }

    fn obey(&mut self, order: Order) {
        match order {
            Order::Break { fault, machine } => self.break_it(fault, machine),
            Order::Mend { fault, machine } => self.mend(fault, machine),
            Order::MendAll => {
                for b in std::mem::take(&mut self.broken) {
                    self.broken.push(b);
                    self.mend(b.fault, b.machine);
                }
            }
            Order::NextSong => self.conductor.skip(now()),
            Order::End => {}
        }
        self.board().broken.clone_from(&self.broken);
    }

    fn break_it(&mut self, fault: Fault, who: Option<Who>) {
        let Some(offer) = OFFERS.iter().find(|o| o.fault == fault && o.fault.needs_machine() == who.is_some()) else {
            return self.say(now(), "[demo] nobody offers to break that");
        };
        let machines = machines(who);
        let broken = Broken { fault, machine: who };
        if self.broken.contains(&broken) {
            return;
        }
        // Another sound fault takes the place of the first, and a player that is gone cannot be frozen: what comes later counts.
        let fault = match fault {
            Fault::WrongSong(_) => Fault::WrongSong(self.another_song()),
            f => f,
        };
        match self.rig.break_it(fault, &machines) {
            Ok(at) => self.say(at, &format!("[demo] broken: {}{}", offer.words, of(&machines))),
            Err(e) => self.say(now(), &format!("[demo] {e}")),
        }
        if offer.lasts {
            self.broken.retain(|b| !(b.machine == who && b.fault.same_kind(&fault)));
            self.broken.push(broken);
        }
    }

    fn mend(&mut self, fault: Fault, who: Option<Who>) {
        if !self.broken.contains(&Broken { fault, machine: who }) {
            return;
        }
        self.broken.retain(|b| *b != Broken { fault, machine: who });
        let machines = machines(who);
        let text = match self.rig.mend(fault, &machines) {
            Ok(()) => format!("[demo] mended: {}{}", words(&fault), of(&machines)),
            Err(e) => format!("[demo] {e}"),
        };
        self.say(now(), &text);
    }

    fn another_song(&self) -> u16 {
        let playing = self.rig.snapshot().and_then(|s| s.song).map_or(1, |s| s.value.number);
        playing % self.show.songs.len().max(1) as u16 + 1
    }

    fn say(&self, at: MonoTime, text: &str) {
        let s = (at - self.began).secs_f64().max(0.0);
        let line = format!("{:3}:{:06.3}  {text}", (s / 60.0) as u64, s % 60.0);
        println!("{line}");
        let mut board = self.board();
        board.lines.push(line);
        let surplus = board.lines.len().saturating_sub(LINES);
        board.lines.drain(..surplus);
    }

    fn board(&self) -> std::sync::MutexGuard<'_, Board> {
        self.board.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

fn machines(who: Option<Who>) -> Vec<Machine> {
    who.map_or_else(Vec::new, |w| w.among(MACHINES, Machine::A))
}

fn of(machines: &[Machine]) -> String {
    let letters: Vec<String> = machines.iter().map(Machine::to_string).collect();
    if letters.is_empty() { String::new() } else { format!(" ({})", letters.join(" and ")) }
}

/// The port after the page's, or any that is free.
fn panel_listener(page_port: Option<u16>) -> Result<TcpListener, DemoError> {
    let beside = page_port.and_then(|p| TcpListener::bind((Ipv4Addr::LOCALHOST, p + 1)).ok());
    match beside {
        Some(l) => Ok(l),
        None => TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(DemoError::of("the panel")),
    }
}

/// Keeps the headline fresh. It may have to wait for a supervisor that was frozen, so it has a thread of its own.
fn watch(page: SocketAddr, board: Arc<Mutex<Board>>) -> Result<(), DemoError> {
    let run = move || {
        let client: ureq::Agent =
            ureq::Agent::config_builder().timeout_global(Some(Duration::from_millis(1_500))).build().into();
        loop {
            let headline =
                look(&client, page).map_or_else(|| "The supervisor does not answer.".into(), |s| s.headline.text);
            board.lock().unwrap_or_else(std::sync::PoisonError::into_inner).headline = headline;
            std::thread::sleep(Duration::from_millis(400));
        }
    };
    std::thread::Builder::new().name("headline".into()).spawn(run).map(drop).map_err(DemoError::of("the panel"))
}

/// Sends [`Order::End`] on Ctrl-C, or when the system asks us to end.
fn end_on_signals(tell: Sender<Order>) -> Result<(), DemoError> {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(DemoError::of("signals"))?;
    let wait = move || {
        let told = runtime.block_on(async {
            let mut term = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
            tokio::select! {
                r = tokio::signal::ctrl_c() => r,
                _ = term.recv() => Ok(()),
            }
        });
        if told.is_ok() {
            let _ = tell.send(Order::End);
        }
    };
    std::thread::Builder::new().name("signals".into()).spawn(wait).map(drop).map_err(DemoError::of("signals"))
}

/// Opens the page in a browser where there is a desk to open it on. No browser is no fault.
fn open(page: &str) {
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else if ["DISPLAY", "WAYLAND_DISPLAY"].iter().any(|v| std::env::var_os(v).is_some()) {
        "xdg-open"
    } else {
        return;
    };
    let quiet = || std::process::Stdio::null();
    let _ = std::process::Command::new(opener).arg(page).stdin(quiet()).stdout(quiet()).stderr(quiet()).spawn();
}
