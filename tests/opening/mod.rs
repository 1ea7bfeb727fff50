//! Bytes of the format that tests write themselves, as `kvstore/FORMAT.md` describes them.

/// Corrects the checks of a sector's opening: CRC-32C of bytes 0 to 25, zero count of bytes 0 to 29.
pub(crate) fn seal(opening: &mut [u8]) {
    let crc = crc32c::crc32c(&opening[..26]);
    opening[26..30].copy_from_slice(&crc.to_le_bytes());
    let zeros: u32 = opening[..30].iter().map(|byte| byte.count_zeros()).sum();
    opening[30..32].copy_from_slice(&(zeros as u16).to_be_bytes());
}
