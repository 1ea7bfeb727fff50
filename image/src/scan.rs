//! Everything in a sector that may be a record, without the log's order.

use std::collections::BTreeSet;

use outlast_kvstore::inspect::{Record, RecordKind, Region};

/// Everything in a sector that may be a record.
pub(crate) fn headers<'a>(region: &Region<'a>, sector: u32) -> Vec<Record<'a>> {
    let size = region.shape().sector_bytes;
    let (from, to) = (sector * size, (sector + 1) * size);
    // Copies in settle records stand on no unit.
    let records = (from..to).filter_map(|at| region.record(at, to));
    records.filter(|record| region.zero_count_is_right(record)).collect()
}

/// The records that pass with one of the lives; none inside another but for carried copies.
pub(crate) fn passing<'a>(
    region: &Region<'a>,
    headers: &[Record<'a>],
    lives: &BTreeSet<(u32, u32)>,
) -> Vec<(Record<'a>, (u32, u32))> {
    let mut out = Vec::new();
    let mut behind = 0;
    for record in headers {
        if record.address < behind {
            continue;
        }
        let life = lives.iter().find(|(epoch, sequence)| region.passes(record, *epoch, *sequence));
        let Some(life) = life else { continue };
        out.push((*record, *life));
        behind = record.end;
        if record.kind == RecordKind::Settle
            && let Some(cargo) = region.settle(record).and_then(|settle| settle.cargo)
            && region.passes(&cargo, life.0, life.1)
        {
            out.push((cargo, *life));
        }
    }
    out
}
