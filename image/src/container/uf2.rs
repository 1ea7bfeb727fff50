//! UF2 as in its public specification (github.com/microsoft/uf2, README; from memory): blocks of
//! 512 bytes, all numbers little-endian.

use std::collections::{BTreeMap, BTreeSet};

use super::contents::{Contents, Cut, Segment, Skipped, Unreadable, assemble};

const BLOCK: usize = 512;
/// Bytes of data in a block; every loader accepts 256.
const PAYLOAD: usize = 256;
const MOST_PAYLOAD: usize = 476;
const MAGIC: [u32; 3] = [0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30];
const NOT_MAIN_FLASH: u32 = 0x0000_0001;
const FILE_CONTAINER: u32 = 0x0000_1000;
const FAMILY_PRESENT: u32 = 0x0000_2000;

pub(super) fn looks_like_it(bytes: &[u8]) -> bool {
    field(bytes, 0) == Some(MAGIC[0]) && field(bytes, 1) == Some(MAGIC[1])
}

/// The little-endian word number `n`.
fn field(block: &[u8], n: usize) -> Option<u32> {
    block.get(4 * n..)?.first_chunk().map(|bytes| u32::from_le_bytes(*bytes))
}

pub(super) fn read(contents: &[u8]) -> Result<Contents, Unreadable> {
    let mut pieces = Vec::new();
    // Keyed by the count in the blocks, since files may be concatenated.
    let mut numbers: BTreeMap<u32, BTreeSet<u32>> = BTreeMap::new();
    let mut ends_early = false;
    let mut only_family = None;
    for (number, block) in (1..).zip(contents.chunks(BLOCK)) {
        let refuse = |why: &str| Err(Unreadable { place: Some(number), why: why.to_owned() });
        if block.len() < BLOCK {
            ends_early = true;
            break;
        }
        let words: [Option<u32>; 8] = std::array::from_fn(|n| field(block, n));
        let [
            Some(m0),
            Some(m1),
            Some(flags),
            Some(address),
            Some(size),
            Some(block_number),
            Some(blocks),
            Some(family),
        ] = words
        else {
            return refuse("the block is cut short");
        };
        if [Some(m0), Some(m1), field(block, 127)] != MAGIC.map(Some) {
            return refuse("not a UF2 block: its magic numbers are wrong");
        }
        if block_number < blocks {
            numbers.entry(blocks).or_default().insert(block_number);
        }
        if flags & (NOT_MAIN_FLASH | FILE_CONTAINER) != 0 {
            continue;
        }
        let family = (flags & FAMILY_PRESENT != 0).then_some(family);
        if *only_family.get_or_insert(family) != family {
            return refuse(
                "blocks of several families; put those of one family into a separate file",
            );
        }
        let Some(data) = block.get(32..32 + size as usize).filter(|d| d.len() <= MOST_PAYLOAD)
        else {
            return refuse("the block claims more than 476 bytes of data");
        };
        if u64::from(address) + data.len() as u64 > 1 << 32 {
            return refuse("the data extends past the 32-bit addresses");
        }
        if !data.is_empty() {
            pieces.push((number, Segment { address, bytes: data.to_vec() }));
        }
    }
    let all_there = numbers.iter().all(|(blocks, seen)| seen.len() == *blocks as usize);
    assemble(pieces, (ends_early || !all_there).then_some(Cut::NoBlocks))
}

pub(super) fn write(
    segments: &[Segment],
    page: Option<u32>,
    family: Option<u32>,
) -> Result<Vec<u8>, String> {
    let whole = |n: usize| n.is_multiple_of(PAYLOAD);
    if !segments.iter().all(|s| whole(s.address as usize) && whole(s.bytes.len())) {
        return Err("UF2 needs a base address and a length that are multiples of 256".to_owned());
    }
    let payloads: Vec<(u32, &[u8])> = segments
        .iter()
        .flat_map(|segment| {
            let skipped = Skipped::of(segment, page);
            let blocks = segment.bytes.chunks(PAYLOAD).enumerate();
            blocks
                .map(|(n, data)| (n * PAYLOAD, data))
                .filter(move |(at, _)| !skipped.holds(*at))
                .map(|(at, data)| (segment.address + at as u32, data))
        })
        .collect();
    let mut out = Vec::with_capacity(payloads.len() * BLOCK);
    for (number, (address, data)) in (0..).zip(&payloads) {
        let start = out.len();
        let flags = if family.is_some() { FAMILY_PRESENT } else { 0 };
        let words = [
            MAGIC[0],
            MAGIC[1],
            flags,
            *address,
            PAYLOAD as u32,
            number,
            payloads.len() as u32,
            family.unwrap_or(0),
        ];
        words.iter().for_each(|word| out.extend_from_slice(&word.to_le_bytes()));
        out.extend_from_slice(data);
        out.resize(start + BLOCK - 4, 0);
        out.extend_from_slice(&MAGIC[2].to_le_bytes());
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The block layout of the specification, field by field, as literal bytes.
    #[test]
    fn a_block_is_laid_out_as_specified() {
        let data: Vec<u8> = (0..=255).collect();
        let segment = Segment { address: 0x1000_0000, bytes: [data.clone(), data].concat() };
        let file = write(&[segment], None, Some(0xE48B_FF56)).unwrap();
        assert_eq!(file.len(), 1024);
        let second = &file[512..];
        let header = [
            0x55, 0x46, 0x32, 0x0A, 0x57, 0x51, 0x5D, 0x9E, // "UF2\n", second magic
            0x00, 0x20, 0x00, 0x00, 0x00, 0x01, 0x00, 0x10, // flags, target address
            0x00, 0x01, 0x00, 0x00, 0x01, 0x00, 0x00, 0x00, // payload size, block number
            0x02, 0x00, 0x00, 0x00, 0x56, 0xFF, 0x8B, 0xE4, // number of blocks, family
        ];
        assert_eq!(second[..32], header);
        assert!(second[32..288].iter().zip(0..=255).all(|(have, want)| *have == want));
        assert!(second[288..508].iter().all(|b| *b == 0));
        assert_eq!(second[508..], [0x30, 0x6F, 0xB1, 0x0A]);
    }

    #[test]
    fn damaged_blocks_are_named_and_foreign_ones_left_out() {
        let mut file = write(&[Segment { address: 0, bytes: vec![1; 1024] }], None, None).unwrap();
        file[512 + 8] = 1;
        let Contents { segments, gaps, cut } = read(&file).unwrap();
        assert_eq!(segments[0].bytes[255..513], [&[1][..], &[0xFF; 256], &[1]].concat());
        assert_eq!((gaps.as_slice(), cut), (std::slice::from_ref(&(256..512)), None));
        let twice = [&file[..], &file[..]].concat();
        assert_eq!(read(&twice).unwrap().cut, None);
        for lacking in [&file[..1536], &file[512..], &file[..2000]] {
            assert_eq!(read(lacking).unwrap().cut, Some(Cut::NoBlocks));
        }
        file[1024 + 510] ^= 1;
        assert_eq!(
            read(&file).unwrap_err().to_string(),
            "3: not a UF2 block: its magic numbers are wrong"
        );
        assert!(
            write(&[Segment { address: 0, bytes: vec![0; 100] }], None, None)
                .unwrap_err()
                .contains("multiples of 256")
        );
    }
}
