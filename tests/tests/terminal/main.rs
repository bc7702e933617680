//! The program at a terminal: a shell at a pseudo-terminal, keys, and what the screen shows.
#![cfg(unix)]

mod measure;
mod session;
mod steady;
