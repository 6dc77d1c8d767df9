//! Repeatable randomness with random access: the value at (seed, stream, index) needs no earlier value, so that two
//! machines that start at different places of a song still play the same material.
//!
//! The mixing function is the finaliser of SplitMix64 (Steele, Lea, Flood: "Fast splittable pseudorandom number
//! generators", OOPSLA 2014); its test values are from memory, so the tests check statistics and not constants.

/// The 64-bit value at this place.
pub fn at(seed: u64, stream: u32, index: i64) -> u64 {
    let place = (index as u64)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        .wrapping_add(u64::from(stream).wrapping_mul(0xd1b5_4a32_d192_ed03));
    mix(mix(seed ^ 0x5851_f42d_4c95_7f2d).wrapping_add(place))
}

/// The value at this place, even in -1..1.
pub fn bipolar(seed: u64, stream: u32, index: i64) -> f32 {
    (at(seed, stream, index) >> 40) as f32 / 8_388_608.0 - 1.0
}

/// A sequence for those who only go forward.
#[derive(Clone, Debug)]
pub struct Sequence {
    seed: u64,
    next: i64,
}

impl Sequence {
    /// Starts the sequence of this seed.
    pub fn new(seed: u64) -> Sequence {
        Sequence { seed, next: 0 }
    }
    /// The next value, even in 0..1.
    pub fn unit(&mut self) -> f64 {
        self.next += 1;
        (at(self.seed, 0x5e0, self.next) >> 11) as f64 / 9_007_199_254_740_992.0
    }
}

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_even_and_streams_differ() {
        let n = 20_000;
        let mean = (0..n).map(|i| f64::from(bipolar(7, 1, i))).sum::<f64>() / n as f64;
        let power = (0..n).map(|i| f64::from(bipolar(7, 1, i)).powi(2)).sum::<f64>() / n as f64;
        // An even value in -1..1 has mean 0 and variance 1/3; the mean of n has a deviation of sqrt(1/3n) = 0.004.
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((power - 1.0 / 3.0).abs() < 0.02, "{power}");
        let cross = (0..n).map(|i| f64::from(bipolar(7, 1, i) * bipolar(7, 2, i))).sum::<f64>() / n as f64;
        assert!(cross.abs() < 0.02, "{cross}");
        assert_ne!(at(1, 0, 0), at(2, 0, 0));
        let mut s = Sequence::new(3);
        assert!((0..1000).map(|_| s.unit()).all(|u| (0.0..1.0).contains(&u)));
    }
}
