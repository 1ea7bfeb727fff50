//! What changed since a mark, so that a device can upload only that.

use core::ops::ControlFlow;

use embedded_storage::nor_flash::NorFlash;

use crate::error::Error;
use crate::format::record::Kind;
use crate::log::state::Core;
use crate::store::Store;

/// A moment in the history of a store, from [`Store::mark`]. It keeps its meaning across power-ups:
/// store it, or send it along, and ask later what has changed since.
///
/// Two equal marks of one store mean that no put, delete or reset was made in between. Marks may
/// differ without one, since moving records changes the mark too. Ticks of a counter do not change
/// it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChangeMark {
    epoch: u32,
    sequence: u32,
    offset: u32,
}

impl ChangeMark {
    /// The mark before everything.
    pub const START: Self = Self { epoch: u32::MAX, sequence: 0, offset: 0 };

    /// The mark as bytes, little-endian.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 12] {
        let [e0, e1, e2, e3] = self.epoch.to_le_bytes();
        let [s0, s1, s2, s3] = self.sequence.to_le_bytes();
        let [o0, o1, o2, o3] = self.offset.to_le_bytes();
        [e0, e1, e2, e3, s0, s1, s2, s3, o0, o1, o2, o3]
    }

    /// The reverse of [`to_bytes`](Self::to_bytes). Bytes from elsewhere give a meaningless mark,
    /// but do no harm.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 12]) -> Self {
        let [e0, e1, e2, e3, s0, s1, s2, s3, o0, o1, o2, o3] = bytes;
        Self {
            epoch: u32::from_le_bytes([e0, e1, e2, e3]),
            sequence: u32::from_le_bytes([s0, s1, s2, s3]),
            offset: u32::from_le_bytes([o0, o1, o2, o3]),
        }
    }
}

impl<F: NorFlash, const N: usize> Store<F, N> {
    /// The mark of the present moment. Touches no flash.
    ///
    /// Take it before the upload that it is for. What changes during the upload is then sent again.
    pub fn mark(&self) -> ChangeMark {
        let Core { medium, log } = &self.core;
        let offset = medium.geometry.offset_of(self.core.log_end());
        ChangeMark { epoch: log.epoch, sequence: log.head, offset }
    }

    /// Calls `each` with every key that was put since `mark`, and the length of its value in bytes,
    /// in no particular order. After a factory reset it names every key.
    ///
    /// It never misses a key, whatever power cuts happened since. It may name others too: those
    /// whose records were moved since (by a compaction, or because a record was the last one before
    /// a power-up), and counters that may have ticked. It does not name deleted keys; see
    /// [`keys_digest`](Self::keys_digest).
    ///
    /// [`format`](Self::format) over anything but a store, and a chip that was blanked, start a new
    /// store that knows nothing about older marks. Forget such marks. The store notices only a mark
    /// that is later than the present moment, and then names every key. Marks of a store mean nothing
    /// in a [copy](Self::copy_to) of it either.
    ///
    /// Flash work: as [`for_each_key`](Self::for_each_key). Nothing is programmed.
    ///
    /// # Errors
    /// As [`for_each_key`](Self::for_each_key). Some keys may have been named before.
    pub fn for_each_changed_since(
        &mut self,
        mark: &ChangeMark,
        mut each: impl FnMut(&[u8], usize),
    ) -> Result<(), Error<F::Error>> {
        // A mark later than now belongs to another store, from before the flash was blanked or
        // formatted.
        let now = self.mark();
        let other =
            mark.epoch != now.epoch || (mark.sequence, mark.offset) > (now.sequence, now.offset);
        let (g, head) = (self.core.medium.geometry, self.core.log.head);
        self.each_item(&mut [], &mut |found, item| {
            let place = (g.sequence_at(head, found.address), g.offset_of(found.address));
            let ticks = found.header.kind() == Kind::Tally;
            if ticks || other || place >= (mark.sequence, mark.offset) {
                each(item.key, item.value_len);
            }
            ControlFlow::Continue(())
        })
    }

    /// The sum, modulo 2³², of the CRC-32C of all keys. Reads no flash.
    ///
    /// A server that has a copy of the store, and has brought it up to date with what changed,
    /// computes the same sum over the keys of its copy. If the sums differ, keys were deleted, and
    /// the list of all keys (see [`for_each_key`](Self::for_each_key)) shows which.
    pub fn keys_digest(&self) -> u32 {
        self.entries.iter().fold(0, |sum, entry| sum.wrapping_add(entry.hash))
    }
}
