//! Settling: making sure that what this mount reports is what every later mount will report.
//!
//! The last program before a cut is suspect even if it reads well now, and the place behind it may
//! be half-programmed even if it reads blank now. So a mount makes that place unreadable for good,
//! leaves the page, and writes a settle record that says where the accepted log ends and carries a
//! copy of the last record if that one is accepted.

use embedded_storage::nor_flash::NorFlash;

use crate::flash::medium::Medium;
use crate::flash::writer::Copied;
use crate::format::geometry::Geometry;
use crate::format::opening::Opening;
use crate::format::record::{Header, Kind, RecordRef, SETTLE};
use crate::index::Index;
use crate::log::append::Content;
use crate::log::log_end::{LogEnd, Suspect};
use crate::log::state::Core;

/// What became of an attempt to settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Settled {
    Done,
    NoRoom,
    /// The suspect passed its checks before and does not now.
    SuspectChanged,
}

/// How a suspect was dropped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dropped {
    /// The log ends before it.
    FromLog,
    /// The settle record that carried it is gone, so the log must be replayed without that.
    WithCarrier,
}

impl<F: NorFlash> Core<F> {
    /// Leaves the page the suspect stands in and writes the settle record. Sets the end of the
    /// log, and lets the suspect's copy take effect.
    #[inline(never)] // A walk should not hold its stack.
    pub(crate) fn settle(
        &mut self,
        log_end: &LogEnd,
        opening: &Opening,
        index: &mut Index,
    ) -> Settled {
        if log_end.stop >= self.medium.geometry.sector_bytes {
            return Settled::NoRoom;
        }
        let seal = match &log_end.suspect {
            Some(suspect) => !self.can_carry(suspect, index),
            None => false,
        };
        let base = self.base(self.log.head);
        let limit = base + self.medium.geometry.sector_bytes;
        let Some(page) = self.medium.end_log(base + log_end.stop, limit, log_end, seal) else {
            return Settled::NoRoom;
        };
        self.medium.zero(page, self.medium.geometry.trace());
        let record = self.medium.geometry.settle_record(page, log_end);
        let mut end = record.address;
        let content = Content::Settle(log_end, opening);
        if self.write_record(record.header, &content, &mut end) == Copied::Damaged {
            return Settled::SuspectChanged;
        }
        if seal {
            self.write_record(Header::SEAL, &Content::New(&[], &[]), &mut end);
        }
        self.log.end = self.medium.geometry.place(end - base);
        if let Some(suspect) = &log_end.suspect {
            let found =
                self.medium.geometry.carried_record(record.address, suspect.found.header.plain());
            self.apply(&Suspect { found, ..*suspect }, &[], index);
        }
        Settled::Done
    }

    /// Drops a suspect that passed its checks before and does not now: its program was interrupted,
    /// so nothing about it was acknowledged or reported. A settle record that carried it is made
    /// unreadable.
    pub(crate) fn drop_suspect(&mut self, log_end: &mut LogEnd) -> Dropped {
        let Some(carrier) = log_end.carrier else {
            log_end.suspect = None;
            log_end.stop = log_end.accepted;
            return Dropped::FromLog;
        };
        let page = self.medium.geometry.page_of(carrier.address);
        // Its header last: it tells which pages it touched.
        let behind = self.medium.geometry.page_after(carrier);
        self.medium.pass_all(page + self.medium.geometry.page, behind);
        self.medium.pass(page);
        Dropped::WithCarrier
    }

    /// Whether the suspect can be moved to a new sector along with the tail's live records. A
    /// record of which this is not so gets a seal before anything about it is reported.
    pub(crate) fn can_carry(&mut self, suspect: &Suspect, index: &Index) -> bool {
        if !self.log_is_long() {
            return true;
        }
        let mut sum = self.live_in(self.log.tail, index, &[]);
        if suspect.found.header.kind() == Kind::Commit {
            let mut batch = suspect.extent;
            while let Some(found) = self.next_in_batch(&mut batch) {
                sum = sum.plus(self.medium.geometry.size(found.header));
            }
        } else {
            sum = sum.plus(self.medium.geometry.size(suspect.found.header));
        }
        self.medium.geometry.fits(sum)
    }
}

impl Geometry {
    /// The settle record in the page at this address.
    fn settle_record(&self, page: u32, log_end: &LogEnd) -> RecordRef {
        let address = page + self.trace();
        let value_len = log_end.suspect.map_or(SETTLE, |suspect| {
            let carried = self.carried_record(address, suspect.found.header.plain());
            SETTLE + self.end(carried) - carried.address
        });
        RecordRef { address, header: Header::new(Kind::Settle, 0, value_len) }
    }
}

/// Pages are addresses here, and `limit` is where the sector ends.
/// Pages are addresses here, and `limit` is where the sector ends.
impl<F: NorFlash> Medium<F> {
    /// Makes the place `stop`, where no record stands, unreadable for good. Returns the page behind it
    /// that takes the settle record; `None`: there is no room.
    #[inline(never)] // Its stack is not needed afterwards.
    fn end_log(&mut self, stop: u32, limit: u32, log_end: &LogEnd, seal: bool) -> Option<u32> {
        // A torn record may have touched every page its header names. If the header is lost the
        // next time, no more than the first page was touched.
        let torn = self.header(stop, limit);
        let first = self.geometry.next_page(stop);
        let mut behind = torn.map_or(first, |torn| self.geometry.page_after(torn));
        self.pass_all(first, behind);
        let room = loop {
            let room = self.find_room(log_end, seal, behind, limit);
            let Some(page) = room else { break None };
            behind = self.pass_over(behind, page, limit);
            if behind == page {
                break room;
            }
        };
        // Only now: its header told which pages to pass over. Without room too: the opening that will
        // tell where this sector's log ends may be lost.
        if stop == self.geometry.page_of(stop) {
            self.pass(stop);
        } else {
            self.zero(stop, self.geometry.header_area());
        }
        room
    }

    /// The first page from `page` on from which a settle record finds only blank pages.
    fn find_room(
        &mut self,
        log_end: &LogEnd,
        seal: bool,
        mut page: u32,
        limit: u32,
    ) -> Option<u32> {
        while page < limit {
            let mut end = self.geometry.end(self.geometry.settle_record(page, log_end));
            if seal {
                end = self.geometry.end_after(end, Header::SEAL);
            }
            if end > limit {
                break;
            }
            let (mut used, mut at) = (None, page);
            while at < end {
                let next = at + self.geometry.page;
                if !self.is_blank(at, next) {
                    used = Some(at);
                }
                at = next;
            }
            match used {
                None => return Some(page),
                Some(at) => page = self.reach(at, limit),
            }
        }
        None
    }

    /// The page behind everything that an earlier mount's settle record in this page may have
    /// touched.
    fn reach(&mut self, page: u32, limit: u32) -> u32 {
        let torn = self.settle_header(page, limit);
        torn.map_or(page + self.geometry.page, |torn| self.geometry.page_after(torn))
    }

    /// Passes over the pages from `page` to `to`, and over all that the headers of torn settle
    /// records in them name. Returns the first page not passed.
    fn pass_over(&mut self, mut page: u32, to: u32, limit: u32) -> u32 {
        while page < to {
            // In rising order, but a header last: it tells which pages to pass over.
            let behind = self.reach(page, limit);
            self.pass_all(page + self.geometry.page, behind);
            self.pass(page);
            page = behind;
        }
        page
    }

    fn pass_all(&mut self, mut page: u32, to: u32) {
        while page < to {
            self.pass(page);
            page += self.geometry.page;
        }
    }

    /// Marks a page as passed over: it stays visible as such, and no settle record can be read in
    /// it.
    fn pass(&mut self, page: u32) {
        // The trace must be whole before more of the page is touched.
        self.zero(page, self.geometry.trace());
        self.zero(page + self.geometry.trace(), self.geometry.header_area());
    }
}
