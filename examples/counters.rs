//! What a year of frequent counter ticks does to the flash: one tick per second of operation, one
//! per watt-hour and one per boot, compared with a record per tick. A few days are simulated tick
//! by tick; the year is extrapolated from them.
//!
//! `cargo run --release --example counters`

use outlast_faultsim::part::{Bias, Chip, Geometry, MultiNor, Part};
use outlast_kvstore::{Error, Layout, Store};

type Counting = Store<MultiNor<1, 1>, 16>;
type Failure = Error<outlast_faultsim::part::PartError>;
/// Ticks a counter. The third argument is the new count, which only a record per tick needs.
type Tick = fn(&mut Counting, &str, u64) -> Result<(), Failure>;

/// Seconds in a day.
const DAY: u64 = 86_400;
const BOOTS_A_DAY: u64 = 2;
const WATT_HOURS_A_DAY: u64 = 120;

fn open(part: &Part) -> Result<Counting, Failure> {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
    Store::open(part.multi_nor(), Layout::serial_nor())
}

/// Runs this many days and returns the erases of the most worn sector.
fn run(days: u64, tick: Tick) -> Result<u32, Box<dyn std::error::Error>> {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let (mut seconds, mut energy, mut boots) = (0, 0, 0);
    for _ in 0..days * BOOTS_A_DAY {
        let mut store = open(&part)?;
        boots += 1;
        tick(&mut store, "boots", boots)?;
        for second in 0..DAY / BOOTS_A_DAY {
            seconds += 1;
            tick(&mut store, "run.seconds", seconds)?;
            if second % (DAY / WATT_HOURS_A_DAY) == 0 {
                energy += 1;
                tick(&mut store, "energy.wh", energy)?;
            }
        }
    }
    let mut store = open(&part)?;
    for (name, count) in [("run.seconds", seconds), ("energy.wh", energy), ("boots", boots)] {
        assert_eq!(store.count(name)?, count, "{name} must be exact");
    }
    Ok(part.chip().wear().most_erased)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let ways: [(&str, u64, Tick); 3] = [
        ("a record per tick", 2, |store, name, count| store.put(name, &count.to_le_bytes())),
        ("a unit per tick", 20, |store, name, _| store.tick(name).map(|_| ())),
        ("a bit per tick", 20, |store, name, _| store.tick_bit(name).map(|_| ())),
    ];
    println!(
        "4 sectors of 4096 bytes, {DAY} seconds, {WATT_HOURS_A_DAY} Wh, {BOOTS_A_DAY} boots a day"
    );
    println!(
        "years until 100 000 erases of a sector, a usual figure in data sheets; take that of your part"
    );
    for (name, days, tick) in ways {
        let erases = f64::from(run(days, tick)?) * 365.25 / days as f64;
        println!(
            "{name:>20}: {erases:>8.0} erases of a sector per year, {:>7.1} years",
            1e5 / erases
        );
    }
    Ok(())
}
