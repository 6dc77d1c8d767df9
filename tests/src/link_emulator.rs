//! A link in user space between two hosts: frames go from one TAP device to the other with delay, jitter (and with it reordering),
//! loss, duplicates, bursts of loss and corruption, each direction with its own luck. The same seed gives the same fates.
//!
//! TAP devices: Linux, Documentation/networking/tuntap.rst.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::{AsFd, AsRawFd};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use base::{MonoTime, Span};
use nix::poll::{PollFd, PollFlags, ppoll};
use nix::sys::time::TimeSpec;
use stage::os::{make_urgent, now};
use stage::seed::Sequence;
use stage::weather::{Sky, Weather};

use crate::namespaces::Namespace;

/// What a link does to frames.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rough {
    /// Delay, jitter, loss, duplicates, bursts.
    pub weather: Weather,
    /// The chance that one byte of a frame is another one when it arrives, 0..1.
    pub corrupt: f64,
}

/// What it did, both directions together.
#[derive(Default, Debug)]
pub struct Counts {
    /// Frames that came out.
    pub carried: AtomicU64,
    /// Frames that were lost.
    pub lost: AtomicU64,
    /// Frames that came out damaged.
    pub damaged: AtomicU64,
}

impl Counts {
    /// Frames carried, lost and damaged so far, in this order.
    pub fn so_far(&self) -> [u64; 3] {
        [&self.carried, &self.lost, &self.damaged].map(|c| c.load(Ordering::Relaxed))
    }
}

/// A running link. It ends when it is dropped, and its devices with it.
pub struct LinkEmulator {
    rough: Arc<Mutex<Rough>>,
    counts: Arc<Counts>,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl LinkEmulator {
    /// A link between two new interfaces, each given by its host and name. They still need addresses, and to be put up.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn start(a: (&Namespace, &str), b: (&Namespace, &str), seed: u64) -> LinkEmulator {
        let [one, two] = [a, b].map(|(host, name)| host.inside(|| tap(name)).unwrap());
        let (rough, counts, ending) = (Arc::<Mutex<Rough>>::default(), Arc::<Counts>::default(), Arc::default());
        let mut link =
            LinkEmulator { rough: rough.clone(), counts: counts.clone(), ending: Arc::clone(&ending), thread: None };
        let carry = move || {
            // Below the kernel's own threads, above the beats: a link does not wait for a processor.
            let _ = make_urgent(60);
            carry([one, two], seed, &rough, &counts, &ending);
        };
        let thread = std::thread::Builder::new().name("link".into()).spawn(carry).unwrap();
        link.thread = Some(thread);
        link
    }

    /// Changes what it does, from the next frame on.
    pub fn set(&self, rough: Rough) {
        *self.rough.lock().unwrap_or_else(PoisonError::into_inner) = rough;
    }

    /// What it has done.
    pub fn counts(&self) -> Arc<Counts> {
        self.counts.clone()
    }
}

impl Drop for LinkEmulator {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::Relaxed);
        if let Some(t) = self.thread.take() {
            let _ = t.join();
        }
    }
}

/// Frames under way, soonest first; the number keeps those of one instant in order. The place is where they go.
type UnderWay = BinaryHeap<Reverse<(MonoTime, u64, usize, Vec<u8>)>>;

fn carry(mut ends: [File; 2], seed: u64, rough: &Mutex<Rough>, counts: &Counts, ending: &AtomicBool) {
    let mut skies = [Sky::new(seed), Sky::new(!seed)];
    let mut luck = Sequence::new(seed ^ 0xc0);
    let mut under_way = UnderWay::new();
    let mut number = 0;
    let mut buffer = [0u8; 2048];
    while !ending.load(Ordering::Relaxed) {
        wait(&ends, under_way.peek().map(|Reverse((due, ..))| *due));
        let rough = *rough.lock().unwrap_or_else(PoisonError::into_inner);
        for from in 0..2 {
            while let Ok(n) = ends[from].read(&mut buffer) {
                let at = now();
                let fate = skies[from].fate(&rough.weather, at);
                if fate.first.is_none() {
                    counts.lost.fetch_add(1, Ordering::Relaxed);
                }
                for takes in [fate.first, fate.second].into_iter().flatten() {
                    let mut frame = buffer[..n].to_vec();
                    if luck.unit() < rough.corrupt && n > 0 {
                        let place = (luck.unit() * n as f64) as usize;
                        frame[place.min(n - 1)] ^= 1 << ((luck.unit() * 8.0) as u8 % 8);
                        counts.damaged.fetch_add(1, Ordering::Relaxed);
                    }
                    number += 1;
                    under_way.push(Reverse((at + takes, number, 1 - from, frame)));
                }
            }
        }
        let at = now();
        while under_way.peek().is_some_and(|Reverse((due, ..))| *due <= at) {
            if let Some(Reverse((_, _, to, frame))) = under_way.pop() {
                // A device that is down takes nothing: lost, as on a cable that is out.
                let took = ends[to].write(&frame).is_ok();
                let count = if took { &counts.carried } else { &counts.lost };
                count.fetch_add(1, Ordering::Relaxed);
            }
        }
    }
}

fn wait(ends: &[File; 2], due: Option<MonoTime>) {
    let longest = Span::from_millis(50);
    let left = due.map_or(longest, |d| (d - now()).clamp(Span::ZERO, longest));
    let mut fds = [&ends[0], &ends[1]].map(|f| PollFd::new(f.as_fd(), PollFlags::POLLIN));
    let _ = ppoll(&mut fds, Some(TimeSpec::from(Duration::from_nanos(left.nanos().max(0) as u64))), None);
}

/// A new TAP device on the calling thread's host. Each read and write is one Ethernet frame.
fn tap(name: &str) -> std::io::Result<File> {
    use nix::libc;
    let file = File::options().read(true).write(true).open("/dev/net/tun")?;
    nix::fcntl::fcntl(&file, nix::fcntl::FcntlArg::F_SETFL(nix::fcntl::OFlag::O_NONBLOCK))?;
    let mut name_bytes = [0 as libc::c_char; libc::IFNAMSIZ];
    for (to, from) in name_bytes.iter_mut().zip(name.bytes().take(libc::IFNAMSIZ - 1)) {
        *to = from as libc::c_char;
    }
    let mut request = libc::ifreq {
        ifr_name: name_bytes,
        ifr_ifru: libc::__c_anonymous_ifr_ifru { ifru_flags: (libc::IFF_TAP | libc::IFF_NO_PI) as libc::c_short },
    };
    // SAFETY: TUNSETIFF reads and writes one `ifreq`, which lives on this frame, through a descriptor that is open.
    #[allow(unsafe_code)]
    let done = unsafe { libc::ioctl(file.as_raw_fd(), libc::TUNSETIFF as _, &raw mut request) };
    if done < 0 { Err(std::io::Error::last_os_error()) } else { Ok(file) }
}
