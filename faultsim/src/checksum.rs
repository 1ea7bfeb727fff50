//! CRC-32 for the subjects and the tokens of this crate.

/// Remainders of all bytes for the reflected polynomial 0xEDB88320.
const TABLE: [u32; 256] = {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        // 256 entries: the index fits.
        let mut remainder = byte as u32;
        let mut bit = 0;
        while bit < 8 {
            let carry = remainder & 1 == 1;
            remainder >>= 1;
            if carry {
                remainder ^= 0xEDB8_8320;
            }
            bit += 1;
        }
        table[byte] = remainder;
        byte += 1;
    }
    table
};

/// The CRC-32 of Ethernet and many file formats.
pub(crate) fn crc32(bytes: impl IntoIterator<Item = u8>) -> u32 {
    !bytes
        .into_iter()
        .fold(u32::MAX, |sum, byte| sum >> 8 ^ TABLE[usize::from(sum.to_le_bytes()[0] ^ byte)])
}

#[cfg(test)]
mod tests {
    #[test]
    fn check_value() {
        // Source: "CRC-32/ISO-HDLC" in the catalogue of parametrised CRC algorithms (G. Cook).
        assert_eq!(super::crc32(*b"123456789"), 0xCBF4_3926);
    }
}
