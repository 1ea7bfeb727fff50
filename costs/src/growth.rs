//! How costs grow with the number of sectors and keys.

use serde::Serialize;

use crate::format::{COMPACTION_PROGRAMS, FormatFigures, Kind, in_words, probe};
use crate::load::{Draw, Load};
use crate::run::{CallCost, key_names, timed};
use outlast_faultsim::part::{Chip, Geometry, Part, Timing};
use outlast_faultsim::subject::{Op, Subject as _};
use outlast_faultsim::subjects::outlast::ManyKeys;

/// Numbers of sectors in the table.
pub const SECTORS: [u32; 6] = [2, 8, 32, 128, 256, 1024];
/// Numbers of keys in the table.
pub const KEYS: [u32; 5] = [1, 16, 128, 1024, 4096];

/// A store fuller than this is not measured: each compaction would copy almost a whole sector.
const FULLEST: f64 = 0.9;

/// A part with a certain number of keys, measured after the log has gone round.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Sectors of the part.
    pub sectors: u32,
    /// Live keys.
    pub keys: u32,
    /// Share of the room for records that live records take.
    pub utilisation: f64,
    /// Records in the log at the mount, replaced ones included.
    pub log_records: u64,
    /// Bytes of these records, and of the sectors' openings and slots: the least that a mount has to
    /// read if it checks every record.
    pub needed_bytes: u64,
    /// The mount.
    pub mount: CallCost,
    /// The `get` that took longest.
    pub get: CallCost,
    /// The longest `put` that compacted a sector, among the last compactions.
    #[serde(rename = "turn")]
    pub compaction: CallCost,
    /// The most read calls of a `put` without a compaction.
    pub put_reads: u64,
}

/// What all points of a table have in common.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    /// The part; its number of sectors does not matter.
    pub geometry: Geometry,
    /// Its times.
    pub timing: Timing,
    /// Bytes of each key.
    pub key_bytes: u32,
    /// Bytes of each value.
    pub value_bytes: u32,
}

impl Shape {
    /// What the format costs for these sizes.
    ///
    /// # Errors
    /// Those of [`probe`].
    pub fn format(&self) -> Result<FormatFigures, String> {
        let Self { key_bytes, value_bytes, .. } = *self;
        probe(&self.geometry, &[Kind { key_bytes, value_bytes, weight: 1.0 }])
    }
}

/// Fills the store, lets the log go round one and a half times under uniform updates and measures.
/// `None` if the keys do not fit.
///
/// # Errors
/// If the store fails, in words.
pub fn point(
    shape: &Shape,
    format: &FormatFigures,
    sectors: u32,
    keys: u32,
) -> Result<Option<Point>, String> {
    let record = f64::from(format.records.first().copied().unwrap_or(1));
    let utilisation = f64::from(keys) * record / (f64::from(sectors - 1) * format.packed);
    if utilisation > FULLEST {
        return Ok(None);
    }
    let geometry = Geometry { sectors, ..shape.geometry };
    let mut chip = Chip::new(geometry);
    chip.set_timing(shape.timing);
    let part = Part::new(chip);
    let names = key_names(keys, shape.key_bytes)?;
    let mut draw = Draw::new(Load::Uniform, keys, 1);
    let mut store = ManyKeys.open(&part).map_err(in_words)?;
    // Program calls before each compaction.
    let mut compactions: Vec<u64> = Vec::new();
    let mut compaction = CallCost::default();
    let mut put_reads = 0;
    let mut next = 0;
    // A few compactions more, so that small parts show more than one.
    while compactions.len() < (sectors + sectors / 2 + 8) as usize {
        let key = if next < keys { next as u16 } else { draw.key() };
        next += 1;
        let put = Op::Put { key, value: draw.value(shape.value_bytes) };
        let before = store.usage().compactions;
        let (done, call) = timed(&part, || ManyKeys.apply(&mut store, &put, &names));
        done.map_err(in_words)?;
        if store.usage().compactions > before {
            compactions.push(part.chip().counts().program_calls - call.work.programs);
            if compactions.len() >= sectors as usize {
                compaction = compaction.longer(call);
            }
        } else {
            put_reads = put_reads.max(call.work.reads);
        }
    }
    let mut get = CallCost::default();
    let mut value = Vec::with_capacity(2 * shape.value_bytes as usize + 64);
    for (_, name) in names.iter() {
        let (found, call) = timed(&part, || ManyKeys.get(&mut store, name, &mut value));
        if !found.map_err(in_words)? {
            return Err(format!("the key {name} is lost"));
        }
        get = get.longer(call);
    }
    drop(store);
    let programs = part.chip().counts().program_calls;
    let (opened, mount) = timed(&part, || ManyKeys.open(&part));
    opened.map_err(in_words)?;
    let oldest = compactions.len().checked_sub(sectors as usize - 1);
    let before = oldest.and_then(|at| compactions.get(at)).copied();
    let calls = (programs - before.unwrap_or(0))
        .saturating_sub(u64::from(COMPACTION_PROGRAMS) * u64::from(sectors - 1));
    // A record that crosses a page boundary takes a program call for each page.
    let log_records = (calls as f64 * format.slots() / format.programs).round() as u64;
    let sectors_overhead = u64::from(sectors) * u64::from(format.sector_overhead);
    let needed_bytes = (log_records as f64 * record) as u64 + sectors_overhead;
    let point = Point {
        sectors,
        keys,
        utilisation,
        log_records,
        needed_bytes,
        mount,
        get,
        compaction,
        put_reads,
    };
    Ok(Some(point))
}

/// The exponent with which a cost grows, from the first to the last of the points `(size, cost)`: 0
/// not at all, 1 in proportion. `None` with fewer than two points.
pub fn order(points: &[(f64, f64)]) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    let sizes = (last.0 / first.0).ln();
    (sizes > 0.0 && first.1 > 0.0).then(|| (last.1 / first.1).ln() / sizes)
}

#[cfg(test)]
mod tests {
    //! Goal: points show what grows and what does not. Method: a small and a large store compared.

    use super::*;

    fn shape() -> Shape {
        Shape {
            geometry: Geometry::new(2, 4096, 1, 256).unwrap(),
            timing: Timing::SERIAL_NOR,
            key_bytes: 4,
            value_bytes: 16,
        }
    }

    #[test]
    fn orders_by_hand() {
        assert_eq!(order(&[(2.0, 3.0), (8.0, 12.0)]), Some(1.0));
        assert_eq!(order(&[(2.0, 3.0), (8.0, 3.0)]), Some(0.0));
        assert_eq!(order(&[(2.0, 3.0)]), None);
        assert_eq!(order(&[]), None);
    }

    /// A `get` reads the same, however many keys and sectors there are. A compaction programs at
    /// most a sector. A mount reads more if there is more to read.
    #[test]
    fn what_grows_and_what_does_not() {
        let shape = shape();
        let format = shape.format().unwrap();
        let small = point(&shape, &format, 2, 16).unwrap().unwrap();
        let large = point(&shape, &format, 32, 1024).unwrap().unwrap();
        assert_eq!(small.get.work.reads, large.get.work.reads);
        assert!(large.mount.work.reads > 4 * small.mount.work.reads);
        for point in [small, large] {
            assert_eq!(point.compaction.work.erases, 1, "{point:?}");
            assert!(point.compaction.programmed_bytes <= 4096);
            let slots = format.packed / f64::from(format.records[0]);
            let most = f64::from(point.sectors - 1) * slots;
            // How many records fit, and take two calls, depends a little on where they stand.
            assert!(point.log_records as f64 <= 1.02 * most, "{point:?}");
            // A sector is left early if all its records are live, see `Geometry::fits`.
            assert!(point.log_records as f64 >= 0.96 * (most - slots), "{point:?}");
        }
        assert_eq!(point(&shape, &format, 2, 1024).unwrap(), None);
    }
}
