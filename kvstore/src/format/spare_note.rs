//! What a record says about the spare, so that an erase counts in later power-ups.

use super::record::{Header, Kind};

/// What a settle record or a spare record says about the slots of its sector and about the spare.
///
/// The spare is erased only as long as no further slot is begun: a compaction begins one before it
/// programs anything in the spare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct SpareNote {
    /// How many slots of the sector were begun.
    pub(crate) slots: u32,
    /// Whether the spare was erased and takes programs.
    pub(crate) erased: bool,
    /// Whether the spare is not the sector after this one but the one after that.
    pub(crate) over: bool,
}

impl SpareNote {
    pub(crate) const NONE: Self = Self { slots: 0, erased: false, over: false };

    /// The header of the spare record that says this of an erased spare. The number of slots is the
    /// length of its value.
    pub(crate) const fn header(self) -> Header {
        let kind = if self.over { Kind::SpareOver } else { Kind::Spare };
        Header::new(kind, 0, self.slots)
    }

    /// What the spare record with this header says. `None` if it is another kind of record.
    pub(crate) const fn of_header(header: Header) -> Option<Self> {
        let over = matches!(header.kind(), Kind::SpareOver);
        if over || matches!(header.kind(), Kind::Spare) {
            Some(Self { slots: header.value_len(), erased: true, over })
        } else {
            None
        }
    }

    /// The byte of a settle record. From bit 0: number of slots (6 bits), `over`, `erased`.
    pub(crate) const fn to_byte(self) -> u8 {
        self.slots as u8 & 63 | (self.over as u8) << 6 | (self.erased as u8) << 7
    }

    /// The reverse of [`to_byte`](Self::to_byte).
    pub(crate) const fn from_byte(byte: u8) -> Self {
        Self { slots: byte as u32 & 63, erased: byte & 0x80 != 0, over: byte & 0x40 != 0 }
    }
}
