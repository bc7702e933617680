//! The UART of an nRF51, on the pins that lead to a micro:bit's debug chip: P0.24 out, P0.25 in; 115 200 baud, 8 data
//! bits, no parity (nRF51 Series Reference Manual 3.0, UART; addresses from memory, so check them before wiring).
//!
//! The UART itself holds six bytes, half a millisecond; a poll takes longer. So an interrupt puts received bytes into a
//! queue.

use core::cell::Cell;
use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::NVIC;
use critical_section::Mutex;
use heapless::spsc::{Consumer, Producer, Queue};

/// Bytes received and not yet processed: 22 ms of a full line.
pub type Received = Queue<u8, 256>;

#[derive(Clone, Copy)]
struct Uart;

// SAFETY: the number is that of the part's only UART, and never changes.
unsafe impl InterruptNumber for Uart {
    fn number(self) -> u16 {
        2
    }
}

const START_RECEIVE: usize = 0x4000_2000;
const START_SEND: usize = 0x4000_2008;
const RECEIVED: usize = 0x4000_2108;
const SENT: usize = 0x4000_211c;
const INTERRUPT_SET: usize = 0x4000_2304;
const ENABLE: usize = 0x4000_2500;
const PIN_SEND: usize = 0x4000_250c;
const PIN_RECEIVE: usize = 0x4000_2514;
const RECEIVE_DATA: usize = 0x4000_2518;
const SEND_DATA: usize = 0x4000_251c;
const BAUD: usize = 0x4000_2524;

const BAUD_115_200: u32 = 0x01d7_e000;

fn read(register: usize) -> u32 {
    // SAFETY: only called with the constants above: word-aligned device registers of this part.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as for `read`; none of these registers moves memory.
    unsafe { (register as *mut u32).write_volatile(value) }
}

/// The interrupt's end of the queue. A cell that is emptied while in use: no borrow, so nothing that can fail.
static PUT: Mutex<Cell<Option<Producer<'static, u8>>>> = Mutex::new(Cell::new(None));

/// Whether a byte is on its way out. The part signals only once that it has been sent.
static SENDING: Mutex<Cell<bool>> = Mutex::new(Cell::new(false));

/// Sets up the UART and lets it interrupt on every byte received.
pub fn begin(queue: &'static mut Received) -> Consumer<'static, u8> {
    let (put, take) = queue.split();
    critical_section::with(|cs| PUT.borrow(cs).set(Some(put)));
    write(PIN_SEND, 24);
    write(PIN_RECEIVE, 25);
    write(BAUD, BAUD_115_200);
    write(ENABLE, 4);
    write(INTERRUPT_SET, 1 << 2);
    write(START_SEND, 1);
    write(START_RECEIVE, 1);
    // SAFETY: the handler is in place, and what it shares is behind a critical section.
    unsafe { NVIC::unmask(Uart) }
    take
}

/// The interrupt handler: fetches bytes. A full queue loses them, as a line does; the link requests them again.
pub fn interrupted() {
    critical_section::with(|cs| {
        let Some(mut put) = PUT.borrow(cs).take() else { return };
        while read(RECEIVED) != 0 {
            write(RECEIVED, 0);
            let _ = put.enqueue(read(RECEIVE_DATA) as u8);
        }
        PUT.borrow(cs).set(Some(put));
    });
}

/// Takes the first byte, unless one is on its way out; returns how many were taken.
pub fn send(bytes: &[u8]) -> usize {
    let Some(&byte) = bytes.first() else { return 0 };
    usize::from(send_byte(byte))
}

fn send_byte(byte: u8) -> bool {
    let busy = critical_section::with(|cs| SENDING.borrow(cs).replace(true));
    if busy && read(SENT) == 0 {
        return false;
    }
    write(SENT, 0);
    write(SEND_DATA, byte.into());
    true
}
