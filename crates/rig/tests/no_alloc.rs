//! A look of the judge allocates nothing, whatever it finds: through a death on air, a changeover and a flood of alarms.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod sim;

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use sim::{Sim, ms};
use twinkeel_rig::{Act, Action, Actions, Memory, Mode, Setup};

#[global_allocator]
static DISABLER: AllocDisabler = AllocDisabler;

#[test]
fn a_look_allocates_nothing() {
    let mut s = Sim::new(Setup::new(3), Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.run(ms(5_000));
    let mut judge = s.judge.clone();
    // The rig's own judge only looks on, so that the other one's deeds are its own.
    s.act(Act::SetMode(Mode::Observe));
    let mut out = Actions::new();
    let mut moved = 0;
    for step in 0..400 {
        if step == 100 {
            s.a().host = false;
            s.b().health.media_gone = true;
        }
        s.run(ms(1));
        out.clear();
        assert_no_alloc(|| judge.on_evidence(&s.ev, s.now, &mut out));
        moved += out.iter().filter(|a| matches!(a, Action::Changeover { .. })).count();
    }
    assert_eq!(moved, 1);
}
