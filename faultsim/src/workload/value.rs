//! Values that identify their writer, and the function that mixes their bits.

/// A value that identifies its writer: the number of the operation, the setting, and a pattern made
/// of both, as far as `len` bytes can hold them.
pub fn stamped(key: u16, number: u32, len: usize) -> Vec<u8> {
    let mut value = Vec::with_capacity(len);
    let [.., high, low] = number.to_be_bytes();
    // A one-byte value holds the byte that changes fastest.
    if len == 1 {
        value.push(low);
        return value;
    }
    value.extend([high, low, key.to_be_bytes()[1]]);
    let mut state = (u64::from(number) << 16) ^ u64::from(key);
    while value.len() < len {
        state = mixed(state.wrapping_add(0x9E37_79B9_7F4A_7C15));
        value.extend(state.to_le_bytes());
    }
    value.truncate(len);
    value
}

/// The finaliser of the SplitMix64 generator (Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014): spreads each input bit over all output bits.
pub(crate) const fn mixed(mut word: u64) -> u64 {
    word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    word ^ (word >> 31)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn values_identify_their_writer() {
        let mut seen = BTreeSet::new();
        for number in 0..300 {
            for key in 0..4 {
                for len in 2..40 {
                    let value = stamped(key, number, len);
                    assert_eq!(value.len(), len);
                    if len >= 3 {
                        assert!(seen.insert(value));
                    }
                }
            }
        }
        assert_eq!((stamped(1, 2, 0), stamped(1, 2, 1)), (vec![], vec![2]));
    }
}
