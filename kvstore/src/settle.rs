//! Settling: making sure that what this mount reports is what every later mount will report.
//!
//! The last program before a cut is suspect even if it reads well now, and the place behind it may
//! be half-programmed even if it reads blank now. So a mount makes that place unreadable for good,
//! leaves the page, and writes a settle record that says where the accepted log ends and carries a
//! copy of the last record if that one is accepted.

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::index::Index;
use crate::medium::Found;
use crate::record::{Header, Kind, Opening, SEAL, SETTLE, u24};
use crate::walk::{Core, Held, Live, Stop};
use crate::writer::Writer;

/// What a mount decided about the end of the log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Verdict {
    /// Offset where the accepted log ends.
    pub(crate) accepted: u32,
    /// The record behind that end which is accepted all the same, and must be copied.
    pub(crate) suspect: Option<Suspect>,
    /// Offset of the place that holds no record.
    pub(crate) stop: u32,
}

/// A record that passed its checks but may have been the last program before a cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suspect {
    pub(crate) found: Found,
    /// If it is a commit: the addresses it names.
    pub(crate) extent: (u32, u32),
}

/// What became of an attempt to settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Settled {
    Done,
    NoRoom,
    /// The suspect passed its checks before and does not now.
    Flickers,
}

impl<F: NorFlash> Core<F> {
    /// Decides about the last two records of the head and applies those that stay where they are.
    pub(crate) fn judge(
        &mut self,
        stop: Stop,
        opening: &Opening,
        index: &mut Index,
    ) -> Result<Verdict, Error<F::Error>> {
        let base = self.base(self.log.head);
        let life = self.life(self.log.head);
        let mut verdict = Verdict { accepted: stop.offset, suspect: None, stop: stop.offset };
        let mut undecided = [stop.last, stop.before];
        for place in &mut undecided {
            let Some(held) = place.filter(|held| held.address() >= base + opening.proven_end)
            else {
                break;
            };
            *place = None;
            match held {
                Held::Settle(settle) => {
                    verdict.accepted = settle.accepted;
                    verdict.suspect =
                        settle.cargo.map(|found| Suspect { found, extent: settle.extent });
                    break;
                }
                Held::Record(found, _) => {
                    verdict.accepted = found.address - base;
                    let Some(first) = self.medium.whole(&found, life) else {
                        // Torn: the log ends before it, and the record before it may be suspect.
                        verdict.stop = verdict.accepted;
                        continue;
                    };
                    // Pending records count only with their commit; a seal has done its work.
                    let counts =
                        matches!(found.header.kind, Kind::Put | Kind::Delete | Kind::Commit);
                    let value = first.get(self.medium.geometry.header() as usize..).unwrap_or(&[]);
                    let extent = self.medium.extent_from(found.address, value);
                    verdict.suspect = counts.then_some(Suspect { found, extent });
                    break;
                }
            }
        }
        let [last, before] = undecided;
        for held in [before, last].into_iter().flatten() {
            self.apply(&held, index)?;
        }
        Ok(verdict)
    }

    /// Leaves the page the suspect stands in and writes the settle record. Sets the end of the
    /// log, and lets the suspect's copy take effect.
    pub(crate) fn settle(
        &mut self,
        verdict: &Verdict,
        opening: &Opening,
        index: &mut Index,
    ) -> Result<Settled, Error<F::Error>> {
        let g = self.medium.geometry;
        let base = self.base(self.log.head);
        let life = self.life(self.log.head);
        if verdict.stop >= g.sector_bytes {
            return Ok(Settled::NoRoom);
        }
        let seal = match &verdict.suspect {
            Some(suspect) => !self.can_carry(suspect, index)?,
            None => false,
        };
        // A torn record may have touched every page its header names. If the header is lost the
        // next time, no more than the first page was touched.
        let torn = self.medium.header(base + verdict.stop, base + g.sector_bytes);
        let first = g.next_page(verdict.stop);
        let mut behind = torn.map_or(first, |torn| g.next_page(torn.end - base - 1)).max(first);
        if self.find_room(verdict, seal, base, behind).is_none() {
            return Ok(Settled::NoRoom);
        }
        for page in (first..behind).step_by(g.page as usize) {
            self.pass(base + page)?;
        }
        let (page, value_len) = loop {
            let Some((page, value_len)) = self.find_room(verdict, seal, base, behind) else {
                return Ok(Settled::NoRoom);
            };
            behind = self.pass_over(base, behind, page)?;
            if behind == page {
                break (page, value_len);
            }
        };
        // Only now: its header told which pages to pass over.
        if verdict.stop == g.page_of(verdict.stop) {
            self.pass(base + verdict.stop)?;
        } else {
            self.medium.zero(base + verdict.stop, g.header_area())?;
        }
        self.medium.zero(base + page, g.trace())?;
        let header = Header { kind: Kind::Settle, key_len: 0, value_len };
        let address = base + page + g.trace();
        let mut writer = Writer::start(&mut self.medium, life, address, header)?;
        writer.push(&u24(verdict.accepted))?;
        writer.push(&opening.facts())?;
        if let Some(suspect) = &verdict.suspect
            && !writer.carry(&suspect.found, life)?
        {
            return Ok(Settled::Flickers);
        }
        let end = writer.finish([0; 7])?;
        let mut at = end;
        if seal {
            self.write_record(SEAL, &[], &[], &mut at)?;
        }
        self.log.end = g.place(at - base);
        if let Some(suspect) = verdict.suspect {
            let cargo = self.medium.cargo(&Found { address, end, header }, suspect.found.header);
            let key = self.key_of(&cargo);
            self.apply(&Held::Record(cargo, key), index)?;
        }
        Ok(Settled::Done)
    }

    /// The first page from `page` on from which a settle record finds only blank pages; with the
    /// length of its value.
    fn find_room(
        &mut self,
        verdict: &Verdict,
        seal: bool,
        base: u32,
        mut page: u32,
    ) -> Option<(u32, u32)> {
        let g = self.medium.geometry;
        loop {
            let start = page + g.trace();
            let value_len = verdict.suspect.map_or(SETTLE, |suspect| {
                let inner = start + g.header() + SETTLE;
                let Header { key_len, value_len, .. } = suspect.found.header;
                SETTLE + g.record_end(inner, key_len, value_len) - inner
            });
            let mut end = g.record_end(start, 0, value_len);
            if seal {
                end = g.record_end(g.place(end), 0, 0);
            }
            if end > g.sector_bytes {
                return None;
            }
            let mut used = None;
            for at in (page..end).step_by(g.page as usize) {
                if !self.medium.is_blank(base + at, base + at + g.page) {
                    used = Some(at);
                }
            }
            match used {
                None => return Some((page, value_len)),
                Some(at) => page = self.reach(base, at),
            }
        }
    }

    /// The page behind everything that an earlier mount's settle record in this page may have
    /// touched.
    fn reach(&mut self, base: u32, page: u32) -> u32 {
        let g = self.medium.geometry;
        match self.medium.settle_header(base + page, base + g.sector_bytes) {
            Some(torn) => g.next_page(torn.end - base - 1),
            None => page + g.page,
        }
    }

    /// Passes over the pages from `from` to `to`, and over all that the headers of torn settle
    /// records in them name. Returns the first page not passed.
    fn pass_over(&mut self, base: u32, from: u32, to: u32) -> Result<u32, Error<F::Error>> {
        let g = self.medium.geometry;
        let mut page = from;
        while page < to {
            // In rising order, but a header last: it tells which pages to pass over.
            let behind = self.reach(base, page);
            for at in (page + g.page..behind).step_by(g.page as usize) {
                self.pass(base + at)?;
            }
            self.pass(base + page)?;
            page = behind;
        }
        Ok(page)
    }

    /// Marks a page as passed over: it stays visible as such, and no settle record can be read in
    /// it.
    fn pass(&mut self, page: u32) -> Result<(), Error<F::Error>> {
        let g = self.medium.geometry;
        // The trace must be whole before more of the page is touched.
        self.medium.zero(page, g.trace())?;
        self.medium.zero(page + g.trace(), g.header_area())
    }

    /// Whether the suspect can be moved to a new sector along with the tail's live records. A
    /// record of which this is not so gets a seal before anything about it is reported.
    pub(crate) fn can_carry(
        &mut self,
        suspect: &Suspect,
        index: &Index,
    ) -> Result<bool, Error<F::Error>> {
        if !self.log_is_long() {
            return Ok(true);
        }
        let g = self.medium.geometry;
        let size = self.suspect_size(suspect)?;
        let sum = self.live_in(self.log.tail, index, &[]).and(size);
        Ok(g.fits(sum.bytes, sum.count))
    }

    /// What copying the suspect elsewhere takes.
    fn suspect_size(&mut self, suspect: &Suspect) -> Result<Live, Error<F::Error>> {
        let g = self.medium.geometry;
        let mut live = Live::default();
        if suspect.found.header.kind == Kind::Commit {
            self.each_in_batch(suspect.extent, &mut |_, found| {
                live = live.plus(g.size(found));
                Ok(())
            })?;
        } else {
            live = live.plus(g.size(&suspect.found));
        }
        Ok(live)
    }
}
