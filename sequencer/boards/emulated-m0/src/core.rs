//! The controller as on real hardware: sequencer on pins, link on the UART, and no simulated plant. Gives the size of
//! the core, and the proof that it cannot panic.
#![no_std]
#![no_main]

mod line;
mod outputs;
mod pins;

use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use cortex_m_rt::{entry, exception};
use line::Received;
use pins::Pins;
use seathold_board as _;
use seathold_board_runtime as _;
use seathold_sequencer::io::Hardware;
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::link::pump::Pump;
use seathold_sequencer::link::serve;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::rig::{RawRig, RigFacts, Transducer};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;

/// 0 to 10 bar over ten bits with a live zero, no supply transducer. For size measurement, not for a real rig: its numbers are
/// the demonstration's.
const RIG: RawRig = RawRig {
    // Four counts of so coarse a converter.
    safe_pressure_pa: 5_000,
    ..RawRig::new(RigFacts {
        hard_max_pa: 900_000,
        far: Transducer { zero_counts: 102, pa_per_count: 1_222.5, counts_min: 20, counts_max: 1_015 },
        atmosphere_pa: 101_325.0,
        far_volume_m3: 45e-6,
        far_volume_u_rel: 0.02,
        gain_u_rel: 0.002,
        background_u_pa_m3_s: 5e-6,
        temperature_drift_u_k_s: 2e-4,
    })
};

/// Bytes for records the host does not have yet: the longest record, and little more.
const STORE: usize = 320;

/// Time between polls, in microseconds.
const POLL_US: u64 = 10_000;

#[entry]
fn main() -> ! {
    // Statics in an entry function are its own, and count as static memory, not as stack. What is not initialised takes
    // no room in flash.
    static mut RECEIVED: Received = Received::new();
    static mut LINK: MaybeUninit<Controller<STORE>> = MaybeUninit::uninit();
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();
    static mut POLLED: MaybeUninit<PollRecord> = MaybeUninit::uninit();
    static mut PUMP: Pump = Pump::new();

    let mut pins = Pins::new();
    let mut received = line::begin(RECEIVED);
    if let Some(rig) = RIG.validate_with(|_| {}) {
        let sequencer = SEQUENCER.write(Sequencer::resume(rig, None, pins::stop_kept()));
        let link = LINK.write(Controller::new(Capabilities { single_outputs: true, ..Capabilities::default() }));
        let record = POLLED.write(PollRecord::empty());
        let mut due = Instant::from_ticks(0);
        loop {
            let now = pins.now();
            PUMP.receive(link, now, || received.dequeue());
            if now >= due {
                // From now, not from when it was due: after a delay there is nothing to catch up with.
                due = Instant::from_ticks(now.as_ticks() + POLL_US);
                let Ok(()) = serve::service(link, now, sequencer, &mut pins, record);
            }
            PUMP.transmit(link, now, line::send);
        }
    }
    // An invalid rig never moves: the watchdog resets it to here.
    loop {
        outputs::rest();
    }
}

/// Every interrupt of a device comes here: only the UART's is enabled, and only bytes are fetched.
// SAFETY: it touches the queue's own end alone, and that under a critical section.
#[exception]
unsafe fn DefaultHandler(_: i16) {
    line::interrupted();
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

// SAFETY: the handler does not return, so it cannot break what it interrupted. It reads no frame: after an overflow
// there is none.
#[exception(trampoline = false)]
unsafe fn HardFault() -> ! {
    loop {
        outputs::rest();
    }
}
