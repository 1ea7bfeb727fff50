//! Outlast on a serial chip: store and driver together as one subject of the rig.

use std::hash::Hasher;

use outlast_kvstore::{Error, Layout, Store};
use outlast_serialnor::{DataSheet, Error as DriverError, Options, SerialNor};
use rapidhash::quality::RapidHasher;

use super::outlast::{KEYS, apply, get, trouble_of};
use crate::part::spi::planted::{Mistake, Planted};
use crate::part::spi::{BusError, Pause, Profile, SpiChip};
use crate::part::{Busy, Chip, Part, SecondPrograms, Work};
use crate::subject::{KeyNames, Op, Subject, Trouble};

/// The host's longest transfer, which is less than a page and its command.
const TRANSFER_BYTES: usize = 250;
/// One in this many write enable commands is lost on the bus.
const MISSED_ENABLES: u32 = 13;

/// The store of `outlast-kvstore` over the driver of `outlast-serialnor` over a simulated chip.
///
/// The part is a window of a large chip, the host sends at most 250 bytes at once, and 1 in 13
/// write enable commands gets lost. The code may be started while the chip is busy, asleep, or in
/// another address mode than at power-up, as after a reset of the microcontroller alone. In the
/// random lives such resets happen. In the systematic mode the state is drawn from the image, which
/// stands for a reset during an operation that then completed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OutlastSpi {
    /// A planted mistake of the driver, to show that the rig finds it.
    pub mistake: Option<Mistake>,
}

type Flash<const ERASE: usize> = SerialNor<Planted<SpiChip>, Pause, ERASE>;

/// A running store. There is one variant for each erase size, since the flash traits fix the size
/// at compile time.
#[derive(Debug)]
#[expect(missing_docs, reason = "the numbers are the erase sizes")]
pub enum RunningSpi {
    Erase512(Store<Flash<512>, KEYS>),
    Erase4096(Store<Flash<4096>, KEYS>),
}

macro_rules! with_store {
    ($running:expr, $store:ident => $body:expr) => {
        match $running {
            RunningSpi::Erase512($store) => $body,
            RunningSpi::Erase4096($store) => $body,
        }
    };
}

impl OutlastSpi {
    fn flash<const ERASE: usize>(&self, part: &Part) -> Result<(Flash<ERASE>, Layout), Trouble> {
        let geometry = part.chip().geometry();
        let profile = Profile::of(&geometry).missing_one_enable_of(MISSED_ENABLES);
        let base = profile.base();
        let spi = SpiChip::new(part, profile).with_longest_transfer(TRANSFER_BYTES);
        let pause = spi.pause();
        let sheet = match self.mistake {
            Some(Mistake::PageWrap) => DataSheet::new().with_page_bytes(geometry.page * 4),
            _ => DataSheet::new(),
        };
        // The store reads back itself.
        let options = Options::new()
            .with_verify(false)
            .with_transfer_bytes(TRANSFER_BYTES)
            .with_data_sheet(sheet);
        let flash = SerialNor::new(Planted::new(spi, self.mistake), pause, options)
            .map_err(|not_started| driver_trouble(not_started.error))?;
        // The store never asks for a program that crosses a page it knows of, so the driver would
        // have nothing to split. It may be told larger pages than the chip has.
        let page = match self.mistake {
            Some(Mistake::PageWrap) => 2 * geometry.page,
            _ => geometry.page,
        };
        let layout = Layout::serial_nor()
            .with_sector_bytes(geometry.sector_bytes)
            .with_page_bytes(page)
            .with_range(base..base + geometry.bytes());
        Ok((flash, layout))
    }
}

impl Subject for OutlastSpi {
    type Store = RunningSpi;

    fn name(&self) -> &'static str {
        "outlast-through-spi"
    }

    fn works_when_full(&self) -> bool {
        true
    }

    fn second_programs(&self) -> SecondPrograms {
        SecondPrograms::Refused
    }

    fn open(&self, part: &Part) -> Result<RunningSpi, Trouble> {
        start(&mut part.chip_mut());
        let geometry = part.chip().geometry();
        match (geometry.sector_bytes, geometry.unit) {
            (512, 1) => {
                let (flash, layout) = self.flash(part)?;
                Ok(RunningSpi::Erase512(Store::open(flash, layout).map_err(store_trouble)?))
            }
            (4096, 1) => {
                let (flash, layout) = self.flash(part)?;
                Ok(RunningSpi::Erase4096(Store::open(flash, layout).map_err(store_trouble)?))
            }
            _ => Err(Trouble::Broken("no driver for this sector or unit".to_owned())),
        }
    }

    fn apply(&self, store: &mut RunningSpi, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        with_store!(store, store => apply(store, op, keys).map_err(store_trouble))
    }

    fn get(&self, store: &mut RunningSpi, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        with_store!(store, store => get(store, key, out).map_err(store_trouble))
    }

    fn list(
        &self,
        store: &mut RunningSpi,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        Some(with_store!(store, store => {
            store.for_each_key(|key, _| each(key)).map_err(store_trouble)
        }))
    }

    fn is_on_bus(&self) -> bool {
        true
    }
}

/// Sets the state in which the code finds the chip. It is drawn from the image, unless the chip
/// kept its state through a reset.
fn start(chip: &mut Chip) {
    if chip.volatile().is_started {
        return;
    }
    let mut hasher = RapidHasher::new(2);
    hasher.write(chip.image().bytes());
    let drawn = hasher.finish();
    let volatile = chip.volatile_mut();
    volatile.is_started = true;
    let busy = |time_ns| Some(Busy { work: Work::Nothing, from_ns: 0, until_ns: time_ns });
    match drawn % 8 {
        0 | 1 => volatile.busy = busy(1_000 + drawn / 8 % 400_000),
        2 => volatile.busy = busy(drawn / 8 % 300_000_000),
        3 => volatile.asleep = true,
        4 => (volatile.latch, volatile.four_byte) = (true, true),
        _ => {}
    }
}

fn store_trouble(error: Error<DriverError<BusError>>) -> Trouble {
    match error {
        Error::Flash(DriverError::Bus(BusError::Ended)) => Trouble::PowerOff,
        // The driver's message says more than the store's message about the same error.
        Error::Flash(error) => Trouble::Broken(error.to_string()),
        error => trouble_of(&error),
    }
}

fn driver_trouble(error: DriverError<BusError>) -> Trouble {
    match error {
        DriverError::Bus(BusError::Ended) => Trouble::PowerOff,
        error => Trouble::Broken(error.to_string()),
    }
}
