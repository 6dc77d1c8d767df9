//! The supervisor: sockets, watch thread, changeover outputs, page and API.

pub mod page;
pub mod snapshot;
