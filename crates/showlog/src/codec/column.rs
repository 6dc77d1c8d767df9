//! One column of a block: values that may be missing, as differences in varints.

use super::BlockError;

/// Appends an unsigned number, seven bits a byte, low bits first.
pub(super) fn put_varint(out: &mut Vec<u8>, mut v: u64) {
    while v >= 0x80 {
        out.push(v as u8 | 0x80);
        v >>= 7;
    }
    out.push(v as u8);
}

/// Small magnitudes of either sign become small unsigned numbers: 0, -1, 1, -2, ... -> 0, 1, 2, 3, ...
const fn zigzag(v: i64) -> u64 {
    ((v << 1) ^ (v >> 63)) as u64
}
const fn unzigzag(v: u64) -> i64 {
    (v >> 1) as i64 ^ -((v & 1) as i64)
}

/// Appends one column with its length before it.
pub(super) fn encode(values: &[Option<i64>], out: &mut Vec<u8>) {
    let mut head = Vec::with_capacity(8);
    put_presence(values, &mut head);
    let first = differences(values, 1);
    let second = differences(values, 2);
    let (order, tokens) = if second.len() < first.len() { (2, second) } else { (1, first) };
    let length = head.len() + if tokens.is_empty() { 0 } else { 1 + tokens.len() };
    put_varint(out, length as u64);
    out.extend_from_slice(&head);
    if !tokens.is_empty() {
        out.push(order);
        out.extend_from_slice(&tokens);
    }
}

fn put_presence(values: &[Option<i64>], out: &mut Vec<u8>) {
    if values.iter().all(Option::is_some) {
        out.push(0);
    } else if values.iter().all(Option::is_none) {
        out.push(1);
    } else {
        out.push(2);
        let mut present = true;
        let mut run = 0u64;
        for v in values {
            if v.is_some() == present {
                run += 1;
            } else {
                put_varint(out, run);
                present = !present;
                run = 1;
            }
        }
        put_varint(out, run);
    }
}

/// The differences of the given order of the values that are there. The first value stands as it is (its predecessor
/// counts as zero); for second differences the first slope counts as zero too. Wrapping, so that any i64 survives.
fn differences(values: &[Option<i64>], order: u8) -> Vec<u8> {
    let mut out = Vec::with_capacity(values.len());
    let (mut last, mut slope, mut zeros) = (0i64, 0i64, 0u64);
    for v in values.iter().flatten() {
        let d = v.wrapping_sub(last);
        let token = if order == 2 { d.wrapping_sub(slope) } else { d };
        (last, slope) = (*v, d);
        if token == 0 {
            zeros += 1;
            continue;
        }
        end_zeros(&mut out, &mut zeros);
        put_varint(&mut out, zigzag(token));
    }
    end_zeros(&mut out, &mut zeros);
    out
}

fn end_zeros(out: &mut Vec<u8>, zeros: &mut u64) {
    if *zeros > 0 {
        out.push(0);
        put_varint(out, *zeros - 1);
        *zeros = 0;
    }
}

/// Reads a column (without its length) of `count` values into `put`, in order.
pub(super) fn decode(column: &[u8], count: usize, mut put: impl FnMut(Option<i64>)) -> Result<(), BlockError> {
    let mut r = Reader::new(column);
    match r.byte()? {
        0 => {
            let mut values = Values::new(&mut r, count)?;
            for _ in 0..count {
                put(Some(values.next()?));
            }
        }
        1 => (0..count).for_each(|_| put(None)),
        2 => {
            let mut runs = Vec::new();
            let mut covered = 0u64;
            while covered < count as u64 {
                let run = r.varint()?;
                // Only the first run, of values that are there, may be empty.
                if run == 0 && !runs.is_empty() || run > count as u64 - covered {
                    return Err(BlockError::Malformed);
                }
                covered += run;
                runs.push(run);
            }
            let there: u64 = runs.iter().step_by(2).sum();
            let mut values = Values::new(&mut r, there as usize)?;
            for (i, run) in runs.into_iter().enumerate() {
                for _ in 0..run {
                    put(if i % 2 == 0 { Some(values.next()?) } else { None });
                }
            }
        }
        _ => return Err(BlockError::Malformed),
    }
    Ok(())
}

/// Undoes the differences.
struct Values<'r, 'b> {
    from: &'r mut Reader<'b>,
    second: bool,
    last: i64,
    slope: i64,
    zeros: u64,
}

impl<'r, 'b> Values<'r, 'b> {
    fn new(from: &'r mut Reader<'b>, count: usize) -> Result<Values<'r, 'b>, BlockError> {
        let second = match if count == 0 { 1 } else { from.byte()? } {
            1 => false,
            2 => true,
            _ => return Err(BlockError::Malformed),
        };
        Ok(Values { from, second, last: 0, slope: 0, zeros: 0 })
    }
    fn next(&mut self) -> Result<i64, BlockError> {
        let token = if self.zeros > 0 {
            self.zeros -= 1;
            0
        } else {
            let t = unzigzag(self.from.varint()?);
            if t == 0 {
                self.zeros = self.from.varint()?;
            }
            t
        };
        let d = if self.second { self.slope.wrapping_add(token) } else { token };
        self.slope = d;
        self.last = self.last.wrapping_add(d);
        Ok(self.last)
    }
}

/// A cursor over bytes from outside.
pub(crate) struct Reader<'b> {
    rest: &'b [u8],
}

impl<'b> Reader<'b> {
    pub(crate) const fn new(bytes: &'b [u8]) -> Reader<'b> {
        Reader { rest: bytes }
    }
    pub(crate) fn byte(&mut self) -> Result<u8, BlockError> {
        let (first, rest) = self.rest.split_first().ok_or(BlockError::Malformed)?;
        self.rest = rest;
        Ok(*first)
    }
    pub(crate) fn varint(&mut self) -> Result<u64, BlockError> {
        let mut v = 0u64;
        for shift in (0..64).step_by(7) {
            let b = self.byte()?;
            v |= u64::from(b & 0x7f) << shift;
            if b < 0x80 {
                return Ok(v);
            }
        }
        Err(BlockError::Malformed)
    }
    /// The bytes of the next column.
    pub(crate) fn column(&mut self) -> Result<&'b [u8], BlockError> {
        let length = self.varint()?;
        if length > self.rest.len() as u64 {
            return Err(BlockError::Malformed);
        }
        let (column, rest) = self.rest.split_at(length as usize);
        self.rest = rest;
        Ok(column)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_value_and_every_gap_survives() {
        let cases: [&[Option<i64>]; 6] = [
            &[],
            &[None, None],
            &[Some(i64::MIN), Some(i64::MAX), Some(0), Some(i64::MIN)],
            &[None, Some(5), Some(5), None, Some(5)],
            &[Some(0), Some(0), Some(0)],
            &[Some(10), Some(20), Some(30), Some(40), None],
        ];
        for values in cases {
            let mut bytes = Vec::new();
            encode(values, &mut bytes);
            let mut back = Vec::new();
            let column = Reader::new(&bytes).column().unwrap();
            decode(column, values.len(), |v| back.push(v)).unwrap();
            assert_eq!(back, values);
        }
    }

    #[test]
    fn a_steady_slope_costs_next_to_nothing() {
        let values: Vec<Option<i64>> = (0..600).map(|i| Some(1_000_000 + i * 100_000)).collect();
        let mut bytes = Vec::new();
        encode(&values, &mut bytes);
        assert!(bytes.len() < 16, "{} bytes", bytes.len());
    }
}
