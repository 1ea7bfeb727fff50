//! The figures of the store and their targets: operation counts on the simulated part, the same on
//! every machine.
//!
//! `cargo bench --bench figures` prints them; with `-- --check` it fails if one misses its target.

use outlast_costs::endurance::ram_bytes;
use outlast_costs::growth::Shape;
use outlast_costs::load::Load;
use outlast_costs::run::Scheme;
use outlast_costs::table::{Bench, Results};
use outlast_faultsim::part::{Bias, Chip, Counts, Geometry, Image, Part, SecondPrograms, Timing};
use outlast_kvstore::{Layout, Store};

type Nor = outlast_faultsim::part::Nor<1, 1>;

fn main() {
    let mut table = Table { missed: 0 };
    single_operations(&mut table);
    power_ups(&mut table);
    memory(&mut table);
    write_amplification(&mut table);
    against_naive(&mut table);
    if std::env::args().any(|argument| argument == "--check") && table.missed > 0 {
        eprintln!("figures: {} missed their target", table.missed);
        std::process::exit(1);
    }
}

struct Table {
    missed: u32,
}

impl Table {
    fn row(&mut self, figure: &str, value: &str, target: &str, met: bool) {
        self.missed += u32::from(!met);
        let verdict = if met { "ok" } else { "MISSED" };
        println!("{figure:<64} {value:>12}  target {target:<12} {verdict}");
    }
}

fn part(sectors: u32) -> Part {
    #[allow(clippy::unwrap_used, reason = "`Geometry` accepts these constants")]
    let geometry = Geometry::new(sectors, 4096, 1, 256).unwrap();
    Part::new(Chip::new(geometry))
}

fn open(part: &Part) -> Store<Nor, 1024> {
    match Store::open(part.nor(), Layout::serial_nor()) {
        Ok(store) => store,
        Err(error) => panic!("the store does not open: {error}"),
    }
}

fn put(store: &mut Store<Nor, 1024>, key: u32, value: &[u8]) {
    if let Err(error) = store.put(&key_name(key), value) {
        panic!("put failed: {error}");
    }
}

fn key_name(key: u32) -> String {
    format!("{key:04}")
}

fn single_operations(table: &mut Table) {
    let part = part(4);
    let mut store = open(&part);
    // The first change of a power-up also programs the flag of the rest record.
    put(&mut store, 1, &[6; 16]);
    let before = part.chip().counts();
    put(&mut store, 1, &[7; 16]);
    let after = part.chip().counts();
    let calls = after.program_calls - before.program_calls;
    table.row("program calls of a put without a compaction", &calls.to_string(), "1", calls == 1);
    let overhead = after.programmed_bytes - before.programmed_bytes - 4 - 16;
    table.row("record overhead in bytes, unit 1", &overhead.to_string(), "<= 12", overhead <= 12);
    put(&mut store, 1, &[7; 16]);
    let same = part.chip().counts().program_calls - after.program_calls;
    table.row("program calls of a put of the stored value", &same.to_string(), "0", same == 0);

    put(&mut store, 2, &[9; 200]);
    // Records are read in pieces of 64 bytes, since a larger buffer would take too much stack.
    for (key, buffer_len, what) in [(1, 16, "16-byte value"), (2, 216, "200-byte value")] {
        let mut buffer = vec![0; buffer_len];
        let before = part.chip().counts();
        let found = matches!(store.get(&key_name(key), &mut buffer), Ok(Some(_)));
        let reads = part.chip().counts().reads - before.reads;
        let figure = format!("flash reads of a get that hits, {what}");
        table.row(&figure, &reads.to_string(), "<= 2", found && reads <= 2);
    }
    drop(store);
    let image: Image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ZEROS);
    drop(open(&part));
    let counts = part.chip().counts();
    let calls = counts.program_calls;
    let met = calls <= 6 && counts.erases == 0;
    table.row("program calls of the open after a cut, with room", &calls.to_string(), "<= 6", met);
}

/// What power-ups cost, and that none of them programs a unit twice.
fn power_ups(table: &mut Table) {
    let part = part(4);
    part.chip_mut().set_second_programs(SecondPrograms::Counted);
    let mut store = open(&part);
    put(&mut store, 1, &[7; 16]);
    // The first open after a change settles, unless the store came to rest.
    for (rests, after) in [(true, "rest"), (false, "one that settled")] {
        put(&mut store, 1, &[u8::from(rests); 16]);
        if rests && let Err(error) = store.rest() {
            panic!("rest failed: {error}");
        }
        drop(store);
        if !rests {
            drop(open(&part));
        }
        let work = |Counts { program_calls, erases, .. }| program_calls + erases;
        let before = work(part.chip().counts());
        for _ in 0..100 {
            let mut reading = open(&part);
            assert!(matches!(reading.get(&key_name(1), &mut [0; 16]), Ok(Some(_))), "lost");
        }
        let done = work(part.chip().counts()) - before;
        let figure = format!("programs and erases of 100 reading power-ups after {after}");
        table.row(&figure, &done.to_string(), "0", done == 0);
        store = open(&part);
    }
    for power_up in 0..3000_u32 {
        put(&mut store, power_up % 32, &[power_up.to_le_bytes(); 4].concat());
        if power_up % 3 == 0
            && let Err(error) = store.rest()
        {
            panic!("rest failed: {error}");
        }
        drop(store);
        store = open(&part);
    }
    let most = part.chip().most_programs();
    table.row("most programs of a unit, 3,000 power-ups", &most.to_string(), "1", most == 1);

    let geometry = part.chip().geometry();
    let shape = Shape { geometry, timing: Timing::SERIAL_NOR, key_bytes: 4, value_bytes: 16 };
    let format = match shape.format() {
        Ok(format) => format,
        Err(why) => panic!("cannot measure: {why}"),
    };
    // Eleven bytes for the rest record and its flag; more where they do not fit into a page, and
    // once in a sector, where the rest record has no room.
    let (mean, most) = (format.rest, format.rest_most);
    let figure = "bytes used by wake, put, rest, beyond the record, mean over a sector";
    table.row(figure, &format!("{mean:.1}"), "<= 16", mean <= 16.0);
    let figure = "  the most: at the sector's end, where the next mount settles";
    table.row(figure, &most.to_string(), "<= 16", most <= 16);
    let figure = "bytes of the open after a cut, from a page's start, beyond the record";
    table.row(figure, &format.settle.to_string(), "<= 32", format.settle <= 32);
}

fn memory(table: &mut Table) {
    let fixed = ram_bytes(0);
    let figure = "RAM of the store less 8 bytes per key, this host";
    table.row(figure, &fixed.to_string(), "<= 128", fixed <= 128);
}

/// The measurement of `outlast bench` with values of 16 bytes, without the growth.
fn measured(key_bytes: u32, sectors: &[u32]) -> Results {
    let mut bench = Bench::usual(part(4).chip().geometry(), Timing::SERIAL_NOR);
    bench.key_bytes = key_bytes;
    bench.sectors = sectors.to_vec();
    bench.loads = vec![Load::Uniform];
    bench.growth = false;
    match bench.run(&|_| {}) {
        Ok(results) => results,
        Err(why) => panic!("cannot measure: {why}"),
    }
}

fn write_amplification(table: &mut Table) {
    let results = measured(4, &[2, 3, 4, 8]);
    for row in results.against_theory.iter().filter(|row| row.load == Load::Uniform) {
        let (Some(theory), Ok(cost)) = (row.theory, &row.cost) else { continue };
        let whose = theory.against.name();
        let figure = format!(
            "write amplification, {} x {} bytes, u = {:.2}, {whose}: {:.3}",
            row.geometry.sectors,
            row.geometry.sector_bytes,
            row.utilisation,
            theory.compared_with()
        );
        let value = format!("{:.3}", theory.measured);
        let target = format!("within {:.0} %", 100.0 * theory.tolerance);
        table.row(&figure, &value, &target, theory.met());
        if cost.wear_spread > 1 {
            table.row("  wear spread", &cost.wear_spread.to_string(), "<= 1", false);
        }
    }
}

/// Compares the store with a rewrite of the sector, which erases once per update.
fn against_naive(table: &mut Table) {
    for (key_bytes, is_target) in [(2, true), (4, false)] {
        let results = measured(key_bytes, &[]);
        let row = results.comparison.iter().find(|row| row.scheme == Scheme::Outlast);
        let ratio = row.and_then(|row| row.against_naive).map_or(0.0, |ratios| ratios.erases);
        let figure = format!(
            "updates per erase, {key_bytes}-byte key, 16-byte value, 4 sectors half full (naive: 1)"
        );
        if is_target {
            table.row(&figure, &format!("{ratio:.1}"), ">= 100", ratio >= 100.0);
        } else {
            println!("{figure:<64} {ratio:>12.1}");
        }
    }
}
