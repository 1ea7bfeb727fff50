//! The checksum of a whole image, as production tools print it.

use crc::{CRC_32_ISO_HDLC, Crc, Table};

static CRC: Crc<u32, Table<1>> = Crc::<u32, Table<1>>::new(&CRC_32_ISO_HDLC);

/// CRC-32 as used by zlib, Ethernet and ZIP.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

#[cfg(test)]
mod tests {
    /// The check value of the CRC catalogue for CRC-32/ISO-HDLC.
    #[test]
    fn matches_the_published_value() {
        assert_eq!(super::crc32(b"123456789"), 0xCBF4_3926);
    }
}
