//! Whatever the protocol lets an agent, a supervisor or a player say: each kind of message with numbers at which sums run over, texts of any kind, and lists of any
//! length. The same seed says the same.

use base::{
    AudioState, FrameRate, Machine, MachineId, PlayerState, PositionReport, RemoteTime, ShowPosition, SourceKind, Span,
    SwitchView, TransportState,
};
use wire::manifest::{Entry, FolderSum, Listing, Loaded, Manifest, Progress, WantListing, What};
use wire::message::{
    ChannelMeters, Down, Excerpt, Exclusive, ExclusivePart, GoodbyeWhy, Health, Hello, Inventory, Kit, Lost, Meters,
    PatchMessage, PatchStream, RefuseWhy, SourceInfo, SourceState, TriggerKind,
};
use wire::{Beat, BeatReply, CentiDbfs, ChannelLevel, Echo, HostFlags, Pilot, SourceFlags, StopCause, Up};

/// Random numbers (xorshift: G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003), and what is made of them.
pub struct Luck(u64);

impl Luck {
    /// From a seed that is not 0.
    pub fn new(seed: u64) -> Luck {
        Luck(seed | 1)
    }
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }
    fn below(&mut self, n: u64) -> u64 {
        (self.next() >> 16) % n
    }
    fn one<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }
    fn coin(&mut self) -> bool {
        self.below(2) == 0
    }
    fn maybe<T>(&mut self, make: impl FnOnce(&mut Luck) -> T) -> Option<T> {
        self.coin().then(|| make(self))
    }
    fn some<T>(&mut self, most: u64, mut make: impl FnMut(&mut Luck) -> T) -> Vec<T> {
        (0..self.below(most + 1)).map(|_| make(self)).collect()
    }
    /// Of any size: an end of the range, near nothing, or anything.
    fn number(&mut self) -> u64 {
        match self.below(6) {
            0 => u64::MAX - self.below(2),
            1 => (i64::MAX as u64).wrapping_add(self.below(3)),
            2 | 3 => self.below(5),
            _ => self.next() >> self.below(64),
        }
    }
    fn whole(&mut self) -> i64 {
        self.number().cast_signed()
    }
    fn span(&mut self) -> Span {
        Span::from_nanos(self.whole())
    }
    /// On a clock: now or about now, or at any time.
    fn instant(&mut self) -> RemoteTime {
        let now = ports::os::mono_now().nanos();
        RemoteTime::from_nanos(if self.below(3) > 0 {
            now.wrapping_sub(self.below(2_000_000_000))
        } else {
            self.number()
        })
    }
    fn text(&mut self) -> String {
        match self.below(8) {
            0 => String::new(),
            1 => "<script>alert(1)</script>".into(),
            2 => "\u{202e}\0\r\n\"';--\u{1f3b9}".into(),
            3 => "m".repeat(self.below(4_000) as usize),
            _ => self.one(&["keys", "click", "tracks L", "timecode", "feed", "session"]).into(),
        }
    }
    fn bytes(&mut self, most: u64) -> Vec<u8> {
        self.some(most, |l| l.next() as u8)
    }

    /// Of the urgent lane.
    pub fn urgent(&mut self, machine: MachineId) -> Up {
        let at = self.instant();
        match self.below(14) {
            0 => Up::Hello(Hello {
                machine: if self.coin() {
                    machine
                } else {
                    MachineId(self.digest()[..16].try_into().unwrap_or([0; 16]))
                },
                name: self.text(),
                software: self.text(),
                system: self.text(),
                boot: [self.next() as u8; 16],
                epoch: self.number() as u32,
                paths: self.next() as u8,
            }),
            1 => Up::Inventory(Inventory {
                player: self.maybe(Luck::text),
                sources: self.some(20, |l| SourceInfo {
                    name: l.text(),
                    kind: l.maybe(Luck::kind),
                    rate: l.maybe(Luck::rate),
                    state: l.source_state(),
                }),
                channels: self.some(100, Luck::text),
                sample_rate: self.number() as u32,
                real_time: self.coin(),
                notes: self.some(5, Luck::text),
            }),
            2 => Up::Patch {
                at,
                channel: self.next() as u8,
                bank_msb: self.maybe(|l| l.next() as u8),
                bank_lsb: self.maybe(|l| l.next() as u8),
                program: self.next() as u8,
            },
            3 => {
                use TriggerKind as T;
                Up::Trigger { at, what: self.one(&[T::Start, T::Stop, T::Jump, T::OnAir]), bytes: self.bytes(20) }
            }
            4 => Up::PlayerGone { at },
            5 => Up::Goodbye { why: self.one(&[GoodbyeWhy::Stopped, GoodbyeWhy::Suspend, GoodbyeWhy::Failed]) },
            6 => Up::Health(Health {
                cpu_permille: self.maybe(|l| l.next() as u16),
                memory_free: self.maybe(Luck::number),
                disk_free: self.maybe(Luck::number),
                temperature_tenths: self.maybe(|l| l.next() as i16),
                battery_percent: self.maybe(|l| l.next() as u8),
                on_battery: self.maybe(Luck::coin),
                agent_permille: self.maybe(|l| l.next() as u16),
            }),
            7 => Up::Source { at, name: self.text(), state: self.source_state(), why: self.text() },
            8 => Up::Kit(Kit {
                build: self.maybe(Luck::text),
                player: self.maybe(Luck::text),
                player_started: self.maybe(Luck::whole),
                device: self.maybe(Luck::text),
                clock_source: self.maybe(Luck::text),
                sleep_off: self.maybe(Luck::coin),
                updates_off: self.maybe(Luck::coin),
                notifications_off: self.maybe(Luck::coin),
            }),
            9 => Up::LetGo { patches: self.number(), others: self.number() },
            10 => {
                let what = self.one(&[Lost::Zeros, Lost::Repeat, Lost::Jump, Lost::Gap]);
                Up::Dropout { at, length: self.span(), what, channels: self.number() }
            }
            11 => Up::Exclusive(Exclusive {
                input: self.below(4) as u8,
                at,
                place: self.maybe(Luck::span),
                part: match self.below(5) {
                    0 => ExclusivePart::Begun,
                    1 => ExclusivePart::Whole(self.bytes(5_000)),
                    2 => ExclusivePart::TooLong(self.number() as u32),
                    3 => ExclusivePart::Cut,
                    _ => ExclusivePart::Lost(self.number() as u32),
                },
            }),
            _ => Up::Patches(PatchStream {
                input: self.below(4) as u8,
                first: self.number(),
                messages: self.some(200, |l| PatchMessage {
                    at: l.instant(),
                    place: l.maybe(Luck::span),
                    bytes: [l.next() as u8, l.next() as u8, l.next() as u8],
                }),
            }),
        }
    }

    /// Of the bulk lane.
    pub fn heavy(&mut self) -> Up {
        match self.below(4) {
            0 => Up::Excerpt(Excerpt {
                channel: self.text(),
                at: self.instant(),
                rate_millihertz: if self.coin() { 8_000_000 } else { self.number() as u32 },
                samples: self.bytes(16_000),
            }),
            1 => Up::Meters(Meters {
                at: self.instant(),
                since: self.instant(),
                over: self.span(),
                channels: self.some(70, |l| ChannelMeters {
                    true_peak: CentiDbfs(l.next() as i16),
                    highest: CentiDbfs(l.next() as i16),
                    clipped: l.number() as u32,
                    last_clip: l.maybe(Luck::instant),
                    dc: l.next() as i32,
                }),
            }),
            2 => Up::Manifest(Box::new(Manifest {
                folder: self.text(),
                look: self.number(),
                sum: self.maybe(Luck::sum),
                looked_ns: self.whole(),
                rules: self.digest(),
                trouble: self.text(),
                progress: self.maybe(|l| Progress {
                    files: l.number(),
                    of_files: l.number(),
                    bytes: l.number(),
                    of_bytes: l.number(),
                    rate: l.number(),
                    waits: l.coin(),
                }),
                loaded: Loaded {
                    player_since_ns: self.maybe(Luck::whole),
                    changed: self.number(),
                    first_ns: self.whole(),
                    last_ns: self.whole(),
                    example: self.text(),
                    replaced: self.maybe(Luck::number),
                },
            })),
            _ => Up::Listing(Listing {
                folder: self.text(),
                look: self.number(),
                block: self.number(),
                from: self.number(),
                entries: self.some(50, |l| Entry {
                    name: l.bytes(300),
                    modified_ns: l.whole(),
                    what: match l.below(3) {
                        0 => What::Folder(l.sum()),
                        1 => What::File { size: l.number(), content: l.digest() },
                        _ => What::Link { target: l.bytes(50), leaves: l.coin() },
                    },
                }),
                next: self.maybe(Luck::number),
            }),
        }
    }

    /// A beat; mostly with the number that is due.
    pub fn beat(&mut self, due: u32) -> Beat {
        use AudioState as A;
        Beat {
            seq: if self.below(4) > 0 { due } else { self.number() as u32 },
            sent: self.instant(),
            echo: self.maybe(|l| Echo { reply: l.number() as u32, received: l.instant() }),
            prev_sent: self.maybe(|l| (l.number() as u32, l.instant())),
            positions: self.some(3, Luck::report).into_iter().collect(),
            player: self.one(&[PlayerState::Unknown, PlayerState::Running, PlayerState::Gone]),
            stop_cause: self.one(&[StopCause::None, StopCause::Player, StopCause::Trigger]),
            audio: self.one(&[A::Unknown, A::Sounding, A::Quiet, A::Silent, A::Ceased, A::Wrong]),
            last_sound: self.maybe(Luck::instant),
            levels: self
                .some(8, |l| ChannelLevel {
                    peak: CentiDbfs(l.next() as i16),
                    rms: CentiDbfs(l.next() as i16),
                    pilot: l.one(&[Pilot::NotExpected, Pilot::Present, Pilot::Absent]),
                })
                .into_iter()
                .collect(),
            sources: SourceFlags(self.next() as u16),
            host: HostFlags(self.next() as u16),
            lateness: self.span(),
            frozen_before: self.next() as u16,
            clipped: self.next() as u16,
            dropouts: self.next() as u16,
            term: self.number() as u32,
            block: self.span(),
            ..Beat::default()
        }
    }

    /// Of a supervisor.
    pub fn down(&mut self) -> Down {
        match self.below(7) {
            0 => Down::Welcome { machine: Machine::B, beat_interval: self.span(), term: self.number() as u32 },
            1 => Down::Refuse { why: self.one(&[RefuseWhy::NotPaired, RefuseWhy::Twice]), text: self.text() },
            2 => Down::OnAir { view: SwitchView::Conflict, latched: self.coin() },
            3 => Down::Goodbye { why: GoodbyeWhy::Restart },
            4 => Down::WantInventory,
            5 => Down::WantListing(WantListing {
                folder: self.text(),
                look: self.number(),
                block: self.number(),
                from: self.number(),
            }),
            _ => Down::LookAgain { everything: self.coin() },
        }
    }

    /// A supervisor's answer to a beat.
    pub fn reply(&mut self) -> BeatReply {
        BeatReply {
            seq: self.number() as u32,
            sent: self.instant(),
            of_beat: self.number() as u32,
            beat_received: self.instant(),
            on_air: self.one(&[SwitchView::Unknown, SwitchView::On(Machine::A), SwitchView::Conflict]),
            term: self.number() as u32,
        }
    }

    /// Bytes from a MIDI port: messages of every kind, cut anywhere, and bytes that are none.
    pub fn midi(&mut self) -> Vec<u8> {
        self.some(40, |l| match l.below(4) {
            0 => {
                l.one(&[0xF0, 0xF1, 0xF2, 0xF7, 0xF8, 0xFA, 0xFB, 0xFC, 0xFF, 0xB0, 0xC5, 0xE1, 0x90, 0x7F, 0x06, 0x01])
            }
            _ => l.next() as u8,
        })
    }

    /// Samples: sound, silence, far too loud, and no numbers at all.
    pub fn sound(&mut self, samples: usize) -> Vec<f32> {
        let kind = self.below(6);
        (0..samples)
            .map(|_| match kind {
                0 => 0.0,
                1 => f32::from_bits(self.next() as u32),
                2 => f32::NAN,
                3 => self.one(&[f32::INFINITY, f32::MAX, -f32::MAX, f32::MIN_POSITIVE]),
                _ => (self.below(2_000) as f32 - 1_000.0) / 1_500.0,
            })
            .collect()
    }

    fn report(&mut self) -> PositionReport {
        use TransportState as T;
        PositionReport {
            source: self.kind(),
            state: self.one(&[T::Unknown, T::Rolling, T::Rolling, T::Stopped, T::Stalled, T::Lost]),
            position: match self.below(3) {
                0 => ShowPosition::Timecode { rate: self.rate(), at: self.span() },
                1 => ShowPosition::Clocks { millis: self.whole() },
                _ => ShowPosition::Song { number: self.next() as u16, at: self.span() },
            },
            at: self.instant(),
            speed_ppb: self.next() as i32,
            sigma: self.span(),
            last_heard: self.instant(),
            jumps: self.next() as u16,
        }
    }
    fn kind(&mut self) -> SourceKind {
        self.one(&[SourceKind::Ltc, SourceKind::Mtc, SourceKind::Osc, SourceKind::MidiClock])
    }
    fn rate(&mut self) -> FrameRate {
        self.one(&[FrameRate::F23_976, FrameRate::F24, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30])
    }
    fn source_state(&mut self) -> SourceState {
        self.one(&[SourceState::Opening, SourceState::Open, SourceState::Gone])
    }
    fn digest(&mut self) -> [u8; 32] {
        let byte = self.next() as u8;
        [if self.coin() { 0 } else { byte }; 32]
    }
    fn sum(&mut self) -> FolderSum {
        FolderSum {
            content: self.digest(),
            times: self.digest(),
            files: self.number(),
            bytes: self.number(),
            troubles: self.number(),
            block: self.number(),
        }
    }
}
