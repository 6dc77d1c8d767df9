//! `twinkeel replace`: a spare computer takes a machine's place. It gets an identity and a key of its own, since what was measured belongs to
//! the computer that it was measured on; the rig file names it from then on, and the supervisor starts anew with that.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use base::{Heard, Machine, MachineId};
use rig::check::{Depth, Verdict, Word};
use settings::RigFile;
use settings::agent::AgentFile;
use supervisor::check::{CheckRequest, CheckView};
use supervisor::page::{ActOutcome, DeskAct};
use supervisor::snapshot::Snapshot;
use wire::KeyPair;

use crate::client::{At, ask, read};
use crate::devices::wrapped;
use crate::{refuse, unreached};

/// How often it is asked how it goes.
const ASK_EVERY: Duration = Duration::from_millis(250);
/// A supervisor that starts anew is back within this.
const ANEW: Duration = Duration::from_secs(10);
/// A quick check has ended by then.
const CHECKED: Duration = Duration::from_secs(60);

/// Arguments of `twinkeel replace`.
#[derive(clap::Args)]
#[command(after_help = "The machine's entry in the rig's file is rewritten, all else in it stays as it is.\n\n\
    Example, in the supervisor's folder: twinkeel replace B --agent ../B/agent.toml --name \"spare 2\"\n\n\
    It runs on the supervisor's computer. Exit code 0 when the spare is heard and nothing differs, 1 when it is not or something does,\n\
    2 for usage and files, 3 when the supervisor cannot be reached.")]
pub struct ReplaceArgs {
    #[command(flatten)]
    at: At,
    /// The machine whose place the spare takes, by its letter.
    machine: char,
    /// The settings of the agent that is replaced, or of one that hears a like player.
    #[arg(long, value_name = "FILE")]
    agent: PathBuf,
    /// What people call the spare.
    #[arg(long, default_value = "spare")]
    name: String,
    /// The folder for the spare's settings and key; it must not exist yet.
    #[arg(long, value_name = "DIR", default_value = "spare")]
    out: PathBuf,
    /// For how many seconds the spare is waited for; 0: not at all.
    #[arg(long, default_value_t = 60)]
    wait: u64,
}

/// `twinkeel replace`.
pub fn run(a: &ReplaceArgs) -> ExitCode {
    let machine = match prepare(a) {
        Ok(m) => m,
        Err(e) => return refuse(&e),
    };
    println!("{} is ready for `{}`, and {} names it as {machine}.", a.out.display(), a.name, a.at.rig().display());
    println!("The folder holds a secret key: carry it by hand, and delete the copy after.");
    match ask(&a.at, "act", &serde_json::json!({ "by": "command line", "do": DeskAct::StartAnew })) {
        Ok(ActOutcome::Done { .. } | ActOutcome::Asked { .. }) => {}
        Ok(ActOutcome::Refused { text, .. }) => {
            println!("The supervisor did not start anew: {text}\nStart it by hand, then the agent on the spare.");
            return ExitCode::from(1);
        }
        Err(e) => {
            println!("Start the supervisor, then the agent on the spare.");
            return unreached(&e);
        }
    }
    println!("Now run on the spare, in that folder: twinkeel agent");
    if a.wait == 0 {
        return ExitCode::SUCCESS;
    }
    match heard(&a.at, machine, Duration::from_secs(a.wait)) {
        Ok(true) => {}
        Ok(false) => {
            println!("{machine} has not been heard for {} s. It is taken in whenever it comes.", a.wait);
            return ExitCode::from(1);
        }
        Err(e) => return unreached(&e),
    }
    println!("{machine} is heard.");
    match differs(&a.at) {
        Ok(lines) if lines.is_empty() => {
            println!("A quick check finds nothing that differs. What stood before is void: check the rig in full.");
            ExitCode::SUCCESS
        }
        Ok(lines) => {
            println!("What is not as it should be:");
            let mut out = std::io::stdout().lock();
            // A reader that has seen enough closes the pipe.
            let _ = lines.iter().try_for_each(|l| wrapped(&mut out, "  - ", l));
            ExitCode::from(1)
        }
        Err(e) => unreached(&e),
    }
}

type Wrong = Box<dyn std::error::Error>;

/// Makes the spare's folder and rewrites the rig file. Nothing is left half done: the rig file is replaced last, and whole.
fn prepare(a: &ReplaceArgs) -> Result<Machine, Wrong> {
    let text = |p: &Path| std::fs::read_to_string(p).map_err(|e| format!("{}: {e}", p.display()));
    let (rig_text, agent_text) = (text(a.at.rig())?, text(&a.agent)?);
    let rig = RigFile::parse(&a.at.rig().display().to_string(), &rig_text)?;
    let agent = AgentFile::parse(&a.agent.display().to_string(), &agent_text)?;
    let letter = Machine::from_letter(a.machine).filter(|m| m.index() < rig.machines.len());
    let machine = letter.ok_or_else(|| {
        let all: Vec<String> = Machine::first(rig.machines.len()).map(|m| m.to_string()).collect();
        format!("{}: this rig has no machine {}; it has {}", a.at.rig().display(), a.machine, all.join(", "))
    })?;
    if rig.heard_by == settings::rig::HeardBy::Supervisor {
        return Err(format!(
            "{}: the supervisor alone hears these machines: put the spare's cables where {machine}'s were",
            a.at.rig().display()
        )
        .into());
    }
    if agent.supervisor.rig != rig.rig_id {
        return Err(format!("{}: this agent is of another rig than {}", a.agent.display(), a.at.rig().display()).into());
    }
    if a.out.exists() {
        return Err(format!("{}: exists already; choose another --out, or move it away", a.out.display()).into());
    }
    let (keys, id) = (KeyPair::generate()?, MachineId(ports::os::random_id()));
    let agent_text = agent_of(&agent_text, id, &a.name)?;
    AgentFile::parse("the spare's agent.toml", &agent_text)?;
    let new_rig = rig_with(&rig_text, machine, id, &keys.public.to_string(), &a.name)?;
    RigFile::parse("the new rig.toml", &new_rig)?;
    std::fs::create_dir_all(&a.out).map_err(|e| format!("{}: {e}", a.out.display()))?;
    ports::local::write_secret(&a.out.join("agent.key"), &keys.secret.to_secret_text())?;
    let before = a.at.rig().with_extension(format!("before-{machine}.toml"));
    let spare = a.out.join("agent.toml");
    let files = [(spare.as_path(), &agent_text), (before.as_path(), &rig_text), (a.at.rig(), &new_rig)];
    for (path, text) in files {
        ports::local::replace(path, text).map_err(|e| format!("{}: {e}", path.display()))?;
    }
    Ok(machine)
}

/// The agent's settings for another computer; what a person wrote about sources and folders stays, comments too.
fn agent_of(text: &str, id: MachineId, name: &str) -> Result<String, toml_edit::TomlError> {
    let mut file: toml_edit::DocumentMut = text.parse()?;
    file["machine_id"] = toml_edit::value(id.to_string());
    file["name"] = toml_edit::value(name);
    file["secret_key"] = toml_edit::value("agent.key");
    Ok(file.to_string())
}

/// The rig with another computer as this machine.
fn rig_with(text: &str, m: Machine, id: MachineId, key: &str, name: &str) -> Result<String, Wrong> {
    let mut file: toml_edit::DocumentMut = text.parse()?;
    let entry: Option<&mut dyn toml_edit::TableLike> = match file.get_mut("machine") {
        Some(toml_edit::Item::ArrayOfTables(all)) => all.get_mut(m.index()).map(|t| t as _),
        Some(toml_edit::Item::Value(toml_edit::Value::Array(all))) => {
            all.get_mut(m.index()).and_then(|v| v.as_inline_table_mut()).map(|t| t as _)
        }
        _ => None,
    };
    let entry = entry.ok_or_else(|| format!("there is no entry of {m}"))?;
    for (k, v) in [("id", id.to_string()), ("key", key.into()), ("name", name.into())] {
        entry.insert(k, toml_edit::value(v));
    }
    Ok(file.to_string())
}

/// Waits until the supervisor is back and hears the machine; false: it did not come.
fn heard(at: &At, m: Machine, wait: Duration) -> Result<bool, String> {
    let began = Instant::now();
    loop {
        std::thread::sleep(ASK_EVERY);
        let found = read(at, "snapshot").and_then(|t| serde_json::from_str::<Snapshot>(&t).map_err(|e| e.to_string()));
        match found {
            Ok(s)
                if s.machines.get(m.index()).is_some_and(|v| matches!(v.link.heard, Heard::Well | Heard::OnePath)) =>
            {
                return Ok(true);
            }
            Ok(_) if began.elapsed() > wait => return Ok(false),
            Err(e) if began.elapsed() > wait.max(ANEW) => return Err(e),
            _ => {}
        }
    }
}

/// What a quick check finds wrong, a sentence each.
fn differs(at: &At) -> Result<Vec<String>, String> {
    let request = CheckRequest { by: Some("command line".into()), depth: Depth::Quick, word: Word::default() };
    if let ActOutcome::Refused { text, .. } = ask(at, "check", &request)? {
        return Ok(vec![format!("The rig could not be checked: {text}")]);
    }
    let began = Instant::now();
    loop {
        std::thread::sleep(ASK_EVERY);
        let view: CheckView = serde_json::from_str(&read(at, "check")?).map_err(|e| e.to_string())?;
        match (view.running, view.last) {
            (None, Some(sheet)) => {
                let wrong = sheet.rows.iter().filter(|r| matches!(r.verdict, Verdict::Fail | Verdict::Warn));
                return Ok(wrong.map(|r| format!("{}: {}. {}", r.title, r.measured, r.mend)).collect());
            }
            _ if began.elapsed() > CHECKED => return Err("the check has not ended".into()),
            _ => {}
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn only_the_machine_that_is_replaced_changes_and_comments_stay() {
        let rig = "name = \"x\" # ours\n\n[[machine]]\nname = \"left\"\nid = \"a\"\nkey = \"k\"\n\n# the old one\n[[machine]]\nname = \"right\"\n\
                   id = \"b\" # from spring\nkey = \"l\"\npilot = 19000.0\n";
        let new = rig_with(rig, Machine::B, MachineId([7; 16]), "new key", "spare").unwrap();
        assert!(new.starts_with(
            "name = \"x\" # ours\n\n[[machine]]\nname = \"left\"\nid = \"a\"\nkey = \"k\"\n\n# the old one\n"
        ));
        assert!(
            new.contains("name = \"spare\"") && new.contains("key = \"new key\"") && new.contains("pilot = 19000.0")
        );
        assert!(new.contains(&MachineId([7; 16]).to_string()) && !new.contains("right"));
        assert!(rig_with("name = \"x\"\n", Machine::B, MachineId([7; 16]), "k", "n").is_err());
        let inline =
            "machine = [{ name = \"l\", id = \"a\", key = \"k\" }, { name = \"r\", id = \"b\", key = \"l\" }]\n";
        let new = rig_with(inline, Machine::B, MachineId([7; 16]), "new key", "spare").unwrap();
        assert!(new.contains("{ name = \"l\", id = \"a\", key = \"k\" }") && new.contains("\"new key\""));
    }
}
