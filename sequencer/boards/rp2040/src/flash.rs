//! The last two sectors of the flash, in which the loaded rig is kept.
//!
//! While they are erased or programmed, nothing else of the flash can be read: no code in it runs. So that is done by a
//! function in RAM, with interrupts off, through the ROM; then the chip is set up again for reading by the second-stage
//! loader, a copy of it in RAM. The other core is never started and nothing uses DMA, so nobody else reads flash.
//!
//! `RigKeeper` writes only at rest, with both sides measured empty. The pins stay as they are meanwhile: at rest.

use crate::{BOOT2, outputs, rig, watchdog};
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use rp2040_hal::rom_data;
use seathold_sequencer::time::{Duration, millis};

/// A sector, the least that can be erased.
pub const SECTOR: u32 = 4_096;

/// A page, the most that is programmed at a time.
const PAGE: usize = 256;

/// Where flash begins as memory.
const FLASH: u32 = 0x1000_0000;

/// The longest one operation may take, for the watchdog. A sector takes 45 ms, and up to 400 ms when the chip is old; a page
/// up to 3 ms (data sheets of the usual chips, from memory). It is not stopped: a ROM that hangs is still ended by it.
const OPERATION: Duration = millis(1_000);

/// The ROM would erase by larger blocks, with this command, if a whole one were asked for, which it never is.
const BLOCK_BYTES: u32 = 1 << 16;
const BLOCK_COMMAND: u8 = 0xd8;

unsafe extern "C" {
    /// Bounds of the region, by `memory.x`.
    static _rig_memory_start: u8;
    static _rig_memory_end: u8;
}

/// The region. There is one: [`RigFlash::take`] is called once, by `main`.
pub struct RigFlash(());

impl RigFlash {
    /// The region, for the loop alone.
    pub fn take() -> Self {
        Self(())
    }

    fn start() -> u32 {
        &raw const _rig_memory_start as u32
    }
}

impl ErrorType for RigFlash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for RigFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        check_read(self, offset, bytes.len())?;
        let from = Self::start() + offset;
        for (address, byte) in (from..).zip(bytes) {
            // SAFETY: inside the region, as checked, which the linker gives to nothing else; any byte is a value. Volatile,
            // because it changes by other means than this program's writes to memory.
            *byte = unsafe { (address as *const u8).read_volatile() };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        (&raw const _rig_memory_end as usize) - Self::start() as usize
    }
}

impl NorFlash for RigFlash {
    const WRITE_SIZE: usize = PAGE;
    const ERASE_SIZE: usize = SECTOR as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        check_erase(self, from, to)?;
        for sector in (from..to).step_by(SECTOR as usize) {
            work(&Work { at: Self::start() - FLASH + sector, page: None });
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        check_write(self, offset, bytes.len())?;
        let (pages, _) = bytes.as_chunks::<PAGE>();
        for (at, page) in (offset..).step_by(PAGE).zip(pages) {
            // A copy on the stack: what is programmed must not itself be read from flash.
            let page = *page;
            work(&Work { at: Self::start() - FLASH + at, page: Some(&page) });
        }
        Ok(())
    }
}

/// One sector to erase, or one page to program, by its place from the beginning of flash.
struct Work<'a> {
    at: u32,
    page: Option<&'a [u8; PAGE]>,
}

/// The ROM's functions, looked up while flash can still be read: the way to look them up is code in flash.
struct Rom {
    connect: unsafe extern "C" fn(),
    leave_reading: unsafe extern "C" fn(),
    erase: unsafe extern "C" fn(u32, usize, u32, u8),
    program: unsafe extern "C" fn(u32, *const u8, usize),
    flush: unsafe extern "C" fn(),
}

/// Does it, and is back when code in flash can run again.
fn work(work: &Work<'_>) {
    let rom = Rom {
        connect: rom_data::connect_internal_flash::ptr(),
        leave_reading: rom_data::flash_exit_xip::ptr(),
        erase: rom_data::flash_range_erase::ptr(),
        program: rom_data::flash_range_program::ptr(),
        flush: rom_data::flash_flush_cache::ptr(),
    };
    // Words, since it is code; on the stack, which is RAM.
    let mut loader = [0_u32; 64];
    for (word, bytes) in loader.iter_mut().zip(BOOT2.as_chunks::<4>().0) {
        *word = u32::from_le_bytes(*bytes);
    }
    // At rest already, by the keeper's rule; and whatever anybody thought, nothing stays energised while nobody polls.
    outputs::rest();
    critical_section::with(|_| {
        watchdog::load(OPERATION);
        // SAFETY: interrupts are off, the other core has never been started, nothing uses DMA, and the function and all it
        // touches lie in RAM or ROM: see there. `at` is a whole sector or page of the region, which holds no code.
        unsafe { core::hint::black_box(in_ram as unsafe fn(&Rom, &[u32; 64], &Work<'_>))(&rom, &loader, work) };
        watchdog::load(rig::WATCHDOG);
    });
}

/// The part during which flash cannot be read.
///
/// # Safety
/// Interrupts off, nobody else reads flash, all three references to RAM, `at` a sector or page of the region.
// SAFETY: the section is copied to RAM at start-up. The body only calls what it is given: no panic, no helper of the
// compiler's, nothing that would lie in flash. The emulated part stops at any read of flash meanwhile.
#[unsafe(link_section = ".data.in_ram")]
#[inline(never)]
unsafe fn in_ram(rom: &Rom, loader: &[u32; 64], work: &Work<'_>) {
    // SAFETY: the ROM's functions in the order of the data sheet (2.8.3.1.3): connect, leave reading, work, and flush, which
    // also lets go of the chip-select pin. Then the loader, which runs at any address and, called as a function, returns to
    // its caller (the last lines of rp2040-boot2's source). Bit 0 of its address says Thumb.
    unsafe {
        (rom.connect)();
        (rom.leave_reading)();
        match work.page {
            None => (rom.erase)(work.at, SECTOR as usize, BLOCK_BYTES, BLOCK_COMMAND),
            Some(page) => (rom.program)(work.at, page.as_ptr(), PAGE),
        }
        (rom.flush)();
        let read_again: unsafe extern "C" fn() = core::mem::transmute(loader.as_ptr() as usize | 1);
        read_again();
    }
}
