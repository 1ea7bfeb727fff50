//! What the format in flash costs, measured on the store itself.
//!
//! The forecasts need the size of a record and the number of records that fit into a sector. Both
//! are measured through the public calls of the store, so that they hold for whatever format it
//! has.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde::Serialize;

use outlast_faultsim::part::{Chip, Geometry, Part, Step};
use outlast_faultsim::subject::{KeyNames, Op, Subject, Trouble};
use outlast_faultsim::subjects::outlast::{Outlast, Running};

/// A kind of record to measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Kind {
    /// Bytes of its key.
    pub key_bytes: u32,
    /// Bytes of its value.
    pub value_bytes: u32,
    /// Share of this kind in the records written, on any scale.
    pub weight: f64,
}

/// What the format costs for one size of sectors, pages and units. All in bytes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FormatFigures {
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes before the first record of a sector.
    pub sector_overhead: u32,
    /// Bytes of records, mixed by weight, that a sector takes before the next one does not fit.
    pub packed: f64,
    /// From the start of a page to the end of the settle record in it, less the record it carries.
    pub settle: u32,
    /// Size of a record of each kind.
    pub records: Vec<u32>,
}

impl FormatFigures {
    /// Bytes for records in a sector.
    pub fn capacity(&self) -> u32 {
        self.sector_bytes - self.sector_overhead
    }

    /// Records of the first kind that a sector takes.
    pub fn slots(&self) -> f64 {
        self.packed / f64::from(self.records.first().copied().unwrap_or(1))
    }
}

/// Compactions over which the mean is taken, if the kinds differ and if they do not.
const COMPACTIONS_MIXED: u64 = 400;
const COMPACTIONS: u64 = 8;
/// Compactions before counting starts: the first sector starts differently.
const SKIPPED: u64 = 3;

/// Measures the store. The number of sectors of `geometry` does not matter.
///
/// # Errors
/// If the store refuses the geometry or one of the records, in words.
pub fn probe(geometry: &Geometry, kinds: &[Kind]) -> Result<FormatFigures, String> {
    let geometry = Geometry { sectors: 4, ..*geometry };
    let mut sizes = Vec::new();
    let mut capacity = 0;
    for kind in kinds {
        let mut probe = Probe::new(geometry)?;
        let before = probe.store.usage();
        probe.put(kind.key_bytes, kind.value_bytes)?;
        let after = probe.store.usage();
        sizes.push(after.live_bytes - before.live_bytes);
        capacity = (after.live_bytes + after.free_bytes) / (geometry.sectors - 1);
    }
    let (Some(first), Some(&first_size)) = (kinds.first(), sizes.first()) else {
        return Err("no records to ask about".to_owned());
    };
    Ok(FormatFigures {
        sector_bytes: geometry.sector_bytes,
        sector_overhead: geometry.sector_bytes - capacity,
        packed: packed(geometry, kinds, &sizes)?,
        settle: settle(geometry, first, first_size)?,
        records: sizes,
    })
}

/// Updates one key again and again, so that nothing is ever copied.
fn packed(geometry: Geometry, kinds: &[Kind], sizes: &[u32]) -> Result<f64, String> {
    let mut probe = Probe::new(geometry)?;
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let alike = sizes.iter().all(|size| Some(size) == sizes.first());
    let wanted = if alike { COMPACTIONS } else { COMPACTIONS_MIXED };
    let weights: f64 = kinds.iter().map(|kind| kind.weight.max(0.0)).sum();
    let mut written = 0;
    let mut compactions = 0;
    loop {
        let mut point = rng.random::<f64>() * weights;
        let chosen = kinds.iter().zip(sizes).find(|(kind, _)| {
            point -= kind.weight.max(0.0);
            point < 0.0
        });
        let Some((kind, size)) = chosen.or_else(|| kinds.iter().zip(sizes).next()) else { break };
        let before = probe.part.chip().counts().erases;
        // The same key every time; its value makes up for the length of the real one.
        probe.put(1, kind.key_bytes + kind.value_bytes - 1)?;
        compactions += probe.part.chip().counts().erases - before;
        if compactions == SKIPPED + wanted {
            break;
        }
        if compactions >= SKIPPED {
            written += u64::from(*size);
        }
    }
    Ok(written as f64 / wanted as f64)
}

/// Measures where the first record after a power-up is written.
fn settle(geometry: Geometry, kind: &Kind, size: u32) -> Result<u32, String> {
    let mut probe = Probe::new(geometry)?;
    probe.put(kind.key_bytes, kind.value_bytes)?;
    probe.part.chip_mut().record_steps(true);
    let end = probe.put(kind.key_bytes, kind.value_bytes)? + size;
    let start = end - end % geometry.page + geometry.page;
    probe.reopen()?;
    let next = probe.put(kind.key_bytes, kind.value_bytes)?;
    next.checked_sub(start + size)
        .ok_or_else(|| "a power-up does not leave the page it found".to_owned())
}

/// A store to measure.
struct Probe {
    part: Part,
    store: Running,
    keys: KeyNames,
    puts: u64,
}

impl Probe {
    fn new(geometry: Geometry) -> Result<Self, String> {
        let part = Part::new(Chip::new(geometry));
        let store = Outlast.open(&part).map_err(in_words)?;
        Ok(Self { part, store, keys: KeyNames::default(), puts: 0 })
    }

    fn reopen(&mut self) -> Result<(), String> {
        self.store = Outlast.open(&self.part).map_err(in_words)?;
        Ok(())
    }

    /// Returns the address of the record, if steps are recorded.
    fn put(&mut self, key_bytes: u32, value_bytes: u32) -> Result<u32, String> {
        let name = "k".repeat(key_bytes as usize);
        if self.keys.find(name.as_bytes()).is_none() {
            self.keys = KeyNames::new([name]);
        }
        self.puts += 1;
        let mut value = vec![0x55; value_bytes as usize];
        for (to, from) in value.iter_mut().zip(self.puts.to_le_bytes()) {
            *to = from;
        }
        drop(self.part.chip_mut().take_steps());
        let put = Op::Put { key: 0, value };
        Outlast.apply(&mut self.store, &put, &self.keys).map_err(in_words)?;
        let steps = self.part.chip_mut().take_steps();
        Ok(steps
            .iter()
            .find_map(|step| match step {
                Step::Program { at, .. } => Some(*at),
                Step::Erase { .. } => None,
            })
            .unwrap_or(0))
    }
}

/// What a store reports, in words for the user.
pub(crate) fn in_words(trouble: Trouble) -> String {
    match trouble {
        Trouble::Full => "the settings do not fit".to_owned(),
        Trouble::Refused(why)
        | Trouble::Broken(why)
        | Trouble::Crashed(why)
        | Trouble::TimedOut(why) => why,
        Trouble::PowerOff | Trouble::Corrupt => format!("unexpected: {trouble:?}"),
    }
}

#[cfg(test)]
mod tests {
    //! Goal: the measured sizes are those of the format. Method: comparison with
    //! `kvstore/FORMAT.md`.

    use super::*;

    fn kind(key_bytes: u32, value_bytes: u32) -> Kind {
        Kind { key_bytes, value_bytes, weight: 1.0 }
    }

    /// The sizes in `kvstore/FORMAT.md`: header and trailer of a record, an opening and a mark.
    #[test]
    fn sizes_as_the_format_says() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let figures = probe(&geometry, &[kind(2, 16), kind(4, 16), kind(4, 0)]).unwrap();
        let overhead = figures.records[0] - 18;
        assert!((8..=12).contains(&overhead), "{figures:?}");
        assert_eq!(figures.records[1] - 20, overhead);
        assert_eq!(figures.records[2] - 4, overhead);
        assert!((16..=64).contains(&figures.sector_overhead), "{figures:?}");
        assert!((16..=64).contains(&figures.settle), "{figures:?}");
        // With units of 8 bytes everything is a multiple of them.
        let wide = Geometry::new(4, 4096, 8, 256).unwrap();
        let figures = probe(&wide, &[kind(4, 16)]).unwrap();
        assert_eq!(figures.records[0] % 8, 0);
        assert!((32..=40).contains(&figures.records[0]), "{figures:?}");
    }

    /// Records of one size fill whole slots: at most as many as the bytes allow, and fewer than
    /// four less, which page boundaries cost.
    #[test]
    fn slots_are_whole() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        for value_bytes in [4, 16, 64] {
            let figures = probe(&geometry, &[kind(4, value_bytes)]).unwrap();
            let record = f64::from(figures.records[0]);
            let slots = figures.packed / record;
            assert!((slots - slots.round()).abs() < 1e-9, "{figures:?}");
            let most = f64::from(figures.capacity()) / record;
            assert!(slots <= most && slots > most - 4.0, "{slots} of {most}");
        }
        let mixed = probe(&geometry, &[kind(4, 16), kind(4, 200)]).unwrap();
        let capacity = f64::from(mixed.capacity());
        assert!(mixed.packed < capacity && mixed.packed > 0.9 * capacity, "{mixed:?}");
    }

    #[test]
    fn records_that_the_store_refuses_are_reported() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let why = probe(&geometry, &[kind(4, 5000)]).unwrap_err();
        assert!(!why.is_empty());
        assert!(probe(&geometry, &[]).is_err());
    }
}
