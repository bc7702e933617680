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
//! | [`pump`] | bytes carried between the link and its line |
//! | [`serve`] | one cycle of a controller's loop: requests, poll, records |
//! | `start_button` (feature `start-button`) | a button at the rig that answers the host's question |
//! | `rig_keeper` (feature `rig-memory`) | the rig that is loaded over the line, and kept |
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
//!
//! # Example
//! Both ends over two buffers: the host opens a session, asks for the rig, and receives every poll.
//! ```
//! use seathold_sequencer::link::controller::Controller;
//! use seathold_sequencer::link::frame::Frame;
//! use seathold_sequencer::link::host::{Host, HostEvent};
//! use seathold_sequencer::link::message::{Capabilities, Request, Response};
//! use seathold_sequencer::link::{polls::Polls, serve};
//! use seathold_sequencer::{poll_loop::PollRecord, rig::RawRig, step::Sequencer, time::Instant};
//! use std::collections::VecDeque;
//! # use seathold_sequencer::{input::{Contacts, Sample, SensorFault}, io::Hardware, output::Outputs};
//! # struct Rig(u64);
//! # impl Hardware for Rig {
//! #     type Error = core::convert::Infallible;
//! #     fn now(&mut self) -> Instant { self.0 += 1; Instant::from_ticks(self.0 * 10_000) }
//! #     fn far(&mut self) -> nb::Result<Sample, SensorFault> { Ok(Sample { counts: 3_277, number: self.0 as u32 }) }
//! #     fn contacts(&mut self) -> Contacts { Contacts::CLEAR }
//! #     fn apply(&mut self, _: Outputs) -> Result<(), Self::Error> { Ok(()) }
//! #     fn readback_mismatch(&mut self) -> bool { false }
//! #     fn retain_stop(&mut self, _: bool) {}
//! #     fn feed_watchdog(&mut self) {}
//! # }
//!
//! let (mut to_controller, mut to_host) = (VecDeque::<u8>::new(), VecDeque::<u8>::new());
//! let mut frame = Frame::new();
//!
//! // The controller's end: 4 KiB for records that the host does not have yet.
//! let mut controller = Controller::<4096>::new(Capabilities::default());
//! let mut sequencer = Sequencer::new(RawRig::DEMO.validate()?, None);
//! let mut rig = Rig(0); // implements `io::Hardware`
//! let mut record = PollRecord::empty();
//!
//! // The host's end. A real one draws the session at random.
//! let mut host = Host::new(0x5EA7_401D);
//! let (mut asked, mut answer, mut polls) = (false, None, 0);
//!
//! for turn in 0..100 {
//!     let now = Instant::from_ticks(turn * 10_000);
//!
//!     // One cycle of the controller: what came in, one poll, what is to go out.
//!     to_controller.drain(..).for_each(|byte| controller.receive(now, byte));
//!     let Ok(()) = serve::service(&mut controller, now, &mut sequencer, &mut rig, &mut record);
//!     while controller.transmit(now, &mut frame) {
//!         to_host.extend(&frame);
//!     }
//!
//!     // And of the host.
//!     for byte in to_host.drain(..) {
//!         match host.receive(byte) {
//!             Some(HostEvent::Polls(series)) => polls += Polls::new(series).count(),
//!             Some(HostEvent::Response(response)) => answer = Some(response),
//!             _ => {}
//!         }
//!     }
//!     if host.is_open() && !asked {
//!         asked = host.request(Request::ReadRig).is_ok();
//!     }
//!     while host.transmit(now, &mut frame) {
//!         to_controller.extend(&frame);
//!     }
//! }
//! assert_eq!(answer, Some(Response::Rig(RawRig::DEMO)));
//! assert!(polls > 50, "only {polls} polls came over");
//! assert_eq!((controller.bad_frames(), host.bad_frames()), (0, 0));
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

pub mod controller;
pub mod frame;
pub mod host;
pub mod key;
pub mod message;
pub mod polls;
pub mod pump;
pub mod record_ring;
#[cfg(feature = "rig-memory")]
pub mod rig_keeper;
pub mod serve;
#[cfg(feature = "start-button")]
pub mod start_button;
pub(crate) mod write;
