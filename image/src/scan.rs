//! A search for records at every address of a sector, without regard to the order of the log.

use std::collections::BTreeSet;

use outlast_kvstore::inspect::{Record, RecordKind, Region};

/// Everything in a sector that may be a record.
pub(crate) fn headers(region: &Region<'_>, sector: u32) -> Vec<Record> {
    let size = region.shape().sector_bytes;
    let (from, to) = (sector * size, (sector + 1) * size);
    // Copies in settle records are not aligned to units, so every address is tried.
    let records = (from..to).filter_map(|at| region.record(at, to));
    records.filter(|record| region.zero_count_is_right(record)).collect()
}

/// The records that pass their checks with one of the generations. None lies inside another, except
/// for the copies that settle records carry.
pub(crate) fn passing(
    region: &Region<'_>,
    headers: &[Record],
    generations: &BTreeSet<(u32, u32)>,
) -> Vec<(Record, (u32, u32))> {
    let mut out = Vec::new();
    let mut end = 0;
    for record in headers {
        if record.address < end {
            continue;
        }
        let generation =
            generations.iter().find(|(epoch, sequence)| region.passes(record, *epoch, *sequence));
        let Some(generation) = generation else { continue };
        out.push((record.clone(), *generation));
        end = record.end;
        if record.kind == RecordKind::Settle
            && let Some(carried) = region.settle(record).and_then(|settle| settle.carried)
            && region.passes(&carried, generation.0, generation.1)
        {
            out.push((carried, *generation));
        }
    }
    out
}
