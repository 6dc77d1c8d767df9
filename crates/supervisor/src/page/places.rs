//! The pages. What stands round each one's content (head, banner, links, the device's dialog) is written once, in `frame.html`, and put
//! round it once, at the first request.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use super::assets::FILES;

/// One page.
pub(crate) struct Place {
    /// Its address.
    pub path: &'static str,
    /// Its file without ending: content, script and the body's class are called so.
    name: &'static str,
    /// Its link.
    link: &'static str,
    content: &'static str,
}

macro_rules! places {
    ($($path:literal $name:literal $link:literal),* $(,)?) => {
        &[$(Place { path: $path, name: $name, link: $link, content: include_str!(concat!("../../web/", $name, ".html")) }),*]
    };
}

/// In the order of their links.
pub(crate) const PLACES: &[Place] = places![
    "/" "watch" "Watch",
    "/check" "check" "Check",
    "/set" "set" "Set",
    "/why" "why" "Why",
    "/shows" "shows" "Shows",
    "/rig" "rig" "Rig",
];

const FRAME: &str = include_str!("../../web/frame.html");

/// The whole page, with its frame.
pub(crate) fn whole(path: &str) -> Option<&'static [u8]> {
    static WHOLE: LazyLock<Vec<String>> = LazyLock::new(|| PLACES.iter().map(framed).collect());
    let at = PLACES.iter().position(|p| p.path == path)?;
    WHOLE.get(at).map(String::as_bytes)
}

fn framed(place: &Place) -> String {
    let links: Vec<String> = PLACES.iter().map(|p| link(p, p.path == place.path)).collect();
    let preload: String = needed(place.name).iter().map(|m| preload(m)).collect();
    // On the page of the show the first stop by keyboard is the changeover.
    let (skip, words) = match place.path {
        "/" => ("#control", "To the changeover control"),
        _ => ("#main", "To the content"),
    };
    FRAME
        .replace("{name}", place.name)
        .replace("{skip}", skip)
        .replace("{skip words}", words)
        .replace("{links}", &links.join(" "))
        .replace("{preload}", &preload)
        .replace("{content}", place.content)
}

fn link(p: &Place, here: bool) -> String {
    let current = if here { " aria-current=\"page\"" } else { "" };
    format!("<a href=\"{}\"{current}>{}</a>", p.path, p.link)
}

fn preload(module: &str) -> String {
    format!("<link rel=\"modulepreload\" href=\"/assets/{module}\">\n")
}

/// The modules that a page's script imports, and those that they import: the browser asks for all of them at once.
pub(crate) fn needed(name: &str) -> BTreeSet<&'static str> {
    let mut found = BTreeSet::new();
    let mut open: Vec<&str> = imports(&format!("{name}.js")).collect();
    while let Some(module) = open.pop() {
        if found.insert(module) {
            open.extend(imports(module));
        }
    }
    found
}

fn imports(script: &str) -> impl Iterator<Item = &'static str> {
    let text = FILES.iter().find(|f| f.name == script).and_then(|f| std::str::from_utf8(f.bytes).ok()).unwrap_or("");
    text.lines()
        .filter(|l| l.starts_with("import "))
        .filter_map(|l| l.split_once("from \"./").and_then(|(_, rest)| rest.strip_suffix("\";")))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_page_has_its_frame_and_nothing_is_left_open_in_it() {
        for p in PLACES {
            let page = std::str::from_utf8(whole(p.path).unwrap()).unwrap();
            assert!(!page.contains(['{', '}']), "{}", p.path);
            assert_eq!(page.matches("aria-current").count(), 1, "{}", p.path);
            assert!(needed(p.name).contains("link.js"), "{}", p.path);
        }
    }

    #[test]
    fn no_page_weighs_more_than_150_kb() {
        let weight = |name: &str| FILES.iter().find(|f| f.name == name).unwrap().bytes.len();
        for p in PLACES {
            let modules: usize = needed(p.name).iter().map(|m| weight(m)).sum();
            let rest = ["style.css", "icon.svg", "manifest.webmanifest"].map(weight).iter().sum::<usize>();
            let all = whole(p.path).unwrap().len() + modules + weight(&format!("{}.js", p.name)) + rest;
            assert!(all <= 150_000, "{}: {all} bytes", p.path);
        }
    }
}
