//! Samples as compact blocks.
//!
//! A block holds up to a few thousand samples column by column. Most columns hardly change, and those that do change
//! slowly; so each is written as first or second differences, whichever is shorter, as zigzag varints with runs of
//! zeros counted. What is missing is told apart from zero by runs of presence. A block carries its own CRC-32.
//!
//! ```text
//! block  = version u8 | samples varint | machines varint | rig columns varint | machine columns varint
//!        | column x (rig columns + machines x machine columns) | crc32 u32 LE of all before it
//! column = length varint | presence u8 (0 all, 1 none, 2 runs) [runs varint..., present first] | order u8 (1 or 2) | tokens
//! token  = zigzag varint of a difference; 0 is followed by varint (zeros in a row, minus one)
//! ```
//!
//! Columns may be appended by later versions; a reader skips those it does not know, and misses those it does not find.

mod column;
mod sample;

use crate::crc::crc32;
use crate::words::Sample;
pub(crate) use column::Reader;
use column::put_varint;

/// Why a block cannot be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BlockError {
    /// Its checksum does not match.
    #[error("its checksum does not match")]
    Checksum,
    /// It ends too early or says impossible things.
    #[error("it is malformed")]
    Malformed,
    /// A later version wrote it in another form.
    #[error("its form, {0}, is of a later version")]
    Version(u8),
}

const VERSION: u8 = 1;
/// More samples than any block has: a length from outside must not size a buffer.
const MOST_SAMPLES: u64 = 65_536;

/// Writes the samples as one block.
pub fn encode(samples: &[Sample]) -> Vec<u8> {
    let machines = samples.iter().map(|s| s.machines.len()).max().unwrap_or(0);
    let mut out = Vec::with_capacity(64 + samples.len() * 24);
    out.push(VERSION);
    put_varint(&mut out, samples.len() as u64);
    put_varint(&mut out, machines as u64);
    put_varint(&mut out, sample::RIG_COLUMNS.len() as u64);
    put_varint(&mut out, sample::MACHINE_COLUMNS.len() as u64);
    let mut values: Vec<Option<i64>> = Vec::with_capacity(samples.len());
    for column in sample::RIG_COLUMNS {
        values.clear();
        values.extend(samples.iter().map(column.take));
        column::encode(&values, &mut out);
    }
    for m in 0..machines {
        for column in sample::MACHINE_COLUMNS {
            values.clear();
            values.extend(samples.iter().map(|s| s.machines.get(m).and_then(column.take)));
            column::encode(&values, &mut out);
        }
    }
    let crc = crc32(&[&out]);
    out.extend_from_slice(&crc.to_le_bytes());
    out
}

/// Reads a block back.
pub fn decode(block: &[u8]) -> Result<Vec<Sample>, BlockError> {
    let (body, crc) = block.split_last_chunk::<4>().ok_or(BlockError::Malformed)?;
    if crc32(&[body]) != u32::from_le_bytes(*crc) {
        return Err(BlockError::Checksum);
    }
    let mut r = Reader::new(body);
    match r.byte()? {
        VERSION => {}
        other => return Err(BlockError::Version(other)),
    }
    let count = r.varint()?;
    let machines = r.varint()?;
    let rig_columns = r.varint()?;
    let machine_columns = r.varint()?;
    if count > MOST_SAMPLES || machines > base::ids::MAX_MACHINES as u64 || rig_columns > 256 || machine_columns > 256 {
        return Err(BlockError::Malformed);
    }
    let mut samples = vec![Sample::default(); count as usize];
    for s in &mut samples {
        s.machines = (0..machines).map(|_| Default::default()).collect();
    }
    for c in 0..rig_columns as usize {
        let column = r.column()?;
        if let Some(known) = sample::RIG_COLUMNS.get(c) {
            let mut put = samples.iter_mut();
            column::decode(column, count as usize, |v| {
                if let Some(s) = put.next() {
                    (known.put)(s, v);
                }
            })?;
        }
    }
    for m in 0..machines as usize {
        for c in 0..machine_columns as usize {
            let column = r.column()?;
            if let Some(known) = sample::MACHINE_COLUMNS.get(c) {
                let mut put = samples.iter_mut();
                column::decode(column, count as usize, |v| {
                    if let Some(machine) = put.next().and_then(|s| s.machines.get_mut(m)) {
                        (known.put)(machine, v);
                    }
                })?;
            }
        }
    }
    Ok(samples)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::words::{Fitness, MachineSample, Mode, Takeover};
    use base::{AudioState, Db, Dbfs, Heard, Machine, MonoTime, Ppm, Span, SwitchView, TransportState};

    pub(super) fn example(i: u64) -> Sample {
        let b = MachineSample {
            fitness: if i.is_multiple_of(7) { Fitness::Unfit } else { Fitness::Fit },
            heard: Heard::Well,
            transport: TransportState::Rolling,
            audio: AudioState::Sounding,
            paths_alive: 2,
            song: Some(3),
            offset: (!i.is_multiple_of(11)).then(|| Span::from_micros(3_000 + i as i64 * 7)),
            bound: Some(Span::from_micros(250)),
            drift: Some(Ppm(23.125)),
            peak: Some(Dbfs(-6.25)),
            rms: Some(Dbfs::SILENCE),
            beats_lost: Some(i as u32 / 50),
            lateness: Some(Span::from_micros(80)),
            host: MachineSample::HOT,
            ..MachineSample::default()
        };
        Sample {
            at: MonoTime::from_nanos(5_000_000_000 + i * 100_003_000),
            on_air: SwitchView::On(Machine::A),
            mode: Mode::Act,
            latched: i > 300,
            song: Some(3),
            song_at: Some(Span::from_millis(100 * i as i64)),
            takeover: Takeover { to: Some(Machine::B), jump: Some(Span::from_micros(-2_500)), level: Some(Db(-0.25)) },
            machines: [MachineSample::default(), b].into_iter().collect(),
        }
    }

    #[test]
    fn what_goes_in_comes_out_and_it_is_small() {
        let samples: Vec<Sample> = (0..600).map(example).collect();
        let block = encode(&samples);
        assert_eq!(decode(&block).unwrap(), samples);
        assert!(block.len() < 600 * 12, "{} bytes", block.len());
        assert_eq!(decode(&encode(&[])).unwrap(), []);
    }

    #[test]
    fn any_flipped_bit_is_noticed_and_nothing_panics() {
        let block = encode(&(0..40).map(example).collect::<Vec<_>>());
        for bit in 0..block.len() * 8 {
            let mut bad = block.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(decode(&bad), Err(BlockError::Checksum));
            // The parser must stand even what passes the checksum.
            let body = bad.len() - 4;
            let crc = crc32(&[&bad[..body]]).to_le_bytes();
            bad[body..].copy_from_slice(&crc);
            let _ = decode(&bad).map(|s| assert!(s.len() <= MOST_SAMPLES as usize));
        }
        for cut in 0..block.len() {
            assert!(decode(&block[..cut]).is_err());
        }
    }

    #[test]
    fn unknown_columns_are_skipped_and_other_versions_named() {
        let samples: Vec<Sample> = (0..10).map(example).collect();
        let block = encode(&samples);
        let rig = 1 + 1 + 1;
        let mut r = Reader::new(&block[..block.len() - 4]);
        for _ in 0..3 {
            r.byte().unwrap();
        }
        assert_eq!(block[rig] as usize, sample::RIG_COLUMNS.len());
        // One rig column more, after those we know.
        let mut grown = block[..block.len() - 4].to_vec();
        grown[rig] += 1;
        let mut at = rig + 2;
        for _ in 0..sample::RIG_COLUMNS.len() {
            let mut c = Reader::new(&grown[at..]);
            let length = c.column().unwrap().len();
            at += length + if length < 128 { 1 } else { 2 };
        }
        let mut extra = Vec::new();
        column::encode(&[Some(9); 10], &mut extra);
        grown.splice(at..at, extra);
        let crc = crc32(&[&grown]).to_le_bytes();
        grown.extend_from_slice(&crc);
        assert_eq!(decode(&grown).unwrap(), samples);
        grown[0] = 9;
        let body = grown.len() - 4;
        let crc = crc32(&[&grown[..body]]).to_le_bytes();
        grown[body..].copy_from_slice(&crc);
        assert_eq!(decode(&grown), Err(BlockError::Version(9)));
    }
}
