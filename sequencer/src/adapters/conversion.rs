//! Conversions of an analogue-to-digital converter, single or summed.
//!
//! # Example
//! An interrupt leaves codes in a queue; the loop sums eight of them to one reading.
//! ```
//! use heapless::spsc::Queue;
//! use seathold_sequencer::adapters::conversion::{Adc, Conversion, Oversampled};
//!
//! let mut queue = Queue::<Result<Conversion, ()>, 16>::new();
//! let (mut interrupt, input) = queue.split();
//! let mut far = Oversampled::new(input, 8);
//!
//! for (number, code) in (0..).zip([500, 501, 499, 500, 502, 500, 498]) {
//!     interrupt.enqueue(Ok(Conversion::single(code, number))).expect("the queue has room for fifteen");
//! }
//! assert_eq!(far.convert(), Err(nb::Error::WouldBlock), "seven are not enough, and it does not wait");
//!
//! interrupt.enqueue(Ok(Conversion::single(500, 7))).expect("as above");
//! let reading = far.convert().expect("eight are");
//! assert_eq!((reading.mean(), reading.least, reading.most), (500.0, 498, 502));
//! ```

/// Most bits of a converter.
pub const BITS_MAX: u32 = 24;

/// Most conversions summed into one.
pub const OVERSAMPLE_MAX: u16 = 256;

const _: () = {
    // A sum of codes never overflows.
    assert!((1 << BITS_MAX) * OVERSAMPLE_MAX as u64 <= 1 << 32);
};

/// Greatest code of any converter.
const CODE_MAX: u32 = (1 << BITS_MAX) - 1;

/// A finished conversion, or several summed. Summed rather than averaged: nothing is rounded away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Conversion {
    /// Sum of the codes.
    pub sum: u32,
    /// How many codes, at least one.
    pub of: u16,
    /// Smallest code among them: an average hides an intermittently broken wire, this does not.
    pub least: u32,
    /// Greatest code among them.
    pub most: u32,
    /// Running number, one more each time; a gap means that one was lost.
    pub number: u32,
}

impl Conversion {
    /// One code, limited to 24 bits.
    pub const fn single(code: u32, number: u32) -> Self {
        let code = if code > CODE_MAX { CODE_MAX } else { code };
        Self { sum: code, of: 1, least: code, most: code, number }
    }

    /// Mean code.
    pub fn mean(&self) -> f64 {
        f64::from(self.sum) / f64::from(self.of.max(1))
    }
}

/// One input of an analogue-to-digital converter.
///
/// **For the implementer.** Never wait. Return each conversion once, and start the next without a request.
pub trait Adc {
    /// Why a conversion failed.
    type Error;

    /// The next conversion.
    ///
    /// # Errors
    /// `WouldBlock` until one is ready; the converter's own error when it did not respond correctly.
    fn convert(&mut self) -> nb::Result<Conversion, Self::Error>;
}

/// Whatever gives a conversion or has none: the loop's end of any queue or channel, or a function that asks the converter.
///
/// ```
/// use seathold_sequencer::adapters::conversion::{Adc, Conversion};
/// use std::sync::mpsc;
///
/// let (interrupt, queue) = mpsc::channel::<Result<Conversion, ()>>();
/// let mut far = || queue.try_recv().ok();
///
/// assert_eq!(far.convert(), Err(nb::Error::WouldBlock));
/// interrupt.send(Ok(Conversion::single(500, 0))).expect("the queue is there");
/// assert_eq!(far.convert(), Ok(Conversion::single(500, 0)));
/// ```
impl<F, E> Adc for F
where
    F: FnMut() -> Option<Result<Conversion, E>>,
{
    type Error = E;

    fn convert(&mut self) -> nb::Result<Conversion, E> {
        self().ok_or(nb::Error::WouldBlock)?.map_err(nb::Error::Other)
    }
}

/// The loop's end of a queue that an interrupt fills.
impl<E> Adc for heapless::spsc::Consumer<'_, Result<Conversion, E>> {
    type Error = E;

    fn convert(&mut self) -> nb::Result<Conversion, E> {
        self.dequeue().ok_or(nb::Error::WouldBlock)?.map_err(nb::Error::Other)
    }
}

/// Sums a fixed number of codes at a time.
///
/// Summing *n* codes with independent noise reduces the noise of their mean by √*n* (GUM 4.2.3), and noise of more than
/// half a quantisation step resolves finer steps. It does not correct errors of the converter.
#[derive(Clone, Debug)]
pub struct Oversampler {
    of: u16,
    sum: u32,
    taken: u16,
    least: u32,
    most: u32,
    number: u32,
}

impl Oversampler {
    /// Sums `of` codes at a time; limited to 1 to [`OVERSAMPLE_MAX`].
    pub const fn new(of: u16) -> Self {
        let of = if of == 0 {
            1
        } else if of > OVERSAMPLE_MAX {
            OVERSAMPLE_MAX
        } else {
            of
        };
        Self { of, sum: 0, taken: 0, least: CODE_MAX, most: 0, number: 0 }
    }

    /// Takes one code in; returns the sum once there are enough.
    pub fn add(&mut self, code: u32) -> Option<Conversion> {
        let code = code.min(CODE_MAX);
        // Cannot overflow, by the assertion above; saturating all the same, as no code may panic.
        self.sum = self.sum.saturating_add(code);
        self.taken = self.taken.saturating_add(1);
        self.least = self.least.min(code);
        self.most = self.most.max(code);
        if self.taken < self.of {
            return None;
        }
        let done =
            Conversion { sum: self.sum, of: self.taken, least: self.least, most: self.most, number: self.number };
        self.begin();
        Some(done)
    }

    /// Discards the sum so far: a code was lost. The next sum's number then shows a gap.
    pub fn lose(&mut self) {
        self.begin();
    }

    fn begin(&mut self) {
        *self = Self { number: self.number.wrapping_add(1), ..Self::new(self.of) };
    }
}

/// An input read several times for one reading.
#[derive(Debug)]
pub struct Oversampled<A> {
    input: A,
    oversampler: Oversampler,
    of: u16,
    last: Option<u32>,
}

impl<A> Oversampled<A> {
    /// `of` conversions for one reading; limited to 1 to [`OVERSAMPLE_MAX`].
    pub const fn new(input: A, of: u16) -> Self {
        let oversampler = Oversampler::new(of);
        Self { input, of: oversampler.of, oversampler, last: None }
    }
}

impl<A: Adc> Adc for Oversampled<A> {
    type Error = A::Error;

    /// Takes in what is ready, at most one reading's worth.
    fn convert(&mut self) -> nb::Result<Conversion, A::Error> {
        for _ in 0..self.of {
            let one = match self.input.convert() {
                Ok(one) => one,
                Err(nb::Error::WouldBlock) => return Err(nb::Error::WouldBlock),
                Err(error) => {
                    self.oversampler.lose();
                    return Err(error);
                }
            };
            if self.last.replace(one.number).is_some_and(|last| last.wrapping_add(1) != one.number) {
                self.oversampler.lose();
            }
            if let Some(sum) = self.oversampler.add(one.sum / u32::from(one.of.max(1))) {
                return Ok(sum);
            }
        }
        Err(nb::Error::WouldBlock)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// An input that returns these in turn, then nothing.
    pub(in crate::adapters) struct Given<I>(pub(in crate::adapters) I);

    impl<I: Iterator<Item = nb::Result<Conversion, ()>>> Adc for Given<I> {
        type Error = ();

        fn convert(&mut self) -> nb::Result<Conversion, ()> {
            self.0.next().unwrap_or(Err(nb::Error::WouldBlock))
        }
    }

    #[test]
    fn eight_codes_make_one_reading_with_their_extremes() {
        let codes = [4, 1, 7, 7, 2, 3, 3, 5];
        let numbered = codes.iter().zip(40..).map(|(&c, n)| Ok(Conversion::single(c, n)));
        let mut input = Oversampled::new(Given(numbered), 8);
        assert_eq!(input.convert(), Ok(Conversion { sum: 32, of: 8, least: 1, most: 7, number: 0 }));
        assert_eq!(input.convert(), Err(nb::Error::WouldBlock));
    }

    #[test]
    fn a_reading_waits_for_its_codes_and_keeps_those_it_has() {
        let codes = [Ok(Conversion::single(10, 0)), Err(nb::Error::WouldBlock), Ok(Conversion::single(20, 1))];
        let mut input = Oversampled::new(Given(codes.into_iter()), 2);
        assert_eq!(input.convert(), Err(nb::Error::WouldBlock));
        assert_eq!(input.convert().map(|c| c.sum), Ok(30));
    }

    #[test]
    fn a_lost_code_is_a_gap_in_the_readings() {
        let codes = [(1, 0), (1, 1), (1, 2), (1, 4), (1, 5)].map(|(c, n)| Ok(Conversion::single(c, n)));
        let mut input = Oversampled::new(Given(codes.into_iter()), 2);
        assert_eq!(input.convert().map(|c| c.number), Ok(0));
        // Number 1 would have contained code 2 and the lost one.
        let next = core::iter::repeat_with(|| input.convert()).take(2).find(Result::is_ok);
        assert_eq!(next.unwrap().map(|c| c.number), Ok(2));
    }

    #[test]
    fn an_error_is_passed_on_and_voids_the_reading_in_progress() {
        let codes = [
            Ok(Conversion::single(9, 0)),
            Err(nb::Error::Other(())),
            Ok(Conversion::single(2, 1)),
            Ok(Conversion::single(2, 2)),
        ];
        let mut input = Oversampled::new(Given(codes.into_iter()), 2);
        assert_eq!(input.convert(), Err(nb::Error::Other(())));
        assert_eq!(input.convert().map(|c| (c.sum, c.number)), Ok((4, 1)));
    }

    #[test]
    fn what_does_not_fit_in_the_queue_is_a_gap() {
        let mut queue = heapless::spsc::Queue::<Result<Conversion, ()>, 4>::new();
        let (mut interrupt, mut input) = queue.split();
        let dropped = (0..5).filter(|&n| interrupt.enqueue(Ok(Conversion::single(7, n))).is_err()).count();
        assert_eq!(dropped, 2, "a queue of four holds three");
        let seen: heapless::Vec<u32, 8> = core::iter::from_fn(|| input.convert().ok()).map(|c| c.number).collect();
        assert_eq!(seen, [0, 1, 2]);
        interrupt.enqueue(Ok(Conversion::single(7, 5))).unwrap();
        interrupt.enqueue(Err(())).unwrap();
        assert_eq!(input.convert().map(|c| c.number), Ok(5));
        assert_eq!(input.convert(), Err(nb::Error::Other(())));
        assert_eq!(input.convert(), Err(nb::Error::WouldBlock));
    }

    proptest! {
        #[test]
        fn any_codes_add_up_and_their_mean_lies_between_their_extremes(
            codes in proptest::collection::vec(any::<u32>(), 256), of in 0..600u16,
        ) {
            let mut oversampler = Oversampler::new(of);
            let mut readings = 0;
            for code in codes {
                if let Some(c) = oversampler.add(code) {
                    prop_assert!(f64::from(c.least) <= c.mean() && c.mean() <= f64::from(c.most));
                    prop_assert_eq!(c.number, readings);
                    readings += 1;
                }
            }
            prop_assert_eq!(readings, 256 / u32::from(of.clamp(1, 256)));
        }
    }
}
