//! Processes that keep cores busy: arithmetic over more memory than a core's own cache holds.

use std::process::{Child, Command, Stdio};

/// The argument that makes a bench's own program such a process.
pub const BURN: &str = "--burn";

/// Where a program is told to (see [`BURN`]), it burns for ever.
pub fn burn_if_asked() {
    if !std::env::args().any(|a| a == BURN) {
        return;
    }
    stage::os::end_with_parent_if_asked();
    let mut memory = vec![1u64; 1 << 20];
    let mut at = 0usize;
    loop {
        let next = memory[at].wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(at as u64);
        memory[at] = next;
        at = (next >> 20) as usize % memory.len();
    }
}

/// Running ones; they end when this is dropped.
pub struct Burners(Vec<Child>);

impl Burners {
    /// Starts so many.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn start(count: usize) -> Burners {
        let program = std::env::current_exe().unwrap();
        let one = |_| {
            let parent = std::process::id().to_string();
            let mut command = Command::new(&program);
            command.arg(BURN).env(stage::os::PARENT_VARIABLE, parent).stdin(Stdio::null());
            command.spawn().unwrap()
        };
        Burners((0..count).map(one).collect())
    }
}

impl Drop for Burners {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
