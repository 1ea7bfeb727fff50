//! A record's bytes, explained.

use std::fmt::Write as _;

use outlast_kvstore::inspect::{RecordKind, Tally};

use crate::names;
use crate::survey::{Entry, Survey};
use crate::value::{Type, show};
use crate::words;

/// Explains the record at an address of the region (`0x1234`), or the newest record of a key.
///
/// # Errors
/// There is no such record.
pub fn explain(survey: &Survey<'_>, which: &str) -> Result<String, String> {
    let entry = match which.strip_prefix("0x").map(|digits| u32::from_str_radix(digits, 16)) {
        Some(Ok(address)) => {
            let found = survey.records.iter().find(|entry| entry.record.address == address);
            found.ok_or_else(|| format!("no record starts at {which}; --json lists all of them"))?
        }
        _ => {
            let key = names::parse(which)?;
            let newest = survey.history(&key).first().and_then(|n| survey.records.get(*n));
            newest.ok_or_else(|| format!("no record of '{which}' is in flash"))?
        }
    };
    Ok(text(survey, entry))
}

fn text(survey: &Survey<'_>, entry: &Entry<'_>) -> String {
    let record = &entry.record;
    let region = &survey.region;
    let mut out = format!(
        "{} at 0x{:x} ({}), {} bytes: {}\n",
        words::record(record),
        record.address,
        words::place(region, record.address),
        record.end - record.address,
        words::state(survey, entry)
    );
    let mut at = record.address;
    let mut part = |len: u32, what: &str| {
        let bytes = region.bytes(at, at + len).unwrap_or(&[]);
        for (n, line) in (0..).zip(bytes.chunks(16)) {
            let digits: Vec<String> = line.iter().map(|b| format!("{b:02x}")).collect();
            let what = if n == 0 { what } else { "" };
            let line = format!("  {:08x}  {:47}  {what}", at + n * 16, digits.join(" "));
            let _ = writeln!(out, "{}", line.trim_end());
        }
        at += len;
    };
    let value_len = record.value_bytes;
    let key_len = record.key.len() as u32;
    let header = format!(
        "header: {}, key of {key_len} bytes, value of {value_len}, its check and count of zeros",
        words::kind(record.kind)
    );
    part(record.header_bytes, &header);
    part(key_len, &format!("key {}", names::show(record.key)));
    if let Some(tally) = region.tally(record) {
        let Tally { base, cell_bits, ticks, cells, is_begun, in_order, cells_at } = tally;
        part(8, &format!("base of the count: {base}"));
        part(1, &format!("bits of a cell, as a power of two: {cell_bits}"));
        let value_at = record.address + record.header_bytes + key_len;
        let blank = cells_at.saturating_sub(value_at + 9).min(value_len.saturating_sub(9));
        part(blank, "blank up to the first cell");
        let next = match (in_order, is_begun) {
            (false, _) => ", but cells behind them have zeros: damaged",
            (true, true) => ", the next was begun and cut off",
            (true, false) => "",
        };
        let count = show(Type::COUNT, &record.value);
        let cells = format!("cells: {ticks} of {cells} cleared{next}; count {count}");
        part(value_len.saturating_sub(9 + blank), &cells);
    }
    match (record.kind, region.settle(record)) {
        (RecordKind::Tally, _) => {}
        (RecordKind::Settle, Some(settle)) => {
            let end = words::place(region, settle.accepted_end);
            part(3, &format!("accepted end of the log: {end}"));
            let facts = settle.facts;
            part(
                16,
                &format!(
                    "the opening's facts: epoch {}, sequence {}, oldest {}, ends 0x{:x} and 0x{:x}",
                    facts.epoch, facts.sequence, facts.oldest, facts.previous_end, facts.proven_end
                ),
            );
            let copy = settle.cargo.map_or_else(String::new, |cargo| {
                format!("copy of the last record: {}", words::record(&cargo))
            });
            part(value_len.saturating_sub(19), &copy);
        }
        (RecordKind::Commit, _) => {
            let (from, to) = region.extent(record);
            part(3, &format!("first record of the batch: {}", words::place(region, from)));
            part(3, &format!("behind its last record: {}", words::place(region, to)));
        }
        _ => {
            let value = show(Type::guess(&record.value), &record.value);
            part(value_len, &format!("value {value}"));
        }
    }
    let body = record.header_bytes + key_len + value_len;
    let padding = (record.end - record.address).saturating_sub(body + record.trailer_bytes);
    part(padding, "padding to the next unit or page");
    let want = region.expected_trailer(record, entry.life.0, entry.life.1);
    let have = region.bytes(record.end - record.trailer_bytes, record.end).unwrap_or(&[]);
    let is_right = |from: usize, to: usize| match (have.get(from..to), want.get(from..to)) {
        (Some(have), Some(want)) if have == want => "right".to_owned(),
        (_, Some(want)) => {
            let want: Vec<String> = want.iter().map(|b| format!("{b:02x}")).collect();
            format!("wrong, it should be {}", want.join(" "))
        }
        _ => String::new(),
    };
    let trailer = record.trailer_bytes as usize;
    part(
        4,
        &format!(
            "CRC-32C, seeded with epoch {}, sequence {} and offset: {}",
            entry.life.0,
            entry.life.1,
            is_right(0, 4)
        ),
    );
    part(
        record.trailer_bytes - 4,
        &format!("count of zeros, big-endian: {}", is_right(4, trailer)),
    );
    out
}
