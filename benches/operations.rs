//! Flash work of `get`, `put`, mount and compaction for rising numbers of sectors and keys: counts
//! on the simulated part, the same on every machine.
//!
//! `cargo bench --bench operations` prints them. It fails if a mount reads more than four times
//! the bytes it needs, plus a page.

use outlast_costs::growth::{KEYS, Point, SECTORS, Shape, point};
use outlast_costs::load::{Draw, Load};
use outlast_costs::run::CallCost;
use outlast_faultsim::part::{Chip, Geometry, Part, Timing};
use outlast_faultsim::subject::{KeyNames, Op, Subject as _};
use outlast_faultsim::subjects::outlast::ManyKeys;
use outlast_image::survey::{Role, Survey};
use outlast_kvstore::inspect::{OPENING_BYTES, Region, Shape as RegionShape};

fn main() -> Result<(), String> {
    let geometry = Geometry::new(2, 4096, 1, PAGE).map_err(|why| why.to_string())?;
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
    mounts()
}

/// Bytes of the region whose mount is measured.
const REGION: u32 = 1 << 20;
/// A mount may read at most this many times the bytes it needs. It reads each record and the one
/// that it replaces, and at least 64 bytes of each, if the page has them: twice what is needed for
/// records of 64 bytes, four times for those of 30.
const MOST: u64 = 4;
/// Bytes of a page: a mount also reads one page, to check that it is blank before it writes the
/// settle record there.
const PAGE: u32 = 256;

/// Mounts a large region in the worst case, a full log whose only room is that of replaced records,
/// with keys of one length and of several.
fn mounts() -> Result<(), String> {
    println!(
        "\nmounts of 1 MiB with a full log: bytes read, and bytes of openings, tags and records"
    );
    let mut missed = 0;
    for (sector_bytes, keys, lengths) in [
        (4096, 1, 4..=4),
        (4096, 1, 64..=64),
        (4096, 64, 4..=4),
        (4096, 64, 4..=24),
        (4096, 64, 2..=64),
        (4096, 4096, 4..=4),
        (65_536, 1, 4..=4),
        (65_536, 64, 4..=24),
    ] {
        let (read, reads, needed) = mount(sector_bytes, keys, lengths.clone())?;
        let ratio = read as f64 / needed as f64;
        missed += u32::from(read > MOST * (needed + u64::from(PAGE)));
        println!(
            "{:>4} x {sector_bytes:<6} {keys:>5} keys of {:>2} to {:<2} bytes: {read:>7} of {needed:>6} bytes, {ratio:.4}, {reads} reads",
            REGION / sector_bytes,
            lengths.start(),
            lengths.end()
        );
    }
    if missed > 0 {
        return Err(format!("{missed} mounts read more than {MOST} times what they need"));
    }
    Ok(())
}

/// The bytes and calls of a mount, and the bytes it needs at least.
fn mount(
    sector_bytes: u32,
    keys: u16,
    lengths: std::ops::RangeInclusive<usize>,
) -> Result<(u64, u64, u64), String> {
    let sectors = REGION / sector_bytes;
    let geometry = Geometry::new(sectors, sector_bytes, 1, PAGE).map_err(|why| why.to_string())?;
    let part = Part::new(Chip::new(geometry));
    let different = lengths.end() - lengths.start() + 1;
    let names = (0..usize::from(keys)).map(|key| {
        // Mix the lengths.
        let len = lengths.start() + key * 17 % different;
        let number: String = format!("{key:x}").chars().rev().collect();
        format!("{number:_<len$}")
    });
    let names = KeyNames::new(names);
    let mut draw = Draw::new(Load::Uniform, keys.into(), 1);
    let refused = |why| format!("the store fails: {why:?}");
    let mut store = ManyKeys.open(&part).map_err(refused)?;
    let mut next = 0;
    while part.chip().counts().erases < u64::from(sectors + sectors / 2) {
        let key = if next < keys { next } else { draw.key() };
        next = next.saturating_add(1);
        let put = Op::Put { key, value: draw.value(16) };
        ManyKeys.apply(&mut store, &put, &names).map_err(refused)?;
    }
    drop(store);
    let needed = needed(&part)?;
    let before = part.chip().counts();
    drop(ManyKeys.open(&part).map_err(refused)?);
    let after = part.chip().counts();
    Ok((after.read_bytes - before.read_bytes, after.reads - before.reads, needed))
}

/// Bytes of the openings and page tags of all sectors and of all records in the log, which a mount
/// checks whole, found by decoding the image.
fn needed(part: &Part) -> Result<u64, String> {
    let (geometry, image) = (part.chip().geometry(), part.chip().image().clone());
    let Geometry { sectors, sector_bytes, unit, page: page_bytes } = geometry;
    let shape = RegionShape { sectors, sector_bytes, page_bytes, unit };
    let region = Region::new(image.bytes(), &shape).ok_or("no store has this shape")?;
    let survey = Survey::new(region);
    let in_log = |sector: u32| {
        let role = survey.sectors.get(sector as usize).map(|sector| sector.role);
        matches!(role, Some(Role::Head | Role::Log | Role::Tail))
    };
    let records = survey.records.iter().filter(|entry| in_log(entry.sector));
    let bytes: u64 = records
        .map(|entry| {
            u64::from(region.content_bytes(entry.record.address, entry.record.end - 1) + 1)
        })
        .sum();
    let tags = sector_bytes / page_bytes * unit;
    Ok(bytes + u64::from(sectors) * (OPENING_BYTES as u64 + u64::from(tags)))
}

fn show(point: &Point) {
    println!(
        "{:>7} {:>5} {:>12} {:>7} {:<32} {:<44}",
        point.sectors,
        point.keys,
        format!("{}r {}B", point.get.work.reads, point.get.read_bytes),
        format!("{}r 1p", point.put_reads),
        work(&point.mount),
        work(&point.compaction),
    );
}

fn work(call: &CallCost) -> String {
    let CallCost { work, read_bytes, programmed_bytes, .. } = call;
    format!("{}r {}p {}e {read_bytes}+{programmed_bytes}B", work.reads, work.programs, work.erases)
}
