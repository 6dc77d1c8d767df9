//! The supervisor: sockets, watch thread, changeover outputs, page and API.
//!
//! Threads: the *watch* (beats in, commands out; waits for nobody), the *scribe* (words, record, snapshots), one for each agent's
//! urgent lane, one for the tap, one for each output that may block, and tokio's for the page. News travels to the watch
//! through `to_watch`, from it through `from_watch`: nothing else is shared.

mod alarm_sound;
mod buttons;
pub mod check;
mod cue_lights;
mod desk;
mod ears;
mod failures;
mod from_watch;
pub mod house;
mod lanes;
mod last_acts;
mod listeners;
mod memory;
pub mod outputs;
mod own_link;
pub mod page;
pub mod parity;
mod patches;
mod scribe;
pub mod setlist;
mod setup;
pub mod snapshot;
mod tap;
mod tape;
mod to_watch;
mod watch_thread;

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex};

use base::Hertz;
use ports::os::{Gate, began_anew_after, mono_now, vital, wall_now};
use watch::Brain;

use crate::last_acts::LastActs;
pub use crate::listeners::Listener;
use crate::memory::Kept;
use crate::outputs::{OutputNews, Outputs, Tell};
use crate::scribe::{Answers, HistoryBook, Scribe, ScribeDesk, State, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// Why a supervisor could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// A file could not be read or made.
    #[error("{0}: {1}")]
    File(PathBuf, std::io::Error),
    /// The configuration is wrong.
    #[error(transparent)]
    Settings(#[from] settings::SettingsError),
    /// A key or a file that is not to be trusted.
    #[error("{place}: {why}\n  mend: {mend}")]
    Trust {
        /// File, or file and key.
        place: String,
        /// What is wrong.
        why: String,
        /// What to do.
        mend: &'static str,
    },
    /// The page cannot be bound as configured.
    #[error(transparent)]
    Page(#[from] page::PageError),
    /// The page cannot be sealed as configured.
    #[error(transparent)]
    Tls(#[from] page::tls::TlsError),
    /// Whoever listens to the machines could not begin.
    #[error("the machines cannot be listened to: {0}")]
    Listen(String),
    /// A socket or thread could not be made.
    #[error("{0}")]
    System(#[from] std::io::Error),
}

/// How a supervisor ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ended {
    /// It was told to stop.
    Stopped,
    /// Somebody changed the rig's files, and asked for a start with them.
    Again,
}

/// Runs the supervisor described by `rig.toml` until `stop` resolves, or somebody asks for a new start. Where it alone hears the machines, `listen` starts those who
/// listen to them, in this very process; they connect as agents do.
///
/// # Errors
/// What keeps it from starting, or a page that cannot be served any more.
pub fn run(
    config: &Path,
    listen: impl FnOnce(Vec<Listener>) -> Result<(), Box<dyn std::error::Error>>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, StartError> {
    let loaded = setup::load(config, wall_now())?;
    std::fs::create_dir_all(&loaded.shows).map_err(|e| StartError::File(loaded.shows.clone(), e))?;
    let facts = Arc::new(loaded.facts);
    let mut kept = Kept::open(&loaded.shows, &facts.title(), wall_now(), setup::first_mode(&facts.rig));

    // Sockets and outputs are opened before anything can need them.
    let listen_at = &facts.rig.listen;
    let mut addresses = listen_at.paths.clone();
    addresses.extend((0..Outputs::sockets(&facts.rig.outputs)).map(|_| std::net::SocketAddr::from(([0, 0, 0, 0], 0))));
    let gate = Gate::bind(&addresses)?;
    let (watch_desk, to) = WatchDesk::new(gate.waker());
    let (scribe_desk, from_others) = ScribeDesk::new();
    let tell = output_news(config, &facts, &watch_desk, &scribe_desk);
    let outputs = Outputs::open(&facts.rig.outputs, facts.rig.machines.len(), listen_at.paths.len(), &tell)?;

    let replaced = kept.note_machines(&facts.rig.machines, wall_now());
    let meta = setup::show_meta(&facts, &kept);
    let recorder = showlog::Recorder::open(&loaded.shows, &meta, mono_now(), wall_now());
    let recorder = recorder.inspect_err(|e| tracing::error!("there will be no record: {e}")).ok();
    let acts = acts(&loaded.shows, recorder.as_ref());
    let lines = std::fs::OpenOptions::new().create(true).append(true).open(loaded.shows.join("events.jsonl")).ok();

    let (snapshots_to, snapshots) = tokio::sync::watch::channel(Arc::new(snapshot::Snapshot::starting(mono_now())));
    let history: Arc<Mutex<HistoryBook>> = Arc::default();
    let answers: Answers = Arc::default();
    let lies = ears::Lies::default();
    let wishes = tape::Wishes::default();
    let set: Arc<Mutex<setlist::SetList>> = Arc::new(Mutex::new(kept.set_list(&facts.spare())));
    let (from_to, from_watch) = rtrb::RingBuffer::new(512);
    let check = check::CheckDesk::open(&loaded.shows);
    let session_key = kept.session_key;
    let memory = kept.memory;
    let button_book = buttons::Book::of(&facts.rig.buttons);
    let cue_lights = cue_lights::CueLights::default();
    let alarms = alarm_sound::AlarmDesk::new(facts.rig.alarm_sound.as_ref());
    let (patches, patch_news) = patches::PatchDesk::new(&facts);
    let scribe = Scribe {
        from_watch,
        from_others,
        record: recorder.as_ref().map(showlog::Recorder::handle),
        lines,
        kept,
        dir: loaded.shows.clone(),
        facts: facts.clone(),
        snapshots: snapshots_to,
        history: history.clone(),
        answers: answers.clone(),
        lies: lies.clone(),
        wishes: wishes.clone(),
        set: set.clone(),
        patches: patches.clone(),
        buttons: button_book.clone(),
        cue_lights: cue_lights.clone(),
        alarm_sound: alarms.clone(),
        check: check.clone(),
        state: State::of(outputs.health().to_vec()),
    };
    let scribe_thread = vital("scribe", move || scribe.run())?;
    scribe_desk.serve(scribe_thread.thread().clone());
    let said = scribe_desk.clone();
    failures::tell_of_them(move |text| said.tell(ToScribe::Said { code: "part-failed", text }));

    let watch = watch_thread::WatchThread {
        brain: Box::new(Brain::new(setup::brain_setup(&facts), memory, mono_now())),
        gate,
        paths: listen_at.paths.len(),
        outputs,
        to,
        from: from_to,
        scribe: scribe_thread.thread().clone(),
        said: None,
        replies: Default::default(),
        sleep: Default::default(),
        commanded: None,
        failed: false,
        acts,
    };
    let said = scribe_desk.clone();
    let watch_thread = vital("watch", move || {
        watch.run(|u| said.tell(ToScribe::Said { code: "started", text: format!("The supervisor watches with {u}.") }));
    })?;

    own_link::start(&listen_at.paths, watch_desk.clone(), scribe_desk.clone())?;
    if let (Some(source), Some(entry)) = (loaded.tap, &facts.rig.tap) {
        let (programme, floor) = (entry.programme.clone(), entry.floor.map(base::Dbfs));
        let pilots = facts.rig.machines.iter().map(|m| m.pilot.map(Hertz)).collect();
        let (watch, scribe) = (watch_desk.clone(), scribe_desk.clone());
        tap::start(source, tap::Wanted { programme, floor, pilots, watch, scribe, wishes })?;
    }
    patches.start(patch_news, facts.clone(), scribe_desk.clone(), watch_desk.clone())?;
    let ears = ears::start(lies, watch_desk.clone(), scribe_desk.clone())?;
    let speakers = lanes::Speakers::default();
    let parity = parity::start(facts.rig.machines.len(), speakers.clone(), watch_desk.clone(), scribe_desk.clone())?;
    let lanes = lanes::Lanes {
        me: loaded.me,
        rig: facts.rig.rig_id,
        known: loaded.known,
        beat_interval: base::Span::from_millis(5),
        watch: watch_desk.clone(),
        scribe: scribe_desk.clone(),
        in_ears: facts.rig.in_ears.clone(),
        ears,
        parity: parity.clone(),
        patches: patches.clone(),
        speakers,
    };
    let lanes_at = lanes::start(listen_at.lanes, lanes)?;
    tracing::info!("agents connect to {lanes_at}");
    if !loaded.listeners.is_empty() {
        listen(loaded.listeners).map_err(|e| StartError::Listen(e.to_string()))?;
    }

    let desk = Arc::new(desk::SupervisorDesk {
        snapshots,
        watch: watch_desk.clone(),
        scribe: scribe_desk,
        answers,
        tickets: AtomicU64::new(1),
        history,
        facts: facts.clone(),
        parity,
        set,
        patches,
        alarm_sound: alarms.clone(),
        check,
        record: recorder.as_ref().map(showlog::Recorder::handle),
        record_at: recorder.as_ref().map(|r| r.path().to_owned()),
        shows: loaded.shows,
        config: config.to_owned(),
        again: Arc::default(),
    });
    for text in replaced {
        desk.scribe.tell(ToScribe::Said { code: "machine-replaced", text });
    }
    if let Some(thread) = began_anew_after() {
        let text =
            format!("The supervisor began anew by itself: its thread \"{thread}\" had failed. Its log says where.");
        desk.scribe.tell(ToScribe::Said { code: "began-anew", text });
    }
    say_whose_word(&desk);
    cue_lights.start(&facts.rig.cue_lights, desk.snapshots.clone())?;
    alarms.start(facts.rig.alarm_sound.as_ref(), desk.snapshots.clone(), desk.scribe.clone())?;
    buttons::start(&facts.rig.buttons, &button_book, desk.clone(), &desk.scribe)?;
    if let Some(tls) = &loaded.tls {
        say_certificate(&desk, tls);
    }
    let served = serve_page(desk, &facts.rig, session_key, loaded.tls, stop);
    watch_desk.tell(ToWatch::End);
    let _ = watch_thread.join();
    let _ = scribe_thread.join();
    if let Some(r) = recorder {
        r.close();
    }
    served
}

/// A rig whose file says `act` acts at once, so that a supervisor that is started anew in the show protects it. Where no check stands that
/// is the word of whoever wrote the file, and the record says so.
fn say_whose_word(desk: &desk::SupervisorDesk) {
    if desk.facts.rig.mode == settings::rig::Mode::Act
        && let Err(why) = desk.check_stands()
    {
        let text = format!("rig.toml says `mode = \"act\"`: that is taken as a person's word. {why}");
        desk.scribe.tell(ToScribe::Said { code: "acts-unchecked", text });
    }
}

/// With what the page is sealed, so that a person can compare it, and whether that ends soon.
fn say_certificate(desk: &desk::SupervisorDesk, tls: &page::tls::Tls) {
    tracing::info!(
        "the page's certificate has the SHA-256 fingerprint {}: compare it on each device",
        tls.fingerprint()
    );
    if tls.expiring() {
        tracing::error!("{}", tls.words());
        desk.scribe.tell(ToScribe::Said { code: "certificate-expires", text: tls.words().to_owned() });
    }
}

/// Completes the record with what was done last by a run that was killed, and begins to note anew.
fn acts(shows: &Path, recorder: Option<&showlog::Recorder>) -> LastActs {
    let Some(recorder) = recorder else { return LastActs::begin(shows) };
    let added = last_acts::complete(&last_acts::left(shows), recorder.path(), &recorder.handle(), scribe::wall_at);
    if added > 0 {
        tracing::warn!("{added} steps of the last changeovers were not in the record: they are now");
        if recorder.flush(std::time::Duration::from_secs(2)).is_err() {
            // They stay where they are until they are on the disk.
            return LastActs::NONE;
        }
    }
    LastActs::begin(shows)
}

/// Where each kind of news from the outputs goes, with the key of the file that an error is about.
fn output_news(config: &Path, facts: &scribe::Facts, watch: &WatchDesk, scribe: &ScribeDesk) -> Tell {
    let key = |(i, o): (usize, &settings::rig::Output)| format!("output[{i}].{}", o.place_key());
    let keys: Vec<String> = facts.rig.outputs.iter().enumerate().map(key).collect();
    let (file, watch, scribe) = (config.display().to_string(), watch.clone(), scribe.clone());
    Arc::new(move |news| match news {
        OutputNews::Heard(view, at) => _ = watch.tell(ToWatch::Switch(view, at)),
        OutputNews::Opened { output, label } => {
            tracing::info!("output {} is open: {label}", output + 1);
            let text = format!("Output {} is open: {label}.", output + 1);
            scribe.tell(ToScribe::Said { code: "output-open", text });
        }
        OutputNews::Gone { output, label, why } => {
            let key = keys.get(output).map_or("output", String::as_str);
            tracing::error!(
                "{file}: {key}: {label} cannot be used: {why}\n  mend: see that it is on and connected, or correct the key; it is tried on"
            );
            let text = format!("Output {} cannot be used: {label}: {why}. It is tried on.", output + 1);
            scribe.tell(ToScribe::Said { code: "output-gone", text });
        }
        OutputNews::Failed { output, number, label, why } => {
            watch.tell(ToWatch::OutputFailed(number));
            tracing::error!("output {}: a command failed: {label}: {why}", output + 1);
            let text = format!("Output {} failed: {label}: {why}.", output + 1);
            scribe.tell(ToScribe::Said { code: "output-failed", text });
        }
    })
}

fn serve_page(
    desk: Arc<desk::SupervisorDesk>,
    rig: &settings::RigFile,
    session_key: [u8; 32],
    tls: Option<page::tls::Tls>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, StartError> {
    let again = desk.again.clone();
    let listen = &rig.listen;
    let mut config = page::PageConfig {
        bind: listen.page,
        names: listen.names.clone(),
        operator_hash: listen.operator.clone(),
        session_key,
        tls: tls.clone(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(async move {
        let listener = tokio::net::TcpListener::bind(config.bind)
            .await
            .map_err(|e| std::io::Error::new(e.kind(), format!("listen.page {}: {e}", config.bind)))?;
        config.bind = listener.local_addr()?;
        let router = page::router(desk, &config, axum::Router::new())?;
        let scheme = if tls.is_some() { "https" } else { "http" };
        tracing::info!("the page is at {scheme}://{}", config.bind);
        let mut ended = Ended::Stopped;
        let over = async {
            tokio::select! {
                () = stop => {}
                () = again.notified() => ended = Ended::Again,
            }
        };
        page::serve(listener, tls, router, over).await?;
        Ok(ended)
    })
}
