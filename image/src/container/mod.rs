//! The file formats of dumps and images: raw binary, Intel HEX, UF2.

mod contents;
mod hex;
mod uf2;

pub use self::contents::{Contents, Cut, MOST_BYTES, Segment, Unreadable};

/// A file format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// Just the bytes.
    Raw,
    /// Intel HEX, with 32-bit addresses.
    Hex,
    /// UF2: blocks of 512 bytes with 256 bytes of data each.
    Uf2,
}

impl Container {
    /// The format that the extension of a file name stands for, if it is known.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let (_, ending) = name.rsplit_once('.')?;
        Some(match ending.to_ascii_lowercase().as_str() {
            "bin" | "raw" | "img" => Self::Raw,
            "hex" | "ihex" | "ihx" => Self::Hex,
            "uf2" => Self::Uf2,
            _ => return None,
        })
    }

    /// The format that the contents look like.
    #[must_use]
    pub fn of_contents(bytes: &[u8]) -> Self {
        if uf2::looks_like_it(bytes) {
            Self::Uf2
        } else if hex::looks_like_it(bytes) {
            Self::Hex
        } else {
            Self::Raw
        }
    }
}

/// Reads the bytes out of a file's contents.
///
/// # Errors
/// [`Unreadable`] if a line or block breaks the rules of its format, or if two contradict each
/// other.
pub fn read(contents: Vec<u8>, container: Container) -> Result<Contents, Unreadable> {
    match container {
        Container::Raw => {
            let segments = vec![Segment { address: 0, bytes: contents }];
            Ok(Contents { segments, ..Contents::default() })
        }
        Container::Hex => hex::read(&contents),
        Container::Uf2 => uf2::read(&contents),
    }
}

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Writing {
    /// The file format.
    pub container: Container,
    /// Leave out blank pages, with this many bytes in a page. Only for parts that are erased first.
    /// A page that holds data is written as a whole, and so is the last page, which marks the end.
    pub skip_blank: Option<u32>,
    /// The family number of UF2 blocks.
    pub family: Option<u32>,
}

/// The contents of a file that holds `segments`.
///
/// # Errors
/// The addresses do not fit into 32 bits. Raw: there is more than one segment. UF2: addresses or
/// lengths are not multiples of 256.
pub fn write(segments: &[Segment], how: &Writing) -> Result<Vec<u8>, String> {
    for Segment { address, bytes } in segments {
        if how.container != Container::Raw && u64::from(*address) + bytes.len() as u64 > 1 << 32 {
            return Err(format!(
                "the bytes from 0x{address:08X} on extend past the 32-bit addresses"
            ));
        }
    }
    match (how.container, segments) {
        (Container::Raw, [segment]) => Ok(segment.bytes.clone()),
        (Container::Raw, _) => {
            Err("a raw file cannot hold bytes at several addresses; write HEX".to_owned())
        }
        (Container::Hex, _) => hex::write(segments, how.skip_blank).map(String::into_bytes),
        (Container::Uf2, _) => uf2::write(segments, how.skip_blank, how.family),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_written_is_read(
            blocks in prop::collection::vec(
                prop_oneof![Just(vec![0xFF; 256]), prop::collection::vec(any::<u8>(), 256)], 1..20),
            base in (0..0xFE00_u32).prop_map(|n| n * 0x1_0100),
            skip_blank in prop_oneof![Just(None), Just(Some(64)), Just(Some(1024))],
            container in prop_oneof![Just(Container::Hex), Just(Container::Uf2)],
        ) {
            let bytes = blocks.concat();
            let how = Writing { container, skip_blank, family: Some(7) };
            let file = write(&[Segment { address: base, bytes: bytes.clone() }], &how).unwrap();
            prop_assert_eq!(Container::of_contents(&file), container);
            let Contents { segments, gaps, cut } = read(file, container).unwrap();
            let mut seen = vec![0xFF; bytes.len()];
            for segment in &segments {
                let at = (segment.address - base) as usize;
                seen[at..at + segment.bytes.len()].copy_from_slice(&segment.bytes);
            }
            prop_assert_eq!(&seen, &bytes);
            prop_assert_eq!(cut, None);
            // The end is always present, and pages are present as a whole or not at all.
            let last = segments.last().unwrap();
            prop_assert_eq!(last.address as usize + last.bytes.len(), base as usize + bytes.len());
            let page = u64::from(skip_blank.unwrap_or(1).max(256));
            for gap in gaps {
                prop_assert!((gap.end - u64::from(base)).is_multiple_of(page));
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
            for container in [Container::Raw, Container::Hex, Container::Uf2] {
                let _ = read(bytes.clone(), container);
            }
        }
    }
}
