//! Real input, not only the feed: two players' MTC crosses real MIDI ports and their LTC a real audio server, between processes, into
//! two agents. Each machine has a JACK server of its own with a dummy driver; B's runs 208 ppm fast.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[cfg(not(feature = "jack"))]
#[test]
fn real_ports() {
    println!("SKIPPED: real ports: built without the feature `jack`");
}

#[cfg(feature = "jack")]
mod with_jack {
    use std::net::{Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
    use std::path::{Path, PathBuf};
    use std::process::Command;
    use std::time::Duration;

    use base::{MachineId, RigId, Span};
    use serde_json::Value;
    use settings::agent::{AgentFile, PlayerWatch, Source, SupervisorAddress};
    use settings::rig::{Limits, Listen, MachineEntry, Mode, Output, Policies, RigFile};
    use twinkeel_tests::{Running, twinkeel_bin, wait_until};
    use wire::KeyPair;

    const RATES: [u32; 2] = [48_000, 48_010];
    /// B starts this much later than A.
    const SKEW: Span = Span::from_millis(8);

    struct Rig {
        dir: tempfile::TempDir,
        page: SocketAddr,
        servers: [String; 2],
        _running: Vec<Running>,
    }

    fn free_udp() -> SocketAddr {
        UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap()
    }
    fn free_tcp() -> SocketAddr {
        TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap()
    }

    fn write(path: PathBuf, text: &str) -> PathBuf {
        std::fs::write(&path, text).unwrap();
        path
    }

    fn jackd() -> Option<PathBuf> {
        std::env::split_paths(&std::env::var_os("PATH")?).map(|d| d.join("jackd")).find(|p| p.exists())
    }

    /// Starts a JACK server and waits until a client can reach it.
    fn server(jackd: &Path, name: &str, rate: u32, dir: &Path) -> Running {
        let rate = rate.to_string();
        // Real-time scheduling where it is allowed: root's alone, as a rule.
        let scheduling: &[&str] = if nix::unistd::geteuid().is_root() { &["-R", "-P70"] } else { &["-r"] };
        let arguments = [scheduling, &["-n", name, "-d", "dummy", "-r", &rate, "-p", "256"]].concat();
        let env = [("JACK_NO_AUDIO_RESERVATION", "1")];
        let running = Running::start(jackd, &arguments, &env, &dir.join(format!("{name}.log")));
        wait_until("the JACK server", Duration::from_secs(10), || {
            let ok = Command::new("jack_wait").args(["-s", name, "-w", "-t", "1"]).output().map(|o| o.status.success());
            (ok.unwrap_or(false), ())
        });
        running
    }

    fn start(jackd: &Path, outputs: Vec<Output>) -> Rig {
        let dir = tempfile::tempdir().unwrap();
        let at = dir.path();
        let (paths, lanes, page) = (vec![free_udp()], free_tcp(), free_tcp());
        let (rig_id, supervisor) = (RigId(ports::os::random_id()), KeyPair::generate().unwrap());
        let tag = std::process::id();
        let servers = [0, 1].map(|i| format!("tk{tag}{}{i}", page.port()));
        let mut running = Vec::new();
        let mut machines = Vec::new();
        for (i, server_name) in servers.iter().enumerate() {
            running.push(server(jackd, server_name, RATES[i], at));
            let (pair, id) = (KeyPair::generate().unwrap(), MachineId(ports::os::random_id()));
            let key = at.join(format!("agent{i}.key"));
            ports::local::write_secret(&key, &pair.secret.to_secret_text()).unwrap();
            let agent = AgentFile {
                machine_id: id,
                name: format!("machine {i}"),
                secret_key: key,
                supervisor: SupervisorAddress {
                    rig: rig_id,
                    key: supervisor.public.to_string(),
                    paths: paths.clone(),
                    lanes,
                },
                beat: settings::duration::Duration::millis(5),
                player: PlayerWatch::default(),
                sources: vec![
                    Source::Midi { port: "player:mtc".into(), host: "jack".into() },
                    Source::Audio {
                        host: "jack".into(),
                        device: "player:ltc".into(),
                        channels: vec!["timecode".into()],
                        timecode: Some("timecode".into()),
                        rate: None,
                        pilot: None,
                    },
                ],
                triggers: Vec::new(),
            };
            let file = write(at.join(format!("agent{i}.toml")), &toml::to_string(&agent).unwrap());
            machines.push((
                MachineEntry { name: format!("machine {i}"), id, key: pair.public.to_string(), pilot: None },
                file,
            ));
        }
        let key = at.join("supervisor.key");
        ports::local::write_secret(&key, &supervisor.secret.to_secret_text()).unwrap();
        let rig = RigFile {
            rig_id,
            name: "real ports".into(),
            secret_key: key,
            shows: at.join("shows"),
            show: None,
            mode: Mode::Observe,
            listen: Listen { paths, lanes, page },
            tap: None,
            machines: machines.iter().map(|m| m.0.clone()).collect(),
            outputs,
            limits: Limits::default(),
            policies: Policies::default(),
        };
        let file = write(at.join("rig.toml"), &toml::to_string(&rig).unwrap());
        let bin = twinkeel_bin();
        let env = [("JACK_DEFAULT_SERVER", servers[0].as_str())];
        let arguments = ["supervisor", "--config", file.to_str().unwrap()];
        running.push(Running::start(&bin, &arguments, &env, &at.join("supervisor.log")));
        let player = bin.with_file_name("port_player");
        let player = if player.exists() { player } else { PathBuf::from(env!("CARGO_BIN_EXE_port_player")) };
        let begin = ports::os::mono_now() + Span::from_secs(8);
        for (i, name) in servers.iter().enumerate() {
            let env = [("JACK_DEFAULT_SERVER", name.as_str()), ("JACK_NO_START_SERVER", "1")];
            let begin = (begin + SKEW.times(i as i64)).nanos().to_string();
            let log = at.join(format!("player{i}.log"));
            running.push(Running::start(&player, &["player", &begin], &env, &log));
            wait_until("the player", Duration::from_secs(12), || {
                let text = std::fs::read_to_string(&log).unwrap_or_default();
                (text.contains("ready"), text)
            });
        }
        for (i, (_, file)) in machines.iter().enumerate() {
            let env = [("JACK_DEFAULT_SERVER", servers[i].as_str()), ("JACK_NO_START_SERVER", "1")];
            let arguments = ["agent", "--config", file.to_str().unwrap()];
            running.push(Running::start(&bin, &arguments, &env, &at.join(format!("agent{i}.log"))));
        }
        // What was started last ends first: agents and players before their servers.
        running.reverse();
        Rig { dir, page, servers, _running: running }
    }

    impl Rig {
        fn snapshot(&self) -> Value {
            let url = format!("http://{}/api/v1/snapshot", self.page);
            let got = ureq::get(&url).call().ok().and_then(|a| a.into_body().read_to_string().ok());
            got.and_then(|t| serde_json::from_str(&t).ok()).unwrap_or(Value::Null)
        }
        fn logs(&self) -> String {
            let mut all = String::new();
            for e in std::fs::read_dir(self.dir.path())
                .unwrap()
                .flatten()
                .filter(|e| e.path().extension().is_some_and(|x| x == "log"))
            {
                let text = std::fs::read_to_string(e.path()).unwrap_or_default();
                let last: Vec<&str> = text.lines().rev().take(8).collect();
                all += &format!("--- {:?}\n{}\n", e.file_name(), last.into_iter().rev().collect::<Vec<_>>().join("\n"));
            }
            all
        }
    }

    fn rolls(s: &Value, machine: usize, source: &str) -> bool {
        let sources = s["machines"][machine]["sources"].as_array();
        sources.is_some_and(|l| l.iter().any(|x| x["name"] == source && x["state"] == "rolling"))
    }

    #[test]
    fn mtc_and_ltc_cross_real_ports() {
        let Some(jackd) = jackd() else {
            println!("SKIPPED: real ports: jackd is not installed");
            return;
        };
        let rig = start(&jackd, Vec::new());
        let all = |s: &Value| (0..2).all(|m| rolls(s, m, "MTC") && rolls(s, m, "LTC"));
        let mut first = Value::Null;
        for _ in 0..400 {
            first = rig.snapshot();
            if all(&first) {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        assert!(all(&first), "not all codes roll: {:#}\n{}", first["machines"], rig.logs());
        let offset = |s: &Value| s["offsets"][0]["now"]["value"]["value_ms"].as_f64();
        // B's code is 8 ms later at the start, and gains 0.208 ms a second from then on.
        let seen = wait_until("an offset", Duration::from_secs(10), || {
            let o = offset(&rig.snapshot());
            (o.is_some(), o)
        });
        println!("offset soon after the start: {seen:?} ms");
        assert!((seen.unwrap() - 8.0).abs() < 3.0, "{seen:?}\n{}", rig.logs());
        let expected = -(f64::from(RATES[1]) / f64::from(RATES[0]) - 1.0) * 1e6;
        let drift = wait_until("a drift that is known to 10 ppm", Duration::from_secs(40), || {
            let s = rig.snapshot();
            let d = &s["offsets"][0]["drift"];
            let (rate, doubt) = (d["ppm"].as_f64(), d["uncertainty_ppm"].as_f64());
            (doubt.is_some_and(|u| u < 10.0), (rate, doubt))
        });
        println!("drift: {drift:?} ppm, expected {expected:.1} ppm");
        assert!((drift.0.unwrap() - expected).abs() < 20.0, "{drift:?}, expected {expected}");
        assert!(!rig.servers[0].is_empty());
    }
}
