//! What the format in flash costs, measured on the store itself.
//!
//! The forecasts need the size of a record and the number of records that fit into a sector. Both
//! are measured through the public calls of the store, so that they hold for whatever format it
//! has.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde::Serialize;

use crate::theory::Room;
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
    /// Bytes of a sector's two openings, of its slots, and of the unit that tries it.
    pub sector_overhead: u32,
    /// Bytes of records, mixed by weight, that a sector takes before the next one does not fit.
    pub packed: f64,
    /// Program calls with which these records are written.
    pub programs: f64,
    /// What the mount after a cut writes: from the start of a page to the end of the settle record
    /// and the rest record in it, less the record that the settle record carries.
    pub settle: u32,
    /// What a power-up uses of the flash, less the records it writes, if it rests before it loses
    /// its power.
    pub rest: f64,
    /// The most that it uses: near the sector's end, where the next mount has to settle.
    pub rest_most: u32,
    /// Size of a record of each kind.
    pub records: Vec<u32>,
}

impl FormatFigures {
    /// Bytes for records in a sector.
    pub fn capacity(&self) -> u32 {
        self.sector_bytes - self.sector_overhead
    }

    /// The sectors of a log with this geometry.
    pub(crate) fn room(&self, &Geometry { sectors, unit, .. }: &Geometry) -> Room {
        // Each compaction also writes a seal and a spare record, which have no content.
        let empty = (if self.sector_bytes > 8192 { 12 } else { 10_u32 }).next_multiple_of(unit);
        Room {
            sectors,
            capacity: (self.capacity() - 2 * empty).into(),
            packed: self.packed,
            overhead: (self.sector_overhead + 2 * empty).into(),
        }
    }

    /// Records of the first kind that a sector takes.
    pub fn slots(&self) -> f64 {
        self.packed / f64::from(self.records.first().copied().unwrap_or(1))
    }
}

/// Program calls of a compaction besides copies and changes: the unit that tries the erased sector,
/// two openings, a decision, which is a tag and a word, a seal, and a spare record.
pub(crate) const COMPACTION_PROGRAMS: u32 = 7;

/// Compactions over which the mean is taken, if the kinds differ and if they do not.
const COMPACTIONS_MIXED: u64 = 400;
const COMPACTIONS: u64 = 8;
/// Compactions before counting starts: the first sector starts differently.
const SKIPPED: u64 = 3;
/// The most records that are copied in a compaction.
const COPIES: u32 = 32;

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
        probe.put_kind(kind)?;
        let after = probe.store.usage();
        sizes.push(after.live_bytes - before.live_bytes);
        capacity = (after.live_bytes + after.free_bytes) / (geometry.sectors - 1);
    }
    let (Some(first), Some(&first_size)) = (kinds.first(), sizes.first()) else {
        return Err("no records to ask about".to_owned());
    };
    let (packed, programs) = packed(geometry, kinds, &sizes, copies(capacity, &sizes))?;
    let (rest, rest_most) = rest(geometry, first, first_size)?;
    Ok(FormatFigures {
        sector_bytes: geometry.sector_bytes,
        sector_overhead: geometry.sector_bytes - capacity,
        packed,
        programs,
        settle: settle(geometry, first, first_size)?,
        rest,
        rest_most,
        records: sizes,
    })
}

/// Records that are copied in each compaction of the measurement: half a sector, or a few pages. So
/// the records of the compaction itself do not stand in the first page, which the slots share.
fn copies(capacity: u32, sizes: &[u32]) -> u32 {
    let largest = sizes.iter().copied().max().unwrap_or(1);
    (capacity / 2 / largest.max(1)).min(COPIES)
}

/// Updates one key of two sectors again and again, and never some others, which are copied. Returns
/// the bytes and the program calls of the records of a sector.
fn packed(
    geometry: Geometry,
    kinds: &[Kind],
    sizes: &[u32],
    copies: u32,
) -> Result<(f64, f64), String> {
    let mut probe = Probe::new(Geometry { sectors: 2, ..geometry })?;
    let mut copied = 0;
    for ((kind, size), name) in kinds.iter().zip(sizes).cycle().zip('0'..).take(copies as usize) {
        probe.put(&name.to_string(), kind.key_bytes + kind.value_bytes - 1)?;
        copied += size;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let alike = sizes.iter().all(|size| Some(size) == sizes.first());
    let wanted = if alike { COMPACTIONS } else { COMPACTIONS_MIXED };
    let weights: f64 = kinds.iter().map(|kind| kind.weight.max(0.0)).sum();
    let (mut written, mut compactions) = (0, 0);
    let (mut first_call, mut last_call) = (0, 0);
    loop {
        let mut point = rng.random::<f64>() * weights;
        let chosen = kinds.iter().zip(sizes).find(|(kind, _)| {
            point -= kind.weight.max(0.0);
            point < 0.0
        });
        let Some((kind, size)) = chosen.or_else(|| kinds.iter().zip(sizes).next()) else { break };
        let calls = probe.part.chip().counts().program_calls;
        let before = probe.store.usage().compactions;
        // The same key every time; its value makes up for the length of the real one.
        probe.put("k", kind.key_bytes + kind.value_bytes - 1)?;
        let turned = u64::from(probe.store.usage().compactions - before);
        if turned > 0 {
            last_call = calls;
            if compactions < SKIPPED {
                first_call = last_call;
            }
        }
        compactions += turned;
        if compactions >= SKIPPED + wanted {
            break;
        }
        if compactions >= SKIPPED {
            written += u64::from(*size);
        }
    }
    let calls = (last_call - first_call) as f64 / wanted as f64;
    let packed = f64::from(copied) + written as f64 / wanted as f64;
    Ok((packed, calls - f64::from(COMPACTION_PROGRAMS)))
}

/// Measures where the first record after a cut is written.
fn settle(geometry: Geometry, kind: &Kind, size: u32) -> Result<u32, String> {
    let mut probe = Probe::new(geometry)?;
    probe.put_kind(kind)?;
    probe.part.chip_mut().record_steps(true);
    let end = probe.put_kind(kind)? + size;
    let start = end - end % geometry.page + geometry.page;
    probe.reopen()?;
    // A small record, for which there is room even if the next large one needs a compaction.
    let next = probe.put("k", 1)?;
    next.checked_sub(start + size)
        .ok_or_else(|| "the mount after a cut does not leave the page it found".to_owned())
}

/// Measures how far apart the records of successive power-ups stand if each writes one and then
/// rests, less the record: the mean over a sector, and the most.
fn rest(geometry: Geometry, kind: &Kind, size: u32) -> Result<(f64, u32), String> {
    let mut probe = Probe::new(geometry)?;
    probe.part.chip_mut().record_steps(true);
    let (mut used, mut most, mut count) = (0, 0, 0);
    let mut last: Option<u32> = None;
    let sector = |at: u32| at / geometry.sector_bytes;
    for _ in 0..geometry.sector_bytes {
        let at = probe.put_kind(kind)?;
        if last.is_some_and(|last| sector(last) != sector(at)) {
            break;
        }
        if let Some(last) = last {
            let beyond = at.saturating_sub(last + size);
            used += beyond;
            most = most.max(beyond);
            count += 1;
        }
        last = Some(at);
        probe.store.rest().map_err(in_words)?;
        probe.reopen()?;
    }
    // A sector with room for a single record: nothing is known but the size of the sector.
    Ok((if count == 0 { 0.0 } else { f64::from(used) / f64::from(count) }, most))
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

    /// Puts a record of this kind, see [`put`](Self::put).
    fn put_kind(&mut self, kind: &Kind) -> Result<u32, String> {
        self.put(&"k".repeat(kind.key_bytes as usize), kind.value_bytes)
    }

    /// Returns the address of the record, if steps are recorded.
    fn put(&mut self, name: &str, value_bytes: u32) -> Result<u32, String> {
        if self.keys.find(name.as_bytes()).is_none() {
            self.keys = KeyNames::new([name.to_owned()]);
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
                // All zeros: the flag of a rest record.
                Step::Program { at, data } => data.iter().any(|byte| *byte != 0).then_some(*at),
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

    /// The sizes in `kvstore/FORMAT.md`: header and trailer of a record; two openings, twelve slots
    /// of five bytes, and the unit that tries an erased sector; what follows a cut and a rest.
    #[test]
    fn sizes_as_the_format_says() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let figures = probe(&geometry, &[kind(2, 16), kind(4, 16), kind(4, 0)]).unwrap();
        assert_eq!(figures.records, [10 + 18, 10 + 20, 10 + 4]);
        assert_eq!(figures.sector_overhead, 2 * 32 + 12 * 5 + 1);
        // Tag, header, value and trailer of the settle record; the rest record and its flag.
        assert_eq!(figures.settle, 1 + 4 + 4 + 6 + 10 + 1);
        // A seal and a spare record.
        assert_eq!(figures.room(&geometry).capacity, f64::from(4096 - 2 * 32 - 12 * 5 - 1 - 20));
        // Where the trailer goes to the next page it takes more: there, and up to that page.
        assert!((11.0..12.5).contains(&figures.rest), "{figures:?}");
        // With units of 8 bytes everything is a multiple of them.
        let wide = Geometry::new(4, 4096, 8, 256).unwrap();
        let figures = probe(&wide, &[kind(4, 16)]).unwrap();
        assert_eq!(figures.records, [32]);
        assert_eq!(figures.sector_overhead, 2 * 32 + 12 * (8 + 8) + 8);
        // A settle record starts on a unit, the record that it carries does not.
        assert_eq!(figures.settle, 8 + 16 + 16 + 8);
    }

    /// Lays out records by the rules in `kvstore/FORMAT.md`, with sectors up to 8 KiB: copies and
    /// one more that a compaction writes, a seal, a spare record, and more after that. Returns how
    /// many fit, and the program calls they take.
    fn laid_out(geometry: &Geometry, content: u32, copies: u32) -> (u32, u32) {
        let Geometry { sector_bytes, unit, page, .. } = *geometry;
        let up = |bytes: u32| bytes.next_multiple_of(unit);
        let (header, trailer) = (4, 6);
        let slots = if sector_bytes >= 128 * unit { 12 } else { 8 };
        let mut at = 32 + slots * (unit + unit.max(4)) + unit;
        let (mut records, mut calls) = (0, 0);
        for number in 0.. {
            // A header lies in one page, after the page's tag.
            if at % page == 0 || at % page + up(header) > page {
                at = at.next_multiple_of(page) + unit;
            }
            let is_own = number == copies + 1 || number == copies + 2;
            let mut left = header + if is_own { 0 } else { content } + trailer;
            let first_page = at / page;
            let mut own_calls = 0;
            loop {
                own_calls += 1;
                let room = page - at % page;
                if left <= room {
                    break;
                }
                left -= room;
                at += room + unit;
            }
            // In a later page, a record has room for header and trailer of a settle record.
            let least = if at / page > first_page { up(header + trailer) } else { 0 };
            at += up(left).max(least);
            if at > sector_bytes - 32 {
                break;
            }
            // The first call of a seal or a spare record is counted elsewhere.
            calls += own_calls - u32::from(is_own);
            records += u32::from(!is_own);
        }
        (records, calls)
    }

    /// As many records fit into a sector of the store as the rules of the format say, and they take
    /// as many program calls.
    #[test]
    fn slots_as_the_format_says() {
        for (unit, page) in [(1, 256), (4, 256), (8, 64), (32, 256)] {
            for sector_bytes in [1024, 4096, 8192] {
                // In smaller ones the slots leave room for a few records only.
                if sector_bytes < 128 * unit {
                    continue;
                }
                let geometry = Geometry::new(4, sector_bytes, unit, page).unwrap();
                for value_bytes in [0, 4, 16, 17, 64, 200] {
                    let figures = probe(&geometry, &[kind(4, value_bytes)]).unwrap();
                    let copies = copies(figures.capacity(), &figures.records);
                    let (records, calls) = laid_out(&geometry, 4 + value_bytes, copies);
                    let what = format!("{geometry:?} {value_bytes} {figures:?}");
                    assert!(
                        (figures.slots() - f64::from(records)).abs() < 1e-9,
                        "{records} {what}"
                    );
                    assert!((figures.programs - f64::from(calls)).abs() < 1e-9, "{calls} {what}");
                }
            }
        }
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
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
