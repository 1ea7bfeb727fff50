//! A record's bytes, explained.

use std::fmt::Write as _;

use outlast_image::names;
use outlast_image::record::{Address, kind, title};
use outlast_image::survey::{Entry, Survey};
use outlast_image::value::{Type, show};
use outlast_kvstore::inspect::{Record, RecordKind, Settle, Tally};

use super::sentences;
use crate::words::counted;

/// Explains the record at an address of the region (`0x1234`), or the newest record of a key. The
/// error says that there is none.
pub(super) fn explain(survey: &Survey<'_>, which: &str) -> Result<String, String> {
    let entry = match which.strip_prefix("0x").map(|digits| u32::from_str_radix(digits, 16)) {
        Some(Ok(address)) => {
            let found = survey.records.iter().find(|entry| entry.record.address == address);
            found.ok_or_else(|| format!("no record starts at {which}; --json lists all of them"))?
        }
        _ => {
            let key = names::parse(which)?;
            let newest = survey.history(&key).first().and_then(|n| survey.records.get(*n));
            newest.ok_or_else(|| format!("there is no record of '{which}' in flash"))?
        }
    };
    Ok(text(survey, entry))
}

fn text(survey: &Survey<'_>, entry: &Entry) -> String {
    let record = &entry.record;
    let heading = format!(
        "{} at 0x{:x} ({}), {} bytes: {}\n",
        title(record),
        record.address,
        Address::new(&survey.region, record.address),
        record.end - record.address,
        sentences::state(survey, entry)
    );
    let mut text = heading;
    if let Some(repair) = &record.repair {
        let _ = writeln!(text, "{}", sentences::repaired(survey, repair));
    }
    let mut listing = Listing { survey, at: record.address, text };
    let (key, value_len) = (&record.key, record.value_bytes);
    listing.add(
        record.header_bytes,
        &format!(
            "header: {}, key of {} bytes, value of {value_len}, check and count of zeros",
            kind(record.kind),
            key.len()
        ),
    );
    listing.add(key.len() as u32, &format!("key {}", names::show(key)));
    listing.add_value(record);
    let body = record.header_bytes + key.len() as u32 + value_len;
    let content = survey.region.content_bytes(record.address, record.end - 1) + 1;
    let padding = content.saturating_sub(body + record.trailer_bytes);
    listing.add(padding, "padding to the next unit or page");
    listing.add_trailer(entry);
    listing.add_flag(record);
    listing.text
}

/// The explanation of a record, so far up to the address `at`.
struct Listing<'a> {
    survey: &'a Survey<'a>,
    at: u32,
    text: String,
}

impl Listing<'_> {
    /// Adds the next bytes of the record with an explanation. The tags of pages are no part of it.
    fn add(&mut self, mut len: u32, mut what: &str) {
        let shape = self.survey.region.shape();
        while len > 0 {
            if self.at.is_multiple_of(shape.page_bytes) {
                self.add_bytes(shape.unit, "the tag of the page, no part of the record");
            }
            let in_page = shape.page_bytes - self.at % shape.page_bytes;
            self.add_bytes(len.min(in_page), what);
            len -= len.min(in_page);
            what = "";
        }
    }

    fn add_bytes(&mut self, len: u32, what: &str) {
        let bytes = self.survey.region.bytes(self.at, self.at + len).unwrap_or(&[]);
        for (n, line) in (0..).zip(bytes.chunks(16)) {
            let digits: Vec<String> = line.iter().map(|b| format!("{b:02x}")).collect();
            let what = if n == 0 { what } else { "" };
            let line = format!("  {:08x}  {:47}  {what}", self.at + n * 16, digits.join(" "));
            // Writing to a string does not fail.
            let _ = writeln!(self.text, "{}", line.trim_end());
        }
        self.at += len;
    }

    fn add_value(&mut self, record: &Record) {
        let region = self.survey.region;
        if let Some(tally) = region.tally(record) {
            self.add_tally(record, &tally);
            return;
        }
        match (record.kind, region.settle(record)) {
            (RecordKind::Tally, _) => {}
            (RecordKind::Settle, Some(settle)) => self.add_settle(record, &settle),
            (RecordKind::Commit, _) => {
                let (from, to) = region.extent(record);
                let (from, to) = (Address::new(&region, from), Address::new(&region, to));
                self.add(3, &format!("first record of the batch: {from}"));
                self.add(3, &format!("end of the batch: {to}"));
            }
            (RecordKind::Lost, _) => self.add(record.value_bytes, "the value of this key is lost"),
            (RecordKind::Rest, _) => {
                self.add(record.value_bytes, "fills the page, so that the flag is in the next one");
            }
            (RecordKind::Spare | RecordKind::SpareOver, _) => {
                let slots = counted(record.value_bytes, "slot");
                self.add(record.value_bytes, &format!("its length: {slots} of this sector begun"));
            }
            _ => {
                let value = show(Type::guess(&record.value), &record.value);
                self.add(record.value_bytes, &format!("value {value}"));
            }
        }
    }

    fn add_tally(&mut self, record: &Record, tally: &Tally) {
        let Tally { base, cell_bits, ticks, cells, is_begun, in_order, cells_at } = *tally;
        self.add(8, &format!("base of the count: {base}"));
        self.add(1, &format!("bits of a cell: {cell_bits}"));
        let blank = self.survey.region.content_bytes(self.at, cells_at);
        let blank = blank.min(record.value_bytes.saturating_sub(9));
        self.add(blank, "blank, up to the first cell");
        let next = match (in_order, is_begun) {
            (false, _) => ", but later cells have zeros: damaged",
            (true, true) => ", the next was interrupted",
            (true, false) => "",
        };
        let count = show(Type::COUNT, &record.value);
        let cells = format!("cells: {ticks} of {cells} cleared{next}; count {count}");
        self.add(record.value_bytes.saturating_sub(9 + blank), &cells);
    }

    fn add_settle(&mut self, record: &Record, settle: &Settle) {
        let end = Address::new(&self.survey.region, settle.accepted_end);
        self.add(3, &format!("accepted end of the log: {end}"));
        let spare = match (settle.spare_erased, settle.passed_over) {
            (false, _) => "",
            (true, false) => "; the sector after it is erased",
            (true, true) => "; the sector after the next is erased, the next was passed over",
        };
        let slots = counted(settle.decided, "slot");
        self.add(1, &format!("{slots} of this sector do not count{spare}"));
        let copy = settle.carried.as_ref().map_or_else(String::new, |carried| {
            format!("copy of the last record: {}", title(carried))
        });
        self.add(record.value_bytes.saturating_sub(4), &copy);
    }

    fn add_flag(&mut self, record: &Record) {
        if let Some((at, flag)) = self.survey.region.rest_flag(record) {
            self.at = at;
            let is_blank = flag.iter().all(|byte| *byte == 0xFF);
            let what = if is_blank { "blank, so the log rests" } else { "something may follow" };
            self.add_bytes(flag.len() as u32, &format!("flag: {what}"));
        }
    }

    fn add_trailer(&mut self, entry: &Entry) {
        let (region, record) = (self.survey.region, &entry.record);
        let (epoch, sequence) = entry.generation;
        let want = region.expected_trailer(record, epoch, sequence);
        let have = region.bytes(record.end - record.trailer_bytes, record.end).unwrap_or(&[]);
        let is_right = |from: usize, to: usize| match (have.get(from..to), want.get(from..to)) {
            (Some(have), Some(want)) if have == want => "correct".to_owned(),
            (_, Some(want)) => {
                let want: Vec<String> = want.iter().map(|b| format!("{b:02x}")).collect();
                format!("wrong, should be {}", want.join(" "))
            }
            _ => String::new(),
        };
        let crc = is_right(0, 4);
        let zeros = is_right(4, record.trailer_bytes as usize);
        self.add(
            4,
            &format!("CRC-32C, seeded with epoch {epoch}, sequence {sequence} and offset: {crc}"),
        );
        self.add(record.trailer_bytes - 4, &format!("count of zeros, big-endian: {zeros}"));
    }
}

#[cfg(test)]
mod tests {
    use outlast_image::flash::Ram;
    use outlast_image::shape::Shape;
    use outlast_kvstore::Store;

    use super::*;

    #[test]
    fn a_tally_is_explained_with_its_count() {
        let shape = Shape::SERIAL_NOR;
        let blank = Ram::new(vec![0xFF; 4 * 4096]);
        let mut store: Store<Ram<1>, 16> = Store::open(blank, shape.layout()).unwrap();
        for _ in 0..12 {
            store.tick("gauge.boots").unwrap();
        }
        let image = store.into_flash().into_parts().0;
        let survey = Survey::new(shape.region(&image).unwrap());
        let text = explain(&survey, "gauge.boots").unwrap();
        assert!(text.contains("cells: 11 of 128 cleared; count 12"), "{text}");
        assert!(explain(&survey, "0x1").unwrap_err().contains("no record starts at 0x1"));
    }
}
