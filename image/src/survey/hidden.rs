//! What follows the end of the log in the head: traces of an interruption, or records after a place
//! that cannot be read, which no walk reaches.

use super::data::Survey;
use super::finding::Kind;

impl Survey<'_> {
    /// Looks at what follows the end of the log in the head.
    pub(super) fn look_after_end(&mut self, stop: u32, generation: (u32, u32)) {
        let region = self.region;
        let shape = region.shape();
        let limit = self.base(generation.1 % shape.sectors) + region.records_end_offset();
        if stop >= limit {
            return;
        }
        let hidden = self.hidden(stop, limit, generation);
        if !hidden.is_empty() {
            self.note(Kind::Hidden, stop, hidden);
            return;
        }
        let page_end = region.next_page(stop).min(limit);
        if region.record(stop, limit).is_some() {
            self.note(Kind::Torn, stop, Vec::new());
        } else if region.is_begun(stop, page_end) {
            self.note(Kind::Begun, stop, Vec::new());
        }
        let torn_end = region.record(stop, limit).map_or(page_end, |torn| torn.end.max(page_end));
        if region.is_begun(torn_end, limit) {
            self.note(Kind::MountCut, torn_end, Vec::new());
        }
        self.look_at_flag();
    }

    /// A flag that is not blank, with nothing after it: the first change after a rest was cut.
    fn look_at_flag(&mut self) {
        let in_head = |entry: &&super::entry::Entry| {
            self.head.is_some_and(|(_, head)| entry.generation == (head.epoch, head.sequence))
        };
        let last = self.records.iter().rev().find(in_head);
        let flag = last.and_then(|last| self.region.rest_flag(&last.record));
        if let Some((at, bytes)) = flag
            && bytes.iter().any(|byte| *byte != 0xFF)
        {
            self.note(Kind::Begun, at, Vec::new());
        }
    }

    /// The keys of records between two addresses that pass their checks although no walk reaches
    /// them.
    fn hidden(&self, from: u32, to: u32, generation: (u32, u32)) -> Vec<Vec<u8>> {
        let shape = self.region.shape();
        let mut keys = Vec::new();
        let mut at = from;
        while at < to {
            let record = self.region.record(at, to);
            match record.filter(|record| self.region.passes(record, generation.0, generation.1)) {
                // The copy that a torn settle record carries is not a separate record.
                Some(record) if at % shape.page_bytes != shape.unit + record.header_bytes + 4 => {
                    if !record.key.is_empty() && !keys.contains(&record.key) {
                        keys.push(record.key);
                    }
                    at = record.end.max(at + shape.unit);
                }
                _ => at += shape.unit,
            }
        }
        keys
    }
}
