//! Position lines.
#[path = "../tests/models/mod.rs"]
mod models;
fn main() {}
