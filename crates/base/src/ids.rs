//! Names that last. Machine, rig and show ids are random 128-bit numbers, so that a machine's history follows its
//! hardware and not its letter; inside one rig a machine is a small index, shown as a letter.

use core::fmt;
use serde::{Deserialize, Serialize};

/// The most machines a rig may have.
pub const MAX_MACHINES: usize = 8;

/// A machine's place in its rig's list: 0 is A, 1 is B, and so on. Always below [`MAX_MACHINES`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Machine(u8);

impl Machine {
    /// The first machine of a rig.
    pub const A: Machine = Machine(0);
    /// The second machine of a rig.
    pub const B: Machine = Machine(1);

    /// The machine at this place of the list, if a rig can have that many.
    pub const fn new(index: usize) -> Option<Machine> {
        if index < MAX_MACHINES { Some(Machine(index as u8)) } else { None }
    }
    /// Its place in the list.
    pub const fn index(self) -> usize {
        self.0 as usize
    }
    /// Its letter.
    pub const fn letter(self) -> char {
        (b'A' + self.0) as char
    }
    /// The machine with this letter (either case).
    pub const fn from_letter(c: char) -> Option<Machine> {
        let c = c.to_ascii_uppercase();
        if c.is_ascii_uppercase() { Machine::new(c as usize - 'A' as usize) } else { None }
    }
    /// The first `n` machines.
    pub fn first(n: usize) -> impl Iterator<Item = Machine> {
        (0..n.min(MAX_MACHINES)).map(|i| Machine(i as u8))
    }
}

impl TryFrom<u8> for Machine {
    type Error = &'static str;
    fn try_from(i: u8) -> Result<Machine, Self::Error> {
        Machine::new(i as usize).ok_or("a rig has at most eight machines")
    }
}
impl From<Machine> for u8 {
    fn from(m: Machine) -> u8 {
        m.0
    }
}
impl fmt::Display for Machine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.letter())
    }
}

macro_rules! random_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
        pub struct $name(pub [u8; 16]);
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
            }
        }
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self)
            }
        }
        impl core::str::FromStr for $name {
            type Err = &'static str;
            fn from_str(s: &str) -> Result<$name, Self::Err> {
                const WRONG: &str = "an id is 32 hexadecimal digits";
                let s = s.as_bytes();
                if s.len() != 32 { return Err(WRONG); }
                let digit = |c: u8| (c as char).to_digit(16).map(|d| d as u8).ok_or(WRONG);
                let mut id = [0u8; 16];
                for (byte, pair) in id.iter_mut().zip(s.chunks_exact(2)) {
                    *byte = digit(pair[0])? << 4 | digit(pair[1])?;
                }
                Ok($name(id))
            }
        }
    };
}

random_id!(
    /// One computer, for ever: made when its agent is first set up.
    MachineId
);
random_id!(
    /// One rig.
    RigId
);
random_id!(
    /// One performance, from doors to curtain.
    ShowId
);

/// An event's name: the writer's epoch (one for each start of the writer) and a number that counts up in it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
pub struct EventId {
    /// Which start of the writer.
    pub epoch: u32,
    /// Counts from 1 within the epoch.
    pub sequence: u64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_and_ids_round_trip() {
        assert_eq!(Machine::from_letter('b'), Some(Machine::B));
        assert_eq!(Machine::from_letter('z'), None);
        assert_eq!(Machine::new(8), None);
        let id: ShowId = "00112233445566778899aabbccddeeff".parse().unwrap();
        assert_eq!(id.to_string(), "00112233445566778899aabbccddeeff");
        assert!("0011".parse::<ShowId>().is_err());
        assert!("é0112233445566778899aabbccddeef".parse::<ShowId>().is_err());
    }
}
