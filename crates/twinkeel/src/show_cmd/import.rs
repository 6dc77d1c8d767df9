//! `twinkeel show import`: songs from a table, and sections, patches and lengths from MIDI files, into a show file that people write
//! too. Comments and order stay as they are, nothing that stands there is overwritten unless that is asked for, and every change and
//! everything that was left alone is said.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use settings::ShowFile;
use settings::duration::Duration;
use settings::show::{ExpectedPatch, Section};
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, value};

use super::lint::minutes;
use super::midi;
use crate::refuse;

/// Arguments of `twinkeel show import`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  twinkeel show import show.toml --csv set.csv\n  twinkeel show import show.toml --midi --write\n\n\
    The table's first line names its columns: name, start, length, tempo, midi, notes (name must be there).\n\
    Exit codes: 0 done, or nothing to do; 1 something was left as it stands; 2 a file cannot be read."
)]
pub struct ImportArgs {
    /// The show file.
    #[arg(default_value = "show.toml")]
    file: PathBuf,
    /// A table of songs (comma-separated, RFC 4180).
    #[arg(long, value_name = "TABLE")]
    csv: Option<PathBuf>,
    /// Take markers as sections, program changes as expected patches, and missing lengths, from the MIDI files that the songs name.
    #[arg(long)]
    midi: bool,
    /// Put what was read in the place of what stands there otherwise.
    #[arg(long)]
    overwrite: bool,
    /// Write the file. Without it, only what would be changed is said.
    #[arg(long)]
    write: bool,
}

/// Imports.
pub fn run(a: &ImportArgs) -> ExitCode {
    if a.csv.is_none() && !a.midi {
        return refuse(&"nothing to import: give --csv TABLE, --midi, or both");
    }
    match import(a) {
        Ok(code) => code,
        Err(e) => refuse(&e),
    }
}

fn import(a: &ImportArgs) -> Result<ExitCode, String> {
    let text = match std::fs::read_to_string(&a.file) {
        Ok(t) => t,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => NEW.into(),
        Err(e) => return Err(format!("{}: {e}", a.file.display())),
    };
    let mut document: DocumentMut = text.parse().map_err(|e| format!("{}: {e}", a.file.display()))?;
    let mut taken = Taken { overwrite: a.overwrite, done: Vec::new(), left: Vec::new() };
    if let Some(table) = &a.csv {
        let bytes = std::fs::read(table).map_err(|e| format!("{}: {e}", table.display()))?;
        take_table(&mut document, &table.display().to_string(), &bytes, &mut taken)?;
    }
    if a.midi {
        let beside = a.file.parent().unwrap_or(Path::new("."));
        take_midi(&mut document, |p| midi::read(&beside.join(p)), &mut taken)?;
    }
    taken.done.iter().for_each(|d| println!("+ {d}"));
    taken.left.iter().for_each(|l| println!("= {l}"));
    if !taken.left.is_empty() {
        println!("What begins with = was left as it stands; --overwrite takes what was read.");
    }
    let new = document.to_string();
    // What came out must be a show file; a song without a length, for one, is not.
    if let Err(e) = ShowFile::parse(&a.file.display().to_string(), &new) {
        return Err(format!("what came out is no show file, so nothing was written: {e}"));
    }
    if taken.done.is_empty() {
        println!("Nothing to do.");
    } else if a.write {
        ports::local::replace(&a.file, &new).map_err(|e| format!("{}: {e}", a.file.display()))?;
        println!("Written to {}.", a.file.display());
    } else {
        println!("Nothing was written: add --write to write it to {}.", a.file.display());
    }
    Ok(if taken.left.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// A show file that begins with an import.
const NEW: &str = "title = \"untitled\"\nframe_rate = \"30\"                    # 23.976, 24, 25, 29.97, 29.97df or 30\n\
    hour_per_song = true                 # a song without a start starts at the hour of its number\n";

/// What was taken, and what was left.
struct Taken {
    overwrite: bool,
    done: Vec<String>,
    left: Vec<String>,
}

impl Taken {
    /// A key of a song, unless it says something else already.
    fn key(&mut self, song: &mut Table, key: &str, new: Item, who: &str, same: impl Fn(&Item) -> bool) {
        let shown = |i: &Item| i.to_string().trim().trim_matches('"').to_owned();
        match song.get(key) {
            None => {
                self.done.push(format!("{who}: {key} = {}", shown(&new)));
                song.insert(key, new);
            }
            Some(old) if same(old) => {}
            Some(old) if self.overwrite => {
                self.done.push(format!("{who}: {key} = {} (was {})", shown(&new), shown(old)));
                song.insert(key, new);
            }
            Some(old) => self.left.push(format!("{who}: {key} is {}, read was {}", shown(old), shown(&new))),
        }
    }
}

fn songs(document: &mut DocumentMut) -> Result<&mut ArrayOfTables, String> {
    let item = document.entry("song").or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    item.as_array_of_tables_mut().ok_or_else(|| "`song` is no list: write each song under [[song]]".into())
}

fn name_of(song: &Table) -> String {
    song.get("name").and_then(Item::as_str).unwrap_or_default().trim().to_owned()
}

/// A duration as people write it, the way they like it.
fn same_duration(old: &Item, new: &str) -> bool {
    let read = |s: &str| s.parse::<Duration>().ok();
    old.as_str().and_then(read).is_some_and(|o| Some(o) == read(new))
}

/// A table's songs: new ones are put behind the others, known ones (by name) get what they lack.
fn take_table(document: &mut DocumentMut, file: &str, bytes: &[u8], taken: &mut Taken) -> Result<(), String> {
    // Programs that write tables for people begin them with a byte order mark.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(false).from_reader(bytes);
    let place = |e: &csv::Error| match e.position() {
        Some(p) => format!("{file}:{}: {e}", p.line()),
        None => format!("{file}: {e}"),
    };
    let heads: Vec<String> = reader.headers().map_err(|e| place(&e))?.iter().map(str::to_lowercase).collect();
    const KNOWN: [&str; 6] = ["name", "start", "length", "tempo", "midi", "notes"];
    if !heads.iter().any(|h| h == "name") {
        return Err(format!(
            "{file}:1: no column is called name\n  mend: name the columns in the first line: {}",
            KNOWN.join(", ")
        ));
    }
    if let Some(h) = heads.iter().find(|h| !KNOWN.contains(&h.as_str())) {
        return Err(format!(
            "{file}:1: no column can be called \"{h}\"\n  mend: take it out, or call it one of {}",
            KNOWN.join(", ")
        ));
    }
    for row in reader.records() {
        let row = row.map_err(|e| place(&e))?;
        let line = row.position().map_or(0, csv::Position::line);
        let cell = |key: &str| {
            let at = heads.iter().position(|h| h == key)?;
            row.get(at).filter(|c| !c.is_empty()).map(str::to_owned)
        };
        let Some(name) = cell("name") else {
            return Err(format!("{file}:{line}: this song has no name\n  mend: give it one, or take the line out"));
        };
        let list = songs(document)?;
        let known = (0..list.len()).find(|i| list.get(*i).is_some_and(|t| name_of(t) == name));
        let index = known.unwrap_or_else(|| {
            let mut t = Table::new();
            t.insert("name", value(&name));
            list.push(t);
            list.len() - 1
        });
        let who = format!("song {} \"{name}\"", index + 1);
        if known.is_none() {
            taken.done.push(format!("{who}: new"));
        }
        let Some(song) = list.get_mut(index) else { continue };
        for key in ["start", "midi", "notes"] {
            if let Some(c) = cell(key) {
                taken.key(song, key, value(&c), &who, |old| old.as_str() == Some(c.as_str()));
            }
        }
        if let Some(c) = cell("length") {
            c.parse::<Duration>().map_err(|e| format!("{file}:{line}: length: {e}"))?;
            taken.key(song, "length", value(&c), &who, |old| same_duration(old, &c));
        }
        if let Some(c) = cell("tempo") {
            let t: f64 = c.parse().map_err(|_| format!("{file}:{line}: tempo: \"{c}\" is no number"))?;
            let number = |old: &Item| old.as_float().or(old.as_integer().map(|i| i as f64));
            taken.key(song, "tempo", value(t), &who, |old| number(old) == Some(t));
        }
    }
    Ok(())
}

/// What the songs' MIDI files tell.
fn take_midi(
    document: &mut DocumentMut,
    read: impl Fn(&Path) -> Result<midi::MidiFacts, String>,
    taken: &mut Taken,
) -> Result<(), String> {
    let list = songs(document)?;
    let named = (0..list.len()).filter(|i| list.get(*i).is_some_and(|t| t.contains_key("midi"))).count();
    if named == 0 {
        taken.left.push("no song names a MIDI file: write midi = \"song.mid\" under it".into());
    }
    for i in 0..list.len() {
        let Some(song) = list.get_mut(i) else { continue };
        let Some(path) = song.get("midi").and_then(Item::as_str).map(str::to_owned) else { continue };
        let who = format!("song {} \"{}\"", i + 1, name_of(song));
        let facts = match read(Path::new(&path)) {
            Ok(f) => f,
            Err(e) => {
                taken.left.push(format!("{who}: {path}: {e}"));
                continue;
            }
        };
        if !song.contains_key("length") {
            taken.key(song, "length", value(minutes(facts.length)), &who, |_| false);
        }
        let sections = facts.sections.iter().map(section);
        tables(song, "section", sections.collect(), "sections", &who, taken, |t| {
            Some((t.get("name")?.as_str()?.to_owned(), t.get("at")?.as_str()?.parse::<Duration>().ok()?))
        });
        let patches = facts.patches.iter().map(patch);
        tables(song, "patch", patches.collect(), "patches", &who, taken, |t| {
            let at = t.get("at").map_or(Some(Duration::default()), |a| a.as_str()?.parse().ok())?;
            let bank = t.get("bank").map(|b| b.to_string().split_whitespace().collect::<String>());
            Some((at, t.get("channel")?.as_integer()?, bank, t.get("program")?.as_integer()?))
        });
    }
    Ok(())
}

/// A list of a song: taken when there is none, left when a person has written another.
fn tables<K: PartialEq>(
    song: &mut Table,
    key: &str,
    new: Vec<Table>,
    words: &str,
    who: &str,
    taken: &mut Taken,
    content: impl Fn(&Table) -> Option<K>,
) {
    if new.is_empty() {
        return;
    }
    let old: Vec<Option<K>> = match song.get(key).and_then(Item::as_array_of_tables) {
        Some(a) => a.iter().map(&content).collect(),
        None => Vec::new(),
    };
    if old == new.iter().map(&content).collect::<Vec<_>>() {
        return;
    }
    let count = new.len();
    if !old.is_empty() && !taken.overwrite {
        taken.left.push(format!("{who}: it has {} {words} of its own, its MIDI file has {count}", old.len()));
        return;
    }
    let was = if old.is_empty() { String::new() } else { format!(" (were {})", old.len()) };
    taken.done.push(format!("{who}: {count} {words} from its MIDI file{was}"));
    let mut list = ArrayOfTables::new();
    new.into_iter().for_each(|t| list.push(t));
    song.insert(key, Item::ArrayOfTables(list));
}

fn section(s: &Section) -> Table {
    let mut t = Table::new();
    t.insert("name", value(&s.name));
    t.insert("at", value(s.at.to_string()));
    t
}

/// An expected patch as the file has it.
pub fn patch(p: &ExpectedPatch) -> Table {
    let mut t = Table::new();
    t.insert("at", value(p.at.to_string()));
    t.insert("channel", value(i64::from(p.channel)));
    if let Some([msb, lsb]) = p.bank {
        let mut bank = toml_edit::Array::new();
        bank.push(i64::from(msb));
        bank.push(i64::from(lsb));
        t.insert("bank", value(bank));
    }
    t.insert("program", value(i64::from(p.program)));
    t
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use base::Span;

    const SHOW: &str = "# ours\ntitle = \"t\"\nframe_rate = \"25\"\nhour_per_song = true\n\n[[song]]\nname = \"one\"   # the opener\n\
        length = \"3:00\"\nnotes = \"capo on 2\"\n";

    fn taken(overwrite: bool) -> Taken {
        Taken { overwrite, done: Vec::new(), left: Vec::new() }
    }

    #[test]
    fn a_table_adds_what_is_missing_and_overwrites_nothing_unasked() {
        let table = "\u{feff}Name,Length,Tempo,Notes\none,180s,96,\"capo on 3, really\"\n\"two, again\",4:05,,\n";
        let mut document: DocumentMut = SHOW.parse().unwrap();
        let mut t = taken(false);
        take_table(&mut document, "set.csv", table.as_bytes(), &mut t).unwrap();
        assert_eq!(
            t.done,
            ["song 1 \"one\": tempo = 96.0", "song 2 \"two, again\": new", "song 2 \"two, again\": length = 4:05"]
        );
        assert_eq!(t.left, ["song 1 \"one\": notes is capo on 2, read was capo on 3, really"]);
        let text = document.to_string();
        assert!(text.starts_with("# ours\n") && text.contains("# the opener"), "{text}");
        let show = ShowFile::parse("show.toml", &text).unwrap();
        assert_eq!((show.songs.len(), show.songs[1].start.as_str()), (2, "02:00:00:00"));
        assert_eq!(show.songs[0].notes, "capo on 2");

        // Once more changes nothing; asked to overwrite, it does.
        let mut again = taken(false);
        take_table(&mut document, "set.csv", table.as_bytes(), &mut again).unwrap();
        assert!(again.done.is_empty(), "{:?}", again.done);
        let mut over = taken(true);
        take_table(&mut document, "set.csv", table.as_bytes(), &mut over).unwrap();
        assert_eq!(over.done, ["song 1 \"one\": notes = capo on 3, really (was capo on 2)"]);
    }

    #[test]
    fn a_wrong_table_names_its_line() {
        let mut document: DocumentMut = SHOW.parse().unwrap();
        for (table, words) in [
            ("title\nx\n", "t.csv:1: no column is called name"),
            ("name,colour\nx,red\n", "t.csv:1: no column can be called \"colour\""),
            ("name,length\none,3:00\ntwo,3 bars\n", "t.csv:3: length: "),
            ("name,tempo\none,fast\n", "t.csv:2: tempo: \"fast\" is no number"),
            ("name,length\none\n", "t.csv:2"),
            ("name,length\n,3:00\n", "t.csv:2: this song has no name"),
        ] {
            let e = take_table(&mut document, "t.csv", table.as_bytes(), &mut taken(false)).unwrap_err();
            assert!(e.contains(words), "{e}");
        }
    }

    #[test]
    fn markers_and_patches_come_from_the_midi_file_unless_a_person_wrote_some() {
        let facts = |_: &Path| {
            Ok(midi::MidiFacts {
                length: Span::from_millis(185_500),
                sections: vec![
                    Section { name: "verse".into(), at: Duration::millis(0) },
                    Section { name: "chorus".into(), at: Duration::millis(40_250) },
                ],
                patches: vec![ExpectedPatch { at: Duration::millis(0), channel: 2, bank: Some([0, 3]), program: 7 }],
            })
        };
        let text = SHOW.replace("length = \"3:00\"\n", "midi = \"one.mid\"\n");
        let mut document: DocumentMut = text.parse().unwrap();
        let mut t = taken(false);
        take_midi(&mut document, facts, &mut t).unwrap();
        assert_eq!(
            t.done,
            [
                "song 1 \"one\": length = 3:05.5",
                "song 1 \"one\": 2 sections from its MIDI file",
                "song 1 \"one\": 1 patches from its MIDI file"
            ]
        );
        let show = ShowFile::parse("show.toml", &document.to_string()).unwrap();
        let song = &show.songs[0];
        assert_eq!((song.sections[1].at, song.patches[0].bank), (Duration::millis(40_250), Some([0, 3])));
        let mut again = taken(false);
        take_midi(&mut document, facts, &mut again).unwrap();
        assert!(again.done.is_empty() && again.left.is_empty(), "{:?} {:?}", again.done, again.left);
        // A person moved the chorus.
        let moved = document.to_string().replace("40250ms", "41s");
        let mut document: DocumentMut = moved.parse().unwrap();
        let mut t = taken(false);
        take_midi(&mut document, facts, &mut t).unwrap();
        assert_eq!(t.left, ["song 1 \"one\": it has 2 sections of its own, its MIDI file has 2"]);
        assert_eq!(document.to_string(), moved);
    }
}
