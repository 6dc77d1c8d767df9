//! Patches against independent models: the state after any prefix of any stream, a device that hears the chase, and two streams with what
//! was done to them on purpose.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{MonoTime, Span};
use proptest::prelude::*;
use timecode::chase::Chase;
use twinkeel_watch::patches::{
    Comparer, DeviceState, Exclusive, Exclusives, Finding, Heard, Limits, PatchEvent, Reason, Sent, What, chase,
    wire_time,
};

const T0: MonoTime = MonoTime::from_nanos(1_000_000_000_000);

fn sent() -> impl Strategy<Value = Sent> {
    prop_oneof![
        (0u8..128).prop_map(Sent::Program),
        (0u8..120, 0u8..128).prop_map(|(n, v)| Sent::Control(n, v)),
        (prop_oneof![Just(0u8), Just(32), Just(64), Just(66), Just(120), Just(121), Just(123), Just(127)], 0u8..128)
            .prop_map(|(n, v)| Sent::Control(n, v)),
        (-8192i16..8192).prop_map(Sent::Bend),
        (0u8..128).prop_map(Sent::NoteOn),
        (0u8..128).prop_map(Sent::NoteOff),
    ]
}

fn stream(max: usize) -> impl Strategy<Value = Vec<PatchEvent>> {
    proptest::collection::vec((1u8..=16, sent()).prop_map(|(channel, sent)| PatchEvent { channel, sent }), 0..max)
}

/// The Standard MIDI File chase of `timecode`, and for notes the history read backwards: the last word on a key decides.
fn agrees(state: &DeviceState, history: &[PatchEvent]) {
    let mut model = Chase::new();
    for e in history {
        match e.sent {
            Sent::Program(p) => model.on_program(e.channel, p),
            Sent::Control(n, v) => model.on_control(e.channel, n, v),
            Sent::Bend(v) => model.on_bend(e.channel, v),
            Sent::NoteOn(_) | Sent::NoteOff(_) | Sent::Exclusive(_) => {}
        }
    }
    for (n, m) in model.touched() {
        let c = state.channel(n).unwrap();
        assert_eq!(c.program, m.program());
        let bank = if c.program.is_some() { c.bank } else { c.selected };
        assert_eq!(bank, [m.bank_msb(), m.bank_lsb()]);
        assert_eq!(c.bend, m.bend());
        let ours: Vec<_> = (0u8..).zip(&c.controllers).filter_map(|(n, v)| Some((n, (*v)?))).collect();
        assert_eq!(ours, m.controllers().collect::<Vec<_>>());
    }
    for n in 1..=16u8 {
        for key in 0..128u8 {
            let word = history.iter().rev().filter(|e| e.channel == n).find_map(|e| match e.sent {
                Sent::NoteOn(k) if k == key => Some(true),
                Sent::NoteOff(k) if k == key => Some(false),
                Sent::Control(120 | 123..=127, _) => Some(false),
                _ => None,
            });
            assert_eq!(state.channel(n).unwrap().held >> key & 1 == 1, word == Some(true));
        }
    }
}

fn state_of(events: &[PatchEvent]) -> DeviceState {
    let mut s = DeviceState::new();
    events.iter().for_each(|e| s.on_event(*e, T0));
    s
}

proptest! {
    #[test]
    fn the_state_after_any_prefix_is_that_of_the_models(events in stream(120), cut in 0usize..120) {
        let prefix = &events[..cut.min(events.len())];
        agrees(&state_of(prefix), prefix);
    }

    #[test]
    fn a_message_read_back_is_the_event(e in stream(2)) {
        for e in e {
            prop_assert_eq!(PatchEvent::from_message(&e.message()), Some(e));
        }
    }

    /// Whatever a device heard of one machine, and wherever the other is: after the chase it is as it should be.
    #[test]
    fn a_device_that_hears_the_chase_is_as_it_should_be(a in stream(80), b in stream(80), sure: bool) {
        let (have, new) = (state_of(&a), state_of(&b));
        let want = have.with(&new);
        let mut device = have.clone();
        let mut bytes = 0;
        chase(&have, &new, sure, &mut |item| {
            bytes += item.bytes().len();
            item.events.iter().for_each(|e| device.on_event(*e, T0));
        });
        prop_assert!(device == want);
        // And then there is nothing more to say.
        let mut more = 0;
        chase(&device, &new, true, &mut |_| more += 1);
        prop_assert_eq!(more, 0);
    }

    /// All releases, then bank and program and the rest, channel by channel.
    #[test]
    fn the_chase_is_in_order(a in stream(80), b in stream(80)) {
        let (mut last, mut released) = ((0, 0), false);
        chase(&state_of(&a), &state_of(&b), false, &mut |item| {
            let place = match item.reason {
                Reason::NoteHeld => 0,
                Reason::PedalHeld => 1,
                Reason::Patch | Reason::Bank => 2,
                Reason::Controller => 3,
                Reason::Bend => 4,
                Reason::Exclusive => unreachable!("nobody sent any"),
            };
            released |= place > 1;
            assert!(!(released && place < 2), "{item:?} after {last:?}");
            let of = item.events[0].channel;
            if of == last.0 {
                assert!(place >= last.1, "{item:?} after {last:?}");
            }
            last = (of, place);
        });
    }

    /// A constant latency and jitter within the limits are no difference; nor is a jump of both.
    #[test]
    fn equal_streams_differ_in_nothing(events in stream(200), latency in -200i64..200, jitter in proptest::collection::vec(-20i64..20, 200), jump in 0usize..200) {
        let mut rig = Rig::new();
        for (i, e) in events.iter().filter(|e| e.is_patch()).enumerate() {
            if i == jump {
                rig.jump();
            }
            // Twins come out of order when jitter exceeds the step between events.
            rig.both(*e, latency + jitter[i]);
        }
        rig.pass(2_000);
        prop_assert_eq!(rig.found, vec![]);
    }

    /// One event of B's left out is missing, and nothing else is.
    #[test]
    fn what_is_left_out_is_missing(programs in proptest::collection::vec(0u8..128, 20..60), which in 10usize..20, latency in -100i64..100) {
        let mut rig = Rig::new();
        for (i, p) in programs.iter().enumerate() {
            let e = PatchEvent { channel: 3, sent: Sent::Program(*p) };
            if i == which { rig.one(0, e, 0) } else { rig.both(e, latency) }
            // Far enough apart that a neighbour cannot stand in for it.
            rig.pass(1_000);
        }
        rig.pass(2_000);
        prop_assert_eq!(rig.found.len(), 1);
        prop_assert_eq!((rig.found[0].side, rig.found[0].what), (1, What::Missing));
    }
}

/// Two machines in step, an event every 20 ms.
struct Rig {
    c: Comparer,
    now: MonoTime,
    place: Span,
    queue: Vec<(usize, Heard)>,
    found: Vec<Finding>,
}

impl Rig {
    fn new() -> Rig {
        let mut c = Comparer::new(Limits::default());
        c.on_together(true, T0);
        let mut rig = Rig { c, now: T0, place: Span::from_secs(3_600), queue: Vec::new(), found: Vec::new() };
        rig.pass(1_000);
        rig
    }
    fn pass(&mut self, ms: i64) {
        for _ in 0..ms / 10 {
            self.now += Span::from_millis(10);
            self.place += Span::from_millis(10);
            let now = self.now;
            self.queue.sort_by_key(|q| q.1.at);
            let (c, found) = (&mut self.c, &mut self.found);
            self.queue.retain(|(side, h)| {
                if h.at <= now {
                    c.on_event(*side, *h, &mut |f| found.push(f));
                }
                h.at > now
            });
            c.on_time(now, &mut |f| found.push(f));
        }
    }
    fn one(&mut self, side: usize, event: PatchEvent, later: i64) {
        let by = Span::from_millis(later);
        self.queue.push((side, Heard { at: self.now + by, place: self.place + by, event }));
    }
    fn both(&mut self, event: PatchEvent, b_later: i64) {
        self.one(0, event, b_later.min(0).abs());
        self.one(1, event, b_later.min(0).abs() + b_later);
        self.pass(20);
    }
    fn jump(&mut self) {
        self.pass(1_000);
        self.place += Span::from_secs(60);
        self.c.on_break(self.now);
        self.pass(1_000);
    }
    /// Ten twins, so that the latency is known.
    fn warm() -> Rig {
        let mut rig = Rig::new();
        for p in 0..10 {
            rig.both(PatchEvent { channel: 16, sent: Sent::Program(p) }, 30);
            rig.pass(600);
        }
        rig
    }
}

const P12: PatchEvent = PatchEvent { channel: 3, sent: Sent::Program(12) };
const P13: PatchEvent = PatchEvent { channel: 3, sent: Sent::Program(13) };

#[test]
fn late_different_doubled_and_extra_are_told_apart() {
    let told = |act: &dyn Fn(&mut Rig)| {
        let mut rig = Rig::warm();
        act(&mut rig);
        rig.pass(2_000);
        rig.found.iter().map(|f| (f.side, f.what)).collect::<Vec<_>>()
    };
    let both_late = |by| move |r: &mut Rig| r.both(P12, by);
    assert!(matches!(told(&both_late(230))[..], [(1, What::Late(by))] if (by.millis_f64() - 200.0).abs() < 2.0));
    assert!(matches!(told(&both_late(-170))[..], [(0, What::Late(_))]));
    let different = |r: &mut Rig| {
        r.one(0, P12, 0);
        r.one(1, P13, 30);
    };
    assert_eq!(told(&different), [(1, What::Different(P13))]);
    let doubled = |r: &mut Rig| {
        r.both(P12, 30);
        r.one(1, P12, 50);
    };
    assert_eq!(told(&doubled), [(1, What::Doubled)]);
    assert_eq!(told(&|r| r.one(1, P12, 0)), [(1, What::Extra)]);
    assert_eq!(told(&|r| r.one(0, P12, 0)), [(1, What::Missing)]);
}

#[test]
fn machines_at_different_places_are_not_compared_nor_right_after() {
    let mut rig = Rig::warm();
    rig.one(0, P12, 0);
    rig.pass(100);
    rig.c.on_together(false, rig.now);
    rig.one(0, P13, 0);
    rig.pass(1_000);
    rig.c.on_together(true, rig.now);
    rig.one(0, P12, 100);
    rig.pass(3_000);
    assert_eq!(rig.found, vec![]);
    rig.one(0, P12, 0);
    rig.pass(2_000);
    assert_eq!(rig.found.len(), 1, "then it is compared again");
}

#[test]
fn a_flood_of_one_machine_takes_no_more_memory() {
    let mut rig = Rig::new();
    for i in 0..100_000u32 {
        let e = PatchEvent { channel: 1, sent: Sent::Control((i % 119 + 1) as u8, (i % 128) as u8) };
        rig.c.on_event(0, Heard { at: rig.now, place: rig.place, event: e }, &mut |_| {});
    }
    let mut n = 0;
    rig.c.on_time(rig.now + Span::from_secs(2), &mut |_| n += 1);
    assert!(n <= 1_024, "{n} were still waiting");
    assert!(n > 1_000);
}

#[test]
fn a_machine_that_died_between_bank_and_program_leaves_no_bank_behind() {
    // A selected bank 5 and died; B is still at bank 1, program 7, its own bank select comes later.
    let bank = |n, v| PatchEvent { channel: 2, sent: Sent::Control(n, v) };
    let program = |p| PatchEvent { channel: 2, sent: Sent::Program(p) };
    let have = state_of(&[bank(0, 1), program(7), bank(0, 5)]);
    let new = state_of(&[bank(0, 1), program(7)]);
    let mut all = Vec::new();
    chase(&have, &new, true, &mut |i| all.push(i));
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].bytes()[..], [0xB1, 0, 1], "B's next program change must not land in bank 5");
    // And when B has said both already, bank and program are sent together.
    let new = state_of(&[bank(0, 5), program(8)]);
    let mut bytes = Vec::new();
    chase(&have, &new, true, &mut |i| bytes.extend(i.bytes()));
    assert_eq!(bytes, [0xB1, 0, 5, 0xC1, 8]);
}

#[test]
fn what_the_new_machine_says_meanwhile_wins() {
    let have = state_of(&[
        P12,
        PatchEvent { channel: 3, sent: Sent::Control(7, 90) },
        PatchEvent { channel: 3, sent: Sent::NoteOn(60) },
    ]);
    let mut items = Vec::new();
    chase(&have, &DeviceState::new(), false, &mut |i| items.push(i));
    assert_eq!(
        items.iter().map(|i| i.reason).collect::<Vec<_>>(),
        [Reason::NoteHeld, Reason::Patch, Reason::Controller]
    );
    let yields = |e: PatchEvent| items.iter().map(|i| i.yields_to(e)).collect::<Vec<_>>();
    let on = |sent| PatchEvent { channel: 3, sent };
    assert_eq!(yields(on(Sent::Control(0, 9))), [false, true, false]);
    assert_eq!(yields(P13), [false, true, false]);
    assert_eq!(yields(on(Sent::NoteOn(60))), [true, false, false]);
    assert_eq!(yields(on(Sent::Control(7, 1))), [false, false, true]);
    assert_eq!(yields(PatchEvent { channel: 4, ..P13 }), [false; 3]);
}

#[test]
fn a_byte_takes_320_microseconds_on_a_din_link() {
    // MIDI 1.0: 31.25 kbaud, a start bit, eight data bits, a stop bit.
    assert_eq!(wire_time(3), Span::from_micros(960));
}

fn exclusive(bytes: &[u8]) -> Exclusive {
    Exclusive::new(&[&[0xF0][..], bytes, &[0xF7]].concat()).unwrap()
}

/// Two that differ behind the first eight bytes set the same thing.
#[test]
fn system_exclusive_messages_are_compared_by_all_their_bytes() {
    let mut known = Exclusives::default();
    let one = exclusive(&[0x7D, 1, 2, 3, 4, 5, 6, 7, 8, 9]);
    let other = exclusive(&[0x7D, 1, 2, 3, 4, 5, 6, 7, 8, 10]);
    let (a, b) = (known.event(&one), known.event(&other));
    assert_eq!(known.event(&one.clone()), a);
    assert_eq!(a.to_string(), "system exclusive F0 7D 01 02 03 04 05 06 ... (12 bytes)");
    let told = |act: &dyn Fn(&mut Rig)| {
        let mut rig = Rig::warm();
        act(&mut rig);
        rig.pass(2_000);
        rig.found.iter().map(|f| (f.side, f.what)).collect::<Vec<_>>()
    };
    assert_eq!(told(&|r| r.both(a, 30)), []);
    assert_eq!(told(&|r| r.one(0, a, 0)), [(1, What::Missing)]);
    assert_eq!(told(&|r| r.one(1, a, 0)), [(1, What::Extra)]);
    assert!(matches!(told(&|r| r.both(a, 230))[..], [(1, What::Late(_))]));
    let different = |r: &mut Rig| {
        r.one(0, a, 0);
        r.one(1, b, 30);
    };
    assert_eq!(told(&different), [(1, What::Different(b))]);
    let doubled = |r: &mut Rig| {
        r.both(a, 30);
        r.one(1, a, 50);
    };
    assert_eq!(told(&doubled), [(1, What::Doubled)]);
}

#[test]
fn system_exclusive_in_force_is_sent_between_note_ends_and_programs() {
    let (old, new, more) =
        (exclusive(&[1, 1, 1, 1, 1, 1, 1, 1]), exclusive(&[1, 1, 1, 1, 1, 1, 1, 2]), exclusive(&[9]));
    let mut have = state_of(&[P12, PatchEvent { channel: 3, sent: Sent::NoteOn(60) }]);
    have.exclusives.on_message(&old, T0);
    let mut want = state_of(&[P12]);
    for e in [&old, &more, &new] {
        want.exclusives.on_message(e, T0);
    }
    let chased = |have: &DeviceState, sure| {
        let mut all = Vec::new();
        chase(have, &want, sure, &mut |i| all.extend(i.messages()));
        all
    };
    let whole = [vec![0x82, 60, 64], more.bytes().to_vec(), new.bytes().to_vec(), vec![0xC2, 12]];
    assert_eq!(chased(&have, true), whole, "the newest of each, in order, and the program again: it may be reset");
    assert_eq!(chased(&have, false), whole);
    [&more, &new].iter().for_each(|e| have.exclusives.on_message(e, T0));
    assert_eq!(chased(&have, true), [vec![0x82, 60, 64]], "what is right is left alone");
    // So many and no more, the oldest go; and a song's start ends what was before it.
    for n in 0..70 {
        want.exclusives.on_message(&exclusive(&[n]), T0 + Span::from_secs(i64::from(n)));
    }
    assert_eq!(want.exclusives.iter().count(), 64);
    assert_eq!(want.exclusives.iter().next().unwrap().1, &exclusive(&[6]));
    want.exclusives.forget_before(T0 + Span::from_secs(60));
    assert_eq!(want.exclusives.iter().count(), 10);
}

#[test]
fn what_is_no_whole_message_is_none() {
    for bytes in [&[0xF0, 1][..], &[1, 0xF7], &[0xF0], &[0xF0, 0x90, 0xF7], &[]] {
        assert_eq!(Exclusive::new(bytes), None, "{bytes:?}");
    }
}
