//! A frame in which the speed changed at a stroke.
//!
//! The clock loses its way there, but the frame lies between two places that are certain: the edge that ended the frame
//! before, known at the old speed, and a sync word at the new. From the one the bits are read forwards with the old period,
//! from the other backwards with the new, each as far as it goes. Where both meet at the edge of a bit, or leave just one
//! bit between them, and make 80 in all, the frame is whole. When they can meet in ways that differ in what they say,
//! nothing is said.

use super::clock::BitClock;
use super::word::BITS;

/// How far an interval may stray from one or two half cells, in half cells.
const STRAY: f64 = 0.3;
const ALL: usize = BITS as usize;

/// Bits read from one end: how many, what they were, and where each ended.
struct Reading {
    count: usize,
    /// The bit next to the starting edge is lowest.
    bits: u128,
    /// Edges passed after so many bits.
    edges: [u16; ALL + 1],
}

/// Reads bits from the intervals in `lengths`, the nearest to the start first.
fn read(lengths: impl Iterator<Item = f64>, period: f64) -> Reading {
    let mut r = Reading { count: 0, bits: 0, edges: [0; ALL + 1] };
    let half = 0.5 * period;
    let mut halfway = false;
    for (i, d) in lengths.enumerate() {
        let cells = d / half;
        let short = (cells - 1.0).abs() < STRAY;
        let long = (cells - 2.0).abs() < STRAY;
        if r.count == ALL || !(short || long && !halfway) {
            break;
        }
        if short && !halfway {
            halfway = true;
            continue;
        }
        r.bits |= u128::from(halfway) << r.count;
        r.count += 1;
        r.edges[r.count] = i as u16 + 1;
        halfway = false;
    }
    r
}

/// The 80 bits between edges `from` and `to`, earliest highest, read with the bit period `before` up to some point and
/// `after` from there on.
pub(super) fn rescue(clock: &BitClock, from: u64, to: u64, before: f64, after: f64) -> Option<u128> {
    // A frame has 80 to 160 intervals.
    let total = to.checked_sub(from).filter(|n| (80..=160).contains(n))?;
    let at = |i: u64| clock.at(i);
    at(from)?;
    let forwards = (from..to).map_while(|i| Some(at(i + 1)? - at(i)?));
    let backwards = (from..to).rev().map_while(|i| Some(at(i + 1)? - at(i)?));
    let (left, right) = (read(forwards, before), read(backwards, after));
    let low = |bits: u128, n: usize| bits & ((1 << n) - 1);
    let joined = |a: usize, bridge: Option<u128>, b: usize| {
        let bridged = bridge.map_or(low(left.bits, a), |one| low(left.bits, a) | one << a);
        let n = a + usize::from(bridge.is_some());
        // Left bits are earliest lowest, right ones latest lowest.
        (bridged.reverse_bits() >> (128 - n.max(1))) << b | low(right.bits, b)
    };
    let mut found: Option<u128> = None;
    let mut alike = |word: u128| *found.get_or_insert(word) == word;
    for a in 0..=left.count {
        let b = ALL - a;
        if b <= right.count && u64::from(left.edges[a] + right.edges[b]) == total {
            let word = if a == 0 { low(right.bits, b) } else { joined(a, None, b) };
            if !alike(word) {
                return None;
            }
        }
    }
    if found.is_some() {
        return found;
    }
    let mut alike = |word: u128| *found.get_or_insert(word) == word;
    for a in 0..=left.count.min(ALL - 1) {
        let b = ALL - 1 - a;
        if b > right.count {
            continue;
        }
        let gap = total.wrapping_sub(u64::from(left.edges[a] + right.edges[b]));
        if !(1..=2).contains(&gap) {
            continue;
        }
        let start = from + u64::from(left.edges[a]);
        let length = at(start + gap)? - at(start)?;
        let plausible = 0.9 * before.min(after)..1.1 * before.max(after);
        if plausible.contains(&length) && !alike(joined(a, Some(u128::from(gap == 2)), b)) {
            return None;
        }
    }
    found
}
