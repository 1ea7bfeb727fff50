//! What a sector says: its records, page by page from the last settle record on. Nothing here
//! touches the flash.

use std::collections::{BTreeMap, BTreeSet};

use super::bug::Bug;
use super::codec::{Codec, FIRST_RECORD, FLAG, HEADER, Kind, Parsed, TAG};

/// The values of a note, for a planted mistake.
pub(super) const ERASE_BEGINS: [u8; 1] = [0x1B];
pub(super) const ERASE_DONE: [u8; 1] = [0x2D];

/// Settings by name.
pub(super) type Table = BTreeMap<Vec<u8>, Vec<u8>>;

/// A change by name; no value means a deletion.
pub(super) type Change = (Vec<u8>, Option<Vec<u8>>);

/// The content of a sector.
#[derive(Clone, Debug, Default)]
pub(super) struct Walk {
    /// The settings.
    pub(super) table: Table,
    /// The settings without the last record.
    pub(super) before_last: Table,
    /// The page of the last intact record.
    pub(super) last_page: usize,
    /// Where the last intact record ends.
    pub(super) end: usize,
    /// Whether something that is not a record follows the last intact record.
    pub(super) torn: bool,
    /// Key and value of what follows, if its header is intact.
    pub(super) damaged: Option<(Vec<u8>, Vec<u8>)>,
    /// Records of a batch without its commit record.
    pub(super) pending: Vec<Change>,
    /// Whether there is a settle record that counts.
    pub(super) has_settle: bool,
    /// How many slots of the sector were used before that settle record: what they hold is denied.
    pub(super) decided: usize,
    /// Whether there is a seal or a rest record, which no sector has before it is the head.
    pub(super) is_sealed: bool,
    /// Whether the last record is a rest record, and the flag after it is blank.
    pub(super) rests: bool,
    /// The keys in the settle record that no later record has changed.
    pub(super) settled: BTreeSet<Vec<u8>>,
    /// The first value found for each key.
    pub(super) oldest: Table,
    /// For planted mistakes: whether there is a note, and whether it is the last record and says
    /// that an erase begins.
    pub(super) noted: bool,
    pub(super) erase_begun: bool,
}

/// A sector as it was read, and what is needed to interpret it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pages<'sector> {
    pub(super) bytes: &'sector [u8],
    /// For a planted mistake, the same sector from another reading; otherwise the same bytes.
    pub(super) again: &'sector [u8],
    pub(super) page: usize,
    pub(super) codec: Codec,
    pub(super) bug: Option<Bug>,
}

impl Pages<'_> {
    fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    fn count(&self) -> usize {
        self.bytes.len() / self.page
    }

    /// Where the records of a page begin.
    fn start(&self, page: usize) -> usize {
        if page == 0 { FIRST_RECORD } else { page * self.page + TAG }
    }

    /// What is stored at a place. Beyond the end of the page, that is nothing.
    fn parse(&self, page: usize, at: usize) -> Parsed<'_> {
        let end = (page + 1) * self.page;
        self.codec.parse(self.bytes.get(at..end).unwrap_or_default())
    }

    fn is_settle(&self, at: usize) -> bool {
        matches!(self.parse(at / self.page, at), Parsed::Record { kind: Kind::Settle, .. })
    }

    /// Whether there is nothing after the record at `at`.
    fn is_alone(&self, at: usize) -> bool {
        let Parsed::Record { len, .. } = self.parse(at / self.page, at) else { return false };
        self.bytes[at + len..].iter().all(|byte| *byte == 0xFF)
    }

    fn is_blank(&self, page: usize) -> bool {
        let from = page * self.page;
        self.bytes[from..from + self.page].iter().all(|byte| *byte == 0xFF)
    }

    /// The settle record that counts. Settle records are only at the starts of pages, where nothing
    /// that a user writes can be.
    fn settle(&self) -> Option<usize> {
        let mut starts = (1..self.count()).map(|page| self.start(page));
        if self.has(Bug::SettleAnywhere) {
            return (FIRST_RECORD..self.bytes.len()).rev().find(|&at| self.is_settle(at));
        }
        if self.has(Bug::LoneSettleIgnored) {
            return starts.rfind(|&at| self.is_settle(at) && !self.is_alone(at));
        }
        if self.has(Bug::FirstSettleCounts) {
            return starts.find(|&at| self.is_settle(at));
        }
        starts.rfind(|&at| self.is_settle(at))
    }

    /// A page for the next settle record. The last program before the cut can have reached the page
    /// of the last intact record and the next one, and earlier mounts left a tag or more in the
    /// pages that they used.
    pub(super) fn settle_page(&self, last_page: usize) -> Option<usize> {
        let near = if self.has(Bug::SettleTooNear) { 1 } else { 2 };
        let mut pages = last_page + near..self.count();
        if self.has(Bug::SettleInGap) {
            return pages.find(|&page| self.is_blank(page));
        }
        pages.find(|&page| (page..self.count()).all(|later| self.is_blank(later)))
    }

    /// Reads the log.
    pub(super) fn walk(&self) -> Walk {
        let mut walk = Walk::default();
        let mut first = (0, FIRST_RECORD);
        if self.has(Bug::OrphansAdopted) {
            walk.pending = self.orphans();
        }
        if let Some(at) = self.settle()
            && let Parsed::Record { value, len, .. } = self.parse(at / self.page, at)
        {
            let value = if self.has(Bug::CheckedThenRead) {
                &self.again[at + HEADER..at + HEADER + value.len()]
            } else {
                value
            };
            let (decided, table) = value.split_first().unwrap_or((&0, &[]));
            walk.table = table_from(table);
            walk.has_settle = true;
            walk.decided = usize::from(*decided);
            walk.before_last = walk.table.clone();
            walk.oldest = walk.table.clone();
            walk.settled = walk.table.keys().cloned().collect();
            first = (at / self.page, at + len);
        }
        walk.last_page = first.0;
        walk.end = first.1;
        for page in first.0..self.count() {
            let at = if page == first.0 { first.1 } else { self.start(page) };
            if !self.page_of_log(&mut walk, page, at, page == first.0) {
                break;
            }
        }
        match self.bug {
            Some(Bug::ClearsLater) => walk.noted = self.all_pages().noted,
            Some(Bug::OlderRestCounts) => walk.rests |= self.all_pages().rests,
            _ => {}
        }
        walk
    }

    /// Reads the records of one page from `at` on. Returns whether the log may continue in the next
    /// page.
    fn page_of_log(&self, walk: &mut Walk, page: usize, mut at: usize, first: bool) -> bool {
        let mut any = first;
        let goes_on = matches!(self.bug, Some(Bug::NoSettle | Bug::ZeroFill));
        loop {
            match self.parse(page, at) {
                Parsed::Record { kind, key, value, len } => {
                    let value = if self.has(Bug::CheckedThenRead) {
                        let from = at + HEADER + key.len();
                        &self.again[from..from + value.len()]
                    } else {
                        value
                    };
                    walk.note(kind, key, value, self.bug);
                    at += len;
                    if kind == Kind::Rest {
                        let rests = self.bytes[at..at + FLAG] == [0xFF; FLAG];
                        let older = self.has(Bug::OlderRestCounts) && walk.rests;
                        walk.rests = rests || older;
                        at += FLAG;
                    }
                    walk.end = at;
                    walk.last_page = page;
                    any = true;
                }
                Parsed::Blank => {
                    let left = (page + 1) * self.page - at.min((page + 1) * self.page);
                    if self.has(Bug::GapEndsLog) && left >= HEADER {
                        return false;
                    }
                    return any || goes_on && (self.has(Bug::NoSettle) || !self.is_blank(page));
                }
                Parsed::Damaged(readable) => {
                    let inside = || {
                        (at + 1..(page + 1) * self.page)
                            .find(|&at| matches!(self.parse(page, at), Parsed::Record { .. }))
                    };
                    if self.has(Bug::SeeksInsideValue)
                        && let Some(found) = inside()
                    {
                        at = found;
                        continue;
                    }
                    walk.torn = true;
                    walk.damaged = readable.map(|(key, value)| (key.to_vec(), value.to_vec()));
                    return goes_on;
                }
            }
        }
    }

    /// For a planted mistake: the pending records before the settle record.
    fn orphans(&self) -> Vec<Change> {
        let mut before = Walk::default();
        let until = self.settle().map_or(0, |at| at / self.page);
        for page in 0..until {
            self.page_of_log(&mut before, page, self.start(page), false);
        }
        before.pending
    }

    /// For planted mistakes: the records of all pages, also those before the settle record.
    fn all_pages(&self) -> Walk {
        let mut walk = Walk::default();
        for page in 0..self.count() {
            self.page_of_log(&mut walk, page, self.start(page), false);
        }
        walk
    }
}

impl Walk {
    fn note(&mut self, kind: Kind, key: &[u8], value: &[u8], bug: Option<Bug>) {
        self.before_last = self.table.clone();
        self.rests &= bug == Some(Bug::OlderRestCounts);
        let notes =
            matches!(bug, Some(Bug::BlankAfterNote | Bug::SampledAfterNote)) && kind == Kind::Note;
        self.erase_begun = notes && value == ERASE_BEGINS;
        let kind = match kind {
            Kind::PendingPut if bug == Some(Bug::PendingCounts) => Kind::Put,
            Kind::PendingDelete if bug == Some(Bug::PendingCounts) => Kind::Delete,
            other => other,
        };
        match kind {
            Kind::Put => self.change(key, Some(value), bug),
            Kind::Delete => self.change(key, None, bug),
            Kind::PendingPut => self.pending.push((key.to_vec(), Some(value.to_vec()))),
            Kind::PendingDelete => self.pending.push((key.to_vec(), None)),
            Kind::Commit => {
                let mut pending = core::mem::take(&mut self.pending);
                let count = value.first().map_or(0, |&count| usize::from(count));
                let before = match bug {
                    Some(Bug::OrphansAdopted | Bug::FullLeavesBatch) => 0,
                    _ => pending.len().saturating_sub(count),
                };
                for (key, value) in pending.drain(before..) {
                    self.change(&key, value.as_deref(), bug);
                }
            }
            Kind::Note => self.noted = true,
            Kind::Seal | Kind::Rest => self.is_sealed = true,
            // Only the settle record that the walk began with counts.
            Kind::Settle => {}
        }
    }

    fn change(&mut self, key: &[u8], value: Option<&[u8]>, bug: Option<Bug>) {
        let value = match value {
            Some([]) if bug == Some(Bug::EmptyIsDeleted) => None,
            other => other,
        };
        self.settled.remove(key);
        let Some(value) = value else {
            self.table.remove(key);
            return;
        };
        self.oldest.entry(key.to_vec()).or_insert_with(|| value.to_vec());
        let hash = |key: &[u8]| key.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        let known = match bug {
            Some(Bug::HashForKey) => {
                self.table.keys().find(|known| hash(known) == hash(key)).cloned()
            }
            _ => None,
        };
        match bug {
            Some(Bug::FirstRecordCounts) => {
                self.table.entry(key.to_vec()).or_insert_with(|| value.to_vec());
            }
            _ => {
                self.table.insert(known.unwrap_or_else(|| key.to_vec()), value.to_vec());
            }
        }
    }
}

/// The value of a settle record: the number of slots that are denied, and a whole table.
pub(super) fn settled_bytes(decided: usize, table: &Table) -> Vec<u8> {
    let mut bytes = vec![u8::try_from(decided).unwrap_or(u8::MAX)];
    for part in table.iter().flat_map(|(key, value)| [key, value]) {
        // Keys and values come from records, where their lengths are one byte.
        bytes.push(u8::try_from(part.len()).unwrap_or(u8::MAX));
        bytes.extend(part);
    }
    bytes
}

fn table_from(mut bytes: &[u8]) -> Table {
    let mut take = || {
        let (len, rest) = bytes.split_first()?;
        let (part, rest) = rest.split_at_checked(usize::from(*len))?;
        bytes = rest;
        Some(part.to_vec())
    };
    let mut table = Table::new();
    while let (Some(key), Some(value)) = (take(), take()) {
        table.insert(key, value);
    }
    table
}
