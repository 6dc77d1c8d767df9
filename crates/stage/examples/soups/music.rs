//! What the show sounds like: music with rests, as a function of song and time alone, so that nobody has to play it.

use base::{MonoTime, Span};
use twinkeel_stage::seed;

/// A line of six seconds always begins with sound; one in five ends with a rest, of a second or of three and a half at most.
const LINE: i64 = 6_000_000_000;

/// The music of one show.
#[derive(Clone, Copy)]
pub struct Music(pub u64);

impl Music {
    /// How long the rest at the end of a line is.
    fn rest(self, song: u16, line: i64) -> i64 {
        let v = seed::at(self.0, 0x30_0000 + u32::from(song), line);
        match v % 20 {
            0..=2 => 20_000_000 + (v / 64 % 1_000_000_000) as i64,
            3 => 500_000_000 + (v / 64 % 3_000_000_000) as i64,
            _ => 0,
        }
    }
    /// The newest instant at or before `at` (time into the song) that sounds.
    pub fn last_sound(self, song: u16, at: Span) -> Option<Span> {
        if at.is_negative() {
            return None;
        }
        let (line, into) = (at.nanos() / LINE, at.nanos() % LINE);
        let end = LINE - self.rest(song, line);
        Some(Span::from_nanos(line * LINE + into.min(end)))
    }
    /// Whether it sounds there.
    pub fn sounds(self, song: u16, at: Span) -> bool {
        self.last_sound(song, at) == Some(at)
    }
}

/// Repeatable luck.
pub struct Luck(u64, i64);

impl Luck {
    pub fn new(seed: u64) -> Luck {
        Luck(seed, 0)
    }
    pub fn bits(&mut self) -> u64 {
        self.1 += 1;
        seed::at(self.0, 0x50f, self.1)
    }
    /// 0 to n - 1.
    pub fn below(&mut self, n: u64) -> u64 {
        (self.bits() >> 8) % n.max(1)
    }
    /// True in `percent` of a hundred cases.
    pub fn chance(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }
    pub fn between(&mut self, least: Span, most: Span) -> Span {
        least + Span::from_nanos(self.below((most - least).nanos().max(1) as u64) as i64)
    }
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }
}

/// The instant at which every show begins.
pub const BEGIN: MonoTime = MonoTime::from_nanos(1_000_000_000_000);
