//! What a part does about a second program of a unit, and the record of programs that this needs.
//!
//! The record belongs to the image, because it outlives the power: it is kept across power-ups,
//! cuts and copies, and only a completed erase clears it. An image of a part that needs no record
//! has none, and costs nothing.
//!
//! For [`SecondPrograms::Refused`] the record decides what the part accepts later, so two images
//! with equal cells and different records are different images. What counts is the *state* of each
//! unit: never programmed, [repeatable](ProgramRecord::is_repeatable), or used; and for each sector
//! whether its last erase was interrupted. Two things in the record make no difference:
//!
//! - the units of a sector whose last erase was interrupted: the part refuses all programs there
//!   until an erase completes, which clears them;
//! - how often a unit was programmed: that is only reported.

use core::hash::{Hash, Hasher};
use core::ops::Range;

use serde::{Deserialize, Serialize};

use super::geometry::Geometry;

/// What a part does about a second program of a unit since the last completed erase of its sector.
/// A unit counts as programmed as soon as a program of it was begun, even if it was interrupted
/// before it changed anything.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum SecondPrograms {
    /// Zeros may be programmed over anything, anything else is refused. A unit that an interrupted
    /// operation left without a 0 counts as not programmed.
    #[default]
    ZerosAllowed,
    /// Even zeros are refused, and so is any program in a sector whose last erase was interrupted.
    ///
    /// There is one exception. An interrupted program of zeros may leave nothing that can be seen,
    /// so code that decides by what it reads may repeat it: zeros over exactly one unit, if all
    /// earlier programs of the unit were of zeros too, each was interrupted in an earlier power-up,
    /// and the last reading of the unit in this power-up was blank. [`Chip::repeated_zeros`] counts
    /// these. Of calls of [`Chip::program_bits`], which say that the part takes any number of
    /// programs, only those after an interrupted erase are refused.
    ///
    /// [`Chip::program_bits`]: super::Chip::program_bits
    /// [`Chip::repeated_zeros`]: super::Chip::repeated_zeros
    Refused,
    /// Everything is carried out, and only counted, see [`Chip::most_programs`].
    ///
    /// [`Chip::most_programs`]: super::Chip::most_programs
    Counted,
}

/// Set in the entry of a unit if one of its programs was completed or was not of zeros.
const USED: u8 = 0x80;
/// The rest of an entry: the number of programs begun. It stops at this number.
pub(super) const MOST_PROGRAMS: u8 = 0x7F;

/// The programs of each unit since the last completed erase of its sector.
#[derive(Clone, Debug, Default)]
pub(super) struct ProgramRecord {
    rule: SecondPrograms,
    unit: usize,
    units_per_sector: usize,
    /// An entry for each unit, see [`USED`] and [`MOST_PROGRAMS`]. Empty if no record is kept.
    units: Vec<u8>,
    /// For each sector, whether its last erase was interrupted.
    interrupted: Vec<bool>,
    /// The numbers of the units that are repeatable, in ascending order. There are few of them.
    repeatable: Vec<u32>,
}

impl ProgramRecord {
    /// The record of a part whose units were programmed once, and completely, if `is_programmed`
    /// says so.
    pub(super) fn new(
        g: &Geometry,
        rule: SecondPrograms,
        is_programmed: impl Fn(usize) -> bool,
    ) -> Self {
        if rule == SecondPrograms::ZerosAllowed {
            return Self::default();
        }
        let entry = |unit| if is_programmed(unit) { USED | 1 } else { 0 };
        Self {
            rule,
            unit: g.unit_size() as usize,
            units_per_sector: (g.sector_size() / g.unit_size()).max(1) as usize,
            units: (0..g.units()).map(entry).collect(),
            interrupted: vec![false; g.sectors as usize],
            repeatable: Vec::new(),
        }
    }

    pub(super) const fn rule(&self) -> SecondPrograms {
        self.rule
    }

    /// Whether there is a record.
    pub(super) fn is_kept(&self) -> bool {
        self.rule != SecondPrograms::ZerosAllowed
    }

    /// Whether what is read decides about later programs.
    pub(super) fn needs_readings(&self) -> bool {
        !self.repeatable.is_empty() && self.rule == SecondPrograms::Refused
    }

    /// The numbers of the repeatable units that these bytes are in.
    pub(super) fn repeatable_within(&self, bytes: Range<usize>) -> &[u32] {
        let units = self.units_of(bytes);
        let first = self.repeatable.partition_point(|unit| (*unit as usize) < units.start);
        let list = self.repeatable.get(first..).unwrap_or_default();
        let count = list.iter().take_while(|unit| (**unit as usize) < units.end).count();
        list.get(..count).unwrap_or_default()
    }

    /// The units that these bytes are in.
    pub(super) fn units_of(&self, bytes: Range<usize>) -> Range<usize> {
        let unit = self.unit.max(1);
        let end = bytes.end.div_ceil(unit).min(self.units.len());
        (bytes.start / unit).min(end)..end
    }

    /// Whether a program of the unit was begun.
    pub(super) fn is_begun(&self, unit: usize) -> bool {
        self.units.get(unit).is_some_and(|entry| *entry != 0)
    }

    /// Whether all programs of the unit were of zeros and interrupted, and there was at least one.
    pub(super) fn is_repeatable(&self, unit: usize) -> bool {
        self.units.get(unit).copied().is_some_and(is_repeatable)
    }

    /// Whether the last erase of the sector that holds this unit was interrupted.
    pub(super) fn is_half_erased(&self, unit: usize) -> bool {
        let sector = unit / self.units_per_sector.max(1);
        self.interrupted.get(sector).is_some_and(|interrupted| *interrupted)
    }

    /// The most programs of any of these units.
    pub(super) fn most_of(&self, units: Range<usize>) -> u8 {
        let units = self.units.get(units).unwrap_or_default();
        units.iter().map(|entry| entry & MOST_PROGRAMS).max().unwrap_or(0)
    }

    /// Notes a program of `data`, which begins at byte `from`.
    pub(super) fn note_program(&mut self, from: usize, data: &[u8], complete: bool) {
        if !self.is_kept() {
            return;
        }
        let units = self.units_of(from..from + data.len());
        let first = units.start;
        let entries = self.units.get_mut(units).unwrap_or_default();
        for (unit, (entry, data)) in
            (first as u32..).zip(entries.iter_mut().zip(data.chunks(self.unit.max(1))))
        {
            let before = is_repeatable(*entry);
            let used = complete || data.iter().any(|byte| *byte != 0);
            let count = ((*entry & MOST_PROGRAMS) + 1).min(MOST_PROGRAMS);
            *entry = *entry & USED | count | if used { USED } else { 0 };
            if before != is_repeatable(*entry) {
                let place = self.repeatable.partition_point(|other| *other < unit);
                if before {
                    self.repeatable.remove(place);
                } else {
                    self.repeatable.insert(place, unit);
                }
            }
        }
    }

    /// Notes that none of the units of these bytes may be repeated.
    pub(super) fn note_used(&mut self, bytes: Range<usize>) {
        let units = self.units_of(bytes);
        self.repeatable.retain(|unit| !units.contains(&(*unit as usize)));
        for entry in self.units.get_mut(units).unwrap_or_default() {
            *entry |= USED;
        }
    }

    /// Notes the erase of a sector. If it was interrupted, the units keep what was noted.
    pub(super) fn note_erase(&mut self, sector: u32, complete: bool) {
        let Some(interrupted) = self.interrupted.get_mut(sector as usize) else { return };
        *interrupted = !complete;
        if complete {
            let first = sector as usize * self.units_per_sector;
            let units = first..(first + self.units_per_sector).min(self.units.len());
            self.repeatable.retain(|unit| !units.contains(&(*unit as usize)));
            self.units.get_mut(units).unwrap_or_default().fill(0);
        }
    }

    /// Whether both records are of the same kind and size, so that parts of one can be copied to
    /// the other.
    pub(super) fn matches(&self, other: &Self) -> bool {
        self.rule == other.rule
            && self.unit == other.unit
            && self.units.len() == other.units.len()
            && self.interrupted.len() == other.interrupted.len()
    }

    /// Takes over what is noted about the units of these bytes.
    pub(super) fn copy_units(&mut self, other: &Self, bytes: Range<usize>) {
        let units = self.units_of(bytes);
        if let (Some(mine), Some(theirs)) =
            (self.units.get_mut(units.clone()), other.units.get(units))
        {
            mine.copy_from_slice(theirs);
        }
    }

    /// Takes over what is not noted about single units.
    pub(super) fn copy_rest(&mut self, other: &Self) {
        self.interrupted.copy_from_slice(&other.interrupted);
        self.repeatable.clone_from(&other.repeatable);
    }

    /// Becomes equal to `other`.
    pub(super) fn copy_from(&mut self, other: &Self) {
        self.units.clone_from(&other.units);
        self.interrupted.clone_from(&other.interrupted);
        self.repeatable.clone_from(&other.repeatable);
        self.rule = other.rule;
        self.unit = other.unit;
        self.units_per_sector = other.units_per_sector;
    }

    /// Passes on the states of the units of these bytes, and of the sectors that they are in, as far
    /// as they decide what the part accepts: for each sector whether its last erase was interrupted,
    /// and if it was not, the entries of the units. Nothing if it does not depend on them.
    fn each_sector(&self, bytes: Range<usize>) -> impl Iterator<Item = (bool, &[u8])> {
        let decides = self.rule == SecondPrograms::Refused;
        let units = if decides { self.units_of(bytes) } else { 0..0 };
        let per_sector = self.units_per_sector.max(1);
        let sectors = units.start / per_sector..units.end.div_ceil(per_sector);
        sectors.map(move |sector| {
            let first = units.start.max(sector * per_sector);
            let end = units.end.min((sector + 1) * per_sector);
            let interrupted = self.interrupted.get(sector).is_some_and(|is| *is);
            (interrupted, self.units.get(first..end).unwrap_or_default())
        })
    }

    /// Appends the states of the units of these bytes, and of the sectors that they are in, as far
    /// as they decide what the part accepts. Appends nothing if it does not depend on them.
    pub(super) fn append_states(&self, bytes: Range<usize>, states: &mut Vec<u8>) {
        for (interrupted, entries) in self.each_sector(bytes) {
            states.push(u8::from(interrupted));
            if interrupted {
                // The part refuses all programs there.
                states.resize(states.len() + entries.len(), 0);
            } else {
                states.extend(entries.iter().copied().map(state));
            }
        }
    }

    /// Whether two parts with these records accept the same programs in these bytes, provided that
    /// they hold the same.
    pub(super) fn equals_within(&self, other: &Self, bytes: Range<usize>) -> bool {
        let decides = |record: &Self| record.rule == SecondPrograms::Refused;
        if !decides(self) || !decides(other) {
            return decides(self) == decides(other);
        }
        let mut sectors = self.each_sector(bytes.clone()).zip(other.each_sector(bytes));
        sectors.all(|((interrupted, entries), (also, others))| {
            interrupted == also
                && (interrupted || {
                    let same = |(a, b): (&u8, &u8)| state(*a) == state(*b);
                    entries == others || entries.iter().zip(others).all(same)
                })
        })
    }

    fn all_bytes(&self) -> Range<usize> {
        0..self.units.len() * self.unit
    }
}

impl PartialEq for ProgramRecord {
    fn eq(&self, other: &Self) -> bool {
        self.equals_within(other, self.all_bytes())
    }
}

impl Eq for ProgramRecord {}

impl Hash for ProgramRecord {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let mut states = Vec::new();
        self.append_states(self.all_bytes(), &mut states);
        states.hash(state);
    }
}

const fn is_repeatable(entry: u8) -> bool {
    entry != 0 && entry & USED == 0
}

/// Never programmed, repeatable or used.
const fn state(entry: u8) -> u8 {
    (entry != 0) as u8 + (entry >> 7)
}
