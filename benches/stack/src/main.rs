//! Stack of each call of the store on a Cortex-M, over a flash in RAM and over a serial NOR chip
//! with its driver.
//!
//! It prints the most stack that any call of a kind used in a run with full sectors, batches and
//! power cuts at many different steps. The share of the flash is included.
#![no_std]
#![no_main]

mod bench;
mod depth;
mod flash;

use cortex_m_rt::entry;
use firmware::board::{Board, Delay};
use outlast_kvstore::embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_kvstore::{Change, Error, Store};
use outlast_serialnor::{Options, SerialNor};
use semihosting::{println, process};

use crate::bench::{Bench, Outcome, STORE, Settings, layout, print_ram, report};
use crate::flash::{Cuttable, Ram, SIZE};

impl Bench<'_> {
    /// Opens the store in place, without moving it.
    fn mount<'f, 'm, F: NorFlash>(
        &mut self,
        name: &'static str,
        erased: &'static str,
        flash: &'f mut Cuttable<'m, F>,
    ) -> Outcome<(), F::Error> {
        let mut store: Settings<'f, 'm, F> =
            self.call("new", "new", || Store::new(flash, &layout()))?;
        self.call(name, erased, || store.mount())
    }
}

/// Names of 64 keys, some as long as a key may be.
fn key(n: u32, buffer: &mut [u8; 64]) -> &[u8] {
    buffer.fill(b'x');
    buffer[..2].copy_from_slice(&[b'a' + (n / 26) as u8, b'a' + (n % 26) as u8]);
    let len = if n.is_multiple_of(7) { 64 } else { 6 + (n % 9) as usize };
    &buffer[..len]
}

/// What a device does with its store, until the flash fails or the rounds are over.
fn live<F: NorFlash>(
    bench: &mut Bench<'_>,
    store: &mut Settings<'_, '_, F>,
    rounds: u32,
    seed: u32,
) -> Outcome<(), F::Error> {
    let (mut name, mut other, mut buffer) = ([0; 64], [0; 64], [0; 600]);
    for round in 0..rounds {
        let n = (round * 5 + seed) % 20;
        let len = [4, 16, 40, 300, 1, 120][(round + seed) as usize % 6];
        let value = [round as u8 ^ seed as u8; 300];
        let name = key(n, &mut name);
        bench.change("put", "put, compaction", store, |s| s.put(name, &value[..len]))?;
        bench.call("get", "", || store.get(name, &mut buffer).map(|found| found.is_some()))?;
        if round.is_multiple_of(4) {
            bench.change("delete", "delete, compaction", store, |s| s.delete(name))?;
        }
        if round.is_multiple_of(5) {
            let changes = [
                Change::put(key(n + 20, &mut other), &value[..len]),
                Change::put("batch.first", &value[..20]),
                Change::delete("batch.second"),
                Change::put("batch.third", &value[..3]),
            ];
            let (name, compacted) = ("commit of 4", "commit of 4, compaction");
            bench.change(name, compacted, store, |s| s.commit(&changes))?;
        }
        if round % 16 == 15 {
            bench.change("tidy", "tidy, compaction", store, Store::tidy)?;
        }
        if round % 16 == 1 {
            let mut keys = 0;
            bench.call("for_each_key", "", || store.for_each_key(|_, _| keys += 1))?;
            bench.call("usage", "", || store.usage());
        }
    }
    Ok(())
}

fn measure<F: NorFlash>(
    bench: &mut Bench<'_>,
    flash: &mut Cuttable<'_, F>,
) -> Outcome<(), F::Error> {
    let mut bytes = [0xFF; 16];
    let driver = Error::Flash;
    bench.call("(flash: erase)", "(flash: erase)", || flash.erase(0, 4096)).map_err(driver)?;
    bench.call("(flash: program)", "", || flash.write(0, &bytes)).map_err(driver)?;
    bench.call("(flash: read)", "", || flash.read(0, &mut bytes)).map_err(driver)?;
    let mut store = bench.open("open, blank", "open, blank", flash)?;
    live(bench, &mut store, 600, 0)?;
    bench.call("clear", "clear", || store.clear())?;
    live(bench, &mut store, 100, 3)?;
    for cut in 1..400 {
        let mut store = bench.open("open", "open, erase", flash)?;
        bench.meter.steps_left.set(Some(cut % 61 + 1));
        while live(bench, &mut store, 60, cut).is_ok() {}
        // Every other recovery is cut too.
        for nested in 0..cut % 2 {
            bench.meter.steps_left.set(Some(cut % 5 + 1 + nested));
            let _ = bench.mount("mount, cut", "mount, cut", flash);
        }
        bench.meter.steps_left.set(None);
        if cut % 4 < 2 {
            bench.mount("mount after a cut", "mount after a cut, erase", flash)?;
        } else {
            bench.open("open after a cut", "open after a cut, erase", flash)?;
        }
    }
    bench.mount("mount", "mount, erase", flash)?;
    bench.call("format", "format", || Store::<_, 64>::format(flash, layout()).map(drop))
}

#[entry]
fn main() -> ! {
    static mut CELLS: [u8; SIZE] = [0xFF; SIZE];
    let mut good = report("a flash in RAM", Ram(CELLS), measure);
    let board = Board::take().expect("taken once");
    let options =
        Options::new().with_verify(false).with_latch_that_stays_set(true).with_mode_exit(false);
    match SerialNor::<_, _>::new(board.flash, Delay, options) {
        Ok(chip) => good &= report("a serial NOR chip and its driver", chip, measure),
        Err(error) => {
            println!("no chip: {error}");
            good = false;
        }
    }
    print_ram("Store with 64 keys, without flash", STORE);
    process::exit(i32::from(!good))
}
