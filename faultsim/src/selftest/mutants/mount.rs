//! Mount: finds the head, ends its log where the cut left it, and only then reports.

use super::append::Compaction;
use super::bug::Bug;
use super::codec::{FIRST_RECORD, HEADER, Kind, MARK, OPENING, TRACE, opening, sequence};
use super::store::{LONGEST, PlantedState, ReferenceStore, is_blank};
use super::walk::{Pages, Table, Walk, table_bytes};
use crate::part::Part;
use crate::subject::Trouble;

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
            planted: PlantedState::default(),
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

    /// The newest sector with an intact opening and a mark that `counts`, and its sequence number.
    pub(super) fn head(
        &self,
        counts: impl Fn(&[u8]) -> bool,
    ) -> Result<Option<(u32, u32)>, Trouble> {
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

    /// The first format uses sector 0 only. Anything in another sector is not ours to destroy.
    pub(super) fn format(&mut self) -> Result<(), Trouble> {
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

    pub(super) fn recover(&mut self) -> Result<(), Trouble> {
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
            // A mark left by an interrupted program may read blank next time.
            self.mark(self.sector)?;
        }
        self.table = walk.table.clone();
        self.at = walk.end;
        let goes_on = match self.bug {
            Some(Bug::AppendsAfterTorn) => true,
            Some(Bug::BlankByFirstByte) => {
                // A record that did not fit begins in the next page.
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
        // Finish the interrupted factory reset.
        if self.spare_erased { self.compact(Table::new(), Compaction::Mount) } else { Ok(()) }
    }

    /// Ends the log with a record of all settings, at a place that no interrupted program can have
    /// reached.
    pub(super) fn settle(&mut self, walk: &Walk, place: Option<usize>) -> Result<(), Trouble> {
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
            return self.compact(table, Compaction::Mount);
        };
        // The store with the planted mistake has voided the sector before it noted the erase.
        if !self.has(Bug::DeadHeadLeft) && !walk.erase_begun {
            // A new head that was never marked must not come to count one day.
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
}
