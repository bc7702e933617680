//! After a panic or a hard fault: outputs at rest before anything else, then the reason, then nothing more.
//!
//! A part then waits for its watchdog, which resets it; it then assumes that the far side is pressurised.

use crate::stack;
use core::fmt::{Display, Write};
use cortex_m_semihosting::{debug, hio};

/// End of a program that cannot continue. `rest` must put every output at rest with plain register writes: no lock, no
/// allocation, nothing that could itself fail.
pub fn stop(rest: fn(), reason: &dyn Display) -> ! {
    rest();
    cortex_m::interrupt::disable();
    // Piece by piece: a whole line would take most of a handler's stack.
    if let Ok(mut host) = hio::hstdout() {
        let _ = writeln!(host, "stopped: {reason}");
        let (used, size) = stack::deepest_of_handlers();
        let _ = writeln!(host, "measured handlers-stack {used} of {size}");
    }
    debug::exit(debug::EXIT_FAILURE);
    // Without an emulator or probe the exit does nothing.
    loop {
        rest();
        cortex_m::asm::nop();
    }
}

/// The handlers of panics and of hard faults, both of which end in [`stop`].
#[macro_export]
macro_rules! stop_at_rest {
    ($rest:path) => {
        #[panic_handler]
        fn panic(info: &core::panic::PanicInfo<'_>) -> ! {
            $crate::down::stop($rest, info)
        }

        // SAFETY: the handler does not return, so it cannot break what it interrupted. It reads no frame: after an
        // overflow there is none.
        #[cortex_m_rt::exception(trampoline = false)]
        unsafe fn HardFault() -> ! {
            $crate::down::stop($rest, &"hard fault")
        }
    };
}
