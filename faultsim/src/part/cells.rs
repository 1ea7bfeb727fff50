//! The cells of the whole part, with marginal bits, programmed units and erase counts, and the
//! steps that change them.

use super::bad_sector::{BadSector, Response};
use super::coin::lanes_below;
use super::geometry::{Geometry, GeometryError, Level};
use super::marginal::{Marginal, marginal_within};
use super::programs::{ProgramRecord, SecondPrograms};
use super::touched::{PAGE, Touched, page_range};
use core::fmt;
use core::hash::{Hash, Hasher};
use core::ops::Range;
use serde::{Deserialize, Serialize};

/// What a power cut can interrupt: the program of one page, or the erase of one sector. A program
/// call that covers several pages is several steps, in order.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Step {
    /// Clear the bits that are 0 in `data`.
    Program {
        /// Address of the first byte.
        at: u32,
        /// The bytes to program, all in one page.
        data: Vec<u8>,
    },
    /// Set all bits of a sector.
    Erase {
        /// Number of the sector.
        sector: u32,
    },
}

impl Step {
    /// What kind of step it is, with its article: `a program` or `an erase`.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Program { .. } => "a program",
            Self::Erase { .. } => "an erase",
        }
    }

    /// Bytes of the part that the step works on.
    pub fn range(&self, g: &Geometry) -> Range<u32> {
        match self {
            Self::Program { at, data } => {
                *at..u32::try_from(data.len()).map_or(u32::MAX, |len| at.saturating_add(len))
            }
            Self::Erase { sector } => {
                let at = sector.saturating_mul(g.sector_size());
                at..at.saturating_add(g.sector_size())
            }
        }
    }

    /// Bytes of the part that an interruption of the step can affect: the pages or the sector that
    /// it works in or, with collateral damage, all of the sector.
    pub(crate) fn reach(&self, g: &Geometry, level: Level) -> Range<usize> {
        let Range { start, end } = self.range(g);
        let part = match self {
            Self::Program { .. } if level.of_tears() < Level::F5 => g.page_size(),
            _ => g.sector_size(),
        };
        let end = end.checked_next_multiple_of(part).unwrap_or(end);
        (start - start % part) as usize..end as usize
    }
}

impl fmt::Display for Step {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Program { at, data } => write!(out, "program@{at:#06x}+{}", data.len()),
            Self::Erase { sector } => write!(out, "erase of sector {sector}"),
        }
    }
}

/// The cells of the whole part. Cheap to clone and compare.
///
/// Equality and hash consider the cells, not which units count as programmed by their content, nor
/// the erase counts. If the part refuses second programs, they also consider what decides about
/// later programs, see [`SecondPrograms::Refused`].
#[derive(Clone, Debug)]
pub struct Image {
    /// The solid value of each bit, or the value that a marginal bit is nearer to.
    bytes: Vec<u8>,
    /// Marginal cells, in ascending order of address.
    marginal: Vec<Marginal>,
    /// One bit per unit: whether it was programmed since its erase. A unit that stores a 0 counts
    /// as programmed, unless only collateral damage put the 0 there.
    programmed: Vec<u64>,
    /// Bytes of the part that one word of `programmed` covers.
    word_bytes: usize,
    /// Erases begun, per sector.
    erases: Vec<u32>,
    /// What was programmed since the last completed erase, if that is recorded.
    programs: ProgramRecord,
    bad: Option<BadSector>,
    touched: Touched,
}

impl PartialEq for Image {
    fn eq(&self, other: &Self) -> bool {
        self.bytes == other.bytes
            && self.marginal == other.marginal
            && self.programs == other.programs
            && self.bad == other.bad
    }
}

impl Eq for Image {}

impl Hash for Image {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.bytes.hash(state);
        self.marginal.hash(state);
        self.programs.hash(state);
        self.bad.hash(state);
    }
}

impl Image {
    /// A part as it comes from the factory: all bits solid 1.
    pub fn blank(g: &Geometry) -> Self {
        Self {
            bytes: vec![0xFF; g.bytes() as usize],
            marginal: Vec::new(),
            programmed: vec![0; g.units().div_ceil(64)],
            word_bytes: 64 * g.unit_size() as usize,
            erases: vec![0; g.sectors as usize],
            programs: ProgramRecord::default(),
            bad: None,
            touched: Touched::none(g.bytes() as usize),
        }
    }

    /// A part that holds these bytes, all bits solid.
    ///
    /// # Errors
    /// [`GeometryError::WrongLength`] if there are not exactly as many bytes as the part has.
    pub fn from_bytes(g: &Geometry, bytes: &[u8]) -> Result<Self, GeometryError> {
        let mut image = Self::blank(g);
        if bytes.len() != image.bytes.len() {
            return Err(GeometryError::WrongLength);
        }
        image.bytes.copy_from_slice(bytes);
        image.touched.forget();
        image.note_programmed_by_content(g, 0, image.bytes.len(), true);
        Ok(image)
    }

    /// Chooses what the part does about second programs, by default
    /// [`SecondPrograms::ZerosAllowed`]. The record that the other choices need starts here: the
    /// units that count as programmed were programmed once, and no erase was interrupted.
    pub fn set_second_programs(&mut self, g: &Geometry, rule: SecondPrograms) {
        self.programs = ProgramRecord::new(g, rule, |unit| self.is_programmed(unit));
        self.touched.forget();
    }

    /// Makes a sector bad, or the one that is bad work again.
    pub const fn set_bad(&mut self, bad: Option<BadSector>) {
        self.bad = bad;
    }

    /// The bad sector, if there is one.
    pub const fn bad(&self) -> Option<BadSector> {
        self.bad
    }

    /// How the part answers this step.
    pub(super) fn response(&self, g: &Geometry, step: &Step) -> Response {
        let Some(bad) = &self.bad else { return Response::Works };
        match step {
            Step::Program { at, .. } => bad.on_program(*at / g.sector_size()),
            Step::Erase { sector } => bad.on_erase(*sector),
        }
    }

    /// A step begins: the sector that is erased next may go bad now.
    fn begin(&mut self, step: &Step) {
        if let (Some(bad), Step::Erase { sector }) = (&mut self.bad, step) {
            bad.begin_erase(*sector);
        }
    }

    /// What the part does about second programs.
    pub const fn second_programs(&self) -> SecondPrograms {
        self.programs.rule()
    }

    pub(super) const fn programs(&self) -> &ProgramRecord {
        &self.programs
    }

    pub(super) const fn programs_mut(&mut self) -> &mut ProgramRecord {
        &mut self.programs
    }

    /// Appends what decides about later programs in a page of [`Image::pages`], besides its cells.
    /// Appends nothing if the part does not refuse second programs.
    pub(crate) fn append_program_states(&self, page: u32, states: &mut Vec<u8>) {
        self.programs.append_states(page_range(page as usize, self.bytes.len()), states);
    }

    /// Whether these are the same in `other`.
    pub(crate) fn has_program_states_of(&self, other: &Self, page: u32) -> bool {
        self.programs.equals_within(&other.programs, page_range(page as usize, self.bytes.len()))
    }

    /// Stored value of each byte. A marginal bit stores the value it is nearer to.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Marginal cells, in ascending order of address.
    pub fn marginal(&self) -> &[Marginal] {
        &self.marginal
    }

    /// Whether any cell is marginal.
    pub fn has_marginal(&self) -> bool {
        !self.marginal.is_empty()
    }

    /// The stored bytes in slices of 256; the last one may be shorter.
    pub fn pages(&self) -> impl Iterator<Item = &[u8]> {
        self.bytes.chunks(PAGE)
    }

    /// The numbers of the pages that these bytes are in.
    pub(crate) fn pages_of(&self, bytes: Range<usize>) -> Range<u32> {
        let last = bytes.end.min(self.bytes.len()).div_ceil(PAGE);
        let first = (bytes.start / PAGE).min(last);
        first as u32..last as u32
    }

    /// The pages among `bytes` in which the image may differ from `other`, by number and in order,
    /// with the bytes of both.
    pub(crate) fn differing_within<'both>(
        &'both self,
        other: &'both Self,
        within: Range<u32>,
    ) -> impl Iterator<Item = (u32, &'both [u8], &'both [u8])> {
        let same_origin = self.touched.has_origin_of(&other.touched);
        within.filter_map(move |page| {
            let at = page as usize;
            if same_origin && !self.touched.holds(at) && !other.touched.holds(at) {
                return None;
            }
            let range = page_range(at, self.bytes.len());
            Some((page, self.bytes.get(range.clone())?, other.bytes.get(range)?))
        })
    }

    /// Whether the image differs from `other` only within these bytes.
    pub(crate) fn differs_within(&self, other: &Self, bytes: &Range<usize>) -> bool {
        let mut all = (0..).zip(self.bytes.iter().zip(&other.bytes));
        all.all(|(at, (mine, theirs))| mine == theirs || bytes.contains(&at))
    }

    /// The pages in which the image may differ from `other`, by number and in order, with the bytes
    /// of both.
    pub(crate) fn differing<'both>(
        &'both self,
        other: &'both Self,
    ) -> impl Iterator<Item = (u32, &'both [u8], &'both [u8])> {
        let known = self.touched.differing(&other.touched);
        let all = known.is_none().then(|| 0..self.bytes.len().div_ceil(PAGE));
        known.into_iter().flatten().chain(all.into_iter().flatten()).filter_map(|page| {
            let range = page_range(page, self.bytes.len());
            Some((page as u32, &self.bytes[range.clone()], other.bytes.get(range)?))
        })
    }

    /// Makes this image an origin: it and the copies made of it are from now on compared and copied
    /// only where they are changed later.
    pub(crate) fn become_origin(&mut self) {
        self.touched.forget();
    }

    /// Erases begun, per sector.
    pub fn erase_counts(&self) -> &[u32] {
        &self.erases
    }

    /// Whether the unit with this number was programmed since its erase. A unit that an interrupted
    /// operation worked on counts as programmed if it stores a 0. Collateral damage does not change
    /// the answer.
    pub fn is_programmed(&self, unit: usize) -> bool {
        self.programmed.get(unit / 64).is_some_and(|word| word >> (unit % 64) & 1 == 1)
    }

    /// Becomes equal to `other`, including its record of units and erases, while keeping its own
    /// allocations.
    pub fn copy_from(&mut self, other: &Self) {
        if let Some(pages) = self.touched.differing(&other.touched)
            && self.bytes.len() == other.bytes.len()
            && self.word_bytes == other.word_bytes
            && self.programs.matches(&other.programs)
        {
            let is_recorded = self.programs.is_kept();
            for page in pages {
                let cells = page_range(page, self.bytes.len());
                let (mine, theirs) = (&mut self.bytes[cells.clone()], &other.bytes[cells.clone()]);
                match (<&mut [u8; PAGE]>::try_from(&mut *mine), <&[u8; PAGE]>::try_from(theirs)) {
                    (Ok(mine), Ok(theirs)) => *mine = *theirs,
                    _ => mine.copy_from_slice(theirs),
                }
                let words = cells.start / self.word_bytes..(cells.end - 1) / self.word_bytes + 1;
                let theirs = other.programmed.get(words.clone()).unwrap_or_default();
                for (mine, theirs) in self.programmed[words].iter_mut().zip(theirs) {
                    *mine = *theirs;
                }
                if is_recorded {
                    self.programs.copy_units(&other.programs, cells);
                }
            }
            if is_recorded {
                self.programs.copy_rest(&other.programs);
            }
        } else {
            self.bytes.clone_from(&other.bytes);
            self.programmed.clone_from(&other.programmed);
            self.word_bytes = other.word_bytes;
            self.programs.copy_from(&other.programs);
        }
        self.bad = other.bad;
        self.touched.copy_from(&other.touched);
        self.marginal.clone_from(&other.marginal);
        self.erases.clone_from(&other.erases);
    }

    /// Does the whole step. Bytes outside the part are ignored.
    pub fn apply(&mut self, g: &Geometry, step: &Step) {
        match step {
            Step::Program { at, data } => _ = self.program(g, *at, data),
            Step::Erase { sector } => _ = self.erase(g, *sector),
        }
    }

    /// The whole program of one page. Returns how it is answered.
    pub(super) fn program(&mut self, g: &Geometry, at: u32, data: &[u8]) -> Response {
        let (from, data) = self.clip(at, data);
        let all = from..from + data.len();
        let response = match self.bad {
            None => Response::Works,
            Some(bad) => bad.on_program(at / g.sector_size()),
        };
        let to = response.reached(&all).end;
        self.touched.add(from, all.end);
        for (cell, byte) in self.bytes[from..to].iter_mut().zip(data) {
            *cell &= byte;
        }
        let touched = marginal_within(&self.marginal, from, to);
        if !touched.is_empty() {
            // A cell that is driven to 0 is no longer marginal; one that is left alone stays
            // marginal.
            for marginal in &mut self.marginal[touched] {
                marginal.mask &= data[marginal.at as usize - from];
            }
            self.marginal.retain(|marginal| marginal.mask != 0);
        }
        let unit = g.unit_size() as usize;
        self.set_programmed(from / unit..all.end.div_ceil(unit), true);
        self.programs.note_program(from, data, true);
        response
    }

    /// The whole erase of one sector. Returns how it is answered.
    ///
    /// Code that gets no error may program the sector, whatever is left in it. After an error the
    /// erase counts as interrupted.
    pub(super) fn erase(&mut self, g: &Geometry, sector: u32) -> Response {
        let response = match self.bad {
            None => Response::Works,
            Some(bad) => bad.on_erase(sector),
        };
        self.begin(&Step::Erase { sector });
        let cells = self.sector_cells(g, sector);
        self.touched.add(cells.start, cells.end);
        let erased = response.reached(&cells);
        self.bytes[erased.clone()].fill(0xFF);
        // Code that gets no error could not know of marginal bits that such an erase left: they are
        // solid from now on.
        let settled = if response.is_error() { erased } else { cells.clone() };
        let touched = marginal_within(&self.marginal, settled.start, settled.end);
        self.marginal.drain(touched);
        if !response.is_error() {
            let unit = g.unit_size() as usize;
            self.set_programmed(cells.start / unit..cells.end.div_ceil(unit), false);
        }
        self.programs.note_erase(sector, !response.is_error());
        self.count_erase(sector);
        response
    }

    /// Sets the cells of a torn step to `cells`, of which `marginal` are marginal.
    pub(super) fn leave(&mut self, g: &Geometry, step: &Step, cells: &[u8], marginal: &[Marginal]) {
        let (from, to) = match step {
            Step::Program { at, data } => {
                let (from, data) = self.clip(*at, data);
                (from, from + data.len())
            }
            Step::Erase { sector } => {
                let Range { start, end } = self.sector_cells(g, *sector);
                (start, end)
            }
        };
        self.touched.add(from, to);
        let touched = marginal_within(&self.marginal, from, to);
        for (cell, left) in self.bytes[from..to].iter_mut().zip(cells) {
            *cell = *left;
        }
        self.replace_marginal(touched, marginal);
        let erases = matches!(step, Step::Erase { .. });
        self.note_programmed_by_content(g, from, to, erases);
        if let Step::Erase { sector } = step {
            self.count_erase(*sector);
        }
        self.note_interrupted(g, step);
    }

    /// Records that the step was begun and not completed.
    pub(super) fn note_interrupted(&mut self, g: &Geometry, step: &Step) {
        self.begin(step);
        if !self.programs.is_kept() {
            return;
        }
        match step {
            Step::Program { at, data } => {
                let (from, data) = self.clip(*at, data);
                self.touched.add(from, from + data.len());
                self.programs.note_program(from, data, false);
            }
            Step::Erase { sector } => {
                let Range { start, end } = self.sector_cells(g, *sector);
                self.touched.add(start, end);
                self.programs.note_erase(*sector, false);
            }
        }
    }

    /// Changes the bytes of these cells. `change` receives the marginal ones among them and appends
    /// those that are marginal afterwards to its last argument.
    pub(super) fn change_cells(
        &mut self,
        cells: Range<usize>,
        change: impl FnOnce(&mut [u8], &[Marginal], &mut Vec<Marginal>),
    ) {
        let Range { start: from, end: to } = cells;
        self.touched.add(from, to);
        let touched = marginal_within(&self.marginal, from, to);
        let mut new = Vec::new();
        change(&mut self.bytes[from..to], &self.marginal[touched.clone()], &mut new);
        self.replace_marginal(touched, &new);
    }

    fn replace_marginal(&mut self, touched: Range<usize>, new: &[Marginal]) {
        if !touched.is_empty() || !new.is_empty() {
            self.marginal.splice(touched, new.iter().copied());
        }
    }

    /// The part of a program that lies within the image.
    pub(super) fn clip<'data>(&self, at: u32, data: &'data [u8]) -> (usize, &'data [u8]) {
        let from = (at as usize).min(self.bytes.len());
        let len = data.len().min(self.bytes.len() - from);
        (from, &data[..len])
    }

    /// The bytes of a sector, as far as they lie within the image.
    pub(super) fn sector_cells(&self, g: &Geometry, sector: u32) -> Range<usize> {
        let size = g.sector_size() as usize;
        let from = (sector as usize).saturating_mul(size).min(self.bytes.len());
        from..from.saturating_add(size).min(self.bytes.len())
    }

    pub(super) fn count_erase(&mut self, sector: u32) {
        if let Some(count) = self.erases.get_mut(sector as usize) {
            *count = count.saturating_add(1);
        }
    }

    fn set_programmed(&mut self, units: Range<usize>, programmed: bool) {
        for (index, bits) in words_of(units) {
            if let Some(word) = self.programmed.get_mut(index) {
                *word = if programmed { *word | bits } else { *word & !bits };
            }
        }
    }

    /// Whether any of these units was programmed since its erase.
    pub(super) fn any_programmed(&self, units: Range<usize>) -> bool {
        words_of(units)
            .any(|(index, bits)| self.programmed.get(index).is_some_and(|word| word & bits != 0))
    }

    /// After an interrupted operation only the content shows what was programmed. With `clear`,
    /// units that store no 0 count as erased.
    pub(super) fn note_programmed_by_content(
        &mut self,
        g: &Geometry,
        from: usize,
        to: usize,
        clear: bool,
    ) {
        let unit = g.unit_size() as usize;
        let last = to.div_ceil(unit);
        let mut number = from / unit;
        // The bit set is updated one word at a time.
        while number < last {
            let end = last.min((number / 64 + 1) * 64);
            let cells = &self.bytes[number * unit..(end * unit).min(self.bytes.len())];
            let mut with_zeros = 0;
            if unit == 1 {
                let (eights, rest) = cells.as_chunks::<8>();
                for (index, lanes) in (number % 64..).step_by(8).zip(eights) {
                    let below = lanes_below(u64::from_le_bytes(*lanes), 0xFF);
                    with_zeros |= u64::from(below) << index;
                }
                for (index, byte) in (number % 64 + 8 * eights.len()..).zip(rest) {
                    with_zeros |= u64::from(*byte != 0xFF) << index;
                }
            } else {
                for (index, cells) in (number % 64..).zip(cells.chunks(unit)) {
                    with_zeros |= u64::from(cells.iter().any(|byte| *byte != 0xFF)) << index;
                }
            }
            if let Some(word) = self.programmed.get_mut(number / 64) {
                let span = (u64::MAX >> (64 - (end - number))) << (number % 64);
                let kept = if clear { *word & !span } else { *word };
                *word = kept | with_zeros;
            }
            number = end;
        }
    }
}

/// The words of a bit set that contain these bits, and a mask of the bits within each word.
fn words_of(bits: Range<usize>) -> impl Iterator<Item = (usize, u64)> {
    let words = bits.start / 64..bits.end.div_ceil(64).max(bits.start / 64);
    words.map(move |index| {
        let from = bits.start.max(64 * index) - 64 * index;
        let to = bits.end.clamp(64 * index + from, 64 * index + 64) - 64 * index;
        let below = |bit: usize| u64::MAX.checked_shr(64 - bit as u32).unwrap_or(0);
        (index, below(to) & !below(from))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn geometry() -> Geometry {
        Geometry::new(2, 64, 4, 32).unwrap()
    }

    #[test]
    fn program_clears_and_erase_sets() {
        let g = geometry();
        let mut image = Image::blank(&g);
        image.apply(&g, &Step::Program { at: 4, data: vec![0xF0, 0xFF, 0x00, 0x81] });
        image.apply(&g, &Step::Program { at: 4, data: vec![0x3F, 0xFF, 0xFF, 0x0F] });
        assert_eq!(image.bytes()[3..9], [0xFF, 0x30, 0xFF, 0x00, 0x01, 0xFF]);
        assert!(image.is_programmed(1) && !image.is_programmed(0) && !image.is_programmed(2));
        image.apply(&g, &Step::Erase { sector: 0 });
        assert_eq!(image, Image::blank(&g));
        assert_eq!(image.erase_counts(), [1, 0]);
        assert!(!image.is_programmed(1));
    }

    #[test]
    fn steps_outside_the_part_have_no_effect() {
        let g = geometry();
        let mut image = Image::blank(&g);
        image.apply(&g, &Step::Erase { sector: 2 });
        image.apply(&g, &Step::Erase { sector: u32::MAX });
        image.apply(&g, &Step::Program { at: u32::MAX, data: vec![0; 8] });
        assert_eq!(image, Image::blank(&g));
        image.apply(&g, &Step::Program { at: 126, data: vec![0; 8] });
        assert_eq!(image.bytes()[125..], [0xFF, 0, 0]);
    }

    #[test]
    fn an_image_holds_the_bytes_it_was_made_from() {
        let g = geometry();
        let mut bytes = vec![0xFF; 128];
        bytes[9] = 0x7F;
        let image = Image::from_bytes(&g, &bytes).unwrap();
        assert_eq!(image.bytes(), bytes);
        assert!(image.is_programmed(2) && !image.is_programmed(3));
        assert_eq!(Image::from_bytes(&g, &bytes[1..]), Err(GeometryError::WrongLength));
        assert_eq!(image.pages().map(<[u8]>::len).sum::<usize>(), 128);
    }
}
