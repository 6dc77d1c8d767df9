//! The supervisor: sockets, watch thread, changeover outputs, page and API.
