//! The parts built on the store: stack of their main calls, and RAM of the values they need.
#![no_std]
#![no_main]

mod bench;
mod depth;
mod flash;
#[path = "../../size/src/profile.rs"]
mod profile;

use cortex_m_rt::entry;
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::embedded_storage::{ReadStorage, Storage};
use outlast_kvstore::settings::{
    Declared, ImportError, Setting, SettingBatch, SettingError, Why, export, import,
};
use outlast_kvstore::{ChangeMark, Error, Ids, Region, RegionError};
use semihosting::{println, process};

use crate::bench::{Bench, Outcome, STORE, Settings, print_ram, report};
use crate::flash::{Cuttable, Ram, SIZE};
use crate::profile::{CHANNEL, PROFILE, Profile, Uplink, Version1};

const VERSION_1: Setting<Version1> = Setting::new("profile", || Version1 { period: 60 });

/// Numbers reserved at a time.
const AHEAD: u32 = 16;
/// The usual region: chunks of 64 bytes, four of them in a batch.
type Bytes<'s, 'f, 'm, F> = Region<'s, &'f mut Cuttable<'m, F>, 64>;

fn of_setting<E>(error: SettingError<E>) -> Error<E> {
    match error.why {
        Why::Store(error) => error,
        why => unreachable(why),
    }
}

fn of_region<E>(error: RegionError<E>) -> Error<E> {
    match error {
        RegionError::Store(error) => error,
        error => unreachable(error),
    }
}

fn of_import<E>(error: ImportError<E>) -> Error<E> {
    match error {
        ImportError::Store(error) => error,
        error => unreachable(error),
    }
}

/// The run below makes no mistakes.
fn unreachable<T, E>(_: T) -> Error<E> {
    panic!("a mistake in the bench")
}

/// What a device does with its settings, counters and bytes, until the flash fails or the rounds
/// are over.
fn live<F: NorFlash>(
    bench: &mut Bench<'_>,
    store: &mut Settings<'_, '_, F>,
    rounds: u32,
) -> Outcome<(), F::Error> {
    let mark = store.mark();
    let mut ids: Ids<AHEAD> = bench.call("ids: open", "", || Ids::open(store, "message"))?;
    for round in 0..rounds {
        use_settings(bench, store, round)?;
        transfer(bench, store)?;
        for _ in 0..5 {
            bench.change("counters: tick", "counters: tick, compaction", store, |s| {
                s.tick("boots")
            })?;
        }
        bench.call("counters: count", "", || store.count("boots"))?;
        bench.change("ids: next", "ids: next, compaction", store, |s| ids.next(s))?;
        use_region(bench, store, round)?;
        let mut changed = 0;
        bench.call("since: for_each_changed_since", "", || {
            store.for_each_changed_since(&mark, |_, _| changed += 1)
        })?;
    }
    Ok(())
}

/// Saves, loads and migrates settings, and saves two in a batch.
fn use_settings<F: NorFlash>(
    bench: &mut Bench<'_>,
    store: &mut Settings<'_, '_, F>,
    round: u32,
) -> Outcome<(), F::Error> {
    let number = round as u8;
    let save = |s: &mut Settings<'_, '_, F>| CHANNEL.save(s, &(11 + number % 16));
    bench
        .change("settings: save", "settings: save, compaction", store, save)
        .map_err(of_setting)?;
    bench
        .call("settings: load", "", || CHANNEL.load(store).map(|l| l.value))
        .map_err(of_setting)?;
    VERSION_1.save(store, &Version1 { period: 60 + round as u16 }).map_err(of_setting)?;
    let migrate = |s: &mut Settings<'_, '_, F>| {
        let loaded = PROFILE.load_migrating(s, |old| {
            let Version1 { period } = old.read()?;
            Some(Profile { period: period.into(), ..PROFILE.default_value() })
        });
        loaded.map(|loaded| loaded.value)
    };
    bench
        .change("settings: load_migrating", "settings: load_migrating, compaction", store, migrate)
        .map_err(of_setting)?;
    let save_both = |s: &mut Settings<'_, '_, F>| {
        let mut buffer = [0; 64];
        let uplink = if number.is_multiple_of(2) {
            Uplink::Radio { channel: number }
        } else {
            Uplink::Wire(9)
        };
        let profile = Profile { datum: 1.5, uplink, ..PROFILE.default_value() };
        SettingBatch::<2>::new(&mut buffer)
            .set(&CHANNEL, &(12 + number % 8))
            .set(&PROFILE, &profile)
            .commit(s)
    };
    bench.change("batch: commit", "batch: commit, compaction", store, save_both).map_err(of_setting)
}

/// Exports the settings, changes one, and imports them again.
fn transfer<F: NorFlash>(
    bench: &mut Bench<'_>,
    store: &mut Settings<'_, '_, F>,
) -> Outcome<(), F::Error> {
    let all: [&dyn Declared; 2] = [&CHANNEL, &PROFILE];
    let (mut copy, mut len) = ([0; 96], 0);
    let mut buffers = ([0; 64], [0; 96]);
    let each = |entry: &[u8]| {
        copy[len..len + entry.len()].copy_from_slice(entry);
        len += entry.len();
    };
    bench
        .call("transfer: export", "", || export(store, &all, &mut buffers.0, &mut buffers.1, each))
        .map_err(of_setting)?;
    CHANNEL.save(store, &11).map_err(of_setting)?;
    bench
        .change("transfer: import", "transfer: import, compaction", store, |s| {
            import::<_, 64, 2>(s, &all, &copy[..len])
        })
        .map_err(of_import)?;
    Ok(())
}

/// Writes a few and many bytes of a region, and reads them.
fn use_region<F: NorFlash>(
    bench: &mut Bench<'_>,
    store: &mut Settings<'_, '_, F>,
    round: u32,
) -> Outcome<(), F::Error> {
    let mut bytes = [round as u8; 193];
    let at = round * 37 % 800;
    bench
        .change("region: write 8", "region: write 8, compaction", store, |s| {
            Bytes::new(s, "rom", 1024)?.write(at, &bytes[..8])
        })
        .map_err(of_region)?;
    bench
        .change("region: write 193", "region: write 193, compaction", store, |s| {
            Bytes::new(s, "rom", 1024)?.write(at, &bytes)
        })
        .map_err(of_region)?;
    bench
        .call("region: read", "", || Bytes::new(store, "rom", 1024)?.read(at, &mut bytes))
        .map_err(of_region)?;
    Ok(())
}

/// Measures over one flash, with power cuts at many steps.
fn measure<F: NorFlash>(
    bench: &mut Bench<'_>,
    flash: &mut Cuttable<'_, F>,
) -> Outcome<(), F::Error> {
    let mut store = bench.open("open, blank", "open, blank", flash)?;
    live(bench, &mut store, 100)?;
    for cut in 1..120 {
        let mut store = bench.open("counters: open", "counters: open", flash)?;
        bench.meter.steps_left.set(Some(cut % 61 + 1));
        while live(bench, &mut store, 9).is_ok() {}
        bench.meter.steps_left.set(None);
    }
    Ok(())
}

#[entry]
fn main() -> ! {
    static mut CELLS: [u8; SIZE] = [0xFF; SIZE];
    let good = report("a flash in RAM", Ram(CELLS), measure);
    println!("  A Setting: {} bytes, constant", size_of_val(&CHANNEL));
    print_ram("batch: SettingBatch of 2", size_of::<SettingBatch<'_, 2>>());
    print_ram("counters: Store with 64 keys", STORE);
    print_ram("ids: Ids", size_of::<Ids<AHEAD>>());
    print_ram("region: Region", size_of::<Region<'_, Ram<'_>, 64>>());
    print_ram("since: ChangeMark", size_of::<ChangeMark>());
    process::exit(i32::from(!good))
}
