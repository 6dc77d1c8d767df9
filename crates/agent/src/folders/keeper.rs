//! The thread that looks at the session folders again and again, tells what it knows of them, and answers for their parts.
//!
//! It looks while nothing rolls: by walking, not by being told of changes, since a system's notices are limited in number (Linux: so many
//! folders a user), are not sent for shares on a network, and are lost by whoever was not running. A walk over unchanged folders reads
//! no file; a walk that takes long is made seldom, so that walking takes a
//! fiftieth of the time at most, however many files there are.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::{Duration, Instant};

use settings::agent::{Folder, Hashing};
use wire::Up;
use wire::manifest::{Digest, Listing, Loaded, Manifest, Progress, WantListing, printable};

use super::{Done, Look, LookError, Pace, Since, Tree};
use crate::news::NewsDesk;

/// Between two looks at what is asked.
const TURN: Duration = Duration::from_millis(200);
/// What has not changed is told again after this long: the lane that carried it may have been cut.
const AGAIN: Duration = Duration::from_secs(5);
/// Progress is told so often.
const PROGRESS: Duration = Duration::from_secs(1);
/// A walk may take this share of the time: one part in so many.
const SHARE: u32 = 50;
/// Entries of one part.
const MOST: usize = 500;

/// What the supervisor asks.
pub enum Ask {
    /// A part of a folder.
    Part(WantListing),
    /// A look at once.
    Again {
        /// Read everything.
        everything: bool,
    },
}

/// What the thread needs.
pub struct Keeper {
    /// The folders.
    pub folders: Vec<Folder>,
    /// How they are looked at.
    pub hashing: Hashing,
    /// Where their trees are kept.
    pub dir: PathBuf,
    /// Where messages go.
    pub bulk: SyncSender<Up>,
    /// What is asked.
    pub asks: Receiver<Ask>,
    /// Whether a song rolls.
    pub rolling: Arc<AtomicBool>,
    /// Who knows the player's process.
    pub desk: NewsDesk,
}

impl Keeper {
    /// Starts the thread.
    ///
    /// # Errors
    /// When its folder or the thread cannot be made.
    pub fn start(self) -> std::io::Result<()> {
        std::fs::create_dir_all(&self.dir)?;
        let named = std::thread::Builder::new().name("folders".into()).stack_size(super::deep_stack());
        named.spawn(move || {
            ports::os::make_patient();
            self.run();
        })?;
        Ok(())
    }

    fn run(self) {
        let mut kept: Vec<Kept> = self.folders.iter().map(|f| Kept::open(f, &self.dir)).collect();
        let post = Post { bulk: self.bulk, rolling: self.rolling, hashing: self.hashing };
        let mut everything = false;
        let mut player: Option<(u32, i64)> = None;
        loop {
            let ask = match self.asks.recv_timeout(TURN) {
                Ok(ask) => Some(ask),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            match ask {
                Some(Ask::Part(want)) => answer(&mut kept, &want, &post),
                Some(Ask::Again { everything: all }) => {
                    everything |= all;
                    kept.iter_mut().for_each(|k| k.due = None);
                }
                None => {}
            }
            let process = self.desk.player();
            if process != player.map(|p| p.0) {
                player = process.and_then(|p| Some((p, crate::player::started(p)?)));
            }
            for i in 0..kept.len() {
                if kept[i].player != player {
                    kept[i].player = player;
                    kept[i].replaced = None;
                    kept[i].due = None;
                }
                if kept[i].due.is_none_or(|d| Instant::now() >= d) && post.may_read() {
                    look(&mut kept, i, everything, &post, &self.asks);
                }
                kept[i].tell(&post, None);
            }
            everything &= kept.iter().any(|k| k.due.is_none());
        }
    }
}

/// The way out, and what the pace depends on.
struct Post {
    bulk: SyncSender<Up>,
    rolling: Arc<AtomicBool>,
    hashing: Hashing,
}

impl Post {
    fn may_read(&self) -> bool {
        self.hashing.while_rolling || !self.rolling.load(Ordering::Relaxed)
    }
}

/// A folder with what is known of it.
struct Kept {
    folder: Folder,
    rules: Digest,
    file: PathBuf,
    /// The tree that parts are answered from.
    served: Option<Tree>,
    look: u64,
    trouble: String,
    since: Option<Since>,
    /// The player's process and when it was started.
    player: Option<(u32, i64)>,
    /// Files that it holds though others have taken their places, and when that was looked up.
    replaced: Option<(Option<u64>, Instant)>,
    due: Option<Instant>,
    told: Option<(Manifest, Instant)>,
}

impl Kept {
    fn open(folder: &Folder, dir: &Path) -> Kept {
        let mut rules = blake3::Hasher::new();
        for p in folder.ignore.patterns() {
            rules.update(&(p.len() as u64).to_le_bytes()).update(p.as_bytes());
        }
        let name = blake3::hash(folder.name.as_bytes()).to_hex();
        let file = dir.join(format!("{}.tree", &name[..16]));
        Kept {
            folder: folder.clone(),
            rules: *rules.finalize().as_bytes(),
            served: open_tree(&file, &folder.path),
            file,
            // A number of a former start means nothing to anybody: begin anywhere.
            look: u64::from_le_bytes(*ports::os::random_id().first_chunk().unwrap_or(&[0; 8])) >> 8,
            trouble: String::new(),
            since: None,
            player: None,
            replaced: None,
            due: None,
            told: None,
        }
    }

    fn manifest(&self, progress: Option<Progress>) -> Manifest {
        let since = self.since.clone().unwrap_or_default();
        Manifest {
            folder: self.folder.name.clone(),
            look: self.look,
            sum: self.served.as_ref().map(|t| *t.sum()).filter(|_| self.trouble.is_empty()),
            looked_ns: self.served.as_ref().map_or(0, Tree::looked_ns),
            rules: self.rules,
            trouble: self.trouble.clone(),
            progress,
            loaded: Loaded {
                player_since_ns: self.player.map(|p| p.1),
                changed: since.files,
                first_ns: since.first_ns,
                last_ns: since.last_ns,
                example: printable(&since.example),
                replaced: self.replaced.and_then(|r| r.0),
            },
        }
    }

    /// Tells it when it changed, and now and then.
    fn tell(&mut self, post: &Post, progress: Option<Progress>) {
        let recent = self.told.as_ref().is_some_and(|(_, at)| at.elapsed() < PROGRESS);
        if recent {
            return;
        }
        if self.replaced.is_none_or(|(_, at)| at.elapsed() >= AGAIN) {
            let files = self.player.and_then(|(process, _)| replaced(process, &self.folder.path));
            self.replaced = Some((files, Instant::now()));
        }
        let manifest = self.manifest(progress);
        let same = self.told.as_ref().is_some_and(|(m, at)| *m == manifest && at.elapsed() < AGAIN);
        if !same && post.bulk.try_send(Up::Manifest(Box::new(manifest.clone()))).is_ok() {
            self.told = Some((manifest, Instant::now()));
        }
    }
}

/// A tree of this folder.
fn open_tree(file: &Path, root: &Path) -> Option<Tree> {
    Tree::open(std::fs::File::open(file).ok()?).filter(|t| t.path() == root.as_os_str().as_encoded_bytes())
}

/// Files below `root` that the process holds although they have no name any more.
fn replaced(process: u32, root: &Path) -> Option<u64> {
    let root = root.canonicalize().unwrap_or_else(|_| root.to_owned());
    let gone = |p: &PathBuf| p.starts_with(&root) && p.as_os_str().as_encoded_bytes().ends_with(b" (deleted)");
    Some(ports::os::open_files(process)?.iter().filter(|p| gone(p)).count() as u64)
}

fn answer(kept: &mut [Kept], want: &WantListing, post: &Post) {
    let Some(k) = kept.iter_mut().find(|k| k.folder.name == want.folder) else { return };
    match k.served.as_ref().filter(|_| k.look == want.look) {
        Some(tree) => {
            let page = tree.page(want.block, want.from, MOST);
            let listing = Listing {
                folder: want.folder.clone(),
                look: want.look,
                block: want.block,
                from: want.from,
                entries: page.entries,
                next: page.next,
            };
            // One that is lost is asked for again.
            let _ = post.bulk.try_send(Up::Listing(listing));
        }
        None => k.told = None,
    }
}

/// A look at folder `i`, during which all are answered for.
fn look(kept: &mut [Kept], i: usize, everything: bool, post: &Post, asks: &Receiver<Ask>) {
    let k = &kept[i];
    let (folder, file, player) = (k.folder.clone(), k.file.clone(), k.player);
    let fresh = file.with_extension("new");
    let old = open_tree(&file, &folder.path);
    let began = Instant::now();
    let total = match &old {
        Some(t) => (t.sum().files, t.sum().bytes),
        None => {
            let all = super::count(&folder.path, &folder.ignore);
            (all.files, all.bytes)
        }
    };
    let out = std::fs::File::options().read(true).write(true).create(true).truncate(true).open(&fresh);
    let mut pace = Turns { kept, i, post, asks, total, read: 0, since: began, in_file: 0, rate: 0, window: (began, 0) };
    let looked = out.map_err(LookError::Keep).and_then(|out| {
        let what = Look {
            root: &folder.path,
            ignore: &folder.ignore,
            old: old.as_ref(),
            trust_marks: !everything,
            changed_after_ns: player.map(|p| p.1),
            wall_ns: || ports::os::wall_now().0,
        };
        super::look(&what, out, &mut pace)
    });
    let looked = looked.and_then(|l| std::fs::rename(&fresh, &file).map(|()| l).map_err(LookError::Keep));
    let k = &mut kept[i];
    // The next look waits so long that looking takes a small part of the time.
    let pause = Duration::from_nanos(u64::try_from(post.hashing.every.0.nanos()).unwrap_or(0));
    k.due = Some(Instant::now() + pause.max(began.elapsed() * SHARE));
    match looked {
        Ok(l) => {
            k.trouble.clear();
            k.since = l.since;
            let same = |a: &wire::manifest::FolderSum, b: &wire::manifest::FolderSum| {
                (a.content, a.times, a.troubles) == (b.content, b.times, b.troubles)
            };
            if k.served.as_ref().is_none_or(|s| !same(s.sum(), l.tree.sum())) {
                tracing::info!(
                    "folder {}: {} files, {} of them new or changed",
                    folder.name,
                    l.done.files,
                    l.done.changed
                );
                k.look += 1;
                k.served = Some(l.tree);
            }
        }
        Err(LookError::GivenUp) => k.due = None,
        Err(e) => {
            let why = e.to_string();
            if k.trouble != why {
                tracing::warn!("folder {}: {why}", folder.name);
            }
            k.trouble = why;
        }
    }
    // What a look found is told at once.
    if let Some((_, at)) = &mut k.told {
        *at = at.checked_sub(AGAIN).unwrap_or(*at);
    }
}

/// The pace of a look: not faster than allowed, not while a song rolls, and nobody waits for an answer meanwhile.
struct Turns<'a> {
    kept: &'a mut [Kept],
    i: usize,
    post: &'a Post,
    asks: &'a Receiver<Ask>,
    total: (u64, u64),
    /// Bytes read since then, for the limit.
    read: u64,
    since: Instant,
    in_file: u64,
    rate: u64,
    /// Where the window began that the rate is told of, and what had been read then.
    window: (Instant, u64),
}

impl Turns<'_> {
    fn serve(&mut self, done: &Done, waits: bool) {
        while let Ok(ask) = self.asks.try_recv() {
            match ask {
                Ask::Part(want) => answer(self.kept, &want, self.post),
                Ask::Again { .. } => {}
            }
        }
        let (at, read) = self.window;
        if at.elapsed() >= PROGRESS {
            self.rate = ((done.read - read) as f64 / at.elapsed().as_secs_f64()) as u64;
            self.window = (Instant::now(), done.read);
        }
        let progress = Progress {
            files: done.files,
            of_files: self.total.0.max(done.files),
            bytes: done.bytes + self.in_file,
            of_bytes: self.total.1.max(done.bytes + self.in_file),
            rate: self.rate,
            waits,
        };
        // A look that ends at once is not worth a word.
        if self.since.elapsed() >= PROGRESS || waits {
            self.kept[self.i].tell(self.post, Some(progress));
        }
    }
}

impl Pace for Turns<'_> {
    fn on_progress(&mut self, done: &Done, read_now: usize) -> bool {
        self.in_file = if read_now == 0 { 0 } else { self.in_file + read_now as u64 };
        if read_now == 0 && !done.files.is_multiple_of(64) {
            return true;
        }
        self.serve(done, false);
        while !self.post.may_read() {
            self.serve(done, true);
            std::thread::sleep(TURN);
            (self.read, self.since) = (0, Instant::now());
        }
        self.read += read_now as u64;
        let most = u64::from(self.post.hashing.rate) * 1_000_000;
        if most > 0 {
            let due = Duration::from_secs_f64(self.read as f64 / most as f64);
            let ahead = due.saturating_sub(self.since.elapsed());
            if ahead > Duration::from_millis(5) {
                std::thread::sleep(ahead.min(TURN));
            }
        }
        true
    }
}
