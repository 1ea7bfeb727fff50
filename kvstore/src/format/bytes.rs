//! Helpers for bytes. None of them can panic.

/// Copies as many bytes as both slices have.
#[cfg_attr(target_pointer_width = "32", inline(never))]
pub(crate) fn copy(to: &mut [u8], from: &[u8]) {
    let n = to.len().min(from.len());
    if let (Some(to), Some(from)) = (to.get_mut(..n), from.get(..n)) {
        to.copy_from_slice(from);
    }
}

/// A sector offset as three bytes, little-endian.
pub(crate) const fn u24(value: u32) -> [u8; 3] {
    [value as u8, (value >> 8) as u8, (value >> 16) as u8]
}

/// The reverse of [`u24`].
pub(crate) const fn from_u24(bytes: [u8; 3]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], 0])
}
