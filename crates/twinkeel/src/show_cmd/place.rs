//! Where things stand in a TOML file.

use settings::Place;
use toml_edit::{Document, Item, Table};

/// A step towards a value.
#[derive(Clone, Copy)]
pub enum Step<'a> {
    /// A key.
    Key(&'a str),
    /// An entry of a list, from 0.
    Entry(usize),
}

/// The places of a file's keys.
pub struct Places<'a> {
    text: &'a str,
    document: Option<Document<&'a str>>,
}

impl<'a> Places<'a> {
    /// Of this text; one that is no TOML has none.
    pub fn of(text: &'a str) -> Places<'a> {
        Places { text, document: Document::parse(text).ok() }
    }

    /// Where the last step stands that can be found.
    pub fn find(&self, steps: &[Step<'_>]) -> Option<Place> {
        let mut table: &Table = self.document.as_ref()?.as_table();
        let mut list: Option<&toml_edit::ArrayOfTables> = None;
        let mut found = None;
        for step in steps {
            match (*step, list) {
                (Step::Key(key), _) => {
                    let Some((name, item)) = table.get_key_value(key) else { break };
                    let span = name.span().or_else(|| item.span());
                    found = span.map(|s| s.start).or(found);
                    match item {
                        Item::ArrayOfTables(a) => list = Some(a),
                        Item::Table(t) => table = t,
                        _ => break,
                    }
                }
                (Step::Entry(n), Some(entries)) => {
                    let Some(t) = entries.get(n) else { break };
                    found = t.span().map(|s| s.start).or(found);
                    table = t;
                    list = None;
                }
                (Step::Entry(_), None) => break,
            }
        }
        found.map(|at| self.place(at))
    }

    fn place(&self, at: usize) -> Place {
        let before = self.text.get(..at).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        Place { line, column }
    }
}
