//! What a rig without agents must say, and one with agents must not.

use crate::agent::{Source, check_triggers};
use crate::error::WrongEntry;
use crate::rig::{HeardBy, RigFile};
use crate::sources;

/// What is wrong with who hears the machines, and by what.
pub(crate) fn check(rig: &RigFile) -> Result<(), WrongEntry> {
    let err = |key: String, what, mend| Err(WrongEntry { key, what, mend });
    for (i, m) in rig.machines.iter().enumerate() {
        let at = |key: &str| format!("machine[{i}].{key}");
        match rig.heard_by {
            HeardBy::Agents if m.key.is_empty() => {
                return err(
                    at("key"),
                    "its agent's public key is missing",
                    "copy the key as the agent's set-up printed it",
                );
            }
            HeardBy::Agents if !m.sources.is_empty() || !m.triggers.is_empty() => {
                return err(
                    at("source"),
                    "a machine with an agent names its sources and triggers in its agent.toml",
                    "move them there, or write heard_by = \"supervisor\" if the supervisor alone is to hear the machines",
                );
            }
            HeardBy::Supervisor if !m.key.is_empty() => {
                return err(
                    at("key"),
                    "a machine that the supervisor alone hears has no agent, and so no key",
                    "leave key out, or leave out heard_by = \"supervisor\"",
                );
            }
            HeardBy::Supervisor if m.sources.is_empty() => {
                return err(
                    at("source"),
                    "it is not said by which input the supervisor hears this machine",
                    "add a [[machine.source]] with the kind \"audio\" or \"midi\" below it (`twinkeel devices` lists them)",
                );
            }
            _ => {}
        }
        let within = |wrong: WrongEntry| WrongEntry { key: at(&wrong.key), ..wrong };
        sources::check(&m.sources).map_err(within)?;
        check_triggers(&m.triggers).map_err(within)?;
        for (s, source) in m.sources.iter().enumerate() {
            let others = rig.machines[..i].iter().flat_map(|m| &m.sources);
            if let Some((key, what, mend)) = others.filter_map(|o| shared(o, source)).next() {
                return err(at(&format!("source[{s}].{key}")), what, mend);
            }
        }
    }
    let own = || rig.listen.paths.iter().map(|a| ("paths", a)).chain([("lanes", &rig.listen.lanes)]);
    if rig.heard_by == HeardBy::Supervisor
        && let Some((key, _)) = own().find(|(_, a)| !a.ip().is_loopback())
    {
        return err(
            format!("listen.{key}"),
            "without agents nobody from outside speaks here",
            "write paths = [\"127.0.0.1:7740\"] and lanes = \"127.0.0.1:7742\"",
        );
    }
    Ok(())
}

/// What two machines' inputs must not have in common: then one would be heard for the other.
fn shared(a: &Source, b: &Source) -> Option<(&'static str, &'static str, &'static str)> {
    match (a, b) {
        (Source::Midi { port: a, host: ha }, Source::Midi { port: b, host: hb }) if (a, ha) == (b, hb) => {
            Some(("port", "another machine is heard by the same port", "each machine has a MIDI port of its own here"))
        }
        (Source::Feed { socket: a, .. }, Source::Feed { socket: b, .. }) if a == b => {
            Some(("socket", "another machine has the same socket", "give each machine a socket of its own"))
        }
        (
            Source::Audio { host: ha, device: da, channels: a, .. },
            Source::Audio { host: hb, device: db, channels: b, .. },
        ) if (ha, da) == (hb, db) && a.iter().zip(b).any(|(a, b)| !a.is_empty() && !b.is_empty()) => Some((
            "channels",
            "another machine is heard by the same channel of this device",
            "skip the other machine's channels by empty names: [\"\", \"\", \"tracks L\", \"tracks R\"]",
        )),
        _ => None,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const RIG: &str = r#"
rig_id = "00112233445566778899aabbccddeeff"
name = "twin rig"
secret_key = "supervisor.key"
shows = "shows"
heard_by = "supervisor"
[listen]
paths = ["127.0.0.1:7740"]
lanes = "127.0.0.1:7742"
page = "127.0.0.1:7777"
[[machine]]
name = "left"
id = "00112233445566778899aabbccddee01"
[[machine.source]]
kind = "audio"
device = "interface"
channels = ["tracks L", "timecode", "", ""]
timecode = "timecode"
floor = -70.0
[[machine.source]]
kind = "midi"
port = "in 1"
[[machine]]
name = "right"
id = "00112233445566778899aabbccddee02"
[[machine.source]]
kind = "audio"
device = "interface"
channels = ["", "", "tracks L", "timecode"]
timecode = "timecode"
[[machine.source]]
kind = "midi"
port = "in 2"
[[machine.trigger]]
what = "start"
channel = 16
note = 36
"#;

    #[test]
    fn a_rig_without_agents_reads_and_writes() {
        let rig = RigFile::parse("rig.toml", RIG).unwrap();
        assert_eq!(rig.heard_by, HeardBy::Supervisor);
        assert_eq!((rig.machines[0].sources.len(), rig.machines[1].triggers.len()), (2, 1));
        assert!(matches!(rig.machines[0].sources[0], Source::Audio { floor: Some(f), .. } if f == -70.0));
        let text = toml::to_string(&rig).unwrap();
        assert_eq!(RigFile::parse("again", &text).unwrap(), rig);
    }

    /// Each wrong file, and the place and words its error must have.
    #[test]
    fn errors_name_place_and_mend() {
        let cases: [(&str, &str, &str, &str); 10] = [
            ("heard_by = \"supervisor\"\n", "", "rig.toml:10:1", "public key is missing"),
            ("name = \"right\"", "name = \"right\"\nkey = \"k\"", "rig.toml:25:1", "no agent, and so no key"),
            ("channels = [\"\", \"\",", "channels = [\"\", \"a\",", "rig.toml:29:1", "same channel"),
            ("port = \"in 2\"", "port = \"in 1\"", "rig.toml:33:1", "same port"),
            ("floor = -70.0", "floor = 3.0", "rig.toml:19:1", "between -120 and -30"),
            ("lanes = \"127.0.0.1:7742\"", "lanes = \"10.0.0.1:7742\"", "rig.toml:9:1", "from outside"),
            ("note = 36", "note = 200", "rig.toml:36:1", "a note 0 to 127"),
            ("\"timecode\", \"\", \"\"]", "\"code\", \"\", \"\"]", "rig.toml:18:1", "no channel has this name"),
            ("heard_by = \"supervisor\"", "heard_by = \"nobody\"", "rig.toml:6:12", "unknown variant"),
            ("[[machine.source]]\nkind = \"midi\"\nport = \"in 1\"\n", "", "", ""),
        ];
        for (from, to, place, words) in cases {
            let changed = RigFile::parse("rig.toml", &RIG.replacen(from, to, 1));
            if place.is_empty() {
                // Sound alone is enough.
                assert!(changed.is_ok(), "{changed:?}");
                continue;
            }
            let e = changed.unwrap_err().to_string();
            assert!(e.starts_with(place) && e.contains(words) && e.contains("mend: "), "{to}: {e}");
        }
    }

    #[test]
    fn a_machine_that_nothing_hears_is_refused_and_so_is_an_agents_source_in_the_rig() {
        let deaf = RIG.split("[[machine]]\nname = \"right\"").next().unwrap().to_owned()
            + "[[machine]]\nname = \"right\"\nid = \"00112233445566778899aabbccddee02\"\n";
        let e = RigFile::parse("rig.toml", &deaf).unwrap_err().to_string();
        assert!(e.starts_with("rig.toml:23:1: machine[1].source") && e.contains("by which input"), "{e}");
        let agents =
            RIG.replace("heard_by = \"supervisor\"\n", "").replace("name = \"left\"", "name = \"left\"\nkey = \"k\"");
        let e = RigFile::parse("rig.toml", &agents).unwrap_err().to_string();
        assert!(e.contains("machine[0].source") && e.contains("agent.toml"), "{e}");
    }
}
