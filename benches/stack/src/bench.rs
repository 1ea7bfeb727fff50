//! Measures calls one by one, and prints the most stack that each kind of call used.

use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Error, Layout, Store};
use semihosting::println;

use crate::depth::{REACH, depth_of};
use crate::flash::{Cuttable, Failure, Meter, Ram, SIZE};

pub type Settings<'f, 'm, F> = Store<&'f mut Cuttable<'m, F>, 64>;
pub type Outcome<T, F> = Result<T, Error<Failure<F>>>;

/// Each kind of call with the most stack it used and the number of calls.
#[derive(Default)]
struct Table([(&'static str, usize, u32); 32]);

impl Table {
    fn note(&mut self, name: &'static str, depth: usize) {
        let place = self.0.iter_mut().find(|row| row.0 == name || row.0.is_empty());
        let row = place.expect("the table has a row for each kind of call");
        *row = (name, row.1.max(depth), row.2 + 1);
    }

    fn print(&self) {
        for (name, depth, calls) in self.0.iter().filter(|row| !row.0.is_empty()) {
            println!("  {name:<36} {depth:>5} bytes of stack  {calls:>6} calls");
        }
    }

    fn deepest(&self) -> usize {
        self.0.iter().map(|row| row.1).max().unwrap_or(0)
    }
}

/// A store that counts its compactions.
pub trait Compactions {
    fn compactions(&self) -> u32;
}

impl<F: NorFlash> Compactions for Settings<'_, '_, F> {
    fn compactions(&self) -> u32 {
        self.usage().compactions
    }
}

/// Measures calls.
pub struct Bench<'m> {
    pub meter: &'m Meter,
    table: Table,
}

impl Bench<'_> {
    /// Measures a call, under `name` or, if it erased a sector, under `erased`.
    pub fn call<T>(
        &mut self,
        name: &'static str,
        erased: &'static str,
        call: impl FnOnce() -> T,
    ) -> T {
        let before = self.meter.erases.get();
        let (result, depth) = depth_of(call);
        let kind = if self.meter.erases.get() == before { name } else { erased };
        self.table.note(kind, depth);
        result
    }

    /// Measures a call that changes the store, under `name` or, if it compacted, under `compacted`.
    /// The sector for the compaction may have been erased before.
    pub fn change<S: Compactions, T>(
        &mut self,
        name: &'static str,
        compacted: &'static str,
        store: &mut S,
        call: impl FnOnce(&mut S) -> T,
    ) -> T {
        let before = store.compactions();
        let (result, depth) = depth_of(|| call(store));
        self.table.note(if store.compactions() == before { name } else { compacted }, depth);
        result
    }

    /// Opens the store.
    pub fn open<'f, 'm, F: NorFlash>(
        &mut self,
        name: &'static str,
        erased: &'static str,
        flash: &'f mut Cuttable<'m, F>,
    ) -> Outcome<Settings<'f, 'm, F>, F::Error> {
        self.call(name, erased, || Store::open(flash, layout()))
    }
}

pub fn layout() -> Layout {
    Layout::serial_nor().with_range(0..SIZE as u32)
}

/// Bytes of a store with 64 keys, without its flash.
pub const STORE: usize = size_of::<Store<Ram<'_>, 64>>() - size_of::<Ram<'_>>();

/// Prints the bytes of RAM that something takes while it is in use.
pub fn print_ram(name: &str, bytes: usize) {
    println!("  {name:<36} {bytes:>5} bytes of RAM");
}

/// Measures over one flash and prints the result. Returns whether that went well.
pub fn report<F: NorFlash>(
    name: &str,
    flash: F,
    measure: impl FnOnce(&mut Bench<'_>, &mut Cuttable<'_, F>) -> Outcome<(), F::Error>,
) -> bool {
    let meter = Meter::default();
    let mut bench = Bench { meter: &meter, table: Table::default() };
    println!("  over {name}:");
    let result = measure(&mut bench, &mut Cuttable { flash, meter: &meter });
    bench.table.print();
    if let Err(error) = &result {
        println!("stopped early: {error}");
    }
    if bench.table.deepest() + 512 > REACH {
        println!("more stack was used than was painted");
        return false;
    }
    result.is_ok()
}
