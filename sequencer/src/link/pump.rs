//! Bytes carried between the link and its line, whatever the line is, without ever waiting for it.
//!
//! A line gives single bytes or has none, and takes some of a slice or nothing: two functions, or with the feature
//! `embedded-io` anything that implements its traits and can say whether it is ready; of an asynchronous driver that is what
//! it calls `ReadReady` and `WriteReady`. One that can only be awaited has a task of its own and a queue between: whoever waits
//! for a line cannot poll. So there is nothing here for `embedded-io-async`.
//!
//! # Example
//! A line that takes three bytes at a time. What does not fit goes out the next time round.
//! ```
//! use seathold_sequencer::link::controller::Controller;
//! use seathold_sequencer::link::frame::Frame;
//! use seathold_sequencer::link::host::Host;
//! use seathold_sequencer::link::message::Capabilities;
//! use seathold_sequencer::link::pump::Pump;
//! use seathold_sequencer::time::Instant;
//!
//! let mut controller = Controller::<1024>::new(Capabilities::default());
//! let (mut host, mut frame, mut pump) = (Host::new(0x5EA7_401D), Frame::new(), Pump::new());
//! let now = Instant::from_ticks(0);
//! assert!(host.transmit(now, &mut frame), "it opens a session");
//!
//! let mut received = frame.iter().copied();
//! pump.receive(&mut controller, now, || received.next());
//! let mut rounds = 0;
//! while !host.is_open() {
//!     let mut room = 3;
//!     pump.transmit(&mut controller, now, |bytes| {
//!         let taken = bytes.len().min(room);
//!         room -= taken;
//!         bytes[..taken].iter().for_each(|&byte| drop(host.receive(byte)));
//!         taken
//!     });
//!     rounds += 1;
//!     assert!(rounds < 100, "the welcome never came");
//! }
//! assert!(rounds > 3);
//! ```

use super::controller::Controller;
use super::frame::Frame;
use crate::time::Instant;

/// A frame that is under way, and how much of it the line has taken.
#[derive(Clone, Debug, Default)]
pub struct Pump {
    frame: Frame,
    sent: usize,
}

impl Pump {
    /// Nothing under way.
    pub const fn new() -> Self {
        Self { frame: Frame::new(), sent: 0 }
    }

    /// Whether nothing is under way: the loop may sleep until a byte comes or a poll is due.
    pub fn is_idle(&self) -> bool {
        self.sent >= self.frame.len()
    }

    /// Takes in whatever has come: `next` gives a byte, or `None` once there is no more.
    #[inline]
    pub fn receive<const N: usize>(
        &mut self,
        link: &mut Controller<N>,
        now: Instant,
        mut next: impl FnMut() -> Option<u8>,
    ) {
        while let Some(byte) = next() {
            link.receive(now, byte);
        }
    }

    /// Sends until the line is full or there is no more: `send` takes bytes, at least one if it has room, and returns how
    /// many.
    #[inline]
    pub fn transmit<const N: usize>(
        &mut self,
        link: &mut Controller<N>,
        now: Instant,
        mut send: impl FnMut(&[u8]) -> usize,
    ) {
        loop {
            // The rest of the frame: none where the line has said that it took more than there was.
            match self.frame.get(self.sent..) {
                Some(rest) if !rest.is_empty() => match send(rest) {
                    0 => return,
                    taken => self.sent = self.sent.saturating_add(taken),
                },
                _ => {
                    self.sent = 0;
                    self.frame.clear();
                    if !link.transmit(now, &mut self.frame) {
                        return;
                    }
                }
            }
        }
    }
}

#[cfg(feature = "embedded-io")]
mod over_embedded_io {
    use super::{Controller, Instant, Pump};
    use embedded_io::{Read, ReadReady, Write, WriteReady};

    impl Pump {
        /// Takes in what a line of `embedded-io` has. It never waits, as long as what the line calls ready is.
        ///
        /// # Errors
        /// The line's: bytes were lost, as on an overrun. It is for a log, and no reason to stop: what was lost is sent again.
        ///
        /// # Example
        /// Both directions of a line, once a turn of the loop.
        /// ```
        /// use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
        /// use seathold_sequencer::link::{controller::Controller, message::Capabilities, pump::Pump};
        /// use seathold_sequencer::time::Instant;
        /// # struct Uart { came: Vec<u8>, went: Vec<u8> }
        /// # impl ErrorType for Uart { type Error = core::convert::Infallible; }
        /// # impl Read for Uart {
        /// #     fn read(&mut self, into: &mut [u8]) -> Result<usize, Self::Error> {
        /// #         let count = into.len().min(self.came.len());
        /// #         for (to, from) in into.iter_mut().zip(self.came.drain(..count)) { *to = from; }
        /// #         Ok(count)
        /// #     }
        /// # }
        /// # impl ReadReady for Uart {
        /// #     fn read_ready(&mut self) -> Result<bool, Self::Error> { Ok(!self.came.is_empty()) }
        /// # }
        /// # impl Write for Uart {
        /// #     fn write(&mut self, from: &[u8]) -> Result<usize, Self::Error> { self.went.extend(from); Ok(from.len()) }
        /// #     fn flush(&mut self) -> Result<(), Self::Error> { Ok(()) }
        /// # }
        /// # impl WriteReady for Uart {
        /// #     fn write_ready(&mut self) -> Result<bool, Self::Error> { Ok(true) }
        /// # }
        /// # let mut frame = seathold_sequencer::link::frame::Frame::new();
        /// # seathold_sequencer::link::host::Host::new(1).transmit(Instant::from_ticks(0), &mut frame);
        /// # let mut uart = Uart { came: frame.to_vec(), went: Vec::new() };
        ///
        /// let (mut link, mut pump) = (Controller::<1024>::new(Capabilities::default()), Pump::new());
        /// let now = Instant::from_ticks(0);
        /// let Ok(()) = pump.receive_from(&mut link, now, &mut uart);
        /// let Ok(()) = pump.transmit_to(&mut link, now, &mut uart);
        /// assert!(uart.came.is_empty() && uart.went.ends_with(&[0]), "a host's greeting is answered with a frame");
        /// ```
        pub fn receive_from<L, const N: usize>(
            &mut self,
            link: &mut Controller<N>,
            now: Instant,
            line: &mut L,
        ) -> Result<(), L::Error>
        where
            L: Read + ReadReady,
        {
            let mut bytes = [0; 32];
            while line.read_ready()? {
                let count = line.read(&mut bytes)?;
                if count == 0 {
                    break;
                }
                bytes.iter().take(count).for_each(|&byte| link.receive(now, byte));
            }
            Ok(())
        }

        /// Sends over a line of `embedded-io` what it has room for. A line that cannot say whether it has room gets a queue in
        /// front of it, and [`Pump::transmit`] fills that.
        ///
        /// # Errors
        /// As for [`Pump::receive_from`].
        pub fn transmit_to<L, const N: usize>(
            &mut self,
            link: &mut Controller<N>,
            now: Instant,
            line: &mut L,
        ) -> Result<(), L::Error>
        where
            L: Write + WriteReady,
        {
            let mut failed = None;
            self.transmit(link, now, |bytes| {
                let taken = match line.write_ready() {
                    Ok(true) => line.write(bytes),
                    Ok(false) => Ok(0),
                    Err(error) => Err(error),
                };
                taken.unwrap_or_else(|error| {
                    failed = Some(error);
                    0
                })
            });
            failed.map_or(Ok(()), Err)
        }
    }
}

#[cfg(all(test, feature = "embedded-io"))]
mod tests {
    use super::*;
    use crate::link::host::Host;
    use crate::link::message::Capabilities;
    use embedded_io::{ErrorKind, ErrorType, Read, ReadReady, Write, WriteReady};

    /// A line with room for some bytes, which overruns once.
    struct Line {
        came: heapless::Deque<u8, 512>,
        went: heapless::Deque<u8, 512>,
        room: usize,
        overrun: bool,
    }

    impl ErrorType for Line {
        type Error = ErrorKind;
    }

    impl Read for Line {
        fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
            assert!(!self.came.is_empty(), "it would wait");
            if core::mem::take(&mut self.overrun) {
                self.came.pop_front();
                return Err(ErrorKind::Other);
            }
            // As few as may be.
            into[0] = self.came.pop_front().unwrap();
            Ok(1)
        }
    }

    impl ReadReady for Line {
        fn read_ready(&mut self) -> Result<bool, ErrorKind> {
            Ok(!self.came.is_empty())
        }
    }

    impl Write for Line {
        fn write(&mut self, from: &[u8]) -> Result<usize, ErrorKind> {
            assert!(self.room > 0, "it would wait");
            let taken = from.len().min(self.room);
            self.room -= taken;
            from.iter().take(taken).for_each(|&byte| self.went.push_back(byte).unwrap());
            Ok(taken)
        }

        fn flush(&mut self) -> Result<(), ErrorKind> {
            Ok(())
        }
    }

    impl WriteReady for Line {
        fn write_ready(&mut self) -> Result<bool, ErrorKind> {
            Ok(self.room > 0)
        }
    }

    #[test]
    fn a_slow_line_that_overruns_loses_a_frame_and_no_session() {
        let mut link = Controller::<1024>::new(Capabilities::default());
        let (mut host, mut pump, mut frame) = (Host::new(1), Pump::new(), Frame::new());
        let mut line = Line { came: heapless::Deque::new(), went: heapless::Deque::new(), room: 0, overrun: true };
        let mut errors = 0;
        for ms in 0..2_000 {
            let now = Instant::from_ticks(ms * 1_000);
            while host.transmit(now, &mut frame) {
                frame.iter().for_each(|&byte| line.came.push_back(byte).unwrap());
            }
            // Two bytes a millisecond.
            line.room = 2;
            errors += u32::from(pump.receive_from(&mut link, now, &mut line).is_err());
            pump.transmit_to(&mut link, now, &mut line).unwrap();
            while let Some(byte) = line.went.pop_front() {
                let _ = host.receive(byte);
            }
        }
        assert!(host.is_open() && pump.is_idle());
        assert_eq!((errors, link.bad_frames(), host.bad_frames()), (1, 1, 0));
    }
}
