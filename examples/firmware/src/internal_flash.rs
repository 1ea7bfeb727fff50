//! The flash of a microcontroller itself, as a `NorFlash`: the non-volatile memory controller of an
//! nRF51, with pages of 1 KiB and words of 4 bytes.
//!
//! Registers and sizes are those that QEMU 7.2 emulates (`hw/nvram/nrf51_nvm.c`). The reference
//! manual of the part is the authority: it also says how often a word may be programmed between two
//! erases, and that the core stands still meanwhile, for up to 22 ms in an erase (from memory).

use core::ops::Range;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};

use crate::registers::Register;

const READY: usize = 0x400;
const CONFIGURATION: usize = 0x504;
const ERASE_PAGE: usize = 0x508;

const READ_ONLY: u32 = 0;
const MAY_WRITE: u32 = 1;
const MAY_ERASE: u32 = 2;

const WORD: usize = 4;
const PAGE: usize = 1024;

/// A range of the internal flash. Its addresses count from the start of the range.
#[derive(Debug)]
pub struct InternalFlash {
    ready: Register<u32>,
    configuration: Register<u32>,
    erase_page: Register<u32>,
    range: Range<usize>,
}

impl InternalFlash {
    /// Takes over a range of the flash.
    ///
    /// # Safety
    /// `base` must be the address of the controller, which nothing else uses; `range` must lie in
    /// its flash, on page boundaries, and hold no code and no data of the program.
    pub const unsafe fn new(base: usize, range: Range<usize>) -> Self {
        // SAFETY: the caller guarantees that the registers are there.
        unsafe {
            Self {
                ready: Register::new(base + READY),
                configuration: Register::new(base + CONFIGURATION),
                erase_page: Register::new(base + ERASE_PAGE),
                range,
            }
        }
    }

    /// Does something with the controller in this state.
    fn with(&mut self, configuration: u32, work: impl FnOnce(&mut Self)) {
        self.configuration.write(configuration);
        work(self);
        self.configuration.write(READ_ONLY);
    }

    fn wait(&self) {
        while self.ready.read() & 1 == 0 {}
    }
}

impl ErrorType for InternalFlash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for InternalFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, bytes.len())?;
        for (address, byte) in (self.range.start + offset as usize..).zip(bytes) {
            // SAFETY: in the range that `new` was given. Volatile, since programs change it.
            *byte = unsafe { Register::<u8>::new(address) }.read();
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.range.len()
    }
}

impl NorFlash for InternalFlash {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        let start = self.range.start;
        self.with(MAY_ERASE, |flash| {
            for page in (start + from as usize..start + to as usize).step_by(PAGE) {
                // The core has 32 address bits.
                flash.erase_page.write(page as u32);
                flash.wait();
            }
        });
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        let (words, _) = bytes.as_chunks::<WORD>();
        let start = self.range.start + offset as usize;
        self.with(MAY_WRITE, |flash| {
            for (address, word) in (start..).step_by(WORD).zip(words) {
                // SAFETY: in the range that `new` was given, and aligned as the traits demand.
                unsafe { Register::<u32>::new(address) }.write(u32::from_le_bytes(*word));
                flash.wait();
            }
        });
        Ok(())
    }
}
