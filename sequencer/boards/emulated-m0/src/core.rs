//! The sequencer on pins with two buttons, and nothing else: what the core weighs, and the proof that it cannot panic.
#![no_std]
#![no_main]

mod outputs;
mod pins;

use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use cortex_m_rt::{ExceptionFrame, entry, exception};
use pins::{Buttons, Pins};
use seathold_sequencer::bench::{self, Polled};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{RawRig, Transducer};
use seathold_sequencer::step::Sequencer;

/// 0 to 10 bar over ten bits with a live zero, no supply transducer. For weighing, not for a real rig.
const RIG: RawRig = RawRig {
    far: Transducer { zero_counts: 102, pa_per_count: 1_222.5, counts_min: 20, counts_max: 1_015 },
    supply: None,
    ..RawRig::DEMO
};
const RECIPE: RawRecipe = RawRecipe { jump_max_pa: 5_000, ..RawRecipe::DEMO };

#[entry]
fn main() -> ! {
    // Statics in an entry function are its own, and count as static memory, not as stack. What is not set at the start
    // takes no room in flash.
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();
    static mut POLLED: MaybeUninit<Polled> = MaybeUninit::uninit();

    let mut pins = Pins::new();
    let mut buttons = Buttons::default();
    if let Some(rig) = RIG.examine(&mut |_| {}) {
        let sequencer = SEQUENCER.write(Sequencer::new(rig, RECIPE.examine(&rig, &mut |_| {})));
        let polled = POLLED.write(Polled::none());
        loop {
            // Nothing can go wrong with a register write, and a recording needs a link, which this image has not.
            let _ = bench::poll_into(sequencer, &mut pins, &mut buttons, polled);
        }
    }
    // A rig that is not valid never moves: the watchdog brings it back here.
    loop {
        outputs::rest();
    }
}

unsafe extern "C" {
    /// Nowhere defined: an image in which anything can panic does not link, and the linker names this.
    safe fn something_in_this_image_can_panic() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    outputs::rest();
    something_in_this_image_can_panic()
}

// SAFETY: the handler does not return, so it cannot break what it interrupted.
#[exception]
unsafe fn HardFault(_: &ExceptionFrame) -> ! {
    loop {
        outputs::rest();
    }
}
