//! Session folders: how fast they are read, beside `sha256sum` and beside BLAKE3 alone over the same files; how long unchanged ones
//! take; and how much memory many files cost. Asserts nothing.
//!
//! `cargo bench -p twinkeel-agent --bench folders [-- --files 1000000] [--dir DIR]`
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use settings::ignore::Ignore;
use twinkeel_agent::folders::{AtOnce, Look, Looked, Tree, deep_stack, look};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let value = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1));
    let files: usize = value("--files").map_or(100_000, |n| n.parse().unwrap());
    let dir = match value("--dir") {
        Some(d) => tempfile::tempdir_in(d).unwrap(),
        None => tempfile::tempdir().unwrap(),
    };
    let run = std::thread::Builder::new().stack_size(deep_stack()).spawn(move || {
        large_files(dir.path());
        many_files(dir.path(), files, "in folders of a thousand", |i| format!("{:04}/{i}", i / 1_000));
        many_files(dir.path(), files, "in one folder", |i| format!("{i}"));
    });
    run.unwrap().join().unwrap();
}

fn large_files(dir: &Path) {
    let root = dir.join("large");
    let mut noise = vec![0u8; 4 << 20];
    let mut x = 1u64;
    for i in 0..256 {
        for b in noise.chunks_exact_mut(8) {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            b.copy_from_slice(&x.to_le_bytes());
        }
        write(&root, &format!("{:02}/{i}.wav", i / 16), &noise);
    }
    let bytes = 256.0 * noise.len() as f64;
    println!("1.1 GB in 256 files, in the page cache; best of three, MB/s:");
    let best = |what: &mut dyn FnMut()| {
        let mut least = f64::MAX;
        for _ in 0..3 {
            let began = Instant::now();
            what();
            least = least.min(began.elapsed().as_secs_f64());
        }
        bytes / 1e6 / least
    };
    let mut kept = None;
    println!("  a look with its tree     {:6.0}", best(&mut || kept = Some(looked(&root, None))));
    println!("  BLAKE3 alone, one thread {:6.0}", best(&mut || blake3_alone(&root)));
    let tool = |program: &'static str| {
        let have = Command::new(program).arg("--version").stdout(Stdio::null()).status().is_ok();
        if !have {
            return println!("  {program}: not here");
        }
        let sum = best(&mut || {
            let list = format!("find . -type f -print0 | xargs -0 {program} > /dev/null");
            assert!(Command::new("sh").args(["-c", &list]).current_dir(&root).status().unwrap().success());
        });
        println!("  {program:24} {sum:6.0}");
    };
    tool("sha256sum");
    tool("b3sum");
    let old = kept.unwrap().tree;
    let began = Instant::now();
    let again = looked(&root, Some(&old));
    println!(
        "  unchanged, looked at again: {:.1} ms, {} bytes read",
        began.elapsed().as_secs_f64() * 1e3,
        again.done.read
    );
}

fn many_files(dir: &Path, files: usize, how: &str, name: impl Fn(usize) -> String) {
    let root = dir.join(how.replace(' ', "-"));
    for i in 0..files {
        write(&root, &name(i), &(i as u64).to_le_bytes());
    }
    println!("{files} files of 8 bytes, {how}:");
    let before = forget_peak();
    let began = Instant::now();
    let first = looked(&root, None);
    println!("  first look  {:7.2} s, {:5.1} MB of memory more at most", began.elapsed().as_secs_f64(), grown(before));
    let before = forget_peak();
    let began = Instant::now();
    let again = looked(&root, Some(&first.tree));
    println!(
        "  unchanged   {:7.2} s, {:5.1} MB of memory more at most, {} bytes read",
        began.elapsed().as_secs_f64(),
        grown(before),
        again.done.read
    );
    let began = Instant::now();
    let walked = Command::new("sh").args(["-c", "find . -type f -size +1G"]).current_dir(&root).status().unwrap();
    println!("  find, which asks each file's size: {:.2} s ({walked})", began.elapsed().as_secs_f64());
    std::fs::remove_dir_all(&root).unwrap();
}

fn looked(root: &Path, old: Option<&Tree>) -> Looked {
    let none = Ignore::default();
    // As if the files had been there for a while.
    let wall_ns = || ports::os::wall_now().0 + 60_000_000_000;
    let what = Look { root, ignore: &none, old, trust_marks: true, changed_after_ns: None, wall_ns };
    look(&what, tempfile::tempfile().unwrap(), &mut AtOnce).unwrap()
}

fn blake3_alone(dir: &Path) {
    let mut buffer = vec![0u8; 256 * 1024];
    for e in std::fs::read_dir(dir).unwrap() {
        let path: PathBuf = e.unwrap().path();
        if path.is_dir() {
            blake3_alone(&path);
            continue;
        }
        let mut file = std::fs::File::open(&path).unwrap();
        let mut hasher = blake3::Hasher::new();
        loop {
            match std::io::Read::read(&mut file, &mut buffer).unwrap() {
                0 => break,
                n => _ = hasher.update(&buffer[..n]),
            }
        }
        std::hint::black_box(hasher.finalize());
    }
}

fn write(dir: &Path, name: &str, content: &[u8]) {
    let path = dir.join(name);
    if !path.parent().unwrap().is_dir() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    }
    std::fs::write(path, content).unwrap();
}

/// Lets the peak begin anew (proc(5), clear_refs), and gives the memory in use.
fn forget_peak() -> f64 {
    let _ = std::fs::write("/proc/self/clear_refs", "5");
    status("VmRSS:")
}

fn grown(before: f64) -> f64 {
    status("VmHWM:") - before
}

/// A line of /proc/self/status, in MB; 0 where there is none.
fn status(key: &str) -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix(key));
    line.and_then(|l| l.trim().split(' ').next()?.parse::<f64>().ok()).unwrap_or(0.0) / 1e3
}
