use base::Hertz;

use super::*;

const RATE: Hertz = Hertz(8_000.0);

/// Plays turns of one channel, machine A loud, B at the given level, `side` finding what it is told.
fn play(book: &mut LikenessBook, channel: &str, turns: std::ops::Range<u64>, b: f32, s: Side) -> Vec<Compared> {
    let mut all = Vec::new();
    for k in turns {
        let at = |late: i64| MonoTime::from_nanos(k * 1_000_000_000) + Span::from_micros(late);
        let wave = |a: f32| (0..7_680).map(|i| if i % 2 == 0 { a } else { -a }).collect::<Vec<_>>();
        for (m, late, a) in [(Machine::A, 0, 0.1), (Machine::B, 2_000, b)] {
            let heard = Heard { at: at(late), rate: RATE, samples: wave(a) };
            book.on_excerpt(m, channel, heard);
        }
        book.compare(|_, _, _| Some(Span::from_millis(3)), |_, _| Some(s), |c| all.push(c));
    }
    all
}

const ALIKE: Side = Side { behind: 0.0, gain: Db(0.0), inverted: false, confidence: 0.95, shared: 0.9, repeats: false };
const OTHER: Side = Side { confidence: 0.05, ..ALIKE };

fn changes(all: &[Compared]) -> Vec<Likeness> {
    all.iter().filter_map(|c| c.changed.clone()).collect()
}

#[test]
fn a_channel_that_was_alike_and_is_no_more_is_told_after_two_turns() {
    let mut book = LikenessBook::default();
    let all = play(&mut book, "keys", 10..14, 0.1, ALIKE);
    assert_eq!((all.len(), changes(&all)), (4, vec![]));
    assert_eq!(changes(&play(&mut book, "keys", 14..15, 0.1, OTHER)), []);
    assert_eq!(changes(&play(&mut book, "keys", 15..18, 0.1, OTHER)), [Likeness::Other]);
    assert_eq!(changes(&play(&mut book, "keys", 18..21, 0.1, ALIKE)), [Likeness::Same]);
    assert_eq!(book.standing(Machine::B).collect::<Vec<_>>(), [("keys", Likeness::Same)]);
}

#[test]
fn a_beep_at_the_edge_of_a_stretch_says_nothing() {
    // A's stretch still holds the first 4 ms of a beep that B plays 3 ms later.
    let mut told = Vec::new();
    let mut book = LikenessBook::default();
    for k in 10..20 {
        for (m, beep) in [(Machine::A, 32), (Machine::B, 8)] {
            let mut samples = vec![0.0; 7_680];
            samples[7_680 - beep..].fill(0.5);
            let heard = Heard { at: MonoTime::from_nanos(k * 1_000_000_000), rate: RATE, samples };
            book.on_excerpt(m, "cue", heard);
        }
        book.compare(|_, _, _| Some(Span::from_millis(3)), |_, _| Some(OTHER), |c| told.push(c));
    }
    assert_eq!(told, []);
    // Where the other is silent throughout, a beep well inside is enough to say so.
    let mut samples = vec![0.0; 7_680];
    samples[4_000..4_400].fill(0.5);
    for (m, samples) in [(Machine::A, samples), (Machine::B, vec![0.0; 7_680])] {
        let heard = Heard { at: MonoTime::from_nanos(30_000_000_000), rate: RATE, samples };
        book.on_excerpt(m, "cue", heard);
    }
    book.compare(|_, _, _| Some(Span::ZERO), |_, _| None, |c| told.push(c));
    assert_eq!(told.iter().map(|c| c.found.clone()).collect::<Vec<_>>(), [Some(Likeness::Silent)]);
}

#[test]
fn the_stretch_that_is_asked_about_holds_both_excerpts() {
    let mut book = LikenessBook::default();
    let at = |ms: u64| MonoTime::from_nanos(ms * 1_000_000);
    let asked = std::cell::RefCell::new(Vec::new());
    for (m, ms) in [(Machine::A, 10_000), (Machine::B, 10_002)] {
        let heard = Heard { at: at(ms), rate: RATE, samples: vec![0.1; 8_000] };
        book.on_excerpt(m, "keys", heard);
    }
    let apart = |m, from, to| {
        asked.borrow_mut().push((m, from, to));
        None
    };
    book.compare(apart, |_, _| Some(ALIKE), |_| panic!("one of them may have stood"));
    assert_eq!(asked.into_inner(), [(Machine::B, at(10_000), at(11_002))]);
}

#[test]
fn polarity_level_and_silence_have_their_own_words() {
    for (side, b, want) in [
        (Side { inverted: true, ..ALIKE }, 0.1, "other polarity"),
        (Side { gain: Db(-6.0), ..ALIKE }, 0.1, "6.0 dB softer"),
        (Side { shared: 0.1, ..ALIKE }, 0.1, "no longer sounds like"),
        (ALIKE, 0.0, "B's `keys` is silent where A's is not."),
    ] {
        let mut book = LikenessBook::default();
        play(&mut book, "keys", 10..12, 0.1, ALIKE);
        let all = changes(&play(&mut book, "keys", 12..15, b, side));
        assert_eq!(all.len(), 1, "{want}");
        assert!(all[0].is_trouble());
        let text = all[0].say(Machine::B, Machine::A, "keys");
        assert!(text.contains(want), "{text}");
    }
}

#[test]
fn what_never_was_alike_is_told_once_and_mildly() {
    let mut book = LikenessBook::default();
    assert_eq!(changes(&play(&mut book, "wash", 10..20, 0.1, OTHER)), [], "nothing is alike: out of step, maybe");
    play(&mut book, "keys", 20..22, 0.1, ALIKE);
    let all = changes(&play(&mut book, "wash", 22..32, 0.1, OTHER));
    assert_eq!(all, [Likeness::NeverAlike]);
    assert!(!all[0].is_trouble());
}

#[test]
fn the_lag_counts_from_the_stamps() {
    // B's excerpt begins 2 ms after A's; 16 samples of A are skipped. Sounds that lie alike after that are 0 ms apart.
    let mut book = LikenessBook::default();
    let lag = |c: &[Compared]| c[0].lag.map(|l| l.millis_f64());
    let zero = lag(&play(&mut book, "keys", 10..11, 0.1, ALIKE));
    assert!(zero.is_some_and(|l| l.abs() < 1e-3), "{zero:?}");
    // 8 samples at 8 kHz behind: B is 1 ms late, the reference ahead.
    let late = lag(&play(&mut book, "keys", 11..12, 0.1, Side { behind: 8.0, ..ALIKE }));
    assert!(late.is_some_and(|l| (l - 1.0).abs() < 1e-3), "{late:?}");
    // A bare click repeats: its lag is not told.
    assert_eq!(lag(&play(&mut book, "click", 12..13, 0.1, Side { repeats: true, ..ALIKE })), None);
}

#[test]
fn rests_and_machines_elsewhere_say_nothing() {
    let mut book = LikenessBook::default();
    let heard = |ms: i64| Heard {
        at: MonoTime::from_nanos(5_000_000_000) + Span::from_millis(ms),
        rate: RATE,
        samples: vec![0.1; 7_680],
    };
    let told = std::cell::Cell::new(0);
    let compare = |book: &mut LikenessBook, apart: Option<Span>| {
        book.compare(|_, _, _| apart, |_, _| Some(ALIKE), |_| told.set(told.get() + 1));
    };
    for m in [Machine::A, Machine::B] {
        book.on_excerpt(m, "keys", heard(0));
    }
    compare(&mut book, None);
    let silent = Heard { samples: vec![0.0; 7_680], ..heard(1_000) };
    for m in [Machine::A, Machine::B] {
        book.on_excerpt(m, "keys", silent.clone());
    }
    compare(&mut book, Some(Span::ZERO));
    // Too little in common.
    book.on_excerpt(Machine::A, "keys", heard(9_000));
    book.on_excerpt(Machine::B, "keys", heard(9_900));
    compare(&mut book, Some(Span::ZERO));
    assert_eq!(told.get(), 0);
}

/// Noises of their own, and half of what they have in common: left and right of a mix.
fn left_and_right() -> [Vec<f32>; 2] {
    let noise = |mut luck: u64| {
        std::iter::repeat_with(move || {
            luck = luck.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (luck >> 40) as f32 / (1u32 << 23) as f32 - 1.0
        })
    };
    let mixed = |own: u64| noise(own).zip(noise(3)).map(|(a, b)| 0.1 * (a + b)).take(7_680).collect();
    [mixed(1), mixed(2)]
}

/// The normalized correlation at no lag: what the real comparison comes to where nothing is late.
fn correlation(a: &[f32], b: &[f32]) -> Option<Side> {
    let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| f64::from(x * y)).sum::<f64>();
    let r = dot(a, b) / (dot(a, a) * dot(b, b)).sqrt();
    Some(Side { confidence: r.abs(), inverted: r < 0.0, ..ALIKE })
}

#[test]
fn channels_that_changed_places_are_named() {
    let [left, right] = left_and_right();
    let names = ["tracks L", "tracks R"];
    for (b, want) in [
        ([&left, &right], [Likeness::Same, Likeness::Same]),
        ([&right, &left], [Likeness::Another("tracks R".into()), Likeness::Another("tracks L".into())]),
    ] {
        let mut book = LikenessBook::default();
        let mut told = Vec::new();
        for k in 10..12u64 {
            for (m, sounds) in [(Machine::A, [&left, &right]), (Machine::B, b)] {
                for (name, samples) in names.iter().zip(sounds) {
                    let at = MonoTime::from_nanos(k * 1_000_000_000);
                    book.on_excerpt(m, name, Heard { at, rate: RATE, samples: samples.clone() });
                }
            }
            book.compare(|_, _, _| Some(Span::ZERO), correlation, |c| told.push(c.found));
        }
        let want: Vec<_> = want.into_iter().map(Some).collect();
        assert_eq!(told, [want.clone(), want].concat());
        let words: Vec<_> = book.standing(Machine::B).map(|(n, l)| l.say(Machine::B, Machine::A, n)).collect();
        let swapped = words[0].contains("`tracks L` carries what A's `tracks R` does");
        assert_eq!(swapped, b[0] == &right, "{words:?}");
    }
}

/// The reference rests, and the other plays what belongs to another channel.
#[test]
fn a_click_where_nothing_should_be_is_named() {
    let [click, _] = left_and_right();
    let mut book = LikenessBook::default();
    let mut told = Vec::new();
    for (m, name, sounds) in
        [(Machine::A, "click", true), (Machine::A, "tracks L", false), (Machine::B, "tracks L", true)]
    {
        let samples = if sounds { click.clone() } else { vec![0.0; 7_680] };
        book.on_excerpt(m, name, Heard { at: MonoTime::from_nanos(9_000_000_000), rate: RATE, samples });
    }
    book.compare(|_, _, _| Some(Span::ZERO), correlation, |c| told.push(c.found));
    assert_eq!(told, [Some(Likeness::Another("click".into()))]);
}

/// The reference lost its left: what the other plays there is no right, though both have much in common.
#[test]
fn a_lost_channel_is_not_taken_for_its_neighbour() {
    let [left, right] = left_and_right();
    let mut book = LikenessBook::default();
    let mut told = Vec::new();
    let silent = vec![0.0; 7_680];
    for (m, sounds) in [(Machine::A, [&silent, &right]), (Machine::B, [&left, &right])] {
        for (name, samples) in ["tracks L", "tracks R"].iter().zip(sounds) {
            let at = MonoTime::from_nanos(9_000_000_000);
            book.on_excerpt(m, name, Heard { at, rate: RATE, samples: samples.clone() });
        }
    }
    let alike = |a: &[f32], b: &[f32]| correlation(a, b).map(|s| Side { confidence: s.confidence.max(0.6), ..s });
    book.compare(|_, _, _| Some(Span::ZERO), alike, |c| told.push(c.found));
    assert_eq!(told, [Some(Likeness::Alone), Some(Likeness::Same)]);
}

proptest::proptest! {
    /// An excerpt is what an agent says it is.
    #[test]
    fn whatever_an_excerpt_claims_to_be_it_ends_in_a_finding_or_in_none(
        all in proptest::collection::vec(
            (
                0..3usize,
                proptest::prelude::prop_oneof![
                    proptest::prelude::any::<u64>(),
                    0..5_000_000_000u64,
                    (u64::MAX - 10)..=u64::MAX,
                    (i64::MAX as u64 - 10)..(i64::MAX as u64 + 10)
                ],
                proptest::sample::select(&[0.0, 1e-3, 8_000.0, 8_000.5, 4e6, f64::INFINITY, f64::NAN][..]),
                0..9_000usize,
            ),
            0..12,
        )
    ) {
        let mut book = LikenessBook::default();
        for (m, at, rate, n) in all {
            let heard = Heard { at: MonoTime::from_nanos(at), rate: Hertz(rate), samples: vec![0.1; n] };
            book.on_excerpt(Machine::new(m).unwrap(), "keys", heard);
            book.compare(|_, _, _| Some(Span::from_millis(3)), |_, _| Some(ALIKE), |c| {
                assert!(c.confidence.is_finite(), "{c:?}");
            });
        }
        assert!(book.waiting.len() <= 12);
    }
}
