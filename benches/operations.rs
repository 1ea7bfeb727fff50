//! Flash work of `get`, `put`, mount and compaction against the number of sectors and of keys:
//! counts on the simulated part, the same on every machine. `cargo bench --bench operations`.

use outlast_faultsim::device::{Geometry, Timing};
use outlast_faultsim::measure::growth::{KEYS, Point, SECTORS, Shape, point};
use outlast_faultsim::measure::run::WorstCall;

fn main() -> Result<(), String> {
    let geometry = Geometry::new(2, 4096, 1, 256).map_err(|why| why.to_string())?;
    let shape = Shape { geometry, timing: Timing::SERIAL_NOR, key_bytes: 4, value_bytes: 16 };
    let format = shape.format()?;
    println!(
        "4-byte keys, 16-byte values, {} bytes a record; r: reads, p: program calls,",
        format.records[0]
    );
    println!(
        "e: erases, B: bytes read and programmed; the log has gone round one and a half times"
    );
    println!(
        "{:>7} {:>5} {:>12} {:>7} {:<32} {:<44}",
        "sectors", "keys", "get", "put", "mount", "put with compaction"
    );
    for sectors in SECTORS {
        for keys in KEYS {
            if let Some(point) = point(&shape, &format, sectors, keys)? {
                show(&point);
            }
        }
    }
    Ok(())
}

fn show(point: &Point) {
    println!(
        "{:>7} {:>5} {:>12} {:>7} {:<32} {:<44}",
        point.sectors,
        point.keys,
        format!("{}r {}B", point.get.work.reads, point.get.read_bytes),
        format!("{}r 1p", point.put_reads),
        work(&point.mount),
        work(&point.turn),
    );
}

fn work(call: &WorstCall) -> String {
    let WorstCall { work, read_bytes, programmed_bytes, .. } = call;
    format!("{}r {}p {}e {read_bytes}+{programmed_bytes}B", work.reads, work.programs, work.erases)
}
