//! The index in RAM: hash and address of every live key, sorted by hash.

use heapless::VecView;

/// One live key. Takes eight bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Entry {
    pub(crate) hash: u32,
    /// Address of the record, from the start of the store's range.
    pub(crate) address: u32,
}

/// The index without its capacity in the type, so that its code exists only once.
pub(crate) type Index = VecView<Entry>;

/// Position of the first entry with this hash, or the position where it would be inserted.
#[cfg_attr(target_pointer_width = "32", inline(never))]
#[cfg_attr(target_pointer_width = "64", inline)]
pub(crate) fn lower_bound(index: &Index, hash: u32) -> usize {
    index.partition_point(|e| e.hash < hash)
}

/// Adds an entry, unless the index is full. Returns whether it did.
pub(crate) fn insert(index: &mut Index, hash: u32, address: u32) -> bool {
    let at = lower_bound(index, hash);
    let mut carried = Entry { hash, address };
    if index.is_full() {
        return false;
    }
    // Entry by entry, which takes a few instructions and needs no general routine to move memory.
    for entry in index.iter_mut().skip(at) {
        core::mem::swap(entry, &mut carried);
    }
    index.push(carried).is_ok()
}

/// Removes the entry at `position`.
pub(crate) fn remove(index: &mut Index, position: usize) {
    if position < index.len()
        && let Some(mut carried) = index.pop()
    {
        for entry in index.iter_mut().skip(position).rev() {
            core::mem::swap(entry, &mut carried);
        }
    }
}
