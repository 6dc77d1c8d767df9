//! Which boot of this computer a monotonic time belongs to: instants of two boots cannot be subtracted.

use serde::{Deserialize, Serialize};

/// One boot of the supervisor's computer. All zeros: the system does not tell, and no two epochs may be compared.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct BootId(pub [u8; 16]);

impl BootId {
    /// The boot we are in, by the kernel's own random id (Linux); unknown elsewhere.
    pub fn current() -> BootId {
        parse(&std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default())
    }
    /// Whether instants of `self` and `other` lie on one clock.
    pub fn same_clock(self, other: BootId) -> bool {
        self == other && self != BootId::default()
    }
}

fn parse(text: &str) -> BootId {
    let digits: Vec<u8> = text.chars().filter_map(|c| c.to_digit(16).map(|d| d as u8)).collect();
    let mut id = [0u8; 16];
    if digits.len() == 32 {
        for (byte, pair) in id.iter_mut().zip(digits.chunks_exact(2)) {
            *byte = pair[0] << 4 | pair[1];
        }
    }
    BootId(id)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_boot_is_like_no_other() {
        let known = parse("0f1e2d3c-0011-2233-4455-66778899aabb\n");
        assert_eq!(known.0[..4], [0x0f, 0x1e, 0x2d, 0x3c]);
        assert!(known.same_clock(known));
        assert!(!parse("").same_clock(parse("nonsense")));
    }
}
