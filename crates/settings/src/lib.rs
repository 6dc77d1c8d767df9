//! Configuration and show file as types, with the place of every error.
