//! The office: benches' records in a real PostgreSQL server, sent, read back, cut off, and tampered with.

#![cfg(unix)]

mod background;
mod bench;
mod encrypted;
mod ends;
mod killed;
mod refused;
mod round_trip;
