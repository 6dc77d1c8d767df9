//! The page and its API.

pub mod desk;

pub use desk::{
    ActOutcome, BoxFuture, Desk, DeskAct, History, HistoryLine, HistoryPoint, HistoryWindow, Mark, MarkKind, Who, Why,
};
