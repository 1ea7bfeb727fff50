//! Intel HEX, "Hexadecimal Object File Format Specification", revision A, 1988.

use ihex::{ReaderError, Record};

use super::contents::{Contents, Cut, Segment, Skipped, Unreadable, assemble};

/// Bytes in a data record, as most tools write them.
const LINE: usize = 16;

pub(super) fn looks_like_it(bytes: &[u8]) -> bool {
    let start = bytes.iter().position(|b| !b.is_ascii_whitespace()).unwrap_or(0);
    let Some([b':', digits @ ..]) = bytes.get(start..) else { return false };
    digits.len() >= 10 && digits.iter().take(10).all(u8::is_ascii_hexdigit)
}

pub(super) fn read(contents: &[u8]) -> Result<Contents, Unreadable> {
    let mut pieces: Vec<(usize, Segment)> = Vec::new();
    let mut base = 0_u32;
    let mut ended = false;
    for (number, line) in (1..).zip(contents.split(|b| *b == b'\n')) {
        let refuse = |why: String| Err(Unreadable { place: Some(number), why });
        let Some(line) = std::str::from_utf8(line).ok().map(str::trim) else {
            return refuse("not text".to_owned());
        };
        if line.is_empty() {
            continue;
        }
        if ended {
            return refuse("a record after the end-of-file record".to_owned());
        }
        let record = match Record::from_record_string(line) {
            Ok(record) => record,
            Err(error) => return refuse(in_words(&error)),
        };
        match record {
            Record::Data { offset, value } => {
                let address = base.wrapping_add(offset.into());
                if u64::from(address) + value.len() as u64 > 1 << 32 {
                    return refuse("the data extends past the 32-bit addresses".to_owned());
                }
                if !value.is_empty() {
                    append(&mut pieces, number, address, value);
                }
            }
            Record::EndOfFile => ended = true,
            Record::ExtendedSegmentAddress(upper) => base = u32::from(upper) << 4,
            Record::ExtendedLinearAddress(upper) => base = u32::from(upper) << 16,
            Record::StartSegmentAddress { .. } | Record::StartLinearAddress(_) => {}
        }
    }
    // Without an end record, what is present is still used.
    assemble(pieces, (!ended).then_some(Cut::NoEnd))
}

/// Most files are in ascending order, which makes one piece instead of one per line.
fn append(pieces: &mut Vec<(usize, Segment)>, line: usize, address: u32, value: Vec<u8>) {
    if let Some((_, last)) = pieces.last_mut()
        && u64::from(last.address) + last.bytes.len() as u64 == u64::from(address)
    {
        last.bytes.extend_from_slice(&value);
    } else {
        pieces.push((line, Segment { address, bytes: value }));
    }
}

fn in_words(error: &ReaderError) -> String {
    match error {
        ReaderError::MissingStartCode => "a record must begin with ':'".to_owned(),
        ReaderError::RecordTooShort => "the record is cut short".to_owned(),
        ReaderError::ChecksumMismatch(want, have) => {
            format!("the checksum is {have:02X} but must be {want:02X}: the line is damaged")
        }
        ReaderError::PayloadLengthMismatch => "the record is not as long as it says".to_owned(),
        other => other.to_string(),
    }
}

pub(super) fn write(segments: &[Segment], page: Option<u32>) -> Result<String, String> {
    let mut out = String::with_capacity(segments.iter().map(|s| s.bytes.len() * 3).sum());
    let mut upper = None;
    let mut push = |record: Record| -> Result<(), String> {
        out.push_str(&record.to_record_string().map_err(|error| error.to_string())?);
        out.push('\n');
        Ok(())
    };
    for segment in segments {
        let Segment { address: base, bytes } = segment;
        let skipped = Skipped::of(segment, page);
        let mut at = 0;
        while at < bytes.len() {
            let address = base + at as u32;
            // A record must not cross the 64 KiB that its offset can address.
            let room = LINE - address as usize % LINE;
            let value = &bytes[at..bytes.len().min(at + room)];
            let skip = skipped.holds(at) && skipped.holds(at + value.len() - 1);
            at += value.len();
            if skip {
                continue;
            }
            let high = (address >> 16) as u16;
            if upper != Some(high) {
                push(Record::ExtendedLinearAddress(high))?;
                upper = Some(high);
            }
            push(Record::Data { offset: address as u16, value: value.to_vec() })?;
        }
    }
    push(Record::EndOfFile)?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The published rule: the sum of all bytes of a record, its checksum included, is zero
    /// modulo 256 (Intel, revision A, section 1). Checked here without the crate that writes them.
    #[test]
    fn records_sum_to_zero_and_state_their_length() {
        let bytes: Vec<u8> =
            (0..70_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        let segment = Segment { address: 0x0800_FFF8, bytes: bytes.clone() };
        let text = write(&[segment], None).unwrap();
        let (mut upper, mut seen) = (0_u32, 0_usize);
        for line in text.lines() {
            let digits = line.strip_prefix(':').unwrap();
            let record: Vec<u8> = (0..digits.len())
                .step_by(2)
                .map(|n| u8::from_str_radix(&digits[n..n + 2], 16).unwrap())
                .collect();
            assert_eq!(record.iter().fold(0_u8, |sum, b| sum.wrapping_add(*b)), 0, "{line}");
            assert_eq!(record.len(), usize::from(record[0]) + 5);
            match record[3] {
                0 => {
                    let address = upper << 16 | u32::from(record[1]) << 8 | u32::from(record[2]);
                    assert_eq!(address, 0x0800_FFF8 + seen as u32);
                    assert_eq!(record[4..record.len() - 1], bytes[seen..seen + record.len() - 5]);
                    seen += record.len() - 5;
                }
                4 => upper = u32::from(record[4]) << 8 | u32::from(record[5]),
                other => assert_eq!((other, line), (1, ":00000001FF")),
            }
        }
        assert_eq!(seen, bytes.len());
    }

    #[test]
    fn damaged_lines_are_named() {
        let why = |text: &str| read(text.as_bytes()).unwrap_err().to_string();
        let good = ":0400000001020304F2\n";
        let read_good = read(good.as_bytes()).unwrap();
        assert_eq!(
            (&read_good.segments[0].bytes[..], read_good.cut),
            (&[1, 2, 3, 4][..], Some(Cut::NoEnd))
        );
        let ended = read(format!("{good}:00000001FF\n").as_bytes()).unwrap();
        assert_eq!(ended.cut, None);
        assert_eq!(
            why(":0400000001020304F2\n:0400040001020304F2\n"),
            "2: the checksum is F2 but must be EE: the line is damaged"
        );
        assert_eq!(why("\n\n:0400\n"), "3: the record is cut short");
        assert_eq!(why("hello"), "1: a record must begin with ':'");
        assert_eq!(
            why(":00000001FF\n:0400000001020304F2"),
            "2: a record after the end-of-file record"
        );
    }
}
