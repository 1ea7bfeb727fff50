//! Bytes of the format that tests write themselves, as `kvstore/FORMAT.md` describes them.

/// Corrects the checks of a sector's opening: CRC-32C of bytes 0 to 24, zero count of bytes 0 to 28.
pub(crate) fn seal(opening: &mut [u8]) {
    let crc = crc32c::crc32c(&opening[..25]);
    opening[25..29].copy_from_slice(&crc.to_le_bytes());
    let zeros: u32 = opening[..29].iter().map(|byte| byte.count_zeros()).sum();
    opening[29..31].copy_from_slice(&(zeros as u16).to_be_bytes());
}
