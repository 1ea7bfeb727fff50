//! Tests a small hand-written store with the rig, which finds its bug.
//!
//! `cargo run --release --example own_store`

use outlast_faultsim::config::Config;
use outlast_faultsim::part::{Geometry, Level, Part};
use outlast_faultsim::replay::replay;
use outlast_faultsim::run::{Progress, run};
use outlast_faultsim::subject::{KeyNames, Op, Subject, Trouble};
use outlast_faultsim::subjects::table::{Table, changes};

/// The table is written alternately to two sectors of 512 bytes: sequence number, length, table.
/// The higher number wins, even if its table is incomplete, since there is no check.
struct TwoSectors;

struct Running {
    part: Part,
    table: Table,
    sequence: u32,
}

impl Subject for TwoSectors {
    type Store = Running;

    fn name(&self) -> &'static str {
        "two-sectors"
    }

    fn open(&self, part: &Part) -> Result<Running, Trouble> {
        let mut store = Running { part: part.clone(), table: Table::default(), sequence: 0 };
        for sector in 0..2 {
            let mut bytes = [0; 512];
            part.chip_mut().read(sector * 512, &mut bytes)?;
            let number = |at: usize| u32::from_le_bytes([0, 1, 2, 3].map(|byte| bytes[at + byte]));
            let (sequence, len) = (number(0), number(4) as usize);
            if sequence > store.sequence && sequence != u32::MAX {
                let table = bytes.get(8..len.saturating_add(8)).and_then(Table::parse);
                store = Running { sequence, table: table.unwrap_or_default(), ..store };
            }
        }
        Ok(store)
    }

    fn apply(&self, store: &mut Running, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let mut table = if *op == Op::Clear { Table::default() } else { store.table.clone() };
        changes(op, keys).into_iter().for_each(|(key, value)| _ = table.set(key, value));
        let body = table.bytes()?;
        let head = [store.sequence + 1, u32::try_from(body.len()).map_err(|_| Trouble::Full)?];
        let bytes = [&head.map(u32::to_le_bytes).concat()[..], &body].concat();
        let at = (store.sequence + 1) % 2 * 512;
        store.part.chip_mut().erase(at, at + 512)?;
        store.part.chip_mut().program(at, &bytes)?;
        *store = Running { part: store.part.clone(), table, sequence: store.sequence + 1 };
        Ok(())
    }

    fn get(&self, store: &mut Running, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        out.clear();
        Ok(store.table.get(key.as_bytes()).map(|value| out.extend(value)).is_some())
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // A dozen operations. For the stages of `outlast torture`, run those of `default_plan::Usual`
    // one after the other.
    let config = Config::small(Geometry::new(2, 512, 1, 256)?, Level::F1);
    let report = run(&config, &TwoSectors, &Progress::default());
    let counts = &report.counts;
    println!("{} power cuts, {} different images", counts.cuts, counts.distinct);
    for violation in &report.violations {
        println!("\n{}\n  {}", violation.signature, violation.sentence);
        violation.operations.iter().for_each(|line| println!("    {line}"));
        violation.cut_points.iter().for_each(|line| println!("    {line}"));
        let again = replay(&violation.token.parse()?, &TwoSectors);
        println!("  at {}: {:?} by {}", violation.level, again.outcome, violation.token);
    }
    // Cuts between operations do no harm, but an interrupted operation does.
    let found = report.violations.iter().any(|violation| violation.level == Level::F1);
    if found { Ok(()) } else { Err("the bug was not found".into()) }
}
