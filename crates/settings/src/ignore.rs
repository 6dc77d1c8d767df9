//! Which files of a folder are left out of a comparison: patterns as people know them from version control.
//!
//! `*` stands for any bytes but `/`, `?` for one; a pattern without `/` is for names at any depth, one with a `/` in it for paths from
//! the folder's top; a `/` at the end makes it one for folders alone, with all that is in them. Nothing else has a meaning.

use serde::{Deserialize, Serialize};

/// Patterns of what is left out.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Ignore {
    patterns: Vec<String>,
}

/// What is wrong with a pattern.
pub(crate) const NO_PATTERN: &str = "a pattern names something, with single slashes between its parts";

impl Ignore {
    /// These patterns.
    pub fn new(patterns: Vec<String>) -> Ignore {
        Ignore { patterns }
    }

    /// The patterns, as written.
    pub fn patterns(&self) -> &[String] {
        &self.patterns
    }

    /// Whether all patterns can match something.
    pub fn is_sound(&self) -> bool {
        self.patterns.iter().all(|p| {
            let p = p.strip_suffix('/').unwrap_or(p);
            let p = p.strip_prefix('/').unwrap_or(p);
            !p.is_empty() && !p.split('/').any(|part| matches!(part, "" | "." | ".."))
        })
    }

    /// Whether an entry is left out. `path`: from the folder's top, its parts joined by `/`.
    pub fn leaves_out(&self, path: &[u8], folder: bool) -> bool {
        self.patterns.iter().any(|p| {
            let (p, only_folders) = match p.strip_suffix('/') {
                Some(rest) => (rest, true),
                None => (p.as_str(), false),
            };
            if only_folders && !folder {
                return false;
            }
            match p.strip_prefix('/') {
                Some(rest) => matches(rest.as_bytes(), path),
                None if p.contains('/') => matches(p.as_bytes(), path),
                None => matches(p.as_bytes(), path.rsplit(|c| *c == b'/').next().unwrap_or(path)),
            }
        })
    }
}

/// Whether a pattern matches all of `text`. On a mismatch the last `*` takes one byte more, so that the time is at most the product of both
/// lengths.
fn matches(pattern: &[u8], text: &[u8]) -> bool {
    let (mut p, mut t) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while t < text.len() {
        match pattern.get(p) {
            Some(b'*') => {
                star = Some((p, t));
                p += 1;
            }
            Some(b'?') if text[t] != b'/' => (p, t) = (p + 1, t + 1),
            Some(c) if *c == text[t] => (p, t) = (p + 1, t + 1),
            _ => match star {
                // A star ends where a folder does.
                Some((at, taken)) if text[taken] != b'/' => {
                    star = Some((at, taken + 1));
                    (p, t) = (at + 1, taken + 1);
                }
                _ => return false,
            },
        }
    }
    pattern[p..].iter().all(|c| *c == b'*')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The same by trying every way.
    fn slow(pattern: &[u8], text: &[u8]) -> bool {
        match (pattern.split_first(), text.split_first()) {
            (None, None) => true,
            (Some((b'*', rest)), t) => slow(rest, text) || t.is_some_and(|(c, more)| *c != b'/' && slow(pattern, more)),
            (Some((b'?', rest)), Some((c, more))) => *c != b'/' && slow(rest, more),
            (Some((p, rest)), Some((c, more))) => p == c && slow(rest, more),
            _ => false,
        }
    }

    proptest! {
        #[test]
        fn patterns_match_as_every_way_tried(
            p in prop::collection::vec(prop::sample::select(b"a*?/b".to_vec()), 0..8),
            t in prop::collection::vec(prop::sample::select(vec![b'a', b'b', b'/', 0xff]), 0..10),
        ) {
            prop_assert_eq!(matches(&p, &t), slow(&p, &t));
        }
    }

    #[test]
    fn names_paths_and_folders() {
        let ignore = Ignore::new(["*.tmp", "backups/", "/takes/old", "peaks/*.pk"].map(String::from).into());
        assert!(ignore.is_sound());
        for (path, folder, out) in [
            ("a.tmp", false, true),
            ("deep/down/a.tmp", false, true),
            ("a.tmp.wav", false, false),
            ("song/backups", true, true),
            ("song/backups", false, false),
            ("takes/old", true, true),
            ("x/takes/old", true, false),
            ("peaks/a.pk", false, true),
            ("peaks/b/a.pk", false, false),
        ] {
            assert_eq!(ignore.leaves_out(path.as_bytes(), folder), out, "{path}");
        }
        for bad in ["", "/", "a//b", "../a", "."] {
            assert!(!Ignore::new(vec![bad.into()]).is_sound(), "{bad:?}");
        }
    }
}
