//! Stack of each call of the store, on a Cortex-M, over a flash in RAM.
//!
//! What is printed is the most that any call of its kind used in a life with full sectors, batches
//! and power cuts at each step, the flash's own share included.
#![no_std]
#![no_main]

mod depth;
mod flash;

use core::cell::Cell;

use cortex_m_rt::entry;
use outlast_kvstore::embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_kvstore::{Change, Error, Layout, Store};
use semihosting::{println, process};

use crate::depth::{REACH, depth_of};
use crate::flash::{Cut, Meter, Ram, SIZE};

type Settings = Store<Ram, 64>;

/// Kinds of calls, and the most stack each was seen to use.
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
            println!("{name:<26} {depth:>5} bytes  {calls:>6} calls");
        }
    }
}

/// Measures calls on one flash.
struct Bench {
    ram: Ram,
    table: Table,
}

impl Bench {
    fn call<T>(&mut self, name: &'static str, turned: &'static str, call: impl FnOnce() -> T) -> T {
        let before = self.ram.meter.erases.get();
        let (result, depth) = depth_of(call);
        let kind = if self.ram.meter.erases.get() == before { name } else { turned };
        self.table.note(kind, depth);
        result
    }

    fn open(&mut self, kind: &'static str, turned: &'static str) -> Result<Settings, Error<Cut>> {
        let ram = self.ram;
        self.call(kind, turned, || Settings::open(ram, Layout::serial_nor()))
    }
}

/// Names of 64 keys, some as long as a key may be.
fn key(n: u32, buffer: &mut [u8; 64]) -> &[u8] {
    buffer.fill(b'x');
    buffer[..2].copy_from_slice(&[b'a' + (n / 26) as u8, b'a' + (n % 26) as u8]);
    let len = if n % 7 == 0 { 64 } else { 6 + (n % 9) as usize };
    &buffer[..len]
}

/// What a device does to its store, until the flash fails or the rounds are over.
fn live(bench: &mut Bench, store: &mut Settings, rounds: u32, salt: u32) -> Result<(), Error<Cut>> {
    let (mut name, mut other, mut buffer) = ([0; 64], [0; 64], [0; 600]);
    for round in 0..rounds {
        let n = (round * 5 + salt) % 20;
        let len = [4, 16, 40, 300, 1, 120][(round + salt) as usize % 6];
        let value = [round as u8 ^ salt as u8; 300];
        let name = key(n, &mut name);
        bench.call("put", "put, sector turn", || store.put(name, &value[..len]))?;
        bench.call("get", "", || store.get(name, &mut buffer).map(|found| found.is_some()))?;
        if round % 4 == 0 {
            bench.call("delete", "delete, sector turn", || store.delete(name))?;
        }
        if round % 5 == 0 {
            let changes = [
                Change::put(key(n + 20, &mut other), &value[..len]),
                Change::put("batch.first", &value[..20]),
                Change::delete("batch.second"),
                Change::put("batch.third", &value[..3]),
            ];
            let kinds = ("commit of 4", "commit of 4, sector turn");
            bench.call(kinds.0, kinds.1, || store.commit(&changes))?;
        }
        if round % 16 == 15 {
            bench.call("tidy", "tidy, sector turn", || store.tidy())?;
        }
        if round % 16 == 1 {
            let mut keys = 0;
            bench.call("for_each_key", "", || store.for_each_key(|_, _| keys += 1))?;
            bench.call("usage", "", || store.usage());
        }
    }
    Ok(())
}

fn measure(bench: &mut Bench) -> Result<(), Error<Cut>> {
    let mut store = bench.open("open", "open, first format")?;
    live(bench, &mut store, 600, 0)?;
    bench.call("clear", "clear", || store.clear())?;
    live(bench, &mut store, 100, 3)?;
    for cut in 1..400 {
        drop(store);
        store = bench.open("open", "open, sector turn")?;
        bench.ram.meter.steps_left.set(Some(cut % 61 + 1));
        let lived = live(bench, &mut store, 60, cut);
        debug_assert!(lived.is_err());
        // Every other recovery is cut too.
        for nested in 0..cut % 2 {
            bench.ram.meter.steps_left.set(Some(cut % 5 + 1 + nested));
            let opened = bench.open("open, cut", "open, cut");
            debug_assert!(opened.is_ok() || opened.is_err());
        }
        bench.ram.meter.steps_left.set(None);
        store = bench.open("open, recovery", "open, recovery and turn")?;
    }
    let ram = bench.ram;
    bench.call("format", "format", || Settings::format(ram, Layout::serial_nor()))?;
    Ok(())
}

#[entry]
fn main() -> ! {
    static mut CELLS: [u8; SIZE] = [0xFF; SIZE];
    static mut METER: Option<Meter> = None;
    let ram = Ram {
        cells: Cell::from_mut(&mut CELLS[..]).as_slice_of_cells(),
        meter: METER.insert(Meter::default()),
    };
    let mut bench = Bench { ram, table: Table::default() };
    let mut flash = ram;
    let mut bytes = [0xFF; 16];
    bench.call("(flash: read)", "", || flash.read(0, &mut bytes)).expect("read");
    bench.call("(flash: program)", "", || flash.write(0, &bytes)).expect("program");
    bench.call("(flash: erase)", "(flash: erase)", || flash.erase(0, 4096)).expect("erase");
    let result = measure(&mut bench);
    bench.table.print();
    println!("{:<26} {:>5} bytes", "Store with 64 keys, in RAM", size_of::<Settings>());
    if let Err(error) = result {
        println!("stopped early: {error}");
        process::exit(1);
    }
    if bench.table.0.iter().any(|row| row.1 + 512 > REACH) {
        println!("more stack was used than was painted");
        process::exit(1);
    }
    process::exit(0)
}
