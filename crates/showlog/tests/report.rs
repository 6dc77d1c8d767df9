//! The report of a show whose skews, drifts, steps and faults are known.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{Machine, Span};
use common::synth;
use twinkeel_showlog::report::{Held, Made, Report};

fn made() -> (tempfile::TempDir, Made) {
    let dir = tempfile::tempdir().unwrap();
    let path = synth::write(dir.path(), &synth::set_list(), Span::from_millis(100));
    let made = Report::read(&path).unwrap();
    (dir, made)
}

#[test]
fn the_figures_are_those_that_were_put_in() {
    let (_dir, made) = made();
    let r = &made.report;
    assert_eq!(r.damage, Vec::<String>::new());
    let plans = synth::set_list();
    assert_eq!(r.songs.len(), plans.len());
    for (s, p) in r.songs.iter().zip(&plans) {
        let pair = &s.pairs[0];
        assert_eq!(pair.machine, Machine::B);
        let skew = pair.start_skew.unwrap();
        assert!((skew - Span::from_micros(p.skew_us)).abs() < Span::from_micros(150), "{}: {skew:?}", s.name);
        let drift = pair.drift.unwrap();
        let off = (drift.drift.0 - p.drift_ppm).abs();
        assert!(off <= 2.0 * drift.uncertainty.0, "{}: {drift:?} against {}", s.name, p.drift_ppm);
        assert!(drift.uncertainty.0 < 1.5, "{}: {drift:?}", s.name);
        match p.step {
            None => assert!(pair.steps.is_empty(), "{}: {:?}", s.name, pair.steps),
            Some((t, us)) => {
                assert_eq!(pair.steps.len(), 1);
                assert!((pair.steps[0].at - s.from - Span::from_secs(t)).abs() < Span::from_millis(350));
                assert!((pair.steps[0].by - Span::from_micros(us)).abs() < Span::from_micros(100));
            }
        }
    }
    let gap = &r.songs[1].standby.gaps[0];
    assert_eq!((gap.from - r.songs[1].from, gap.to - gap.from), (Span::from_secs(72), Span::from_secs(7)));
    assert_eq!(gap.why, "its timecode stalled");
    assert!((r.songs[1].standby.fit.unwrap() - (1.0 - 70.0 / 2_520.0)).abs() < 1e-9);
}

#[test]
fn the_changeover_is_a_timeline_and_the_verdict() {
    let (_dir, made) = made();
    let r = &made.report;
    assert_eq!(r.verdict.held, Held::ByChangeover);
    assert_eq!(
        r.verdict.sentence,
        "It held, by a changeover: B took over from A in Salt & Rope at 2:12, 17.5 ms after the first evidence."
    );
    let c = &r.changeovers[0];
    assert_eq!(
        (c.verdict_after, c.sent_after, c.confirmed_after),
        (Some(Span::from_micros(13_400)), Some(Span::from_micros(180)), Some(Span::from_micros(3_900)))
    );
    assert_eq!((c.song, c.confirmed, c.evidence.len()), (Some(4), Some(true), 4));
    assert_eq!(r.refusals.len(), 1);
    // Ten a second were handed in, so ten a second are its full rate.
    assert!((599..=602).contains(&made.incident(1).unwrap().samples.len()));
    assert_eq!(r.alarms[0].code, "on-air-lost");
    assert!(!r.alarms[0].cleared && r.alarms[1].cleared);
    assert!(r.fixes.iter().any(|f| f.text.starts_with("Change B's MIDI cable")));
    assert!(r.near_misses.iter().any(|f| f.code == "no-standby"));
    assert!(r.near_misses.iter().any(|f| f.code == "far-apart"));
    let clips = r.near_misses.iter().find(|f| f.code == "clipped").expect("two bursts of one channel");
    assert_eq!(clips.text, "1 channel clipped; most B's `keys`: 42 samples at full scale, true peak up to 0.8 dBTP.");
    assert_eq!(clips.evidence.len(), 1);
    assert!(clips.evidence[0].text.contains("42 samples 2 times, first in"), "{}", clips.evidence[0].text);
}

/// The page asks nothing of anybody, and no name breaks out of it.
#[test]
fn the_page_stands_alone() {
    let (_dir, made) = made();
    let html = made.html();
    assert!(html.contains("Gulls &lt;reprise&gt;") && !html.contains("<reprise>"));
    for outside in ["<script", "http://", "https://", "src=", "@import", "url("] {
        assert!(!html.contains(outside), "{outside}");
    }
    assert_eq!(html.matches("<svg").count(), html.matches("</svg>").count());
    // Each picture has its words: six songs, one changeover; the sign of the verdict is hidden from readers.
    assert_eq!(html.matches("role=\"img\"").count(), 7);
    assert_eq!(html.matches("<title id=").count(), 7);
    assert!(html.len() < 600_000, "{} bytes", html.len());
    assert!(!html.contains("NaN") && !html.contains("inf\""));
    if let Ok(keep) = std::env::var("TWINKEEL_KEEP_REPORT") {
        let keep = std::path::Path::new(&keep);
        std::fs::create_dir_all(keep).unwrap();
        std::fs::write(keep.join("report.html"), &html).unwrap();
        std::fs::copy(&made.show.path, keep.join("quay.showlog")).unwrap();
        std::fs::write(keep.join("report.json"), made.json()).unwrap();
        std::fs::write(keep.join("report.pdf"), made.pdf().unwrap()).unwrap();
        std::fs::write(keep.join("report.txt"), made.text()).unwrap();
        made.csv(&keep.join("csv")).unwrap();
    }
}

/// The PDF has the pages that its footers speak of, embeds its fonts, and says what it is.
#[test]
fn the_pdf_is_one() {
    let (_dir, made) = made();
    let pdf = made.pdf().unwrap();
    assert!(pdf.starts_with(b"%PDF-1."));
    assert!(pdf.trim_ascii_end().ends_with(b"%%EOF"));
    let text = String::from_utf8_lossy(&pdf);
    assert!(text.contains("/FontFile"), "fonts are embedded");
    assert!(pdf.len() < 400_000, "{} bytes", pdf.len());
}

#[test]
fn an_incident_is_drawn_at_full_rate() {
    let dir = tempfile::tempdir().unwrap();
    let plans = [synth::Plan { changeover: Some(40), ..synth::long(1)[0] }];
    let path = synth::write(dir.path(), &plans, Span::from_millis(5));
    let made = Report::read(&path).unwrap();
    assert_eq!(made.report.incidents.len(), 1, "one changeover, one incident");
    let incident = made.incident(1).unwrap();
    assert!((11_990..=12_001).contains(&incident.samples.len()), "{}", incident.samples.len());
    let html = incident.html();
    assert!(html.contains("Rule <b>on-air-dead</b>"));
    assert_eq!(html.matches("role=\"img\"").count(), 3);
    assert!(incident.text().contains("The switch says B."));
    incident.csv(dir.path()).unwrap();
    let rows = std::fs::read_to_string(dir.path().join("incident-1.csv")).unwrap().lines().count();
    assert_eq!(rows, incident.samples.len() + 1);
    assert!(made.incident(9).is_err());
    if let Ok(keep) = std::env::var("TWINKEEL_KEEP_REPORT") {
        std::fs::create_dir_all(&keep).unwrap();
        std::fs::write(std::path::Path::new(&keep).join("incident.html"), html).unwrap();
    }
}

#[test]
fn json_has_units_in_its_names_and_null_for_the_unknown() {
    let (_dir, made) = made();
    let v: serde_json::Value = serde_json::from_str(&made.json()).unwrap();
    assert_eq!(v["schema"], 1);
    assert_eq!(v["verdict"]["held"], "by-changeover");
    assert_eq!(v["changeovers"][0]["verdict_after_ms"], 13.4);
    assert_eq!(v["songs"][4]["pairs"][0]["machine"], "B");
    assert_eq!(v["changeovers"][0]["from"], "A");
    assert_eq!(v["show"]["id"], "07".repeat(16));
    assert!(v["show"]["baseline_ms"].is_null());
}

#[test]
fn eight_hours_are_read_whole() {
    let dir = tempfile::tempdir().unwrap();
    let path = synth::write(dir.path(), &synth::long(8), Span::from_millis(100));
    let made = Report::read(&path).unwrap();
    assert_eq!(made.report.songs.len(), 64);
    assert_eq!(made.report.verdict.held, Held::Held);
    assert_eq!(made.show.samples.len(), 64 * 435 * 10);
    assert!(made.html().contains("64 songs"));
}

/// Several threads tell the stages of a changeover, so "sent" may be recorded before the verdict, and only it may know
/// when the fault began.
#[test]
fn stages_recorded_out_of_order_are_one_changeover() {
    use twinkeel_showlog::detail::{Changeover, Stage};
    use twinkeel_showlog::{Event, EventKind, Recorder};
    let dir = tempfile::tempdir().unwrap();
    let recorder = Recorder::open(dir.path(), &common::meta(), common::START, common::WALL).unwrap();
    let stage = |ms: i64, stage, number, fault: Option<i64>| {
        let (when, wall) = common::at(Span::from_millis(ms));
        let d = Changeover {
            number,
            stage,
            to: Machine::B,
            from: Some(Machine::A),
            rule: String::new(),
            forced: false,
            by: None,
            fault_at: fault.map(|f| common::at(Span::from_millis(f)).0),
            jump: None,
            level: None,
            gap: None,
            code: None,
            evidence: Vec::new(),
        };
        recorder.handle().event(Event::new(when, wall, EventKind::Changeover, "stage", "").with(&d));
    };
    stage(1_001, Stage::Sent, 0, Some(990));
    stage(1_000, Stage::Intent, 1, None);
    stage(1_004, Stage::Confirmed, 1, None);
    stage(60_000, Stage::Intent, 2, None);
    let path = recorder.path().to_owned();
    recorder.close();
    let r = Report::read(&path).unwrap().report;
    let ms = |n| Some(Span::from_millis(n));
    assert_eq!(r.changeovers.len(), 2);
    let c = &r.changeovers[0];
    assert_eq!((c.verdict_after, c.sent_after, c.confirmed_after), (ms(10), ms(1), ms(3)));
    assert_eq!((r.changeovers[0].confirmed, r.changeovers[1].confirmed), (Some(true), None));
}

/// The JSON has exactly the names that its schema has, all the way down (JSON Schema 2020-12: `required`, `properties`,
/// `items`, `$ref`, `anyOf`; CI holds the rest against an independent validator).
#[test]
fn json_and_its_schema_agree_on_every_name() {
    use serde_json::Value;
    fn agree(v: &Value, schema: &Value, root: &Value, place: &str, seen: &mut usize) {
        if let Some(r) = schema["$ref"].as_str() {
            return agree(v, root.pointer(&r[1..]).expect("the reference leads somewhere"), root, place, seen);
        }
        if let Some(any) = schema["anyOf"].as_array() {
            let fits = |s: &&Value| (s["type"] == "null") == v.is_null();
            return agree(v, any.iter().find(fits).expect("one fits"), root, place, seen);
        }
        *seen += 1;
        match v {
            Value::Object(o) => {
                let names: Vec<&String> = schema["properties"].as_object().expect(place).keys().collect();
                assert_eq!(o.keys().collect::<Vec<_>>(), names, "{place}");
                o.iter().for_each(|(k, v)| agree(v, &schema["properties"][k], root, &format!("{place}/{k}"), seen));
            }
            Value::Array(a) => a.iter().for_each(|v| agree(v, &schema["items"], root, place, seen)),
            _ => assert!(schema.is_object(), "{place} is in no schema"),
        }
    }
    let schema: Value = serde_json::from_str(include_str!("../report.schema.json")).unwrap();
    let (_dir, made) = made();
    let v: Value = serde_json::from_str(&made.json()).unwrap();
    let mut seen = 0;
    agree(&v, &schema, &schema, "", &mut seen);
    assert!(seen > 300, "{seen} values");
}
