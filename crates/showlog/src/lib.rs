//! The record of a show and the report made from it.
