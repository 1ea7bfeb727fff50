//! CRC-32C: bit by bit, by a table, or by the processor's instruction.

#[cfg(any(test, not(feature = "crc-hardware")))]
use crc::{CRC_32_ISCSI, Crc};

#[cfg(all(feature = "crc-table", any(test, not(feature = "crc-hardware"))))]
type Table = crc::Table<1>;

#[cfg(all(not(feature = "crc-table"), any(test, not(feature = "crc-hardware"))))]
type Table = crc::NoTable;

// A static, so that a table can never be copied to the stack.
#[cfg(any(test, not(feature = "crc-hardware")))]
static CRC: Crc<u32, Table> = Crc::<u32, Table>::new(&CRC_32_ISCSI);

/// CRC-32C of `bytes`. The index uses it as its hash, too.
#[cfg_attr(target_pointer_width = "64", inline)]
pub(crate) fn crc32c(bytes: &[u8]) -> u32 {
    extended(0, bytes)
}

/// The CRC-32C of some bytes whose CRC-32C is `crc`, followed by `bytes`. Long runs of bytes use the
/// processor's instruction where there is one; for short ones a call of that takes longer than
/// tables do.
#[cfg(feature = "crc-hardware")]
#[inline]
pub(crate) fn extended(crc: u32, bytes: &[u8]) -> u32 {
    if bytes.len() > SHORT {
        return ::crc32c::crc32c_append(crc, bytes);
    }
    let (mut register, mut sum) = (!crc, 0);
    let tables = TABLES.get(..bytes.len()).unwrap_or(&[]);
    for (table, byte) in tables.iter().rev().zip(bytes) {
        sum ^= table[usize::from(*byte ^ register as u8)];
        register >>= 8;
    }
    !(sum ^ register)
}

/// Most bytes that the tables take at once.
#[cfg(feature = "crc-hardware")]
const SHORT: usize = 16;

/// For each byte value, what it contributes to the register if it is the last byte, the one before
/// it, and so on.
#[cfg(feature = "crc-hardware")]
static TABLES: [[u32; 256]; SHORT] = tables();

#[cfg(feature = "crc-hardware")]
const fn tables() -> [[u32; 256]; SHORT] {
    // The polynomial, lowest bit first (RFC 3720).
    const POLYNOMIAL: u32 = 0x82F6_3B78;
    let mut tables = [[0; 256]; SHORT];
    let mut byte = 0;
    while byte < 256 {
        let mut register = byte as u32;
        let mut table = 0;
        while table < SHORT {
            let mut bit = 0;
            while bit < 8 {
                register = register >> 1 ^ (register & 1).wrapping_neg() & POLYNOMIAL;
                bit += 1;
            }
            tables[table][byte] = register;
            table += 1;
        }
        byte += 1;
    }
    tables
}

#[cfg(not(feature = "crc-hardware"))]
pub(crate) use by_crate as extended;

/// The CRC-32C of some bytes whose CRC-32C is `crc`, followed by `bytes`.
#[cfg(any(test, not(feature = "crc-hardware")))]
#[cfg_attr(target_pointer_width = "32", inline(never))]
pub(crate) fn by_crate(crc: u32, bytes: &[u8]) -> u32 {
    // The register as it was before the final inversion, in the bit order that the crate expects.
    let mut digest = CRC.digest_with_initial((!crc).reverse_bits());
    digest.update(bytes);
    digest.finalize()
}

#[cfg(test)]
mod tests {
    //! Compares the CRC with published values, and with an independent implementation.

    use super::*;

    /// RFC 3720 (iSCSI), appendix B.4: CRC32C of 32 bytes of zeros, of ones, rising and falling;
    /// and the check value of the CRC catalogue for CRC-32/ISCSI.
    #[test]
    fn crc_matches_published_vectors() {
        assert_eq!(crc32c(&[0x00; 32]).to_le_bytes(), [0xaa, 0x36, 0x91, 0x8a]);
        assert_eq!(crc32c(&[0xFF; 32]).to_le_bytes(), [0x43, 0xab, 0xa8, 0x62]);
        let rising: [u8; 32] = core::array::from_fn(|n| n as u8);
        assert_eq!(crc32c(&rising).to_le_bytes(), [0x4e, 0x79, 0xdd, 0x46]);
        let falling: [u8; 32] = core::array::from_fn(|n| 31 - n as u8);
        assert_eq!(crc32c(&falling).to_le_bytes(), [0x5c, 0xdb, 0x3f, 0x11]);
        assert_eq!(crc32c(b"123456789"), 0xE306_9283);
    }

    /// The reference is the crate `crc32c`, an independent implementation.
    #[test]
    fn crc_matches_a_reference_library() {
        let mut bytes = [0; 300];
        let mut x = 1_u32;
        for len in 0..bytes.len() {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            bytes[len] = (x >> 24) as u8;
            let (first, rest) = bytes[..len].split_at(len / 3);
            let wanted = ::crc32c::crc32c(&bytes[..len]);
            assert_eq!(crc32c(&bytes[..len]), wanted);
            assert_eq!(extended(extended(0, first), rest), wanted);
            assert_eq!(by_crate(by_crate(0, first), rest), wanted);
        }
    }
}
