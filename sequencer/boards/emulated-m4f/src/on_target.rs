//! The on-target test: every scenario, told over semihosting.
#![no_std]
#![no_main]

mod outputs;

use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use cortex_m_rt::{entry, exception};
use seathold_board::{down, on_target};
use seathold_sequencer::step::Sequencer;

#[entry]
fn main() -> ! {
    // A static in an entry function is its own.
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();

    outputs::rest();
    match cortex_m::Peripherals::take() {
        Some(core) => on_target::run(core, SEQUENCER),
        None => down::stop(outputs::rest, &"the core's registers were taken before"),
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    down::stop(outputs::rest, info)
}

// SAFETY: the handler does not return, so it cannot break what it interrupted. It looks at no frame: after an overflow
// there is none.
#[exception(trampoline = false)]
unsafe fn HardFault() -> ! {
    down::stop(outputs::rest, &"hard fault")
}
