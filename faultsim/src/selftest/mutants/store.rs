//! The running store: mount, appends, sector turns.

use std::collections::BTreeSet;

use super::bug::Bug;
use super::codec::{Codec, FIRST_RECORD, HEADER, Kind, MARK, OPENING, TRACE, opening, sequence};
use super::walk::{Change, ERASE_BEGINS, ERASE_DONE, Pages, Table, Walk, table_bytes};
use crate::part::{Geometry, Part};
use crate::subject::Trouble;
use crate::subjects::naive::trouble;

/// Longest key and longest value.
const LONGEST: usize = 255;
/// Not a user's key: room that a planted mistake never gives back.
const LEAK: &[u8] = b"\0";

/// A running store, with all settings in RAM.
#[derive(Debug)]
pub struct ReferenceStore {
    part: Part,
    geometry: Geometry,
    bug: Option<Bug>,
    /// The sector that counts, and its sequence number.
    sector: u32,
    sequence: u32,
    table: Table,
    /// Where in the sector the next record may stand.
    at: usize,
    /// Whether the next sector was erased in this power-up and nothing was written to it since.
    spare_erased: bool,
    planted: Planted,
}

/// What only planted mistakes need.
#[derive(Debug, Default)]
struct Planted {
    oldest: Table,
    unsettled: Option<Walk>,
    read_only: bool,
    corrupt: Option<Vec<u8>>,
    not_listed: BTreeSet<Vec<u8>>,
    clear_requested: bool,
    /// Bytes of all records written since a mount that found a log; none if it made the first one.
    written: Option<usize>,
}

/// Why a sector turn is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Turn {
    /// No room for a change.
    Append,
    /// No room to settle.
    Mount,
    /// Only to see whether it could be made.
    Try,
}

impl ReferenceStore {
    /// One power-up: finds the head, ends its log where the cut left it, and only then reports.
    pub(super) fn open(part: &Part, bug: Option<Bug>) -> Result<Self, Trouble> {
        let mut store = Self {
            part: part.clone(),
            geometry: part.chip().geometry(),
            bug,
            sector: 0,
            sequence: 0,
            table: Table::new(),
            at: FIRST_RECORD,
            spare_erased: false,
            planted: Planted::default(),
        };
        if store.geometry.sectors < 2 || store.geometry.unit != 1 {
            return Err(Trouble::Broken("needs two sectors or more, and unit 1".to_owned()));
        }
        let Some((sector, sequence)) = store.head(|mark| mark.iter().any(|byte| *byte != 0xFF))?
        else {
            store.format()?;
            return Ok(store);
        };
        (store.sector, store.sequence) = (sector, sequence);
        store.planted.written = store.has(Bug::ReplacedNotFreed).then_some(0);
        store.recover()?;
        Ok(store)
    }

    fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    fn codec(&self) -> Codec {
        Codec::new(self.bug, self.sequence)
    }

    fn page(&self) -> usize {
        self.geometry.page as usize
    }

    // Flash.

    fn address(&self, sector: u32, at: usize) -> u32 {
        // A place within a sector is below its size, which is a u32.
        sector * self.geometry.sector_bytes + u32::try_from(at).unwrap_or(u32::MAX)
    }

    fn read(&self, sector: u32, at: usize, out: &mut [u8]) -> Result<(), Trouble> {
        self.part.chip_mut().read(self.address(sector, at), out).map_err(trouble)
    }

    fn read_sector(&self, sector: u32) -> Result<Vec<u8>, Trouble> {
        let mut bytes = vec![0; self.geometry.sector_bytes as usize];
        self.read(sector, 0, &mut bytes)?;
        Ok(bytes)
    }

    fn program(&self, sector: u32, at: usize, bytes: &[u8]) -> Result<(), Trouble> {
        self.part.chip_mut().program(self.address(sector, at), bytes).map_err(trouble)
    }

    /// Zeros stick: from now on the opening of the sector never reads, however an erase is cut.
    fn make_void(&self, sector: u32) -> Result<(), Trouble> {
        if self.has(Bug::VoidsIfItReads) {
            let mut bytes = [0; OPENING];
            self.read(sector, 0, &mut bytes)?;
            if sequence(&bytes, self.bug).is_none() {
                return Ok(());
            }
        }
        self.program(sector, 0, &[0; OPENING])
    }

    fn erase(&self, sector: u32) -> Result<(), Trouble> {
        let from = self.address(sector, 0);
        let to = from + self.geometry.sector_bytes;
        self.part.chip_mut().erase(from, to).map_err(trouble)
    }

    fn mark(&self, sector: u32) -> Result<(), Trouble> {
        self.program(sector, OPENING, &[0; MARK])
    }

    /// Makes void, then erases.
    fn prepare(&self, sector: u32) -> Result<(), Trouble> {
        let reads_blank = match self.bug {
            Some(Bug::BlankTrusted) => is_blank(&self.read_sector(sector)?),
            Some(Bug::BlankSampled) => is_blank(&self.read_sector(sector)?[..self.page()]),
            _ => false,
        };
        if reads_blank {
            return Ok(());
        }
        if !self.has(Bug::ErasesUnvoided) {
            self.make_void(sector)?;
        }
        self.erase(sector)
    }

    // Mount.

    /// The newest sector whose opening reads and whose mark counts.
    fn head(&self, counts: impl Fn(&[u8]) -> bool) -> Result<Option<(u32, u32)>, Trouble> {
        let mut best: Option<(u32, u32)> = None;
        for sector in 0..self.geometry.sectors {
            let mut bytes = [0; OPENING + MARK];
            self.read(sector, 0, &mut bytes)?;
            let Some((opening, mark)) = bytes.split_first_chunk() else { continue };
            let Some(sequence) = sequence(opening, self.bug) else { continue };
            let counts = self.has(Bug::NoMark) || counts(mark);
            if counts && best.is_none_or(|(_, known)| sequence > known) {
                best = Some((sector, sequence));
            }
        }
        Ok(best)
    }

    /// The first format touches sector 0 alone: anything elsewhere is not ours to destroy.
    fn format(&mut self) -> Result<(), Trouble> {
        for sector in 0..self.geometry.sectors {
            let blank = self.read_sector(sector)?.iter().all(|byte| *byte == 0xFF);
            if !blank && (sector > 0 || self.has(Bug::FormatRefuses)) {
                return Err(Trouble::Broken("nothing readable, and not blank".to_owned()));
            }
            if sector == 0 && !(blank && self.has(Bug::FormatTrustsBlank)) {
                self.prepare(sector)?;
            }
        }
        self.sequence = 1;
        self.program(0, 0, &opening(1))?;
        self.mark(0)
    }

    fn recover(&mut self) -> Result<(), Trouble> {
        let mut bytes = self.read_sector(self.sector)?;
        let mut again = bytes.clone();
        match self.bug {
            Some(Bug::CheckedThenRead) => again = self.read_sector(self.sector)?,
            Some(Bug::ReadsUntilEqual) => {
                for _ in 0..16 {
                    again = self.read_sector(self.sector)?;
                    if again == bytes {
                        break;
                    }
                    bytes.clone_from(&again);
                }
            }
            _ => {}
        }
        let (page, codec, bug) = (self.page(), self.codec(), self.bug);
        let pages = Pages { bytes: &bytes, again: &again, page, codec, bug };
        let mut walk = pages.walk();
        self.plant(&mut walk)?;
        if !self.has(Bug::MarkNotRepeated) {
            // A mark that an interrupted program left may read blank next time.
            self.mark(self.sector)?;
        }
        self.table = walk.table.clone();
        self.at = walk.end;
        let goes_on = match self.bug {
            Some(Bug::AppendsBehindTorn) => true,
            Some(Bug::BlankByFirstByte) => {
                // A record that did not fit stands in the next page.
                let next = self.at.next_multiple_of(page) + TRACE;
                [self.at, next].iter().all(|&at| bytes.get(at).is_none_or(|byte| *byte == 0xFF))
            }
            Some(Bug::BlankByReading) => bytes[self.at..].iter().all(|byte| *byte == 0xFF),
            Some(Bug::ZeroFill) => return self.fill_with_zeros(&pages, &walk),
            _ => false,
        };
        if goes_on {
            return Ok(());
        }
        if self.has(Bug::LateSettle) {
            self.planted.unsettled = Some(walk);
            return Ok(());
        }
        let place = pages.settle_page(walk.last_page);
        if !walk.erase_begun {
            return self.settle(&walk, place);
        }
        self.spare_erased = is_blank(&self.read_sector(self.next_sector())?);
        self.settle(&walk, place)?;
        // The interrupted factory reset is finished.
        if self.spare_erased { self.turn(Table::new(), Turn::Mount) } else { Ok(()) }
    }

    /// Ends the log: a record of all settings, where no interrupted program can have been.
    fn settle(&mut self, walk: &Walk, place: Option<usize>) -> Result<(), Trouble> {
        let mut table = match self.bug {
            Some(Bug::SettleWithoutCopy) => walk.before_last.clone(),
            _ => self.table.clone(),
        };
        if self.has(Bug::SettleDropsEmpty) {
            table.retain(|_, value| !value.is_empty());
        }
        let room = self.page() - TRACE - self.codec().len(&[], &[]);
        if self.has(Bug::SettleCutShort) {
            while table_bytes(&table).len() > room {
                table.pop_last();
            }
        }
        let bytes = table_bytes(&table);
        let Some(page) = place.filter(|_| bytes.len() <= room.min(LONGEST)) else {
            let table = match self.bug {
                Some(Bug::CarryDropsLast) => walk.before_last.clone(),
                _ => self.table.clone(),
            };
            return self.turn(table, Turn::Mount);
        };
        // The planted mistake makes void before it notes the erase.
        if !self.has(Bug::DeadHeadLeft) && !walk.erase_begun {
            // A new head that was never marked must not count one day after all.
            let newer = if self.has(Bug::VoidsNewer) { self.sector } else { self.next_sector() };
            self.make_void(newer)?;
        }
        let page_at = page * self.page();
        if self.has(Bug::TraceOverHeader) {
            for passed in (walk.last_page..page).filter(|&passed| passed > 0) {
                self.program(self.sector, passed * self.page(), &[0; TRACE + HEADER])?;
            }
        }
        let after = self.has(Bug::TraceAfterSettle);
        if !after && !self.has(Bug::NoTrace) {
            self.program(self.sector, page_at, &[0; TRACE])?;
        }
        self.at = page_at + TRACE;
        if !self.has(Bug::NoSettle) {
            let record = self.codec().record(Kind::Settle, &[], &bytes);
            self.program(self.sector, self.at, &record)?;
            self.at += record.len();
        }
        if after {
            self.program(self.sector, page_at, &[0; TRACE])?;
        }
        if self.has(Bug::AppendsBeforeSettle) {
            self.at = walk.end;
        }
        Ok(())
    }

    // Changes.

    const fn next_sector(&self) -> u32 {
        (self.sector + 1) % self.geometry.sectors
    }

    /// Where records go that begin at `at` or behind, each within one page; and where they end.
    fn places(&self, records: &[Vec<u8>], mut at: usize) -> Option<(Vec<usize>, usize)> {
        let page = self.page();
        let mut places = Vec::new();
        for record in records {
            if at >= page && at % page < TRACE {
                at = at / page * page + TRACE;
            }
            if at % page + record.len() > page {
                at = (at / page + 1) * page + TRACE;
            }
            if TRACE + record.len() > page
                || at + record.len() > self.geometry.sector_bytes as usize
            {
                return None;
            }
            places.push(at);
            at += record.len();
        }
        Some((places, at))
    }

    fn program_records(&self, records: &[Vec<u8>], places: &[usize]) -> Result<(), Trouble> {
        for (record, &at) in records.iter().zip(places) {
            match record.split_last() {
                Some((last, rest)) if self.has(Bug::CommitByteFirst) => {
                    self.program(self.sector, at + rest.len(), &[*last])?;
                    self.program(self.sector, at, rest)?;
                }
                _ => self.program(self.sector, at, record)?,
            }
        }
        Ok(())
    }

    /// Moves to the next sector with these settings. The mark is what makes them count.
    fn turn(&mut self, table: Table, why: Turn) -> Result<(), Trouble> {
        let (sector, mut number) = (self.next_sector(), self.sequence + 1);
        match self.bug {
            Some(Bug::EqualSequence) => number -= 1,
            Some(Bug::SequenceWraps) => number &= 7,
            _ => {}
        }
        let codec = Codec::new(self.bug, number);
        let mut copied = table.clone();
        let table = if self.planted.clear_requested && why == Turn::Mount {
            copied.clear();
            Table::new()
        } else {
            table
        };
        if self.has(Bug::CopiesOldest) {
            for (key, value) in &mut copied {
                if self.table.get(key) == Some(value)
                    && let Some(oldest) = self.planted.oldest.get(key)
                {
                    value.clone_from(oldest);
                }
            }
        }
        let records: Vec<_> =
            copied.iter().map(|(key, value)| codec.record(Kind::Put, key, value)).collect();
        let resumed = if why == Turn::Try { None } else { self.half_filled(sector, number)? };
        let from = resumed.unwrap_or(FIRST_RECORD);
        let (places, end) = self.places(&records, from).ok_or(Trouble::Full)?;
        if why == Turn::Try {
            return Ok(());
        }
        if resumed.is_none() {
            if !self.spare_erased {
                self.prepare(sector)?;
            }
            self.program(sector, 0, &opening(number))?;
        }
        self.spare_erased = false;
        let marks = !(why == Turn::Mount && self.has(Bug::CarryUnmarked));
        if marks && self.has(Bug::MarkBeforeCopy) {
            self.mark(sector)?;
        }
        let old = core::mem::replace(&mut self.sector, sector);
        self.program_records(&records, &places)?;
        if self.has(Bug::ErasesOldFirst) {
            self.prepare(old)?;
        }
        if marks && !self.has(Bug::MarkBeforeCopy) {
            self.mark(sector)?;
        }
        self.sequence = number;
        self.at = end;
        self.planted.oldest = copied;
        self.planted.clear_requested = false;
        self.table = table;
        Ok(())
    }

    /// Whether these settings would fit into a new sector.
    fn fits(&mut self, table: &Table) -> Result<(), Trouble> {
        self.turn(table.clone(), Turn::Try)
    }

    /// Makes the changes, all or none.
    pub(super) fn change(&mut self, changes: Vec<Change>) -> Result<(), Trouble> {
        if self.planted.read_only {
            return Err(Trouble::Refused("read-only".to_owned()));
        }
        if changes.iter().any(|(key, value)| {
            key.len() > LONGEST || value.as_ref().is_some_and(|value| value.len() > LONGEST)
        }) {
            return Err(Trouble::Refused("longer than 255 bytes".to_owned()));
        }
        let table = with(&self.table, &changes);
        if table == self.table {
            return Ok(());
        }
        if let Some(walk) = self.planted.unsettled.take() {
            self.settle_late(&walk)?;
        }
        let is_batch = changes.len() > 1;
        let records = self.records(&changes);
        if let Some(written) = &mut self.planted.written {
            *written += records.iter().map(Vec::len).sum::<usize>();
            // Room for the opening and for one record to copy is kept.
            if *written > (self.geometry.sector_bytes - self.geometry.page) as usize {
                return Err(Trouble::Full);
            }
        }
        if let Err(full) = self.fits(&table) {
            self.planted_full(is_batch, &records)?;
            return Err(full);
        }
        if self.planted.corrupt.as_ref().is_some_and(|key| changes.iter().any(|(k, _)| k == key)) {
            self.planted.corrupt = None;
        }
        for (key, _) in &changes {
            self.planted.not_listed.remove(key);
        }
        match self.places(&records, self.at) {
            Some((places, end)) => {
                self.program_records(&records, &places)?;
                self.at = end;
            }
            None if is_batch
                && matches!(self.bug, Some(Bug::BatchSplit | Bug::TurnCommitsBatch)) =>
            {
                self.split(&changes, &records)?;
            }
            None if self.has(Bug::TurnForgetsChange) => {
                self.turn(self.table.clone(), Turn::Append)?
            }
            None => self.turn(table.clone(), Turn::Append)?,
        }
        self.table = table;
        Ok(())
    }

    /// The records that say so: of a batch, pending ones and a commit record.
    fn records(&self, changes: &[Change]) -> Vec<Vec<u8>> {
        let codec = self.codec();
        let is_batch = changes.len() > 1 && !self.has(Bug::BatchAsSingles);
        let (put, delete) = if is_batch {
            (Kind::PendingPut, Kind::PendingDelete)
        } else {
            (Kind::Put, Kind::Delete)
        };
        let mut records = Vec::new();
        for (key, value) in changes {
            match value {
                Some(value) => records.push(codec.record(put, key, value)),
                None if self.has(Bug::DeleteNotWritten) && !is_batch => {}
                None if self.has(Bug::BatchDropsDeletes) && is_batch => {}
                None => records.push(codec.record(delete, key, &[])),
            }
        }
        if is_batch {
            let count = u8::try_from(records.len()).unwrap_or(u8::MAX);
            records.push(codec.record(Kind::Commit, &[], &[count]));
        }
        records
    }

    /// Factory reset: a new head without settings.
    pub(super) fn clear(&mut self) -> Result<(), Trouble> {
        if self.planted.read_only {
            return Err(Trouble::Refused("read-only".to_owned()));
        }
        if self.has(Bug::ClearsOneByOne) {
            let keys: Vec<_> = self.table.keys().cloned().collect();
            return keys.into_iter().try_for_each(|key| self.change(vec![(key, None)]));
        }
        if self.has(Bug::ClearsLater) {
            self.note(&[])?;
        }
        self.planted.unsettled = None;
        if self.has(Bug::BlankBehindNote) {
            let sector = self.next_sector();
            self.make_void(sector)?;
            self.note(&ERASE_BEGINS)?;
            self.erase(sector)?;
            self.spare_erased = true;
            self.note(&ERASE_DONE)?;
        }
        self.turn(Table::new(), Turn::Append)
    }

    /// For planted mistakes: says in the log what is about to be done, if there is room.
    fn note(&mut self, what: &[u8]) -> Result<(), Trouble> {
        let note = [self.codec().record(Kind::Note, &[], what)];
        if let Some((places, end)) = self.places(&note, self.at) {
            self.program_records(&note, &places)?;
            self.at = end;
        }
        Ok(())
    }

    /// Erases the next sector ahead of its use, which must be in the same power-up.
    pub(super) fn tidy(&mut self) -> Result<(), Trouble> {
        if !self.spare_erased {
            self.prepare(self.next_sector())?;
            self.spare_erased = true;
        }
        Ok(())
    }

    pub(super) fn get(&self, key: &[u8]) -> Result<Option<&[u8]>, Trouble> {
        if self.planted.corrupt.as_deref() == Some(key) {
            return Err(Trouble::Corrupt);
        }
        Ok(self.table.get(key).map(Vec::as_slice))
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = &[u8]> {
        let listed = |key: &&Vec<u8>| *key != LEAK && !self.planted.not_listed.contains(*key);
        self.table.keys().filter(listed).map(Vec::as_slice)
    }
}

/// Planted mistakes that take more than leaving something out.
impl ReferenceStore {
    fn plant(&mut self, walk: &mut Walk) -> Result<(), Trouble> {
        self.planted.oldest = walk.oldest.clone();
        // Not at the mount that finds the request, but at a later one.
        self.planted.clear_requested = walk.noted && walk.has_settle;
        match self.bug {
            Some(Bug::DropsSuspect) => walk.table = walk.before_last.clone(),
            Some(Bug::SettleAdoptsPending) => walk.table = with(&walk.table, &walk.pending),
            Some(Bug::SettledNotListed) => self.planted.not_listed = walk.settled.clone(),
            Some(Bug::SpaceLeaks) => {
                walk.table.entry(LEAK.to_vec()).or_default().extend([0xA5; 16])
            }
            Some(Bug::RefusesTorn) if walk.torn => {
                return Err(Trouble::Broken("the log is damaged".to_owned()));
            }
            Some(Bug::TornIsCorrupt) => {
                self.planted.corrupt = walk.damaged.as_ref().map(|(key, _)| key.clone());
            }
            Some(Bug::TornIsReadOnly) => self.planted.read_only = walk.torn,
            Some(Bug::ReadsByteByByte) if walk.torn => {
                for at in 0..self.geometry.sector_bytes as usize {
                    self.read(self.sector, at, &mut [0])?;
                }
            }
            Some(Bug::CarryLaunders) => {
                if let Some((key, value)) = walk.damaged.clone()
                    && walk.last_page + 2
                        >= (self.geometry.sector_bytes / self.geometry.page) as usize
                {
                    walk.table.insert(key, value);
                }
            }
            Some(Bug::PassesOverByItsLength) if walk.torn => {
                let mut at = walk.end;
                loop {
                    let mut rest = vec![0; self.page() - at % self.page()];
                    self.read(self.sector, at, &mut rest)?;
                    let super::codec::Parsed::Damaged(Some((_, value))) = self.codec().parse(&rest)
                    else {
                        break;
                    };
                    at += value.len();
                }
            }
            Some(Bug::HeadSoughtTwice) => {
                self.write_elsewhere(|mark| mark.iter().any(|byte| *byte != 0xFF))?;
            }
            Some(Bug::MarkTestedTwoWays) => {
                self.write_elsewhere(|mark| mark.iter().all(|byte| *byte == 0))?;
            }
            _ => {}
        }
        Ok(())
    }

    fn write_elsewhere(&mut self, counts: impl Fn(&[u8]) -> bool) -> Result<(), Trouble> {
        let none = || Trouble::Broken("no head to write to".to_owned());
        (self.sector, self.sequence) = self.head(counts)?.ok_or_else(none)?;
        Ok(())
    }

    fn settle_late(&mut self, walk: &Walk) -> Result<(), Trouble> {
        let bytes = self.read_sector(self.sector)?;
        let (page, codec, bug) = (self.page(), self.codec(), self.bug);
        let pages = Pages { bytes: &bytes, again: &bytes, page, codec, bug };
        self.settle(walk, pages.settle_page(walk.last_page))
    }

    fn fill_with_zeros(&mut self, pages: &Pages<'_>, walk: &Walk) -> Result<(), Trouble> {
        let page = self.page();
        let mut at = walk.end;
        // Whatever the last program can have reached, in this page and the next one.
        for _ in 0..2 {
            let end = ((at / page + 1) * page).min(pages.bytes.len());
            let Some(rest) = pages.bytes.get(at..end) else { break };
            if rest.iter().any(|byte| *byte != 0xFF) {
                self.program(self.sector, at, &vec![0; rest.len()])?;
                self.at = end;
            }
            at = end;
        }
        Ok(())
    }

    /// Where copying into a half-filled new head goes on.
    fn half_filled(&self, sector: u32, number: u32) -> Result<Option<usize>, Trouble> {
        if !self.has(Bug::TargetResumed) {
            return Ok(None);
        }
        let bytes = self.read_sector(sector)?;
        let is_ours = bytes[..OPENING] == opening(number);
        let filled = bytes.iter().rposition(|byte| *byte != 0xFF).unwrap_or(0) + 1;
        // Behind the page that may be torn.
        let from = filled.next_multiple_of(self.page()) + self.page() + TRACE;
        Ok((is_ours && filled > OPENING).then_some(from))
    }

    fn planted_full(&mut self, is_batch: bool, records: &[Vec<u8>]) -> Result<(), Trouble> {
        let written = match self.bug {
            Some(Bug::FullLeavesBatch) if is_batch => &records[..1],
            Some(Bug::FullLeavesRecord) if !is_batch => records,
            _ => return Ok(()),
        };
        if let Some((places, end)) = self.places(written, self.at) {
            self.program_records(written, &places)?;
            self.at = end;
        }
        Ok(())
    }

    /// A batch that begins in this sector and ends in the next.
    fn split(&mut self, changes: &[Change], records: &[Vec<u8>]) -> Result<(), Trouble> {
        let fitting = (0..records.len()).rev().find_map(|count| {
            let (places, _) = self.places(&records[..count], self.at)?;
            Some((count, places))
        });
        let (count, places) = fitting.unwrap_or_default();
        self.program_records(&records[..count], &places)?;
        let carried = match self.bug {
            Some(Bug::TurnCommitsBatch) => with(&self.table, &changes[..count]),
            _ => self.table.clone(),
        };
        self.turn(carried, Turn::Append)?;
        // The codec is that of the new sector.
        let mut rest = Vec::new();
        for (key, value) in changes.iter().skip(count) {
            rest.push(match value {
                Some(value) => self.codec().record(Kind::PendingPut, key, value),
                None => self.codec().record(Kind::PendingDelete, key, &[]),
            });
        }
        let left = u8::try_from(rest.len()).unwrap_or(u8::MAX);
        rest.push(self.codec().record(Kind::Commit, &[], &[left]));
        let (places, end) = self.places(&rest, self.at).ok_or(Trouble::Full)?;
        self.program_records(&rest, &places)?;
        self.at = end;
        Ok(())
    }
}

fn is_blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| *byte == 0xFF)
}

/// The settings after these changes.
fn with(table: &Table, changes: &[Change]) -> Table {
    let mut table = table.clone();
    for (key, value) in changes {
        match value {
            Some(value) => table.insert(key.clone(), value.clone()),
            None => table.remove(key),
        };
    }
    table
}
