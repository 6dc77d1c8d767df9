//! Real input, not only the feed: two players' MTC crosses real MIDI ports and their LTC a real audio server, between processes, into
//! two agents. Each machine has a JACK server of its own with a dummy driver; B's runs 208 ppm fast.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[cfg(not(feature = "jack"))]
#[test]
fn real_ports() {
    twinkeel_tests::say_skipped("real ports", "built without the feature `jack`");
}

#[cfg(feature = "jack")]
mod with_jack {
    use std::net::{Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
    use std::path::{Path, PathBuf};
    use std::process::Command;
    use std::sync::{Mutex, PoisonError};
    use std::time::Duration;

    use base::{MachineId, MonoTime, RigId, Span};
    use serde_json::Value;
    use settings::ShowFile;
    use settings::agent::{AgentFile, PlayerWatch, Source, SupervisorAddress};
    use settings::rig::{Limits, Listen, MachineEntry, Mode, Output, PageTls, Policies, RigFile};
    use settings::tap::Tap;
    use twinkeel_tests::{Running, say_skipped, twinkeel_bin, wait_until};
    use wire::KeyPair;

    const RATES: [u32; 2] = [48_000, 48_010];
    /// B starts this much later than A.
    const SKEW: Span = Span::from_millis(8);

    /// One rig at a time: two would take turns at two processors.
    static TURN: Mutex<()> = Mutex::new(());

    struct Rig {
        dir: tempfile::TempDir,
        page: SocketAddr,
        servers: [String; 2],
        /// When A's player starts.
        begin: MonoTime,
        players: Vec<Running>,
        switch: Option<Running>,
        _running: Vec<Running>,
    }

    /// A player's executable on each machine: a name of its own, longer than what Linux keeps of a process's name.
    fn executable(machine: usize) -> String {
        format!("player-of-machine-{machine}")
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

    /// Starts everything but the switch. Players first, then who listens to them.
    fn start(jackd: &Path, outputs: Vec<Output>, show: Option<&str>, tap: Option<Tap>) -> Rig {
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
                player: PlayerWatch { process: Some(executable(i)) },
                sources: vec![
                    Source::Midi { port: "player:mtc".into(), host: "jack".into() },
                    Source::Audio {
                        host: "jack".into(),
                        device: "player:ltc".into(),
                        channels: vec!["timecode".into()],
                        timecode: Some("timecode".into()),
                        rate: None,
                        pilot: None,
                        floor: None,
                    },
                ],
                folders: Vec::new(),
                hashing: Default::default(),
                triggers: Vec::new(),
            };
            let file = write(at.join(format!("agent{i}.toml")), &toml::to_string(&agent).unwrap());
            machines.push((
                MachineEntry {
                    name: format!("machine {i}"),
                    id,
                    key: pair.public.to_string(),
                    pilot: None,
                    sources: Vec::new(),
                    triggers: Vec::new(),
                },
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
            show: show.map(|text| write(at.join("show.toml"), text)),
            mode: Mode::Observe,
            heard_by: settings::rig::HeardBy::Agents,
            listen: Listen {
                paths,
                lanes,
                page,
                operator: None,
                names: Vec::new(),
                tls: PageTls::Off,
                certificate: None,
                certificate_key: None,
            },
            tap,
            prefer: Vec::new(),
            in_ears: Vec::new(),
            machines: machines.iter().map(|m| m.0.clone()).collect(),
            outputs,
            buttons: Vec::new(),
            cue_lights: Vec::new(),
            alarm_sound: None,
            limits: Limits::default(),
            policies: Policies::default(),
        };
        let file = write(at.join("rig.toml"), &toml::to_string(&rig).unwrap());
        let bin = twinkeel_bin();
        let env = [("JACK_DEFAULT_SERVER", servers[0].as_str())];
        let arguments = ["supervisor", "--config", file.to_str().unwrap()];
        running.push(Running::start(&bin, &arguments, &env, &at.join("supervisor.log")));
        let begin = ports::os::mono_now() + Span::from_secs(8);
        let mut players = Vec::new();
        for (i, name) in servers.iter().enumerate() {
            let env = [("JACK_DEFAULT_SERVER", name.as_str()), ("JACK_NO_START_SERVER", "1")];
            let begin = (begin + SKEW.times(i as i64)).nanos().to_string();
            let log = at.join(format!("player{i}.log"));
            let player = at.join(executable(i));
            std::fs::copy(env!("CARGO_BIN_EXE_port_player"), &player).unwrap();
            players.push(Running::start(&player, &["player", &begin], &env, &log));
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
        // What was started last ends first, and servers after all their clients.
        running.reverse();
        Rig { dir, page, servers, begin, players, switch: None, _running: running }
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

    impl Rig {
        /// How fast a player's server really played, as a factor of 48 kHz, by the player's own record: least squares over all of it.
        /// A server on a busy computer slips now and then, and its nominal rate is not what happened then.
        fn speed(&self, player: usize) -> f64 {
            let text = std::fs::read_to_string(self.dir.path().join(format!("player{player}.log"))).unwrap();
            let words = text.lines().filter_map(|l| l.strip_prefix("played ")?.split_once(" at "));
            let points: Vec<(f64, f64)> = words
                .map(|(samples, us)| (us.parse::<f64>().unwrap() / 1e6, samples.parse::<f64>().unwrap()))
                .collect();
            assert!(points.len() > 8, "{text}");
            let n = points.len() as f64;
            let (t, p) = points.iter().fold((0.0, 0.0), |(t, p), x| (t + x.0 / n, p + x.1 / n));
            let (up, down) =
                points.iter().fold((0.0, 0.0), |(u, d), x| (u + (x.0 - t) * (x.1 - p), d + (x.0 - t) * (x.0 - t)));
            up / down / 48_000.0
        }
    }

    fn rolls(s: &Value, machine: usize, source: &str) -> bool {
        let sources = s["machines"][machine]["sources"].as_array();
        sources.is_some_and(|l| l.iter().any(|x| x["name"] == source && x["state"] == "rolling"))
    }

    /// Waits until both machines roll by both codes.
    fn wait_until_all_roll(rig: &Rig) {
        let all = |s: &Value| (0..2).all(|m| rolls(s, m, "MTC") && rolls(s, m, "LTC"));
        let mut seen = Value::Null;
        for _ in 0..400 {
            seen = rig.snapshot();
            if all(&seen) {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("not all codes roll: {:#}\n{}", seen["machines"], rig.logs());
    }

    #[test]
    fn mtc_and_ltc_cross_real_ports() {
        let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(jackd) = jackd() else {
            return say_skipped("real ports", "jackd is not installed");
        };
        let mut rig = start(&jackd, Vec::new(), None, None);
        wait_until_all_roll(&rig);
        // B starts later, and gains from then on: what is expected falls while we look.
        let faster = f64::from(RATES[1]) / f64::from(RATES[0]) - 1.0;
        let off = wait_until("an offset", Duration::from_secs(10), || {
            let now = rig.snapshot()["offsets"][0]["now"]["value"]["value_ms"].as_f64();
            let rolled = (ports::os::mono_now() - rig.begin).secs_f64();
            (now.is_some(), now.map(|ms| (ms, SKEW.secs_f64() * 1e3 - rolled * faster * 1e3)))
        });
        let (offset, expected) = off.unwrap();
        println!("offset soon after the start: {offset:.3} ms, expected {expected:.3} ms");
        assert!((offset - expected).abs() < 2.0, "{offset} ms, expected {expected} ms\n{}", rig.logs());
        let drift = wait_until("a drift that is known to 4 ppm", Duration::from_secs(30), || {
            let s = rig.snapshot();
            let d = &s["offsets"][0]["drift"];
            let (rate, doubt) = (d["ppm"].as_f64(), d["uncertainty_ppm"].as_f64());
            (doubt.is_some_and(|u| u < 4.0), (rate, doubt))
        });
        let played = [0, 1].map(|i| rig.speed(i));
        let happened = (played[0] - played[1]) * 1e6;
        println!("drift: {drift:?} ppm; the servers played at {happened:.1} ppm, meant {:.1} ppm", -faster * 1e6);
        assert!((happened + faster * 1e6).abs() < 60.0, "the servers are not as they were meant: {happened} ppm");
        assert!((drift.0.unwrap() - happened).abs() < 20.0, "{drift:?}, happened {happened} ppm\n{}", rig.logs());

        // The agents know their players by the names of their executables.
        let player = |s: &Value, m: usize| s["machines"][m]["player"].as_str().map(str::to_owned);
        let s = rig.snapshot();
        assert_eq!([player(&s, 0), player(&s, 1)].map(Option::unwrap), ["running", "running"], "{}", rig.logs());
        drop(rig.players.pop());
        wait_until("the end of B's player", Duration::from_secs(5), || {
            let s = rig.snapshot();
            let both = (player(&s, 0), player(&s, 1));
            (both == (Some("running".into()), Some("gone".into())), both)
        });
    }

    impl Rig {
        fn start_switch(&mut self) {
            let env = [("JACK_DEFAULT_SERVER", self.servers[0].as_str()), ("JACK_NO_START_SERVER", "1")];
            let log = self.dir.path().join("switch.log");
            let program = Path::new(env!("CARGO_BIN_EXE_port_switch"));
            self.switch = Some(Running::start(program, &[], &env, &log));
        }

        /// What the switch was told since it was started last.
        fn switch_was_told(&self) -> Vec<String> {
            let text = std::fs::read_to_string(self.dir.path().join("switch.log")).unwrap_or_default();
            text.lines().filter(|l| l.starts_with("told")).map(str::to_owned).collect()
        }

        fn switch_was_told_only(&self, line: &str) -> bool {
            let told = self.switch_was_told();
            !told.is_empty() && told.iter().all(|t| t == line)
        }

        /// `twinkeel changeover ...`: what it said, and whether it was taken on.
        fn changeover(&self, arguments: &[&str]) -> (bool, String) {
            let page = self.page.to_string();
            let command = [&["changeover", "--page", &page], arguments].concat();
            let out = Command::new(twinkeel_bin()).args(command).output().unwrap();
            let said = [out.stdout, out.stderr].concat();
            (out.status.success(), String::from_utf8_lossy(&said).into_owned())
        }

        /// Waits until the switch has confirmed that a machine is on air.
        fn wait_until_on_air(&self, letter: &str) -> Value {
            wait_until(&format!("{letter} on air"), Duration::from_secs(10), || {
                let s = self.snapshot();
                let confirmed = s["on_air"] == letter && s["switch"]["asked"].is_null();
                (confirmed && s["switch"]["confirmed_at_ns"].is_number(), s["switch"].clone())
            })
        }
    }

    const PAD: &str = r#"
        title = "Salt and Lanterns"
        frame_rate = "30"
        [[device]]
        name = "pad rack"
        channels = [3]
        port = "pad:"
        host = "jack"
        link = "usb"
        gate = "supervisor"
        chase = true
    "#;

    #[test]
    fn patches_cross_real_ports_to_a_device_behind_the_supervisor() {
        let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(jackd) = jackd() else {
            return say_skipped("patches over MIDI", "jackd is not installed");
        };
        ShowFile::parse("show.toml", PAD).unwrap();
        let output = Output::Midi {
            port: "switch:".into(),
            host: "jack".into(),
            select: vec!["c0 00".into(), "c0 01".into()],
            answer: vec!["b0 14 00".into(), "b0 14 01".into()],
        };
        let mut rig = start(&jackd, vec![output], Some(PAD), None);
        rig.start_switch();
        let env = [("JACK_DEFAULT_SERVER", rig.servers[0].as_str()), ("JACK_NO_START_SERVER", "1")];
        let log = rig.dir.path().join("pad.log");
        let _pad = Running::start(Path::new(env!("CARGO_BIN_EXE_port_switch")), &["pad"], &env, &log);
        wait_until_all_roll(&rig);
        rig.wait_until_on_air("A");
        // Both machines' messages came by ports of their own.
        let record = rig.dir.path().join("shows/events.jsonl");
        wait_until("both machines' program 12", Duration::from_secs(15), || {
            let text = std::fs::read_to_string(&record).unwrap_or_default();
            let sent = |m: &str| text.contains(&format!("{m} sent program 12 in bank 1/- on channel 3."));
            (sent("A") && sent("B"), text)
        });
        let told = || {
            let text = std::fs::read_to_string(&log).unwrap_or_default();
            text.lines().filter(|l| l.starts_with("told")).map(str::to_owned).collect::<Vec<_>>()
        };
        // The supervisor plays on what the machine on air sends, in its order, and not the other's.
        let patch = ["told [b2, 00, 01]", "told [c2, 0c]", "told [b2, 07, 64]"];
        wait_until("what A sent", Duration::from_secs(10), || (told().len() >= 3, told()));
        assert_eq!(told(), patch);
        // B sends the same a few milliseconds later: once it is on air, that would rightly be passed on, too.
        std::thread::sleep(Duration::from_millis(500));
        wait_until("a B that may go on air", Duration::from_secs(10), || {
            let (taken, said) = rig.changeover(&["B"]);
            (taken, said)
        });
        rig.wait_until_on_air("B");
        // The device is right already: it is sent nothing before somebody asks for it.
        wait_until("that it is right is said", Duration::from_secs(10), || {
            let text = std::fs::read_to_string(&record).unwrap_or_default();
            (text.contains("nothing to send after the changeover to B, it is right already"), text)
        });
        assert_eq!(told(), patch);
        let page = rig.page.to_string();
        let asked =
            Command::new(twinkeel_bin()).args(["patches", "chase", "pad rack", "--page", &page]).output().unwrap();
        assert!(asked.status.success(), "{asked:?}");
        let got = wait_until("the device's patch again", Duration::from_secs(10), || {
            let more = told().split_off(3);
            (more.iter().any(|l| l == patch[2]), more)
        });
        let place = |what: &str| got.iter().position(|l| l == what);
        assert!(
            place(patch[0]).is_some() && place(patch[0]) < place(patch[1]) && place(patch[1]) < place(patch[2]),
            "{got:?}"
        );
        // The port was not there when the supervisor began: that is over.
        let alarms = rig.snapshot()["alarms"].clone();
        let stands = |code: &str| {
            let mut all = alarms.as_array().unwrap().iter();
            all.any(|a| a["code"] == code && a["state"] != "returned-to-normal")
        };
        for code in ["patch-differs", "not-chased", "device-port", "midi-leak"] {
            assert!(!stands(code), "{alarms:#}");
        }
    }

    #[test]
    fn a_changeover_is_commanded_and_confirmed_over_midi() {
        let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(jackd) = jackd() else {
            return say_skipped("a changeover over MIDI", "jackd is not installed");
        };
        let mut rig = start(
            &jackd,
            vec![Output::Midi {
                port: "switch:".into(),
                host: "jack".into(),
                select: vec!["c0 00".into(), "c0 01".into()],
                answer: vec!["b0 14 00".into(), "b0 14 01".into()],
            }],
            None,
            // The supervisor's own audio input hears what A plays, whatever the switch is told.
            Some(Tap {
                feed: None,
                device: Some("player:ltc".into()),
                host: "jack".into(),
                channels: vec!["tracks L".into()],
                floor: None,
                programme: Vec::new(),
            }),
        );
        rig.start_switch();
        wait_until_all_roll(&rig);
        rig.wait_until_on_air("A");
        assert_eq!(rig.switch_was_told(), Vec::<String>::new(), "nobody asked for anything yet");

        // The second before a changeover is heard, too.
        std::thread::sleep(Duration::from_millis(1_500));
        let (taken, said) = wait_until("a B that may go on air", Duration::from_secs(10), || {
            let (taken, said) = rig.changeover(&["B"]);
            (taken, (taken, said))
        });
        assert!(taken, "{said}");
        let switch = rig.wait_until_on_air("B");
        // A command may be repeated where the answer came late, since it is absolute; no other may come.
        assert!(rig.switch_was_told_only("told [c0, 01]"), "{:?}\n{switch:#}", rig.switch_was_told());
        assert_eq!(switch["outputs"][0]["state"], "ready", "{switch:#}");
        // The tap heard it as it was: what it listens to went on as if nothing had been done.
        let heard = wait_until("what the tap heard of it", Duration::from_secs(10), || {
            let events = rig.snapshot()["events"].clone();
            let said = events.as_array().into_iter().flatten().filter_map(|e| e["text"].as_str());
            let heard = said.filter(|t| t.starts_with("Heard on the tap: ")).map(str::to_owned).next();
            (heard.is_some(), (heard, events))
        });
        let text = heard.0.unwrap();
        let hole: f64 = text["Heard on the tap: ".len()..].split(' ').next().unwrap().parse().unwrap();
        // Of the two seconds that are looked at; a server on a busy computer leaves holes of its own.
        assert!(hole < 500.0, "{text}");

        // A switch that went away takes no command, and the output says so.
        drop(rig.switch.take());
        wait_until("an output that failed", Duration::from_secs(10), || {
            let said = rig.changeover(&["A", "--forced"]);
            let outputs = rig.snapshot()["switch"]["outputs"].clone();
            (outputs[0]["state"] == "failed", (said, outputs))
        });
        // When it is back, on A as it starts, it hears nothing of what was asked meanwhile, and obeys again.
        rig.start_switch();
        rig.wait_until_on_air("A");
        wait_until("a switch that obeys again", Duration::from_secs(10), || {
            let said = rig.changeover(&["B", "--forced"]);
            let told = rig.switch_was_told();
            (!told.is_empty(), (said, told))
        });
        rig.wait_until_on_air("B");
        assert!(rig.switch_was_told_only("told [c0, 01]"), "a command came late: {:?}", rig.switch_was_told());
    }
}
