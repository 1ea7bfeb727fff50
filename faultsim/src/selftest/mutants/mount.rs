//! Mount: finds the head, ends its log where the cut left it, and only then reports.

use super::append::Compaction;
use super::bug::Bug;
use super::codec::{FIRST_RECORD, FLAG, Kind, TAG, opening};
use super::head::{Head, Reading};
use super::slots::Decision;
use super::store::{LONGEST, PlantedState, ReferenceStore, Settling, is_blank};
use super::walk::{Pages, Table, settled_bytes};
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
            sure: false,
            decided: 0,
            resting: None,
            flag: None,
            spare_erased: false,
            planted: PlantedState::default(),
        };
        if store.geometry.sectors < 2 || store.geometry.unit != 1 {
            return Err(Trouble::Broken("needs two sectors or more, and unit 1".to_owned()));
        }
        let reading = store.read_all()?;
        match reading.head(false) {
            Some(head) => {
                (store.sector, store.sequence) = (head.sector, head.sequence);
                store.planted.written = store.has(Bug::ReplacedNotFreed).then_some(0);
                store.recover(reading, head)?;
            }
            None => {
                store.format(&reading)?;
                store.rest()?;
            }
        }
        Ok(store)
    }

    pub(super) fn read_all(&self) -> Result<Reading, Trouble> {
        let sectors = 0..self.geometry.sectors;
        let sectors = sectors.map(|sector| self.read_sector(sector)).collect::<Result<_, _>>()?;
        Ok(Reading { sectors, page: self.page(), bug: self.bug })
    }

    /// The first format: the last sector, blank but for its slots, decides on the first head as an
    /// old head would. Anything else in another sector than the first is not ours to destroy.
    pub(super) fn format(&mut self, reading: &Reading) -> Result<(), Trouble> {
        let last = self.geometry.sectors - 1;
        let used = reading.slots(last).used();
        for (number, bytes) in (0..).zip(&reading.sectors) {
            let rest = if number == last { &bytes[FIRST_RECORD..] } else { &bytes[..] };
            let is_ours = number == 0 && !self.has(Bug::FormatRefuses);
            if !is_ours && !is_blank(rest) {
                return Err(Trouble::Broken("nothing readable, and not blank".to_owned()));
            }
        }
        if !self.has(Bug::FormatUndenied) {
            // What an earlier attempt decided does not count while sector 0 is made anew.
            self.decide(last, used, Decision::Out)?;
        }
        if !(self.has(Bug::FormatTrustsBlank) && is_blank(&reading.sectors[0])) {
            self.erase(0)?;
        }
        self.sequence = 1;
        self.program(0, 0, &opening(1))?;
        self.take_over(last, used)
    }

    pub(super) fn recover(&mut self, reading: Reading, head: Head) -> Result<(), Trouble> {
        let before = reading.before(head.sector);
        let used_before = reading.slots(before).used();
        let slots = reading.slots(head.sector).used();
        let mut bytes = reading.sectors[head.sector as usize].clone();
        let again = self.planted_rereading(&mut bytes)?;
        let (page, codec, bug) = (self.page(), self.codec(), self.bug);
        let pages = Pages { bytes: &bytes, again: &again, page, codec, bug };
        let mut walk = pages.walk();
        self.plant(&mut walk)?;
        self.table = walk.table.clone();
        self.at = walk.end;
        self.decided = slots.max(walk.decided);
        let page = pages.settle_page(walk.last_page);
        let settling = Settling { page, decided: self.decided, walk };
        if settling.walk.rests || self.has(Bug::LateSettle) {
            self.resting = Some(settling);
            return Ok(());
        }
        let repeats = !head.sure && !self.has(Bug::InNotRepeated);
        if repeats && !self.has(Bug::InRepeatedLate) {
            // A decision left by an interrupted program may read as none next time.
            self.decide(before, used_before, Decision::In)?;
        }
        if self.planted_end(&pages, &settling.walk)? {
            return Ok(());
        }
        if settling.walk.erase_begun {
            let spare = self.read_sector(self.next_sector())?;
            let sampled = if self.has(Bug::SampledAfterNote) { self.page() } else { spare.len() };
            self.spare_erased = is_blank(&spare[..sampled]);
        }
        self.settle(&settling)?;
        if repeats && self.has(Bug::InRepeatedLate) {
            self.decide(before, used_before, Decision::In)?;
        }
        if settling.walk.erase_begun && self.spare_erased {
            // Finish the interrupted factory reset.
            self.compact(Table::new(), Compaction::Mount)?;
        }
        self.rest()
    }

    /// Ends the log with a record of all settings, at a place that no interrupted program can have
    /// reached.
    pub(super) fn settle(&mut self, settling: &Settling) -> Result<(), Trouble> {
        let Settling { walk, page, decided } = settling;
        let mut table = match self.bug {
            Some(Bug::SettleWithoutCopy) => walk.before_last.clone(),
            _ => self.table.clone(),
        };
        if self.has(Bug::SettleDropsEmpty) {
            table.retain(|_, value| !value.is_empty());
        }
        let room = self.page() - TAG - self.codec().len(&[], &[]);
        if self.has(Bug::SettleCutShort) {
            while settled_bytes(*decided, &table).len() > room {
                table.pop_last();
            }
        }
        let bytes = settled_bytes(*decided, &table);
        let Some(page) = page.filter(|_| bytes.len() <= room.min(LONGEST)) else {
            let table = match self.bug {
                Some(Bug::CarryDropsLast) => walk.before_last.clone(),
                _ => self.table.clone(),
            };
            return self.compact(table, Compaction::Mount);
        };
        if self.has(Bug::TagsPassedPages) {
            for passed in (walk.last_page..page).filter(|&passed| passed > 0) {
                self.program(self.sector, passed * self.page(), &[0; TAG])?;
            }
        }
        let tag_at = page * self.page();
        let after = self.has(Bug::TagAfterSettle);
        let mut taken =
            after || self.has(Bug::NoTag) || self.takes(self.sector, tag_at, &[0; TAG])?;
        self.at = tag_at + TAG;
        if taken && !self.has(Bug::NoSettle) {
            let record = self.codec().record(Kind::Settle, &[], &bytes);
            taken = self.takes(self.sector, self.at, &record)?;
            self.at += record.len();
        }
        if !taken {
            return self.compact(self.table.clone(), Compaction::Mount);
        }
        if after {
            self.program(self.sector, tag_at, &[0; TAG])?;
        }
        if self.has(Bug::AppendsBeforeSettle) {
            self.at = walk.end;
        }
        self.sure = true;
        Ok(())
    }

    /// Notes at the end of the log that it is settled, if there is room. The power-up after this
    /// one writes nothing then, unless something is written before.
    pub(super) fn rest(&mut self) -> Result<(), Trouble> {
        let record = self.codec().record(Kind::Rest, &[], &[]);
        if let Some(at) = self.place(record.len() + FLAG, self.at) {
            // A rest record that was not taken does no harm.
            self.takes(self.sector, at, &record)?;
            self.at = at + record.len() + FLAG;
            self.flag = Some(at + record.len());
        }
        Ok(())
    }

    /// What comes before the first program or erase of a power-up: the rest ends.
    pub(super) fn wake(&mut self) -> Result<(), Trouble> {
        if let Some(settling) = self.resting.take() {
            if self.has(Bug::ContinuesAfterRest) && settling.walk.rests {
                return self.program(self.sector, settling.walk.end - FLAG, &[0; FLAG]);
            }
            return self.settle(&settling);
        }
        if let Some(flag) = self.flag.take() {
            if !matches!(self.bug, Some(Bug::FlagNotProgrammed | Bug::FlagAfterChange)) {
                self.takes(self.sector, flag, &[0; FLAG])?;
            }
            if self.has(Bug::FlagAfterChange) {
                self.planted.late_flag = Some(flag);
            }
        }
        Ok(())
    }
}
