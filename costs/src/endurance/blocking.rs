//! How long a `put` can block at most.

use serde::Serialize;

use super::usage::{PartFigures, Usage};
use crate::format::FormatFigures;
use outlast_faultsim::part::{DeviceTime, Timing};

/// An upper bound of the duration of a `put`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Blocking {
    /// Compactions in one call at most.
    #[serde(rename = "turns")]
    pub compactions: u32,
    /// Duration of that call.
    pub time: DeviceTime,
}

/// The most bytes of a record without content.
const EMPTY: u32 = 32;

/// An upper bound: a compaction fills a sector with copies of the smallest records, since these
/// take the most time per byte; then the largest record is written, and the next sector is erased.
/// If the oldest sectors can be full of live records, there is one more compaction for each of
/// them. There is one more erase than compactions, if a cut interrupted the erase before.
pub(super) fn blocking(
    part: &PartFigures,
    usage: &Usage,
    format: &FormatFigures,
    sectors: u32,
) -> Blocking {
    let mut sizes: Vec<(u32, u32)> = format
        .records
        .iter()
        .zip(&usage.settings)
        .map(|(record, setting)| (*record, setting.count))
        .collect();
    sizes.sort_unstable();
    let largest = sizes.last().map_or(0, |(record, _)| *record);
    let live: u64 = sizes.iter().map(|(size, count)| u64::from(*size) * u64::from(*count)).sum();
    let capacity = format.capacity();
    // A page boundary may cost the room of a record.
    let full = capacity.saturating_sub(largest + capacity / 8).max(1);
    let full_sectors = u32::try_from(live / u64::from(full)).unwrap_or(u32::MAX);
    let compactions = (full_sectors.saturating_add(1)).min(sectors - 1);

    let page = part.store_page();
    let mut sum = Sum { timing: part.timing, time: DeviceTime::default() };
    // Two openings, a decision, a seal and a spare record, and the unit that tries the sector.
    for bytes in [32, 32, part.unit, part.unit.max(4), EMPTY, EMPTY, part.unit] {
        sum.programs(bytes, page);
    }
    let mut left = capacity;
    for (size, count) in sizes {
        let copied = (left / size.max(1)).min(count);
        left -= copied * size;
        for _ in 0..copied {
            sum.programs(size, page);
        }
    }
    // Records that cross a page boundary.
    for _ in 0..part.sector_bytes / page {
        sum.programs(1, page);
    }
    // The sums of live bytes are counted again, which reads each record. Copying reads the sector.
    for _ in 0..usage.keys() {
        sum.time += part.timing.read(64);
    }
    for _ in 0..part.sector_bytes.div_ceil(32) {
        sum.time += part.timing.read(96);
    }
    sum.time += part.timing.erase(part.sector_bytes);
    let one = sum.time;
    let mut own = Sum { timing: part.timing, time: DeviceTime::default() };
    own.programs(largest, page);
    own.programs(1, page);
    // The search for the key.
    for _ in 0..16 {
        own.time += part.timing.read(64);
    }
    // The first change of a power-up, and a sector that is erased once more.
    own.programs(part.unit, page);
    own.programs(part.unit, page);
    own.time += part.timing.erase(part.sector_bytes);
    for _ in 0..compactions {
        own.time += one;
    }
    Blocking { compactions, time: own.time }
}

struct Sum {
    timing: Timing,
    time: DeviceTime,
}

impl Sum {
    fn programs(&mut self, bytes: u32, page: u32) {
        let mut left = bytes;
        while left > 0 {
            let now = left.min(page);
            self.time += self.timing.program(now as usize);
            left -= now;
        }
    }
}
