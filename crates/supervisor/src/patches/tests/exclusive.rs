//! System exclusive messages.

use wire::message::ExclusivePart::{self, Begun, Cut, TooLong, Whole};

use super::*;

const KEYS: &str = "port = \"DIR/rack\"\nsysex = true\ninput = 1\n";

impl Bench {
    fn exclusive(&mut self, m: Machine, input: u8, part: ExclusivePart) {
        self.exclusive_before(m, input, part, Span::ZERO);
    }

    fn exclusive_before(&mut self, m: Machine, input: u8, part: ExclusivePart, ago: Span) {
        let at = RemoteTime::of_sender(ports::os::mono_now() - ago);
        let place = Some(Span::from_secs(60));
        self.desk.tell(PatchNews::Exclusive(m, wire::Exclusive { input, at, place, part }));
    }

    fn with_rack(keys: &str) -> (Bench, Rack) {
        let b = Bench::new(&format!("{KEYS}{keys}"));
        let listener = Listener::bind(&b.socket("rack")).unwrap();
        let rack = Rack::take(&listener);
        (b, rack)
    }
}

fn message(n: u8) -> Vec<u8> {
    vec![0xF0, 0x7D, n, 1, 2, 3, 0xF7]
}

/// The machine on air dies in the middle of a message: the device must not take what follows for a part of it.
#[test]
fn a_death_within_a_message_is_ended_before_all_is_sent_again() {
    let (mut b, mut rack) = Bench::with_rack("chase = true");
    for m in [Machine::A, Machine::B] {
        b.exclusive(m, 0, Whole(message(1)));
        b.plays(m, &[PROGRAM_5]);
        // Another cable's is not for this device.
        b.exclusive(m, 1, Whole(message(9)));
    }
    b.exclusive(Machine::A, 0, Begun);
    b.desk.tell(PatchNews::Moved(Machine::B, ports::os::mono_now(), true));
    let wanted = [vec![0xF7], message(1), vec![0xC2, 5]];
    assert_eq!(rack.heard(3), wanted);
    b.until_said("patch-sent");
    assert_eq!(b.lines.iter().map(|l| l.0.clone()).collect::<Vec<_>>(), wanted, "the record has every byte");
    let why: Vec<_> = b.lines.iter().map(|l| l.1).collect();
    let end = "end of a system exclusive message that may have been cut off";
    assert_eq!(why, [end, "system exclusive in force", "bank and program in force"]);
}

/// A changeover by hand: a message under way is ended, too; one that is through is not, and what is right is left alone.
#[test]
fn a_changeover_by_hand_ends_what_is_under_way_and_sends_what_differs() {
    let (mut b, mut rack) = Bench::with_rack("chase = true");
    for m in [Machine::A, Machine::B] {
        b.exclusive(m, 0, Whole(message(1)));
        b.plays(m, &[PROGRAM_5]);
    }
    b.exclusive(Machine::A, 0, Begun);
    b.moves(Machine::B);
    assert_eq!(rack.heard(1), [vec![0xF7]]);
    b.exclusive(Machine::B, 0, Begun);
    b.exclusive(Machine::B, 0, Whole(message(2)));
    b.moves(Machine::A);
    b.until("two changeovers", |b| b.said("patch-chase") == 2);
    // A had not said the second one, so that its own first stays right: the device has both.
    b.exclusive(Machine::A, 0, Whole(message(3)));
    b.exclusive(Machine::B, 0, Whole(message(4)));
    b.moves(Machine::B);
    assert_eq!(rack.heard(2), [message(4), vec![0xC2, 5]], "it may have reset the program");
}

/// What was sent ten seconds before the song belongs to another; what came in its count-in is its own.
#[test]
fn only_what_the_song_has_sent_is_sent_again() {
    let (mut b, mut rack) = Bench::with_rack("chase = true");
    for m in [Machine::A, Machine::B] {
        b.exclusive_before(m, 0, Whole(message(1)), Span::from_secs(10));
        b.exclusive(m, 0, Whole(message(2)));
    }
    b.begin_song(1);
    b.plays(Machine::B, &[PROGRAM_5]);
    b.desk.tell(PatchNews::Moved(Machine::B, ports::os::mono_now(), true));
    assert_eq!(rack.heard(3), [vec![0xF7], message(2), vec![0xC2, 5]]);
}

#[test]
fn what_is_too_long_or_never_ends_is_told() {
    let (mut b, _rack) = Bench::with_rack("");
    b.exclusive(Machine::A, 0, TooLong(5_000));
    assert!(b.until_said("patch-sysex-long").starts_with("A sent a system exclusive message of 5000 bytes"));
    b.exclusive(Machine::B, 0, Cut);
    assert_eq!(b.until_said("patch-sysex-cut"), "B began a system exclusive message and did not end it.");
}

/// Where we feed the device: whole messages in their order; a long one takes 1.3 s on a DIN link, and those behind it are not lost by that.
#[test]
fn where_we_feed_the_device_a_long_message_loses_nothing_behind_it() {
    let (mut b, mut rack) = Bench::with_rack("gate = \"supervisor\"\nlink = \"din\"");
    b.until_said("patch-port-open");
    let long = [vec![0xF0], vec![1; 4_094], vec![0xF7]].concat();
    b.plays(Machine::A, &[PROGRAM_9]);
    b.exclusive(Machine::A, 0, Whole(long.clone()));
    b.plays(Machine::A, &[PROGRAM_5]);
    assert_eq!(rack.heard(3), [vec![0xC2, 9], long, vec![0xC2, 5]]);
    assert_eq!(b.said("patch-dropped"), 0);
}

#[test]
fn a_message_that_the_other_machine_did_not_send_is_told() {
    let (mut b, _rack) = Bench::with_rack("");
    // They must have been together for the grace time.
    b.until("the view is in", |b| b.desk.shown().len() == 1);
    std::thread::sleep(Duration::from_millis(600));
    b.exclusive(Machine::A, 0, Whole(message(1)));
    let text = b.until_said("patch-missing");
    assert!(text.starts_with("B did not send system exclusive F0 7D 01 01 02 03 F7 (7 bytes)"), "{text}");
    b.until("the judge knows", |b| matches!(b.evidence.differed, Some((Machine::B, _))));
}
