//! Records after a place that cannot be read, which no walk reaches.

use super::data::Survey;
use super::finding::Kind;

impl<'a> Survey<'a> {
    /// Looks at what follows the end of the log in the head.
    pub(super) fn look_after_end(&mut self, stop: u32, generation: (u32, u32)) {
        let region = self.region;
        let shape = region.shape();
        let size = shape.sector_bytes;
        let base = self.base(generation.1 % shape.sectors);
        let limit = base + size;
        if stop >= limit {
            return;
        }
        let hidden = self.hidden(stop, limit, generation);
        if !hidden.is_empty() {
            self.note(Kind::Hidden, stop, hidden);
            return;
        }
        let page_end = (stop / shape.page_bytes + 1) * shape.page_bytes;
        let begun = |from, to| {
            region.bytes(from, to).is_some_and(|bytes: &[u8]| bytes.iter().any(|b| *b != 0xFF))
        };
        if begun(stop, page_end.min(limit)) {
            self.note(Kind::Begun, stop, Vec::new());
        }
        if begun(page_end.min(limit), limit) {
            self.note(Kind::MountCut, page_end, Vec::new());
        }
    }

    /// Notes the records after a place that cannot be read.
    pub(super) fn note_hidden(&mut self, from: u32, to: u32, generation: (u32, u32)) {
        let keys = self.hidden(from, to, generation);
        self.note(Kind::Hidden, from, keys);
    }

    /// The keys of records between two addresses that pass their checks although no walk reaches
    /// them.
    fn hidden(&self, from: u32, to: u32, generation: (u32, u32)) -> Vec<&'a [u8]> {
        let shape = self.region.shape();
        let (trace, _) = self.region.passed_bytes();
        let mut keys = Vec::new();
        let mut at = from;
        while at < to {
            let record = self.region.record(at, to);
            match record.filter(|record| self.region.passes(record, generation.0, generation.1)) {
                // The copy that a torn settle record carries is not a separate record.
                Some(record) if at % shape.page_bytes != trace + record.header_bytes + 19 => {
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
