//! The report's tables as Apache Parquet files, for a tour's worth of shows to be asked together. They hold what the CSV tables hold,
//! column for column, in types that do not depend on what a show happened to contain: figures as doubles, counts as 64-bit
//! integers, yes and no as booleans, all else as text; what is unknown is null.

use std::path::Path;
use std::sync::Arc;

use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;

use super::model::Report;
use super::tables;
use crate::ShowlogError;
use crate::read::ShowFile;

/// What a column holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Figure,
    Count,
    YesNo,
    Text,
}

/// By its name, which ends with its unit; a machine's letter may stand before it.
fn kind(table: &str, column: &str) -> Kind {
    let bare = match column.split_once('_') {
        Some((letter, rest)) if table == "samples" && letter.len() == 1 => rest,
        _ => column,
    };
    let units = ["_s", "_ms", "_ppm", "_db", "_dbfs"];
    if units.iter().any(|u| column.ends_with(u)) || ["offset_known", "standby_fit", "takeover_known"].contains(&bare) {
        return Kind::Figure;
    }
    const COUNTS: [&str; 11] = [
        "song_index",
        "number",
        "steps",
        "epoch",
        "sequence",
        "paths",
        "song",
        "beats_lost",
        "host",
        "times",
        "acknowledged",
    ];
    if COUNTS.contains(&bare) {
        return Kind::Count;
    }
    match (table, bare) {
        (_, "latched" | "forced" | "confirmed" | "cleared") | ("dropouts", "on_air") => Kind::YesNo,
        _ => Kind::Text,
    }
}

/// Writes all tables into the folder, which is made when missing.
pub(super) fn write(show: &ShowFile, r: &Report, dir: &Path) -> Result<(), ShowlogError> {
    std::fs::create_dir_all(dir).map_err(ShowlogError::file(dir))?;
    for (name, fill) in tables::all(show, r) {
        let path = dir.join(format!("{name}.parquet"));
        let wrong = |why: String| ShowlogError::NotARecord { path: path.display().to_string(), why };
        let mut text = Vec::new();
        let mut table = csv::Writer::from_writer(Box::new(&mut text) as tables::Out<'_>);
        fill(&mut table).map_err(|e| wrong(e.to_string()))?;
        table.flush().map_err(ShowlogError::file(&path))?;
        drop(table);
        let file = std::fs::File::create(&path).map_err(ShowlogError::file(&path))?;
        put(name, &text, file).map_err(|e| wrong(e.to_string()))?;
    }
    Ok(())
}

fn put(name: &str, text: &[u8], file: std::fs::File) -> Result<(), ParquetError> {
    let broken = |e: csv::Error| ParquetError::General(e.to_string());
    let mut reader = csv::Reader::from_reader(text);
    let header = reader.headers().map_err(broken)?.clone();
    let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().map_err(broken)?;
    let kinds: Vec<Kind> = header.iter().map(|c| kind(name, c)).collect();
    let fields = header.iter().zip(&kinds).map(|(c, k)| match k {
        Kind::Figure => format!("optional double {c};"),
        Kind::Count => format!("optional int64 {c};"),
        Kind::YesNo => format!("optional boolean {c};"),
        Kind::Text => format!("optional binary {c} (STRING);"),
    });
    let schema = parse_message_type(&format!("message {name} {{ {} }}", fields.collect::<String>()))?;
    let how =
        WriterProperties::builder().set_created_by(concat!("twinkeel ", env!("CARGO_PKG_VERSION")).to_owned()).build();
    let mut writer = SerializedFileWriter::new(file, Arc::new(schema), Arc::new(how))?;
    let mut group = writer.next_row_group()?;
    let mut at = 0;
    while let Some(mut column) = group.next_column()? {
        let cells = || rows.iter().map(|r| r.get(at).unwrap_or(""));
        match column.untyped() {
            ColumnWriter::DoubleColumnWriter(w) => {
                let (values, known) = known(cells().map(|c| c.parse::<f64>().ok()));
                w.write_batch(&values, Some(&known), None)?;
            }
            ColumnWriter::Int64ColumnWriter(w) => {
                let (values, known) = known(cells().map(|c| c.parse::<i64>().ok()));
                w.write_batch(&values, Some(&known), None)?;
            }
            ColumnWriter::BoolColumnWriter(w) => {
                let (values, known) = known(cells().map(|c| (!c.is_empty()).then_some(c == "1")));
                w.write_batch(&values, Some(&known), None)?;
            }
            ColumnWriter::ByteArrayColumnWriter(w) => {
                let (values, known) = known(cells().map(|c| (!c.is_empty()).then(|| ByteArray::from(plain(c)))));
                w.write_batch(&values, Some(&known), None)?;
            }
            _ => return Err(ParquetError::General("a column of a kind that is never made".to_owned())),
        }
        column.close()?;
        at += 1;
    }
    group.close()?;
    writer.close()?;
    Ok(())
}

/// The values that are known, and for each row 1 where there is one (Parquet's definition level), else 0.
fn known<T>(cells: impl Iterator<Item = Option<T>>) -> (Vec<T>, Vec<i16>) {
    let (mut values, mut levels) = (Vec::new(), Vec::new());
    for cell in cells {
        levels.push(i16::from(cell.is_some()));
        values.extend(cell);
    }
    (values, levels)
}

/// Text without the mark that keeps a spreadsheet from taking it for a formula.
fn plain(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|rest| tables::is_formula(rest)).unwrap_or(cell)
}
