//! The link between a controller and its host, over any stream of bytes: serial line, socket, pipe.
//!
//! Nothing here reads a clock or a port. Bytes come in as arguments, frames go out as return values, and the caller
//! supplies the time; so the same code runs in firmware, in the host program and in tests that lose bytes on purpose.
//!
//! | module | contents |
//! |---|---|
//! | [`frame`] | where a message begins and ends, and whether it is whole: COBS and a CRC |
//! | `write` | values to bytes |
//! | [`message`] | the messages, as a table |
//! | [`polls`] | a series of polls in a few bytes each |
//! | [`record_ring`] | records kept until the host has them |
//! | [`key`] | the key that both ends share, and the tags made with it |
//! | [`controller`] | the controller's end |
//! | [`host`] | the host's end |
//! | [`serve`] | one cycle of a controller's loop: requests, poll, records |
//!
//! Guarantees, whatever the line does:
//!
//! - a frame with a wrong check is dropped, never repaired;
//! - records reach the host once, in order; where memory ran out, the missing ones are reported to the host;
//! - a request is carried out at most once, however often it is repeated;
//! - with a key, a command is carried out only if it comes from a host that has it, once, and unchanged;
//! - after a reset the host detects the new start of the controller (its *boot* has changed);
//! - the controller never waits for the host: a run goes on, or ends safely, without it.
//!
//! The bytes are in `docs/link.md`, checked there by a test.

pub mod controller;
pub mod frame;
pub mod host;
pub mod key;
pub mod message;
pub mod polls;
pub mod record_ring;
pub mod serve;
mod write;
