//! Numbers as people and as JSON read them.

use base::{Machine, Ppm, Span, WallTime};
use serde::Serializer;

use crate::words::civil;

/// Seconds in JSON.
pub(super) fn seconds<S: Serializer>(s: &Span, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(rounded(s.secs_f64(), 1e6))
}
/// Seconds in JSON, or null.
pub(super) fn opt_seconds<S: Serializer>(s: &Option<Span>, to: S) -> Result<S::Ok, S::Error> {
    match s {
        Some(s) => seconds(s, to),
        None => to.serialize_none(),
    }
}
/// Milliseconds in JSON.
pub(super) fn millis<S: Serializer>(s: &Span, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(rounded(s.millis_f64(), 1e6))
}
/// Milliseconds in JSON, or null.
pub(super) fn opt_millis<S: Serializer>(s: &Option<Span>, to: S) -> Result<S::Ok, S::Error> {
    match s {
        Some(s) => millis(s, to),
        None => to.serialize_none(),
    }
}
/// Parts per million in JSON.
pub(super) fn ppm<S: Serializer>(p: &Ppm, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(rounded(p.0, 1e6))
}
/// Wall time in JSON: RFC 3339, UTC, or null.
pub(super) fn opt_wall<S: Serializer>(w: &Option<WallTime>, to: S) -> Result<S::Ok, S::Error> {
    match w {
        Some(w) => to.serialize_str(&rfc3339(*w)),
        None => to.serialize_none(),
    }
}

/// An id in JSON: hexadecimal digits.
pub(super) fn id<S: Serializer>(id: &impl std::fmt::Display, to: S) -> Result<S::Ok, S::Error> {
    to.collect_str(id)
}
/// A machine in JSON: its letter.
pub(super) fn letter<S: Serializer>(m: &Machine, to: S) -> Result<S::Ok, S::Error> {
    to.collect_str(m)
}
/// A machine in JSON, or null.
pub(super) fn opt_letter<S: Serializer>(m: &Option<Machine>, to: S) -> Result<S::Ok, S::Error> {
    match m {
        Some(m) => letter(m, to),
        None => to.serialize_none(),
    }
}

fn rounded(v: f64, steps: f64) -> f64 {
    (v * steps).round() / steps
}

/// RFC 3339 in UTC, to the second.
pub(super) fn rfc3339(w: WallTime) -> String {
    let (y, mo, d, h, mi, s) = civil(w);
    format!("{y:04}-{mo:02}-{d:02}T{h:02}:{mi:02}:{s:02}Z")
}

/// The day and the minute, for a heading.
pub(super) fn day_and_minute(w: WallTime) -> String {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    let (y, mo, d, h, mi, _) = civil(w);
    let month = MONTHS.get(mo as usize - 1).copied().unwrap_or("?");
    format!("{d} {month} {y}, {h:02}:{mi:02} UTC")
}

/// The time of day, in UTC.
pub(super) fn time_of_day(w: WallTime) -> String {
    let (.., h, m, s) = civil(w);
    format!("{h:02}:{m:02}:{s:02}")
}

/// Time in a song or a show: 1:12, or 1:02:07 from an hour on. A minus sign stands before what is negative.
pub(super) fn clock(s: Span) -> String {
    let whole = s.abs().nanos() / 1_000_000_000;
    let sign = if s.nanos() <= -1_000_000_000 { "\u{2212}" } else { "" };
    let (h, m, s) = (whole / 3_600, whole / 60 % 60, whole % 60);
    if h > 0 { format!("{sign}{h}:{m:02}:{s:02}") } else { format!("{sign}{m}:{s:02}") }
}

/// How long, in the unit that suits: "0.4 s", "12 s", "3 min 10 s", "2 h 5 min".
pub(super) fn lasting(s: Span) -> String {
    let secs = s.abs().secs_f64();
    if secs < 0.0995 {
        format!("{:.0} ms", secs * 1e3)
    } else if secs < 9.95 {
        format!("{secs:.1} s")
    } else if secs < 119.5 {
        format!("{secs:.0} s")
    } else if secs < 7_200.0 {
        let whole = secs.round() as i64;
        if whole % 60 == 0 { format!("{} min", whole / 60) } else { format!("{} min {} s", whole / 60, whole % 60) }
    } else {
        let minutes = (secs / 60.0).round() as i64;
        format!("{} h {} min", minutes / 60, minutes % 60)
    }
}

/// Signed milliseconds: "+3.0 ms". Two digits behind the point below 1 ms. A true minus sign.
pub(super) fn signed_ms(s: Span) -> String {
    let ms = s.millis_f64();
    let digits = if ms.abs() < 0.995 {
        2
    } else if ms.abs() < 99.95 {
        1
    } else {
        0
    };
    signed(ms, digits, "ms")
}

/// Milliseconds without sign.
pub(super) fn plain_ms(s: Span) -> String {
    signed_ms(s.abs()).trim_start_matches('+').to_owned()
}

/// A signed number with its unit.
pub(super) fn signed(v: f64, digits: usize, unit: &str) -> String {
    let text = format!("{:.digits$}", v.abs());
    let zero = text.chars().all(|c| c == '0' || c == '.');
    let sign = if zero {
        ""
    } else if v < 0.0 {
        "\u{2212}"
    } else {
        "+"
    };
    format!("{sign}{text} {unit}")
}

/// A share in per cent that never rounds up to all or down to nothing: 99.97 % is not 100 %.
pub(super) fn percent(share: f64) -> String {
    let p = share * 100.0;
    if share >= 1.0 {
        "100 %".to_owned()
    } else if share <= 0.0 {
        "0 %".to_owned()
    } else if p >= 99.95 {
        "99.9 %".to_owned()
    } else if p < 0.05 {
        "0.1 %".to_owned()
    } else {
        format!("{p:.1} %")
    }
}

/// "1 song", "2 songs".
pub(super) fn counted(n: usize, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

/// "a", "a and b", "a, b and c".
pub(super) fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// "A: " before a sentence about machine A, unless it names the machine by itself first.
pub(super) fn about(machine: Option<base::Machine>, text: &str) -> String {
    let Some(m) = machine.map(|m| m.to_string()) else { return String::new() };
    let named = text.strip_prefix(&m).is_some_and(|rest| !rest.starts_with(char::is_alphanumeric));
    if named { String::new() } else { format!("{m}: ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_as_a_person_writes_them() {
        assert_eq!(clock(Span::from_secs(72)), "1:12");
        assert_eq!(clock(Span::from_secs(3_727)), "1:02:07");
        assert_eq!(lasting(Span::from_millis(60)), "60 ms");
        assert_eq!(lasting(Span::from_secs(190)), "3 min 10 s");
        assert_eq!(lasting(Span::from_secs(10_800)), "3 h 0 min");
        assert_eq!(signed_ms(Span::from_micros(-3_040)), "\u{2212}3.0 ms");
        assert_eq!(signed_ms(Span::from_micros(250)), "+0.25 ms");
        assert_eq!(signed(-0.001, 1, "ppm"), "0.0 ppm");
        assert_eq!(percent(0.99999), "99.9 %");
        assert_eq!(percent(0.00001), "0.1 %");
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(listed(&["a".to_owned(), "b".to_owned(), "c".to_owned()]), "a, b and c");
        assert_eq!(day_and_minute(WallTime(1_780_684_200_000_000_000)), "5 June 2026, 18:30 UTC");
    }
}
