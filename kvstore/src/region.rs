//! A range of bytes that can be overwritten anywhere, kept in the store in chunks.
//!
//! This is for code that was written for a small EEPROM, or that used to read a sector, change some
//! bytes and rewrite it. Such code keeps its addresses, and gets atomic writes without an erase
//! each.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use embedded_storage::{ReadStorage, Storage};
use heapless::Vec;

use crate::change::Change;
use crate::error::Error;
use crate::format::record::MAX_KEY;
use crate::store::Store;

/// Bytes of the chunk number after the name.
const NUMBER: usize = 2;

/// A byte region of fixed size on a store, with the traits of `embedded_storage`.
///
/// Each chunk of `CHUNK` bytes is one record. It is written when the region is first written there;
/// what was never written reads `0xFF`. A write puts every chunk that it touches again:
///
/// - A write within one chunk takes one program call. A cut leaves the old bytes or the new ones.
/// - A write over up to `SPAN` chunks is one batch, also all or nothing. So every write of up to
///   [`ATOMIC_BYTES`](Self::ATOMIC_BYTES) bytes is atomic, wherever it starts. A batch must fit
///   into a sector; [`new`](Self::new) refuses other sizes.
/// - A longer write is several batches of `SPAN` chunks in rising order, each all or nothing. A cut
///   leaves the first of them done and the others not. [`write_atomic`](Self::write_atomic) refuses
///   such writes.
///
/// Flash cost of a write of up to `CHUNK` bytes within a chunk: one record of `CHUNK` bytes, the
/// name and the number, and the record's overhead. For the usual chunk of 64 bytes that is about 85
/// bytes at unit 1, against the erase and the 4096 bytes of a sector rewrite. Writing what is there already
/// programs nothing. RAM: 16 bytes on 32-bit targets, and 8 bytes of the store's index per chunk
/// written. Stack of a write: `SPAN` times (`CHUNK` + 88) bytes, the 88 for key and change.
///
/// Chunk size and name must not change as long as data is to be kept. The region may grow.
pub struct Region<'s, F: NorFlash, const N: usize, const CHUNK: usize = 64, const SPAN: usize = 4> {
    store: &'s mut Store<F, N>,
    name: &'static str,
    bytes: u32,
}

/// Why a call about a region did not do what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum RegionError<E> {
    /// A chunk in the store has another size than this region's chunks. The programmer must use the
    /// chunk size that the region was written with.
    OtherChunkSize,
    /// The range does not lie within the region. Nothing was changed.
    OutOfBounds,
    /// An error of the store. After [`Error::Full`] in a write of more than one batch, the batches
    /// before are done.
    Store(Error<E>),
    /// A write that was to be atomic is longer than [`ATOMIC_BYTES`](Region::ATOMIC_BYTES). Nothing
    /// was changed.
    TooLong,
    /// The name must have 1 to 62 bytes, and the region 1 to 65 536 chunks, of which `SPAN` must
    /// fit into a sector in one batch.
    Unusable,
}

impl<E: fmt::Debug> fmt::Display for RegionError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherChunkSize => f.write_str("the region was written with another chunk size"),
            Self::OutOfBounds => f.write_str("the range does not lie within the region"),
            Self::Store(error) => error.fmt(f),
            Self::TooLong => f.write_str("the write is too long to be atomic"),
            Self::Unusable => f.write_str(
                "a region needs a name of 1 to 62 bytes, chunks, and a span of them within a sector",
            ),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for RegionError<E> {}

impl<F: NorFlash, const N: usize, const CHUNK: usize, const SPAN: usize> fmt::Debug
    for Region<'_, F, N, CHUNK, SPAN>
{
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Region").field("name", &self.name).field("bytes", &self.bytes).finish()
    }
}

/// The key of a chunk: the name and the number, little-endian.
#[derive(Clone, Copy)]
struct ChunkKey {
    bytes: [u8; MAX_KEY],
    len: usize,
}

impl ChunkKey {
    fn new(name: &str, number: u32) -> Self {
        let mut bytes = [0; MAX_KEY];
        let [low, high, ..] = number.to_le_bytes();
        let key = name.bytes().chain([low, high]);
        let mut len = 0;
        for (to, from) in bytes.iter_mut().zip(key) {
            *to = from;
            len += 1;
        }
        Self { bytes, len }
    }
}

impl AsRef<[u8]> for ChunkKey {
    fn as_ref(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or(&[])
    }
}

impl<'s, F: NorFlash, const N: usize, const CHUNK: usize, const SPAN: usize>
    Region<'s, F, N, CHUNK, SPAN>
{
    /// Writes of up to this many bytes are atomic, wherever they start.
    pub const ATOMIC_BYTES: usize = {
        assert!(CHUNK > 0 && SPAN > 0, "a region needs chunks and a span");
        (SPAN - 1) * CHUNK + 1
    };

    /// Makes the region `name`, of `bytes` bytes, in the store. Touches no flash. Nothing else may
    /// use keys that consist of the name and two more bytes.
    ///
    /// # Errors
    /// [`RegionError::Unusable`].
    pub fn new(
        store: &'s mut Store<F, N>,
        name: &'static str,
        bytes: u32,
    ) -> Result<Self, RegionError<F::Error>> {
        let chunks = (bytes as usize).div_ceil(CHUNK);
        let usable = (1..=MAX_KEY - NUMBER).contains(&name.len())
            && (1..=65_536).contains(&chunks)
            && store.core.medium.geometry.batch_fits(SPAN.min(chunks), name.len() + NUMBER, CHUNK);
        if !usable {
            return Err(RegionError::Unusable);
        }
        Ok(Self { store, name, bytes })
    }

    /// Writes every chunk that was never written, so that later writes within one chunk find room
    /// however full the store gets. Flash work: a [`Store::put`] for each of them. A cut leaves
    /// some of them written; what the region reads does not change.
    ///
    /// # Errors
    /// [`RegionError::Store`] as for [`Store::put`], and [`RegionError::OtherChunkSize`]. Some
    /// chunks may have been written then.
    pub fn reserve(&mut self) -> Result<(), RegionError<F::Error>> {
        let mut content = [0; CHUNK];
        for number in 0..self.bytes.div_ceil(CHUNK as u32) {
            if !self.load(number, &mut content)? {
                let key = ChunkKey::new(self.name, number);
                self.store.put(&key, &content).map_err(RegionError::Store)?;
            }
        }
        Ok(())
    }

    /// As [`Storage::write`], but refuses a write that is too long to be atomic. A cut leaves the
    /// old bytes or the new ones.
    ///
    /// # Errors
    /// [`RegionError::TooLong`], and those of [`Storage::write`]. None of them changes anything,
    /// except that after [`Error::Flash`] everything may have been written.
    pub fn write_atomic(&mut self, offset: u32, bytes: &[u8]) -> Result<(), RegionError<F::Error>> {
        let chunks = (offset as usize % CHUNK + bytes.len()).div_ceil(CHUNK);
        if chunks > SPAN {
            return Err(RegionError::TooLong);
        }
        self.write(offset, bytes)
    }

    /// Whether any of these bytes may be older than what was written, see [`Store::is_doubtful`]: a
    /// newer record of their chunk may have been lost. Flash work: as for that call, per chunk.
    ///
    /// # Errors
    /// [`RegionError::OutOfBounds`]. [`RegionError::Store`] as for [`Store::is_doubtful`].
    pub fn is_doubtful(&mut self, offset: u32, len: usize) -> Result<bool, RegionError<F::Error>> {
        self.check(offset, len)?;
        let first = offset / CHUNK as u32;
        let chunks = (offset as usize % CHUNK + len).div_ceil(CHUNK) as u32;
        for number in first..first.saturating_add(chunks) {
            let key = ChunkKey::new(self.name, number);
            if self.store.is_doubtful(&key).map_err(RegionError::Store)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn check(&self, offset: u32, len: usize) -> Result<(), RegionError<F::Error>> {
        match (offset as usize).checked_add(len) {
            Some(end) if end <= self.bytes as usize => Ok(()),
            _ => Err(RegionError::OutOfBounds),
        }
    }

    /// Reads a chunk into `content`, and returns whether it was ever written.
    fn load(
        &mut self,
        number: u32,
        content: &mut [u8; CHUNK],
    ) -> Result<bool, RegionError<F::Error>> {
        let key = ChunkKey::new(self.name, number);
        let len = match self.store.get(&key, content) {
            Ok(value) => value.map(<[u8]>::len),
            Err(Error::BufferTooSmall { .. }) => return Err(RegionError::OtherChunkSize),
            Err(error) => return Err(RegionError::Store(error)),
        };
        match len {
            Some(len) if len == CHUNK => Ok(true),
            Some(_) => Err(RegionError::OtherChunkSize),
            None => {
                content.fill(0xFF);
                Ok(false)
            }
        }
    }
}

impl<F: NorFlash, const N: usize, const CHUNK: usize, const SPAN: usize> ReadStorage
    for Region<'_, F, N, CHUNK, SPAN>
{
    type Error = RegionError<F::Error>;

    /// Reads bytes from `offset` on, counted from the start of the region. Flash work: a
    /// [`Store::get`] per chunk. Nothing is programmed.
    ///
    /// # Errors
    /// [`RegionError::OutOfBounds`] and [`RegionError::OtherChunkSize`]. [`RegionError::Store`] as
    /// for [`Store::get`], with [`Error::Corrupt`] if the record of a chunk is damaged. The other
    /// chunks can still be read then, and writing the whole chunk repairs it; of the last one, as
    /// much as lies in the region.
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.check(offset, bytes.len())?;
        let mut content = [0; CHUNK];
        let (mut at, mut rest) = (offset as usize, bytes);
        while !rest.is_empty() {
            self.load((at / CHUNK) as u32, &mut content)?;
            let from = content.get(at % CHUNK..).unwrap_or(&[]);
            let n = from.len().min(rest.len());
            let (now, later) = rest.split_at_mut(n);
            now.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
            at += n;
            rest = later;
        }
        Ok(())
    }

    /// Bytes of the region.
    fn capacity(&self) -> usize {
        self.bytes as usize
    }
}

impl<F: NorFlash, const N: usize, const CHUNK: usize, const SPAN: usize> Storage
    for Region<'_, F, N, CHUNK, SPAN>
{
    /// Writes bytes from `offset` on. The write is durable when the call returns; [`Region`] says
    /// what a cut leaves. Flash work: a [`Store::get`] per chunk, and a [`Store::commit`] for every
    /// `SPAN` chunks.
    ///
    /// # Errors
    /// [`RegionError::OutOfBounds`] changes nothing. After [`RegionError::OtherChunkSize`] and
    /// [`RegionError::Store`] (as for [`Store::get`] and [`Store::commit`]), the batches before the
    /// error are written.
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        const { assert!(Self::ATOMIC_BYTES > 0) };
        self.check(offset, bytes.len())?;
        let (mut at, mut rest) = (offset as usize, bytes);
        while !rest.is_empty() {
            let mut chunks: Vec<(ChunkKey, [u8; CHUNK]), SPAN> = Vec::new();
            while !rest.is_empty() && !chunks.is_full() {
                let number = (at / CHUNK) as u32;
                let mut content = [0; CHUNK];
                match self.load(number, &mut content) {
                    // A chunk that is replaced as a whole, as far as it lies in the region, need not
                    // be readable. So a damaged one is repaired.
                    Err(RegionError::Store(Error::Corrupt))
                        if at % CHUNK == 0
                            && rest.len()
                                >= CHUNK.min((self.bytes as usize).saturating_sub(at)) =>
                    {
                        content.fill(0xFF);
                    }
                    loaded => _ = loaded?,
                }
                let to = content.get_mut(at % CHUNK..).unwrap_or(&mut []);
                let (now, later) = rest.split_at(to.len().min(rest.len()));
                to.iter_mut().zip(now).for_each(|(to, from)| *to = *from);
                at += now.len();
                rest = later;
                // There is room, as the loop has checked.
                let _ = chunks.push((ChunkKey::new(self.name, number), content));
            }
            let mut changes: Vec<Change<'_>, SPAN> = Vec::new();
            for (key, content) in &chunks {
                let _ = changes.push(Change::put(key, content));
            }
            self.store.commit(&changes).map_err(RegionError::Store)?;
        }
        Ok(())
    }
}
