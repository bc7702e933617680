//! UART 0 of the LM3S6965 (datasheet chapter 12; a PL011), on PA0 and PA1: 115 200 baud, 8 data bits, no parity.

use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::NVIC;

/// Number of the UART's interrupt (datasheet table 2-9).
pub const INTERRUPT: u16 = 5;

#[derive(Clone, Copy)]
struct Uart0;

// SAFETY: the number is that of the part's only UART 0, and never changes.
unsafe impl InterruptNumber for Uart0 {
    fn number(self) -> u16 {
        INTERRUPT
    }
}

const CLOCK_UARTS: usize = 0x400f_e104;
const CLOCK_PORTS: usize = 0x400f_e108;
const PORT_A_ALTERNATE: usize = 0x4000_4420;
const PORT_A_DIGITAL: usize = 0x4000_451c;
const DATA: usize = 0x4000_c000;
const FLAGS: usize = 0x4000_c018;
const DIVISOR: usize = 0x4000_c024;
const DIVISOR_64THS: usize = 0x4000_c028;
const LINE: usize = 0x4000_c02c;
const CONTROL: usize = 0x4000_c030;
const INTERRUPTS: usize = 0x4000_c038;

const RECEIVE_EMPTY: u32 = 1 << 4;
const TRANSMIT_FULL: u32 = 1 << 5;

fn read(register: usize) -> u32 {
    // SAFETY: only called with the constants above: word-aligned device registers of this part.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as for `read`; none of these registers moves memory.
    unsafe { (register as *mut u32).write_volatile(value) }
}

/// Sets up the UART and lets it interrupt on every byte.
pub fn begin() {
    write(CLOCK_UARTS, read(CLOCK_UARTS) | 1);
    write(CLOCK_PORTS, read(CLOCK_PORTS) | 1);
    write(PORT_A_ALTERNATE, read(PORT_A_ALTERNATE) | 0b11);
    write(PORT_A_DIGITAL, read(PORT_A_DIGITAL) | 0b11);
    write(CONTROL, 0);
    // 12.5 MHz / (16 · 115 200) = 6 + 50/64, within 0.01 %.
    write(DIVISOR, 6);
    write(DIVISOR_64THS, 50);
    // 8 bits; without queues in the UART, so that each byte interrupts at once.
    write(LINE, 0b11 << 5);
    write(INTERRUPTS, 1 << 4);
    write(CONTROL, 1 | 1 << 8 | 1 << 9);
    // SAFETY: the handler is in place, and what it shares is behind a critical section.
    unsafe { NVIC::unmask(Uart0) }
}

/// A received byte.
pub fn receive() -> Option<u8> {
    (read(FLAGS) & RECEIVE_EMPTY == 0).then(|| read(DATA) as u8)
}

/// Sends a byte, if there is room.
pub fn send(byte: u8) -> bool {
    let room = read(FLAGS) & TRANSMIT_FULL == 0;
    if room {
        write(DATA, byte.into());
    }
    room
}
