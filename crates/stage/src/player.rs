//! A simulated playback computer as a process of its own: the [`engine`](crate::engine) on a real-time thread, a feed to its agent, a
//! feed to the changeover switch, and a person at its keyboard (commands as lines of JSON on standard input).

use std::io::BufRead;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, TryRecvError, channel};

use serde::{Deserialize, Serialize};

use crate::engine::{BLOCK, Engine, EngineConfig, Out};
use crate::feed_link::FeedLink;
use crate::os;
use crate::scenario::EndsInPatches;
use crate::show::{CHANNELS, SAMPLE_RATE};

/// What a player process is told when it starts.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlayerConfig {
    /// What it is called in its messages.
    pub name: String,
    /// Its agent's feed socket.
    pub agent: PathBuf,
    /// The switch's feed socket for this machine.
    pub switch: PathBuf,
    /// The machine itself.
    pub engine: EngineConfig,
    /// Where it ends by itself, if it does.
    #[serde(default)]
    pub ends: Option<EndsInPatches>,
}

/// Plays until its standard input ends or it is killed. Never ends for the loss of a socket.
///
/// # Errors
/// When the reading thread cannot be started.
pub fn run_player(config: PlayerConfig) -> std::io::Result<()> {
    let commands = commands_from_stdin()?;
    let got = os::make_urgent(50);
    println!("player {}: process {}, {got}", config.name, std::process::id());
    let mut agent = FeedLink::new(&config.agent, SAMPLE_RATE, &CHANNELS);
    let mut switch = FeedLink::new(&config.switch, SAMPLE_RATE, &CHANNELS);
    let mut engine = Engine::new(config.engine, os::now());
    let mut to_devices = 0;
    let mut block = Vec::with_capacity(BLOCK * CHANNELS.len());
    loop {
        os::sleep_until(engine.next_deadline());
        let now = os::now();
        agent.tend(now);
        switch.tend(now);
        loop {
            match commands.try_recv() {
                Ok(command) => engine.on_command(command, now),
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return Ok(()),
            }
        }
        engine.on_time(now, &mut |out| match out {
            Out::Midi { at, bytes } => {
                let Some((ends, most)) = config.ends.and_then(|e| Some((e, end_of(&mut to_devices, e.after, bytes)?)))
                else {
                    return agent.midi(at, bytes);
                };
                agent.midi(at, bytes.get(..most).unwrap_or(bytes));
                if ends.in_exclusive {
                    agent.midi(at, &[0xf0, 0x7d, 0x01, 0x02]);
                }
                std::process::exit(1);
            }
            Out::Pcm { at, frames } => {
                block.clear();
                block.extend(frames.iter().flatten());
                // The switch first: what the stage hears does not wait for an agent.
                switch.pcm(at, &block);
                agent.pcm(at, &block);
            }
        });
    }
}

/// Counts channel messages to outboard devices; where the last one ends in these bytes, if it is in them.
fn end_of(seen: &mut u32, last: u32, bytes: &[u8]) -> Option<usize> {
    let message = |b: &u8| match b & 0xf0 {
        0xb0 => Some(3),
        0xc0 => Some(2),
        _ => None,
    };
    bytes.iter().enumerate().find_map(|(i, b)| {
        let length = message(b)?;
        *seen += 1;
        (*seen == last).then_some(i + length)
    })
}

/// Lines of JSON from standard input as they come. The channel closes when the input ends.
pub(crate) fn commands_from_stdin<C: for<'de> Deserialize<'de> + Send + 'static>() -> std::io::Result<Receiver<C>> {
    let (tell, commands) = channel();
    std::thread::Builder::new().name("commands".into()).spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else {
                return;
            };
            match serde_json::from_str(&line) {
                Ok(command) => {
                    if tell.send(command).is_err() {
                        return;
                    }
                }
                Err(e) => eprintln!("not understood: {line}: {e}"),
            }
        }
    })?;
    Ok(commands)
}
