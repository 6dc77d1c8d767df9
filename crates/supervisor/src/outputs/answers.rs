//! The switch's answers among the bytes it sends, which may come cut anywhere: the newest are compared with each answer.

use base::Machine;

/// See the module.
pub struct Answers {
    answers: Vec<Vec<u8>>,
    longest: usize,
    heard: Vec<u8>,
}

impl Answers {
    /// Answers for each machine in order; none, or empty ones, are never heard.
    pub fn new(answers: Vec<Vec<u8>>) -> Answers {
        let longest = answers.iter().map(Vec::len).max().unwrap_or(0);
        Answers { answers, longest, heard: Vec::new() }
    }

    /// The machine whose answer ends with this byte.
    pub fn on_byte(&mut self, byte: u8) -> Option<Machine> {
        self.heard.push(byte);
        let spare = self.heard.len().saturating_sub(self.longest);
        self.heard.drain(..spare);
        let found = self.answers.iter().position(|a| !a.is_empty() && self.heard.ends_with(a))?;
        self.heard.clear();
        Machine::new(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_found_however_they_are_cut_and_whatever_comes_between() {
        let mut answers = Answers::new(vec![vec![0xB0, 0x14, 0x00], vec![0xB0, 0x14, 0x01]]);
        let mut hear = |bytes: &[u8]| bytes.iter().filter_map(|b| answers.on_byte(*b)).collect::<Vec<_>>();
        assert_eq!(hear(&[0xB0]), []);
        assert_eq!(hear(&[0x14, 0x01, 0xFE, 0xB0, 0x14]), [Machine::B]);
        assert_eq!(hear(&[0x00, 0xB0, 0x14, 0x01]), [Machine::A, Machine::B]);
        assert_eq!(
            hear(&[0x14, 0x00, 0xB0, 0x15, 0x00]),
            [],
            "bytes of an answer that was heard already count no more"
        );
        assert_eq!(hear(&[0xF8; 10_000]), []);
        assert!(answers.heard.len() <= 3, "what is heard does not pile up");
    }
}
