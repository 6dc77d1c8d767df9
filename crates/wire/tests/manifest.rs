//! Trees of folders: made up, taken apart and laid side by side, against a naive comparison of two flat lists.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;

use proptest::prelude::*;
use twinkeel_wire::manifest::{
    Comparison, Counts, DifferenceKind, Differences, Entry, FolderHasher, FolderSum, What, order, tell,
};

/// A folder as a test writes it down: by name a file (content, time in seconds), trouble, or a subfolder.
#[derive(Clone, Debug, PartialEq)]
enum Node {
    File(u8, i64),
    Unreadable,
    Folder(BTreeMap<Vec<u8>, Node>),
}

/// A tree as its owner keeps it: each folder's entries by the number of its block.
#[derive(Default)]
struct Kept(Vec<Vec<Entry>>);

impl Kept {
    fn keep(&mut self, folder: &BTreeMap<Vec<u8>, Node>) -> FolderSum {
        let mut entries: Vec<Entry> = folder
            .iter()
            .map(|(name, node)| {
                let (modified, what) = match node {
                    Node::File(content, at) => (*at, What::File { size: 1, content: [*content; 32] }),
                    Node::Unreadable => (0, What::Unreadable { why: "permission denied".into(), folder: false }),
                    Node::Folder(f) => (0, What::Folder(self.keep(f))),
                };
                Entry { name: name.clone(), modified_ns: modified * 1_000_000_000, what }
            })
            .collect();
        entries.sort_by(order);
        let mut hasher = FolderHasher::default();
        entries.iter().for_each(|e| hasher.on_entry(e));
        self.0.push(entries);
        hasher.finish(self.0.len() as u64 - 1)
    }
}

/// Compares in parts of so many entries, and counts the parts.
fn compare(a: &Node, b: &Node, part: usize, into_times: bool) -> (Differences, usize) {
    let (Node::Folder(a), Node::Folder(b)) = (a, b) else { panic!("a tree is a folder") };
    let mut kept = [Kept::default(), Kept::default()];
    let sums = [kept[0].keep(a), kept[1].keep(b)];
    let mut c = Comparison::new(&sums[0], &sums[1], 1_000, into_times);
    let mut parts = 0;
    while let Some(want) = c.wants() {
        parts += 1;
        let all = &kept[want.half as usize].0[want.block as usize];
        let from = want.from as usize;
        let to = (from + part).min(all.len());
        c.on_part(want.half, all[from..to].to_vec(), (to < all.len()).then_some(to as u64));
    }
    (c.finish(), parts)
}

/// The naive way: both trees as flat lists.
fn naive(a: &Node, b: &Node) -> BTreeMap<Vec<u8>, DifferenceKind> {
    fn walk(a: Option<&Node>, b: Option<&Node>, path: &[u8], out: &mut BTreeMap<Vec<u8>, DifferenceKind>) {
        use DifferenceKind as K;
        let kind = match (a, b) {
            (Some(Node::Folder(x)), Some(Node::Folder(y))) => {
                let names: std::collections::BTreeSet<_> = x.keys().chain(y.keys()).collect();
                for n in names {
                    let path = if path.is_empty() { n.clone() } else { [path, b"/", n].concat() };
                    let (x, y) = (x.get(n), y.get(n));
                    let folder = |n: Option<&Node>| n.map(|n| matches!(n, Node::Folder(_)));
                    match (folder(x), folder(y)) {
                        // A folder here and a file there are two entries.
                        (Some(f), Some(g)) if f != g => {
                            out.insert([b"-".as_slice(), &path].concat(), K::Missing);
                            out.insert([b"+".as_slice(), &path].concat(), K::Extra);
                        }
                        _ => walk(x, y, &path, out),
                    }
                }
                return;
            }
            (Some(_), None) => K::Missing,
            (None, Some(_)) => K::Extra,
            (Some(Node::Unreadable), _) | (_, Some(Node::Unreadable)) => K::Unread,
            (Some(Node::File(x, _)), Some(Node::File(y, _))) if x != y => K::Differs,
            (Some(Node::File(_, x)), Some(Node::File(_, y))) if (x - y).abs() > 2 => K::Times,
            _ => return,
        };
        out.insert(path.to_vec(), kind);
    }
    let mut out = BTreeMap::new();
    walk(Some(a), Some(b), b"", &mut out);
    out
}

fn name() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(prop::sample::select(vec![b'a', b'b', 0xff, 0x1b]), 1..3)
}

fn folder() -> impl Strategy<Value = Node> {
    let leaf = prop_oneof![6 => (0u8..3, prop::sample::select(vec![0i64, 1, 60])).prop_map(|(c, t)| Node::File(c, t)), 1 => Just(Node::Unreadable)];
    let node =
        leaf.prop_recursive(3, 40, 6, |inner| prop::collection::btree_map(name(), inner, 0..6).prop_map(Node::Folder));
    prop::collection::btree_map(name(), node, 0..6).prop_map(Node::Folder)
}

/// Few changes to a tree, so that most of two trees is the same.
fn twins() -> impl Strategy<Value = (Node, Node)> {
    (folder(), folder(), any::<bool>(), prop::collection::vec((any::<prop::sample::Index>(), 0u8..3), 0..3)).prop_map(
        |(a, other, same, changes)| {
            let mut b = if same { a.clone() } else { other };
            for (which, content) in changes {
                let mut count = 0;
                touch(&mut b, &mut count, usize::MAX, content);
                if count > 0 {
                    touch(&mut b, &mut 0, which.index(count), content);
                }
            }
            (a, b)
        },
    )
}

/// Gives the n-th file another content, and counts files.
fn touch(node: &mut Node, count: &mut usize, nth: usize, content: u8) {
    match node {
        Node::Folder(f) => f.values_mut().for_each(|n| touch(n, count, nth, content)),
        Node::File(c, _) => {
            if *count == nth {
                *c = content;
            }
            *count += 1;
        }
        Node::Unreadable => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]
    #[test]
    fn a_comparison_in_parts_finds_what_a_naive_one_finds((a, b) in twins(), part in 1usize..5) {
        let (found, _) = compare(&a, &b, part, true);
        let mut ours = BTreeMap::new();
        for d in &found.found {
            let twice = naive(&a, &b).contains_key(&[b"-".as_slice(), &d.path].concat());
            let mark: &[u8] = match (twice, d.kind) {
                (false, _) => b"",
                (true, DifferenceKind::Missing) => b"-",
                (true, _) => b"+",
            };
            ours.insert([mark, &d.path].concat(), d.kind);
        }
        prop_assert_eq!(&ours, &naive(&a, &b));
        let count = |k| found.found.iter().filter(|d| d.kind == k).map(|d| d.a.as_ref().or(d.b.as_ref()).unwrap().what.files().max(1)).sum::<u64>();
        prop_assert_eq!(found.counts.missing, count(DifferenceKind::Missing));
        prop_assert_eq!(found.counts.extra, count(DifferenceKind::Extra));
        prop_assert_eq!(found.counts.unread, count(DifferenceKind::Unread));
        // Without going through folders that differ by times alone, the contents found are the same.
        let (short, _) = compare(&a, &b, part, false);
        prop_assert_eq!(Counts { times: 0, ..short.counts }, Counts { times: 0, ..found.counts });
        prop_assert!(short.counts.same_content() == naive(&a, &b).values().all(|k| *k == DifferenceKind::Times));
        // Words can be made of anything.
        prop_assert!(tell(&found, ["A", "B"], 0).len() >= found.found.len());
    }

    #[test]
    fn the_digest_of_a_tree_is_that_of_its_contents((a, b) in twins()) {
        let sum = |n: &Node| { let Node::Folder(f) = n else { panic!() }; Kept::default().keep(f) };
        let (x, y) = (sum(&a), sum(&b));
        let same = naive(&a, &b).values().all(|k| *k == DifferenceKind::Times);
        prop_assert_eq!(x.is_same(&y), same);
    }
}

#[test]
fn of_a_large_tree_only_the_way_to_the_difference_is_asked_for() {
    let leaf = |k: u8| Node::Folder((0..20u8).map(|i| (vec![b'f', i], Node::File(k.wrapping_add(i), 0))).collect());
    let tree = |odd: Option<u8>| {
        let mut top: BTreeMap<Vec<u8>, Node> = (0..100u8).map(|i| (vec![b'd', i], leaf(i))).collect();
        if let Some(Node::Folder(f)) = odd.and_then(|i| top.get_mut(&vec![b'd', i])) {
            f.insert(vec![b'f', 3], Node::File(250, 0));
        }
        Node::Folder(top)
    };
    assert_eq!(compare(&tree(None), &tree(None), 1_000, false).1, 0, "nothing is asked of trees that are the same");
    let (found, parts) = compare(&tree(None), &tree(Some(42)), 1_000, false);
    assert_eq!((found.counts.differs, parts), (1, 4), "two folders of two machines");
}

#[test]
fn the_tree_reads_as_people_read() {
    let file = |c, at| Node::File(c, at);
    let folder = |v: Vec<(&str, Node)>| Node::Folder(v.into_iter().map(|(n, x)| (n.as_bytes().to_vec(), x)).collect());
    let a = folder(vec![
        ("quay", folder(vec![("bass.wav", file(1, 60_120)), ("keys.wav", file(1, 60_180)), ("old.wav", file(1, 0))])),
        ("herons", folder(vec![("a.wav", file(1, 0)), ("b.wav", file(2, 0))])),
        ("set.session", file(9, 61_200)),
        ("locked.wav", file(4, 0)),
    ]);
    let b = folder(vec![
        ("quay", folder(vec![("keys.wav", file(2, 100)), ("old.wav", file(1, 500)), ("spare.wav", file(7, 0))])),
        ("set.session", file(9, 61_201)),
        ("locked.wav", Node::Unreadable),
    ]);
    let (found, _) = compare(&a, &b, 3, true);
    assert_eq!(
        tell(&found, ["A", "B"], 61_500_000_000_000),
        [
            "- herons/  missing on B (2 files, 2 B)",
            "? locked.wav  cannot be read on B: permission denied",
            "quay/",
            "  - bass.wav  missing on B (1 B)",
            "  ! keys.wav  differs: 1 B; A's is newer, 16:43 UTC",
            "  ~ old.wav  only times differ",
            "  + spare.wav  only on B (1 B)",
        ]
    );
    assert_eq!(
        found.say(["A", "B"], 61_500_000_000_000),
        "B: 4 files behind since 00:00 UTC; A: 1 file behind since 00:00 UTC (3 missing on B, 1 only on B, 1 differs, 1 not to be read)."
    );
    let (same, _) = compare(&a, &a, 3, true);
    assert_eq!(same.say(["A", "B"], 0), "The same.");
}
