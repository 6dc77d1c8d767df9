//! An HTTP output, without TLS. Its connection is opened beforehand and kept by asking for the headers of the host's root, which
//! does nothing by RFC 9110, section 9.2.1 (safe methods); any answer to that will do. What is on air is asked on a second
//! connection, so that no slow answer holds up a command.

use std::sync::{Arc, Mutex, Weak};
use std::time::Duration;

use base::{Machine, MonoTime, Span, SwitchView};
use ports::os::mono_now;
use ureq::Agent;
use ureq::http::Request;

use super::stream::ASK_EVERY;
use super::worker::{Bell, Failure, Way};

/// How long the switch may take to answer a command, and anything else.
const PATIENCE: Duration = Duration::from_secs(1);
/// An idle connection is used this often.
const KEEP_EVERY: Span = Span::from_secs(2);
/// Longer answers are none.
const LONGEST: u64 = 64 * 1024;

/// One command.
pub struct HttpCommand {
    /// The address.
    pub url: String,
    /// The body, if there is one.
    pub body: Option<String>,
}

/// An HTTP output.
pub struct HttpWay {
    /// The method of commands.
    pub method: String,
    /// For each machine.
    pub commands: Vec<HttpCommand>,
    /// The media type of bodies.
    pub media: String,
    /// Where to ask.
    pub ask: Option<String>,
    /// The body of answers for each machine.
    pub answers: Vec<String>,
}

/// A kept connection. The asking thread ends with it.
pub struct HttpLink {
    agent: Agent,
    keep_at: MonoTime,
    bell: Bell,
    asker: Option<Arc<Mutex<Option<std::thread::Thread>>>>,
}

fn agent() -> Agent {
    // Never by way of a proxy, never elsewhere: the switch, or nobody.
    let config = Agent::config_builder().http_status_as_error(false).max_redirects(0).proxy(None);
    config.timeout_global(Some(PATIENCE)).timeout_connect(Some(PATIENCE)).build().new_agent()
}

/// Status and body of the answer.
fn request(agent: &Agent, method: &str, url: &str, media: &str, body: Option<&str>) -> Result<(u16, String), String> {
    let r = Request::builder().method(method).uri(url);
    let answer = match body {
        Some(b) => r.header("content-type", media).body(b.to_string()).map(|r| agent.run(r)),
        None => r.body(()).map(|r| agent.run(r)),
    };
    let mut answer = answer.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
    let status = answer.status().as_u16();
    // Read to its end, or the connection cannot be used again.
    let body = answer.body_mut().with_config().limit(LONGEST).lossy_utf8(true).read_to_string();
    Ok((status, body.map_err(|e| e.to_string())?))
}

impl HttpWay {
    /// The root of the host that commands go to.
    fn root(&self) -> String {
        let url = self.commands.first().map_or("", |c| c.url.as_str());
        let host = url.trim_start_matches("http://").split(['/', '?', '#']).next().unwrap_or("");
        format!("http://{host}/")
    }

    fn keep(&self, agent: &Agent) -> Result<(), String> {
        request(agent, "HEAD", &self.root(), "", None).map(drop)
    }
}

fn heard(answers: &[String], body: &str) -> Option<SwitchView> {
    answers.iter().position(|a| a.trim() == body.trim()).and_then(Machine::new).map(SwitchView::On)
}

impl Way for HttpWay {
    type Link = HttpLink;

    fn open(&mut self, bell: Bell) -> Result<HttpLink, String> {
        let agent = agent();
        self.keep(&agent)?;
        let asker = match &self.ask {
            Some(url) => Some(start_asking(url.clone(), self.answers.clone(), bell.clone())?),
            None => None,
        };
        Ok(HttpLink { agent, keep_at: mono_now() + KEEP_EVERY, bell, asker })
    }

    fn send(&mut self, link: &mut HttpLink, to: Machine) -> Result<(), Failure> {
        let Some(c) = self.commands.get(to.index()) else { return Ok(()) };
        let (status, body) = request(&link.agent, &self.method, &c.url, &self.media, c.body.as_deref())
            .map_err(|e| Failure::Broken(format!("{}: {e}", c.url)))?;
        link.keep_at = mono_now() + KEEP_EVERY;
        if !(200..300).contains(&status) {
            return Err(Failure::Refused(format!("{} answered with status {status}", c.url)));
        }
        if let Some(view) = heard(&self.answers, &body) {
            link.bell.health.heard(view, mono_now());
        } else if let Some(t) = link.asker.as_ref().and_then(|a| a.lock().ok()?.clone()) {
            t.unpark();
        }
        Ok(())
    }

    fn idle(&mut self, link: &mut HttpLink, now: MonoTime) -> Result<(), String> {
        if now < link.keep_at {
            return Ok(());
        }
        link.keep_at = now + KEEP_EVERY;
        self.keep(&link.agent)
    }
}

/// Asks what is on air until the link that it belongs to is dropped. A failure says nothing: the switch's silence will be noticed.
fn start_asking(
    url: String,
    answers: Vec<String>,
    bell: Bell,
) -> Result<Arc<Mutex<Option<std::thread::Thread>>>, String> {
    let handle: Arc<Mutex<Option<std::thread::Thread>>> = Arc::default();
    let link: Weak<_> = Arc::downgrade(&handle);
    let ask = move || {
        let agent = agent();
        while link.strong_count() > 0 {
            let began = mono_now();
            if let Ok((200, body)) = request(&agent, "GET", &url, "", None)
                && let Some(view) = heard(&answers, &body)
            {
                // It may have been so when the question came, but not before.
                bell.health.heard(view, began);
            }
            std::thread::park_timeout(Duration::from_nanos(ASK_EVERY.nanos().unsigned_abs()));
        }
    };
    let started = std::thread::Builder::new().name("http-asker".into()).spawn(ask);
    let started = started.map_err(|e| format!("no thread could be started: {e}"))?;
    if let Ok(mut h) = handle.lock() {
        *h = Some(started.thread().clone());
    }
    Ok(handle)
}
