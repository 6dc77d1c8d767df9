//! One error for all files, and the one way from text to a type.

use std::fmt;

use serde::de::DeserializeOwned;

/// Where in a file something is wrong, both counted from 1.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Place {
    /// Line.
    pub line: usize,
    /// Column, in characters.
    pub column: usize,
}

/// What is wrong with a configuration file, where, and how to mend it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SettingsError {
    /// The file's name as the caller gave it.
    pub file: String,
    /// Where, if one place can be named.
    pub place: Option<Place>,
    /// What is wrong.
    pub what: String,
    /// What to write instead.
    pub mend: String,
}

impl SettingsError {
    /// An error about the value that stands at `key` (dotted, `machine[1].key`), found by searching the text for it.
    pub fn at_key(
        file: &str,
        text: &str,
        key: &str,
        what: impl Into<String>,
        mend: impl Into<String>,
    ) -> SettingsError {
        SettingsError {
            file: file.into(),
            place: find_key(text, key),
            what: format!("{key}: {}", what.into()),
            mend: mend.into(),
        }
    }
}

/// Where the value of a key stands, for messages about it that come later than parsing: "agent.toml:28:1: source[1].channels".
pub fn written_at(file: &str, text: &str, key: &str) -> String {
    match find_key(text, key) {
        Some(p) => format!("{file}:{}:{}: {key}", p.line, p.column),
        None => format!("{file}: {key}"),
    }
}

/// What is wrong with one entry of a list: said by who knows the entry alone, given its place by who knows the list.
pub(crate) struct Wrong {
    pub key: &'static str,
    pub what: &'static str,
    pub mend: &'static str,
}

impl Wrong {
    pub(crate) fn at(self, file: &str, text: &str, entry: &str) -> SettingsError {
        SettingsError::at_key(file, text, &format!("{entry}.{}", self.key), self.what, self.mend)
    }
}

/// The same of an entry of a list within an entry.
#[derive(Debug)]
pub(crate) struct WrongEntry {
    pub key: String,
    pub what: &'static str,
    pub mend: &'static str,
}

impl WrongEntry {
    /// `entry`: what it lies in; empty: the file itself.
    pub(crate) fn at(self, file: &str, text: &str, entry: &str) -> SettingsError {
        let key = if entry.is_empty() { self.key } else { format!("{entry}.{}", self.key) };
        SettingsError::at_key(file, text, &key, self.what, self.mend)
    }
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(p) = self.place {
            write!(f, ":{}:{}", p.line, p.column)?;
        }
        write!(f, ": {}", self.what)?;
        if !self.mend.is_empty() {
            write!(f, "\n  mend: {}", self.mend)?;
        }
        Ok(())
    }
}

impl std::error::Error for SettingsError {}

/// Parses `text` (the content of `file`) into a configuration type.
///
/// # Errors
/// Syntax errors, wrong types, missing and unknown keys, each with its place.
pub fn parse<T: DeserializeOwned>(file: &str, text: &str) -> Result<T, SettingsError> {
    toml::from_str(text).map_err(|e| {
        let what = e.message().trim().replace('\n', "; ");
        let mend = if what.contains("unknown field") {
            "remove the key, or spell it as one of those listed"
        } else if what.contains("missing field") {
            "add the key"
        } else if what.contains("invalid type") {
            "write a value of the expected type (text stands in quotes)"
        } else {
            "see the commented examples in config/"
        };
        SettingsError { file: file.into(), place: e.span().map(|s| place_of(text, s.start)), what, mend: mend.into() }
    })
}

/// Line and column of a byte offset.
fn place_of(text: &str, offset: usize) -> Place {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    Place { line, column }
}

/// Finds the line of a dotted key such as `machine[1].key` or `limits.warn_offset`, good enough for a message: tables are
/// followed by their headers, array entries by counting `[[name]]`.
fn find_key(text: &str, key: &str) -> Option<Place> {
    let mut parts: Vec<(&str, usize)> = Vec::new();
    for part in key.split('.') {
        match part.split_once('[') {
            Some((name, n)) => parts.push((name, n.trim_end_matches(']').parse().ok()?)),
            None => parts.push((part, 0)),
        }
    }
    let (leaf, tables) = parts.split_last()?;
    let mut inside = tables.is_empty();
    // How many entries of each list on the way have begun, each counted within the entry it lies in.
    let mut begun = vec![0usize; tables.len()];
    let mut header = None;
    for (i, line) in text.lines().enumerate() {
        let t = line.trim_start();
        let column = line.chars().count() - t.chars().count() + 1;
        if t.starts_with('[') {
            let array = t.starts_with("[[");
            let name: Vec<&str> =
                t.trim_start_matches('[').split(']').next().unwrap_or("").trim().split('.').map(str::trim).collect();
            let depth = name.len();
            let on_the_way = depth <= tables.len() && tables.iter().zip(&name).all(|(p, n)| p.0 == *n);
            if on_the_way {
                begun[depth - 1] += 1;
                begun[depth..].fill(0);
            }
            // A plain table is the only one of its name.
            let right = |(p, n): (&(&str, usize), &usize)| *n == p.1 + 1 || *n == 0 && p.1 == 0;
            let outer = depth.saturating_sub(1);
            inside = on_the_way
                && depth == tables.len()
                && tables[..outer].iter().zip(&begun).all(right)
                && tables.last().is_some_and(|p| !array || begun[outer] == p.1 + 1);
            if inside {
                header = Some(Place { line: i + 1, column });
            }
        } else if inside && t.strip_prefix(leaf.0).is_some_and(|r| r.trim_start().starts_with('=')) {
            return Some(Place { line: i + 1, column });
        }
    }
    header
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_found_in_tables_and_arrays() {
        let text = "a = 1\n[limits]\n  warn = 2\n[[machine]]\nkey = 1\n[[machine]]\nname = 2\nkey = 3\n";
        assert_eq!(find_key(text, "a"), Some(Place { line: 1, column: 1 }));
        assert_eq!(find_key(text, "limits.warn"), Some(Place { line: 3, column: 3 }));
        assert_eq!(find_key(text, "machine[1].key"), Some(Place { line: 8, column: 1 }));
        assert_eq!(written_at("f", text, "machine[1].key"), "f:8:1: machine[1].key");
        assert_eq!(written_at("f", text, "nowhere.key"), "f: nowhere.key");
        assert_eq!(find_key(text, "machine[1].port"), Some(Place { line: 6, column: 1 }));
        assert_eq!(find_key(text, "nothing.here"), None);
        let text =
            "[[m]]\nkey = 1\n[[m.source]]\nport = 1\n[[m.source]]\nport = 2\n[[m]]\nkey = 2\n[[m.source]]\nport = 3\n";
        for (key, line) in
            [("m[0].source[1].port", 6), ("m[1].source[0].port", 10), ("m[1].key", 8), ("m[1].source[0].x", 9)]
        {
            assert_eq!(find_key(text, key), Some(Place { line, column: 1 }), "{key}");
        }
    }
}
