//! Rows out of a file that may be damaged anywhere: from the front until it fails, from the back until it fails, and
//! what lies between one by one.

use std::collections::{BTreeMap, BTreeSet};

use base::{EventId, Machine, MonoTime, WallTime};
use rusqlite::{Connection, OptionalExtension, Params, Row, params};

use super::{Epoch, Incident, Placed};
use crate::boot::BootId;
use crate::codec;
use crate::crc::crc32;
use crate::meta::ShowMeta;
use crate::sound::{HeardAt, Sound};
use crate::store::{self, Lane};
use crate::words::{Event, EventKind, Recorded, Stamp};

pub(super) fn meta(db: &Connection, damage: &mut Vec<String>) -> Option<ShowMeta> {
    match store::read_meta(db) {
        Ok(Some(meta)) => Some(meta),
        Ok(None) => {
            damage.push("the show's title and set list are missing".to_owned());
            None
        }
        Err(error) => {
            damage.push(format!("the show's title and set list cannot be read ({error})"));
            None
        }
    }
}

pub(super) fn label(db: &Connection) -> Option<String> {
    db.query_row("SELECT value FROM meta WHERE key = 'label'", [], |r| r.get(0)).optional().ok().flatten()
}

pub(super) fn epochs(db: &Connection, damage: &mut Vec<String>) -> Vec<Epoch> {
    let sql = "SELECT epoch, boot, mono, wall, ended FROM epochs ORDER BY epoch";
    let (rows, error) = until_error(db, sql, [], |r| {
        Ok(Epoch {
            epoch: r.get(0)?,
            boot: BootId(r.get(1)?),
            mono: instant(r.get(2)?),
            wall: WallTime(r.get(3)?),
            ended: r.get::<_, Option<i64>>(4)?.map(instant),
        })
    });
    if let Some(error) = error {
        damage.push(format!("the starts of the recorder cannot all be read ({error})"));
    }
    rows
}

pub(super) fn incidents(db: &Connection, damage: &mut Vec<String>) -> Vec<Incident> {
    let sql = "SELECT number, epoch, mono, event FROM incidents ORDER BY number";
    let (rows, error) = until_error(db, sql, [], |r| {
        let event: i64 = r.get(3)?;
        Ok(Incident { number: r.get(0)?, epoch: r.get(1)?, at: instant(r.get(2)?), event: event.max(0) as u64 })
    });
    if let Some(error) = error {
        damage.push(format!("the list of incidents cannot all be read ({error})"));
    }
    rows
}

const EVENT: &str = "SELECT epoch, sequence, mono, wall, kind, machine, code, text, detail, crc FROM events";

pub(super) fn events(db: &Connection, epochs: &[Epoch], damage: &mut Vec<String>) -> Vec<Recorded> {
    let mut found: BTreeMap<EventId, (Recorded, bool)> = BTreeMap::new();
    let read = |r: &Row| event(r, epochs);
    let (front, error) = until_error(db, &format!("{EVENT} ORDER BY epoch, sequence"), [], read);
    let front_end = front.last().map(|(e, _)| e.id);
    found.extend(front.into_iter().map(|e| (e.0.id, e)));
    if let Some(error) = error {
        let (back, _) = until_error(db, &format!("{EVENT} ORDER BY epoch DESC, sequence DESC"), [], read);
        let back_end = back.last().map(|(e, _)| e.id);
        found.extend(back.into_iter().map(|e| (e.0.id, e)));
        let between = between(front_end, back_end);
        let one = format!("{EVENT} WHERE epoch = ?1 AND sequence = ?2");
        for id in between {
            if let Ok(Some(e)) = db.query_row(&one, params![id.epoch, id.sequence as i64], read).optional() {
                found.insert(id, e);
            }
        }
        damage.push(format!("some events cannot be read ({error})"));
    }
    let wrong = found.values().filter(|(_, sound)| !sound).count();
    if wrong > 0 {
        damage.push(format!("{wrong} events do not match their checksums: they are left out"));
    }
    let mut missing = 0;
    let mut last: Option<EventId> = None;
    for id in found.keys() {
        missing += match last {
            Some(l) if l.epoch == id.epoch => id.sequence - l.sequence - 1,
            _ => id.sequence.saturating_sub(1),
        };
        last = Some(*id);
    }
    if missing > 0 {
        damage.push(format!("{missing} events are missing from the sequence"));
    }
    found.into_values().filter(|(_, sound)| *sound).map(|(e, _)| e).collect()
}

/// The newest events about one machine, newest first, and whether there are more. Patches are left out: they are the devices' story.
pub(super) fn events_about(db: &Connection, epochs: &[Epoch], m: Machine, most: usize) -> (Vec<Recorded>, bool) {
    let sql = format!("{EVENT} WHERE machine = ?1 AND kind <> ?2 ORDER BY epoch DESC, sequence DESC LIMIT ?3");
    let args = params![m.index() as i64, EventKind::Patch.word(), most as i64 + 1];
    // What lies behind a damaged row is as good as older.
    let (rows, _) = until_error(db, &sql, args, |r| event(r, epochs));
    let more = rows.len() > most;
    (rows.into_iter().take(most).filter(|(_, sound)| *sound).map(|(e, _)| e).collect(), more)
}

/// The ids that may lie between the last one read from the front and the last one read from the back. A bound keeps a
/// damaged number from making this a long search.
fn between(front: Option<EventId>, back: Option<EventId>) -> impl Iterator<Item = EventId> {
    const MOST: u64 = 20_000;
    let front = front.unwrap_or(EventId { epoch: 1, sequence: 0 });
    let back = back.unwrap_or(EventId { epoch: front.epoch, sequence: front.sequence + 2_000 });
    let same = front.epoch == back.epoch;
    let to = if same { back.sequence } else { front.sequence + 2_000 };
    let first =
        (front.sequence + 1..to).take(MOST as usize).map(move |sequence| EventId { epoch: front.epoch, sequence });
    let until = if same { 0 } else { back.sequence.min(MOST) };
    first.chain((1..until).map(move |sequence| EventId { epoch: back.epoch, sequence }))
}

/// An event, and whether its checksum agrees.
fn event(r: &Row, epochs: &[Epoch]) -> rusqlite::Result<(Recorded, bool)> {
    let (epoch, sequence): (u32, i64) = (r.get(0)?, r.get(1)?);
    let (mono, wall): (i64, i64) = (r.get(2)?, r.get(3)?);
    let machine: Option<i64> = r.get(5)?;
    // A flipped bit may make text of no encoding: the checksum will tell, not an error.
    let text = |i| -> rusqlite::Result<String> {
        Ok(match r.get_ref(i)? {
            rusqlite::types::ValueRef::Text(t) => String::from_utf8_lossy(t).into_owned(),
            _ => String::new(),
        })
    };
    let (kind, code, words, detail) = (text(4)?, text(6)?, text(7)?, text(8)?);
    let sequence = sequence.max(0) as u64;
    let crc = store::event_crc(epoch, sequence, mono, wall, &kind, machine, &code, &words, &detail);
    let sound = i64::from(crc) == r.get::<_, i64>(9)?;
    let event = Event {
        at: instant(mono),
        wall: WallTime(wall),
        kind: EventKind::from_word(&kind),
        machine: machine.and_then(|m| usize::try_from(m).ok()).and_then(Machine::new),
        code,
        text: words,
        detail: serde_json::from_str(&detail).unwrap_or_default(),
    };
    let boot = epochs.iter().find(|e| e.epoch == epoch).map_or(BootId::default(), |e| e.boot);
    let at = Stamp { epoch, boot, mono: event.at, wall: event.wall };
    Ok((Recorded { id: EventId { epoch, sequence }, at, event }, sound))
}

/// The samples of a lane, all or those of the blocks that touch a stretch.
pub(super) fn samples(
    db: &Connection,
    lane: Lane,
    stretch: Option<(u32, MonoTime, MonoTime)>,
    damage: &mut Vec<String>,
) -> Vec<Placed> {
    let mut blocks: Vec<(u32, i64, Vec<u8>)> = Vec::new();
    let mut lost = 0;
    let mut why = String::new();
    for id in block_ids(db, lane, damage) {
        let block =
            db.prepare_cached("SELECT epoch, first, last, data, lane FROM blocks WHERE id = ?1").and_then(|mut q| {
                q.query_row(params![id], |r| {
                    Ok((
                        r.get::<_, u32>(0)?,
                        r.get::<_, i64>(1)?,
                        r.get::<_, i64>(2)?,
                        r.get::<_, Vec<u8>>(3)?,
                        r.get::<_, i64>(4)?,
                    ))
                })
                .optional()
            });
        match block {
            Ok(Some((epoch, first, last, data, of_lane))) if of_lane == lane as i64 => {
                let touches =
                    stretch.is_none_or(|(e, from, to)| e == epoch && instant(last) >= from && instant(first) <= to);
                if touches {
                    blocks.push((epoch, first, data));
                }
            }
            Ok(_) => {}
            Err(error) => {
                lost += 1;
                why = error.to_string();
            }
        }
    }
    blocks.sort_by_key(|(epoch, first, _)| (*epoch, *first));
    let mut out = Vec::new();
    for (epoch, _, data) in blocks {
        match codec::decode(&data) {
            Ok(samples) => out.extend(samples.into_iter().map(|sample| Placed { epoch, sample })),
            Err(error) => {
                lost += 1;
                why = error.to_string();
            }
        }
    }
    if lost > 0 {
        damage.push(format!("{lost} blocks of samples cannot be read ({why})"));
    }
    out
}

fn block_ids(db: &Connection, lane: Lane, damage: &mut Vec<String>) -> BTreeSet<i64> {
    let read = |r: &Row| r.get::<_, i64>(0);
    let (ids, error) = until_error(db, "SELECT id FROM blocks WHERE lane = ?1", [lane as i64], read);
    let mut ids: BTreeSet<i64> = ids.into_iter().collect();
    if let Some(error) = error {
        damage.push(format!("the list of sample blocks cannot all be read ({error})"));
        let (front, failed) = until_error(db, "SELECT id FROM blocks NOT INDEXED ORDER BY id", [], read);
        let (back, _) = until_error(db, "SELECT id FROM blocks NOT INDEXED ORDER BY id DESC", [], read);
        let gap = (
            front.last().copied().unwrap_or(0) + 1,
            back.last().copied().unwrap_or(front.last().copied().unwrap_or(0) + 4_000),
        );
        ids.extend(front);
        ids.extend(back);
        if failed.is_some() {
            ids.extend((gap.0..gap.1).take(100_000));
        }
    }
    ids
}

/// The sound that touches a stretch. Files from before sound was kept have none.
pub(super) fn sounds(
    db: &Connection,
    epoch: u32,
    from: MonoTime,
    to: MonoTime,
    damage: &mut Vec<String>,
) -> Vec<Sound> {
    if crate::schema::version(db).is_ok_and(|v| v < 3) {
        return Vec::new();
    }
    // No stretch is longer than this.
    let before = from.nanos().saturating_sub(60_000_000_000);
    let sql = "SELECT first, heard_at, channel, rate_millihertz, data, crc FROM sounds
               WHERE epoch = ?1 AND first BETWEEN ?2 AND ?3 ORDER BY first, id";
    let (rows, error) = until_error(db, sql, params![epoch, before as i64, to.nanos() as i64], |r| {
        let data: Vec<u8> = r.get(4)?;
        let sound = HeardAt::of(r.get(1)?).map(|heard_at| -> rusqlite::Result<Sound> {
            Ok(Sound {
                at: instant(r.get(0)?),
                heard_at,
                channel: r.get(2)?,
                rate_millihertz: r.get(3)?,
                samples: Sound::samples_of(&data),
            })
        });
        let whole = i64::from(crc32(&[&data])) == r.get::<_, i64>(5)?;
        Ok((sound.transpose()?, whole))
    });
    if let Some(error) = error {
        damage.push(format!("some sound cannot be read ({error})"));
    }
    let wrong = rows.iter().filter(|(_, whole)| !whole).count();
    if wrong > 0 {
        damage.push(format!("{wrong} stretches of sound do not match their checksums: they are left out"));
    }
    let whole = rows.into_iter().filter(|(_, whole)| *whole).filter_map(|(sound, _)| sound);
    whole.filter(|s| s.at + s.lasts() >= from).collect()
}

/// Rows until the end or the first error.
fn until_error<T>(
    db: &Connection,
    sql: &str,
    args: impl Params,
    read: impl Fn(&Row) -> rusqlite::Result<T>,
) -> (Vec<T>, Option<rusqlite::Error>) {
    let mut out = Vec::new();
    let go = || -> rusqlite::Result<()> {
        let mut statement = db.prepare(sql)?;
        let mut rows = statement.query(args)?;
        while let Some(row) = rows.next()? {
            out.push(read(row)?);
        }
        Ok(())
    };
    let error = go().err();
    (out, error)
}

fn instant(ns: i64) -> MonoTime {
    MonoTime::from_nanos(ns.max(0) as u64)
}
