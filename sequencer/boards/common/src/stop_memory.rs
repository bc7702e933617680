//! Memory that a reset leaves alone: whether an emergency stop was latched. Lost with the power; the stop's own button,
//! which latches mechanically (required by ISO 13850, from memory), then still reports it.

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
use seathold_sequencer::io::StopMemory;

/// Neither is likely to be in memory that was never written.
const STOPPED: u32 = 0x5354_4f50;
const RELEASED: u32 = 0x4652_4545;

struct Word(UnsafeCell<MaybeUninit<u32>>);

// SAFETY: only the program's own loop touches it, with volatile whole-word accesses that no interrupt shares.
unsafe impl Sync for Word {}

/// The start-up code does not initialise this section.
#[unsafe(link_section = ".uninit.stop_memory")]
static WORD: Word = Word(UnsafeCell::new(MaybeUninit::uninit()));

/// The word there.
pub struct Retained;

impl StopMemory for Retained {
    fn keep(&mut self, stopped: bool) {
        let word = if stopped { STOPPED } else { RELEASED };
        // SAFETY: the static is valid, aligned, and written by nobody else.
        unsafe { WORD.0.get().cast::<u32>().write_volatile(word) }
    }

    fn kept(&self) -> bool {
        // SAFETY: as above. Any 32 bits are a value; which they are after power-up does not matter, as they are
        // compared only.
        unsafe { WORD.0.get().cast::<u32>().read_volatile() == STOPPED }
    }
}
