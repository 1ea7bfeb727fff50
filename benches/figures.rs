//! The figures of the README that concern the store: operation counts on the simulated part, which
//! do not depend on the machine. `cargo bench --bench figures`; with `-- --check` it fails if one
//! misses its target.

use outlast_faultsim::device::{Bias, Chip, Geometry, Image, Part};
use outlast_kvstore::{Layout, Store};

type Nor = outlast_faultsim::device::Nor<1, 1>;

fn main() {
    let mut table = Table { missed: 0 };
    single_operations(&mut table);
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
    // Four values that `Geometry` accepts.
    #[allow(clippy::unwrap_used, reason = "constants of this benchmark")]
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
    put_under(store, &key_name(key), value);
}

fn put_under<K: AsRef<[u8]>>(store: &mut Store<Nor, 1024>, key: &K, value: &[u8]) {
    if let Err(error) = store.put(key, value) {
        panic!("put failed: {error}");
    }
}

fn key_name(key: u32) -> String {
    format!("{key:04}")
}

fn single_operations(table: &mut Table) {
    let part = part(4);
    let mut store = open(&part);
    let before = part.chip().counts();
    put(&mut store, 1, &[7; 16]);
    let after = part.chip().counts();
    let calls = after.program_calls - before.program_calls;
    table.row("program calls of a put without a sector turn", &calls.to_string(), "1", calls == 1);
    let overhead = after.programmed_bytes - before.programmed_bytes - 4 - 16;
    table.row("record overhead in bytes, unit 1", &overhead.to_string(), "<= 12", overhead <= 12);
    put(&mut store, 1, &[7; 16]);
    let same = part.chip().counts().program_calls - after.program_calls;
    table.row("program calls of a put of the stored value", &same.to_string(), "0", same == 0);

    put(&mut store, 2, &[9; 200]);
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
    let value = counts.program_calls.to_string();
    table.row("program calls of an open with room in the head", &value, "<= 6", counts.erases == 0);
}

fn memory(table: &mut Table) {
    let fixed = size_of::<Store<(), 64>>() - 64 * 8;
    let figure = "RAM of the store less 8 bytes per key, this host";
    table.row(figure, &fixed.to_string(), "<= 128", fixed <= 128);
}

/// A run of uniform random updates with 16-byte values.
struct Run {
    updates: u64,
    /// Records programmed per update.
    amplification: f64,
    erases: u64,
    wear_spread: u32,
}

/// `live` keys; `name` tells the key of a number.
fn run<K: AsRef<[u8]>>(
    sectors: u32,
    live: u32,
    updates: u64,
    warm_up: u64,
    name: impl Fn(u32) -> K,
) -> Run {
    let part = part(sectors);
    let mut store = open(&part);
    let mut random = 0x9E37_79B9_7F4A_7C15_u64;
    let mut update = |n: u64| {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let key = u32::try_from(random % u64::from(live)).unwrap_or(0);
        let mut value = [0; 16];
        value[..8].copy_from_slice(&n.to_le_bytes());
        put_under(&mut store, &name(key), &value);
    };
    for n in 0..warm_up {
        update(n);
    }
    let before = part.chip().counts();
    for n in 0..updates {
        update(warm_up + n);
    }
    let after = part.chip().counts();
    let erases = after.erases - before.erases;
    // A turn programs an opening and a mark besides records.
    let records = after.program_calls - before.program_calls - 2 * erases;
    let wear = part.chip().wear();
    Run {
        updates,
        amplification: records as f64 / updates as f64,
        erases,
        wear_spread: wear.most_erased - wear.least_erased,
    }
}

/// Records of this size that a sector takes: puts of one key between two erases.
fn slots<K: AsRef<[u8]>>(name: impl Fn(u32) -> K) -> u32 {
    let part = part(4);
    let mut store = open(&part);
    let mut at_erase = Vec::new();
    for n in 0..2000_u32 {
        let before = part.chip().counts().erases;
        let mut value = [0; 16];
        value[..4].copy_from_slice(&n.to_le_bytes());
        put_under(&mut store, &name(0), &value);
        if part.chip().counts().erases > before {
            at_erase.push(n);
        }
    }
    at_erase[5] - at_erase[4]
}

/// F2', the exact finite-size form for a circular log that cleans the oldest sector into a spare:
/// with q = 1 - 1/L and d = P/A, (P - d)(1 - q^(nd)) = L q^(nd) (q^(-d) - 1). It refines equation 4
/// of Desnoyers, "Analytic Modeling of SSD Write Performance", SYSTOR 2012.
fn theory(sectors: u32, slots: u32, live: u32) -> f64 {
    let (n, p, l) = (f64::from(sectors - 1), f64::from(slots), f64::from(live));
    let q: f64 = 1.0 - 1.0 / l;
    let excess = |d: f64| (p - d) * (1.0 - q.powf(n * d)) - l * q.powf(n * d) * (q.powf(-d) - 1.0);
    let (mut low, mut high) = (1e-6, p);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if excess(middle) > 0.0 { low = middle } else { high = middle }
    }
    p / low
}

fn write_amplification(table: &mut Table) {
    let slots = slots(key_name);
    println!("records of 4 + 16 bytes per 4096-byte sector: {slots}");
    for sectors in [2, 3, 4, 8] {
        for utilisation in [0.25, 0.5, 0.8] {
            let live = (f64::from((sectors - 1) * slots) * utilisation).round() as u32;
            let room = u64::from(sectors * slots);
            let run = run(sectors, live, 200 * room, 10 * room, key_name);
            let theory = theory(sectors, slots, live);
            let off = run.amplification / theory - 1.0;
            let figure = format!(
                "write amplification, {sectors} sectors, {live} keys (u = {utilisation}), theory {theory:.3}"
            );
            let value = format!("{:.3}", run.amplification);
            // Lower with two sectors: the change that starts a turn goes into the new sector, so
            // the record it replaces is not copied.
            let met = off <= 0.02 && (off >= -0.02 || sectors == 2);
            table.row(&figure, &value, "within 2 %", met);
            let spread = run.wear_spread;
            if spread > 1 {
                table.row("  wear spread", &spread.to_string(), "<= 1", false);
            }
        }
    }
}

/// Read, erase and write back: one erase per update.
fn against_naive(table: &mut Table) {
    let figure = |name: &str| {
        format!("updates per erase, {name}, 16-byte value, 4 sectors half full (naive: 1)")
    };
    let ratio = |slots: u32, run: &dyn Fn(u32) -> Run| {
        let run = run(3 * slots / 2);
        run.updates as f64 / run.erases as f64
    };
    // A number for a key, as most firmware would have it.
    let short = |key: u32| (key as u16).to_le_bytes();
    let two = ratio(slots(short), &|live| run(4, live, 100_000, 10_000, short));
    table.row(&figure("2-byte key"), &format!("{two:.1}"), ">= 100", two >= 100.0);
    let four = ratio(slots(key_name), &|live| run(4, live, 100_000, 10_000, key_name));
    println!("{:<64} {four:>12.1}", figure("4-byte key"));
}
