//! A set of byte addresses of a part.

/// A set of byte addresses. Most are empty all the time, and cost nothing then.
#[derive(Debug, Default)]
pub(super) struct ByteSet {
    /// One bit per byte, as far as any was ever added.
    words: Vec<u64>,
    /// Whether any was added since the set was last cleared.
    has_any: bool,
}

impl ByteSet {
    /// Removes all.
    pub(super) fn clear(&mut self) {
        if self.has_any {
            self.words.fill(0);
            self.has_any = false;
        }
    }

    /// Adds or removes a byte.
    pub(super) fn set(&mut self, at: usize, is_in: bool) {
        let (word, bit) = (at / 64, 1 << (at % 64));
        if word >= self.words.len() {
            if !is_in {
                return;
            }
            self.words.resize(word + 1, 0);
        }
        if is_in {
            self.words[word] |= bit;
            self.has_any = true;
        } else {
            self.words[word] &= !bit;
        }
    }

    /// Whether the byte is in the set.
    pub(super) fn has(&self, at: usize) -> bool {
        self.words.get(at / 64).is_some_and(|word| word >> (at % 64) & 1 == 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_are_added_and_removed() {
        let mut set = ByteSet::default();
        set.set(500, false);
        for at in [0, 63, 64, 200] {
            assert!(!set.has(at));
            set.set(at, true);
            assert!(set.has(at) && !set.has(at + 1));
        }
        set.set(64, false);
        assert!(set.has(63) && !set.has(64));
        set.clear();
        assert!((0..300).all(|at| !set.has(at)));
    }
}
