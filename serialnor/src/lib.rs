//! Driver for serial NOR flash chips on an SPI bus with one data line in each direction.
//!
//! The driver is written against `embedded-hal` 1.0 and offers the flash through the
//! `embedded-storage` traits. It takes size, erase commands, page size, times and address form from
//! the tables in the chip (SFDP, JESD216 to JESD216D); a [`DataSheet`] corrects them where they are
//! missing or wrong. `no_std`, no allocation, no `unsafe`. It was tested with the tables of 16 real
//! chips, on a simulated chip and in an emulator, but not yet on silicon.
//!
//! ```no_run
//! # fn run<SPI: embedded_hal::spi::SpiDevice, D: embedded_hal::delay::DelayNs>(spi: SPI, delay: D)
//! # -> Result<(), outlast_serialnor::Error<SPI::Error>> {
//! use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
//! use outlast_serialnor::{Options, SerialNor};
//!
//! let mut flash: SerialNor<_, _> = SerialNor::new(spi, delay, Options::new())?;
//! flash.erase(0, 4096)?;
//! flash.write(0x10, b"hello")?;
//! let mut bytes = [0; 5];
//! flash.read(0x10, &mut bytes)?;
//! assert_eq!(&bytes, b"hello");
//! # Ok(()) }
//! ```
//!
//! The last two parameters of [`SerialNor`] are the erase size and the program unit of the traits:
//! `SerialNor<_, _, 65536>` for a chip whose smallest erase is 64 KiB, `SerialNor<_, _, 4096, 16>`
//! for one with on-die error correction in units of 16 bytes. The tables do not show error
//! correction: look into the data sheet.
//!
//! # Porting guide
//!
//! **What it needs.** An [`SpiDevice`](embedded_hal::spi::SpiDevice) and a
//! [`DelayNs`](embedded_hal::delay::DelayNs). The `SpiDevice` owns the chip select, so several
//! chips can share a bus. It must hold chip select low for the whole transaction and send or
//! receive in multiples of eight clocks. If the controller cannot transfer a page and its command
//! at once, give its limit with [`Options::with_transfer_bytes`].
//!
//! **SPI mode and clock.** Mode 0 or 3. The clock must not exceed the limit of any command in use:
//! the driver reads the tables with 5Ah and data with 03h, whose limits are often lower than that
//! of the chip (33 to 50 MHz, from memory of data sheets). [`Options::with_fast_read`] replaces 03h
//! with 0Bh, but 5Ah is still used at the start.
//!
//! **Pins.** Pull chip select up, so that the chip is not selected while the microcontroller is in
//! reset. Tie the write protect and hold pins high if they are not used, and pull up the chip's
//! data output. Do not connect the chip's reset pin to the reset of the microcontroller without
//! need: a reset tears a program or erase in progress as a power cut does, whereas the driver waits
//! for a chip that is still busy. If the firmware can drive the pin, keep it for
//! [`Error::StillBusy`]: [`SerialNor::reset_by_pin`], and [`pulse_reset`] if the driver does not
//! start. The pin is lent for the call, so the type of the driver does not depend on it.
//!
//! **Supply.** Set the brown-out level of the microcontroller above the minimum supply voltage of
//! the flash chip. Otherwise the chip may brown out in the middle of a program while the firmware
//! runs on: below its write inhibit voltage (2.1 V on IS25LP) the chip drops the operation and its
//! status reads as if it had finished. The driver waits up to 10 ms for a chip whose supply just
//! came up ([`Options::with_power_up_us`]).
//!
//! **Where to put the region.** Choose a range that nothing else uses, aligned to the erase size.
//! If the chip also holds the program, reserve the range in the linker script, so that linking
//! fails when the program grows into it:
//!
//! ```text
//! MEMORY
//! {
//!   /* 8 MiB of flash as the boot loader maps it; the last 16 KiB are for the settings. */
//!   FLASH    (rx) : ORIGIN = 0x90000000, LENGTH = 8M - 16K
//!   SETTINGS (r)  : ORIGIN = 0x907FC000, LENGTH = 16K
//! }
//! /* Offsets from the start of the chip, as the driver counts them. */
//! __settings_start = ORIGIN(SETTINGS) - ORIGIN(FLASH);
//! __settings_end = __settings_start + LENGTH(SETTINGS);
//! ```
//!
//! The firmware takes the bounds from the linker:
//!
//! ```no_run
//! use outlast_kvstore::{Layout, Store};
//! use outlast_serialnor::{Options, SerialNor};
//! # use embedded_hal::{delay::DelayNs, spi::SpiDevice};
//! # mod linker_script {
//! #     #[unsafe(no_mangle)] static __settings_start: u8 = 0;
//! #     #[unsafe(no_mangle)] static __settings_end: u8 = 0;
//! # }
//!
//! unsafe extern "C" {
//!     static __settings_start: u8;
//!     static __settings_end: u8;
//! }
//!
//! /// The range of the settings: the addresses of the symbols are the offsets.
//! fn settings_range() -> core::ops::Range<u32> {
//!     (&raw const __settings_start).addr() as u32..(&raw const __settings_end).addr() as u32
//! }
//!
//! # fn run<SPI: SpiDevice + 'static, D: DelayNs + 'static>(spi: SPI, delay: D)
//! # -> Result<(), Box<dyn std::error::Error>> {
//! // The store reads back itself what it programs and erases.
//! let options = Options::new().with_verify(false);
//! let flash: SerialNor<_, _> = SerialNor::new(spi, delay, options)?;
//! let layout = Layout::serial_nor().with_range(settings_range());
//! let store: Store<_, 64> = Store::open(flash, layout)?;
//! # drop(store); Ok(()) }
//! ```
//!
//! The driver does not support memory-mapped access: no code may run from the chip, and nothing may
//! be read through the mapping, while the driver uses it.
//!
//! **Longest block per call.** All calls block. They return as soon as the chip has finished, and
//! give up with [`Error::StillBusy`] after these times:
//!
//! | call | typical | at most |
//! |---|---|---|
//! | [`SerialNor::new`] | 0.5 ms and about 300 bytes on the bus | [`Options::with_start_timeout_us`] (default 10 s) for a chip that is busy; up to three times that if the chip also reports it in its flag status |
//! | `read` | the bytes on the bus | the bytes on the bus |
//! | `write`, for each page | [`Chip::program_typical_us`] | [`Chip::program_timeout_us`], at least 10 ms |
//! | `erase`, for each erase command | `times` in [`Chip::erase_types`] | the maximum there, but at least 1 s up to 4 KiB, 3 s up to 32 KiB, 7 s above; never more than 60 s |
//!
//! Compare the typical and maximum times with the data sheet: [`SerialNor::chip`] returns what the
//! driver found. Reading back adds its time ([`Options::with_verify`]). After an error each further
//! call first waits for the chip again, up to the same time. A write enable that is ignored is
//! tried for [`Options::with_power_up_us`], 10 ms.
//!
//! **Watchdog.** While the driver waits, it calls the `DelayNs` at least every 10 ms. Feed the
//! watchdog there, or yield to other tasks. Reading does not wait: on a slow bus, read in pieces.
//!
//! ```
//! use embedded_hal::delay::DelayNs;
//!
//! /// Feeds the watchdog during each wait. The timeouts of the driver still end every call.
//! struct FeedingDelay<D, F> {
//!     delay: D,
//!     feed_watchdog: F,
//! }
//!
//! impl<D: DelayNs, F: FnMut()> DelayNs for FeedingDelay<D, F> {
//!     fn delay_ns(&mut self, ns: u32) {
//!         (self.feed_watchdog)();
//!         self.delay.delay_ns(ns);
//!     }
//! }
//! ```
//!
//! **Second source.** The driver reads the tables at each start, so chips with correct tables can
//! replace each other without a change of the firmware. If one of them needs a [`DataSheet`], give
//! it with its ID: [`Options::with_data_sheets`]. A start that fails hands back the bus, the delay
//! and the ID ([`NotStarted`]), so that the firmware can report the ID or try something else. Check
//! that erase size, program unit, supply voltage and endurance fit for every part you allow.
//!
//! **With the store.** The store of `outlast-kvstore` reads back itself whatever it programs and
//! erases, and goes on elsewhere where a place does not keep it. Give it a driver with
//! [`Options::with_verify(false)`](Options::with_verify), which says what that means for other
//! code.
//!
//! **Without waiting.** [`SerialNor::begin_program`] and [`SerialNor::begin_erase`] return once the
//! chip works, and [`SerialNor::is_done`] asks about it. Dropping interest does no harm: the next
//! call of any kind finishes the work first.
//!
//! **Protection.** Many parts power up with all blocks locked, and many boards protect the boot
//! loader. By default any of status bits 2 to 4 makes the driver refuse every program and erase.
//! With [`DataSheet::with_block_protection`] and [`DataSheet::with_block_locks`] it refuses only
//! what is protected. [`SerialNor::unprotect`] takes protection away until the chip loses power,
//! [`SerialNor::unprotect_for_good`] for good. If the board drives the write protect pin, set it
//! high before these calls and low after them; programs and erases do not need it.
//!
//! **Commands of your own**, to read a unique ID for instance, are sent by [`SerialNor::run_own`],
//! with the driver waiting before and after.
//!
//! # What it takes care of
//!
//! - After a reset of the microcontroller alone, the chip may be busy or asleep. The driver waits
//!   for it and wakes it. It never resets a busy chip, which would tear the operation in progress.
//! - After power-up the chip may be silent or ignore writes for some milliseconds: the driver tries
//!   again. It ends continuous reading that a boot ROM may have left.
//! - `Ok` means that it was done. Before each program and erase the driver sends write enable and
//!   checks that the chip took it, and it looks at the protection bits. Afterwards everything is
//!   read back. A latch that is still set and an erase that never made the chip busy show that the
//!   command was ignored; such an erase is sent once more first, since the command may have been
//!   lost, or the task may have been kept from the bus for as long as the erase took.
//! - A single wrong answer decides nothing: two equal status reads end a wait, and the tables,
//!   which have no checksum, and the ID are read until two readings agree.
//! - After an error the write enable latch is cleared as soon as the chip is idle.
//! - It waits in short transactions with pauses in between, so that others can use the bus. The
//!   timeouts come from the tables, within the limits stated above.
//! - A program never crosses the end of a page, where the chip would wrap to its start.
//! - It addresses chips above 16 MiB with commands of four address bytes if the chip has them. If
//!   it has only a mode, the mode command is sent before every read, program and erase, and the mode
//!   is checked where the chip shows it: a write in the wrong mode goes to another address, and
//!   reads back well. The command comes after write enable, so that a chip that loses its mode to a
//!   dip of its supply ignores the program. Some chips clear the latch at the mode command; with
//!   these there is a gap of a few bytes on the bus.
//! - Commands that most chips take for something else, such as status register writes and the chip
//!   erase, are never used as erases, whatever a table says.
//!
//! # What it does not do
//!
//! - Two and four data lines, memory-mapped reading, suspending an erase, erasing the whole chip
//!   with one command, sector maps. Suspending would let reads in during a long erase; what the
//!   chip does to an erase suspended at a power cut is known too little, so nothing is offered.
//! - Undo commands over more data lines that earlier firmware left, unless the chip ends them when
//!   it receives FFh on lines with pull-ups, or is reset: [`Options::with_mode_exit`],
//!   [`pulse_reset`].
//! - Choose `ERASE` and `WRITE`: take them from the data sheet.
//! - Clear failures that keep a chip busy until it gets 30h, as on some chips whose status shows
//!   them in bits 5 and 6. Every call then ends in [`Error::StillBusy`], at the next start too,
//!   until the chip is reset by its pin or loses power.
//! - Split reads at the borders of stacked dice, where some chips wrap to the start of the die.
//! - Read or change a bank or extended address register. If earlier firmware left it other than
//!   zero, it shifts all addresses of three bytes.
//!
//! # Cautions
//!
//! - Erasing and programming destroy data. Check chip, address and range before the first write,
//!   above all on a chip that also holds a boot loader or calibration data.
//! - The data sheet of your exact part, revision included, is the authority. A [`DataSheet`] from
//!   any other destroys data: wrong erase types erase more than asked for, a wrong address form
//!   writes elsewhere. Equal IDs do not mean equal parts.
//! - If you use less than all of a chip larger than 16 MiB, see [`DataSheet::with_capacity`] about
//!   the address mode that earlier firmware may have left. A chip in the mode of
//!   [`FourByte::Mode`], which some tables ask for too, keeps it when the microcontroller alone is
//!   reset: a boot program in ROM that reads with three address bytes may then fail to start from
//!   it.
//! - A supply that fails during a program or erase leaves the affected bytes in any state, even one
//!   that reads well. The code that uses the driver must expect that. Keep the supply within the
//!   limits of the data sheet, and hold the chip in reset or stop writing when the supply falls.
//! - Endurance and retention are those of the data sheet. Not for safety-critical use without your
//!   own qualification; follow the local rules and licensed practice that apply to your product.

#![no_std]
#![forbid(unsafe_code)]

mod addressing;
mod bus;
mod checksum;
mod chip;
mod data_sheet;
mod deadline;
mod driver;
mod erase;
mod error;
mod front;
mod id;
mod identify;
mod machine;
mod nor_flash;
mod not_started;
mod opcode;
mod options;
mod own;
mod protection;
mod reset_pin;
pub mod sfdp;
mod timeout;
mod unprotect;
mod until;
mod write;

pub use addressing::Addressing;
pub use chip::Chip;
pub use data_sheet::{DataSheet, FourByte};
pub use driver::{Released, SerialNor};
pub use embedded_hal;
pub use embedded_storage;
pub use error::{Error, Work};
pub use id::JedecId;
pub use not_started::NotStarted;
pub use options::Options;
pub use own::OwnCommand;
pub use protection::{BlockLocks, BlockProtection, ProtectedBy, StatusWrite};
pub use reset_pin::pulse_reset;
pub use sfdp::{EraseType, PowerDown, SfdpError, Times};
