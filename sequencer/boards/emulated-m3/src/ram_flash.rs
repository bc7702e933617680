//! Memory that behaves as flash, for the rig that is loaded over the line: the emulator has none that could be programmed. It is
//! gone with a reset.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};

/// Bytes of a slot: a rig with eight adapters, and the store's header.
pub const SLOT: u32 = 1_280;

/// Room for both slots.
pub type Room = [u8; 2 * SLOT as usize];

/// Flash of two slots.
#[derive(Debug)]
pub struct RamFlash(pub &'static mut Room);

impl ErrorType for RamFlash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for RamFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        check_read(self, offset, bytes.len())?;
        for (to, from) in bytes.iter_mut().zip(self.0.iter().skip(offset as usize)) {
            *to = *from;
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for RamFlash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 256;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        check_erase(self, from, to)?;
        self.0.iter_mut().take(to as usize).skip(from as usize).for_each(|cell| *cell = 0xFF);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        check_write(self, offset, bytes.len())?;
        for (cell, byte) in self.0.iter_mut().skip(offset as usize).zip(bytes) {
            // Programming only clears bits.
            *cell &= byte;
        }
        Ok(())
    }
}
