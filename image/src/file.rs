//! A flash in a file, so that host programs and tests use the same store as the device.
//!
//! ```
//! use outlast_image::file::FileFlash;
//! use outlast_kvstore::{Layout, Store};
//!
//! # let folder = std::env::temp_dir().join(format!("outlast-doc-{}", std::process::id()));
//! # std::fs::create_dir_all(&folder)?;
//! # let path = folder.join("gauge.bin");
//! // A new file is blank flash: four sectors of 4096 bytes, programmed byte by byte.
//! let flash: FileFlash<1> = FileFlash::create(&path, 4 * 4096)?;
//! let mut store: Store<_, 64> = Store::open(flash, Layout::serial_nor())?;
//! store.put("gauge.datum", &1234_i32.to_le_bytes())?;
//! drop(store);
//!
//! let flash: FileFlash<1> = FileFlash::open(&path)?;
//! let mut store: Store<_, 64> = Store::open(flash, Layout::serial_nor())?;
//! assert_eq!(store.get("gauge.datum", &mut [0; 4])?, Some(&1234_i32.to_le_bytes()[..]));
//! # std::fs::remove_dir_all(&folder)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::Path;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};

use crate::flash::{ERASE_SIZE, clear_bits};

/// A file that behaves as NOR flash with a program unit of `UNIT` bytes.
///
/// Every program and every erase is followed by `fsync` of the data before it returns, since the
/// store relies on the order in which its operations reach the medium: after a crash of the
/// computer the file holds what a power cut leaves on a part. [`without_sync`](Self::without_sync)
/// leaves that out, for tests; then only a crash of the program is survived, not one of the
/// system. While it is open the file is locked against a second `FileFlash` (an advisory lock).
#[derive(Debug)]
pub struct FileFlash<const UNIT: usize> {
    file: File,
    len: u32,
    sync: bool,
}

/// Why a call on a [`FileFlash`] failed.
#[derive(Debug)]
pub enum FileError {
    /// The file system refused; the file may hold a part of the operation, as after a power cut.
    File(io::Error),
    /// The caller broke the rules of the flash; nothing was changed.
    Rules(NorFlashErrorKind),
}

impl std::fmt::Display for FileError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::File(error) => write!(f, "{error}"),
            Self::Rules(kind) => write!(f, "{kind}"),
        }
    }
}

impl std::error::Error for FileError {}

impl NorFlashError for FileError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::File(_) => NorFlashErrorKind::Other,
            Self::Rules(kind) => *kind,
        }
    }
}

impl From<io::Error> for FileError {
    fn from(error: io::Error) -> Self {
        Self::File(error)
    }
}

impl<const UNIT: usize> FileFlash<UNIT> {
    /// Opens an existing file; its length is the capacity.
    ///
    /// # Errors
    /// The file cannot be opened for reading and writing, is in use by another `FileFlash`, or is
    /// 4 GiB or longer.
    pub fn open(path: impl AsRef<Path>) -> io::Result<Self> {
        let file = OpenOptions::new().read(true).write(true).open(path)?;
        Self::locked(&file)?;
        let len = u32::try_from(file.metadata()?.len()).map_err(|_| too_long())?;
        Ok(Self { file, len, sync: true })
    }

    /// Makes a file of `bytes` bytes of blank flash. It and its name are on the medium when this
    /// returns.
    ///
    /// # Errors
    /// The file exists already or cannot be written.
    pub fn create(path: impl AsRef<Path>, bytes: u32) -> io::Result<Self> {
        let path = path.as_ref();
        let mut file = OpenOptions::new().read(true).write(true).create_new(true).open(path)?;
        Self::locked(&file)?;
        let blank = [0xFF; 4096];
        let mut left = bytes as usize;
        while left > 0 {
            let n = left.min(blank.len());
            file.write_all(&blank[..n])?;
            left -= n;
        }
        file.sync_all()?;
        // The directory entry, on systems that can sync a directory.
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        if let Ok(folder) = File::open(folder.unwrap_or_else(|| Path::new("."))) {
            let _ = folder.sync_all();
        }
        Ok(Self { file, len: bytes, sync: true })
    }

    /// Leaves out the `fsync` of each operation: faster, but a crash of the system may lose or
    /// reorder operations.
    #[must_use]
    pub const fn without_sync(mut self) -> Self {
        self.sync = false;
        self
    }

    fn locked(file: &File) -> io::Result<()> {
        if fs4::FileExt::try_lock(file).is_err() {
            let why = "another program uses this file as its flash";
            return Err(io::Error::new(io::ErrorKind::WouldBlock, why));
        }
        Ok(())
    }

    fn replace(&mut self, at: u32, bytes: &[u8]) -> Result<(), FileError> {
        self.file.seek(SeekFrom::Start(at.into()))?;
        self.file.write_all(bytes)?;
        if self.sync {
            self.file.sync_data()?;
        }
        Ok(())
    }
}

fn too_long() -> io::Error {
    io::Error::new(io::ErrorKind::FileTooLarge, "the file is 4 GiB or longer")
}

impl<const UNIT: usize> ErrorType for FileFlash<UNIT> {
    type Error = FileError;
}

impl<const UNIT: usize> ReadNorFlash for FileFlash<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, out: &mut [u8]) -> Result<(), FileError> {
        check_read(self, offset, out.len()).map_err(FileError::Rules)?;
        self.file.seek(SeekFrom::Start(offset.into()))?;
        Ok(self.file.read_exact(out)?)
    }

    fn capacity(&self) -> usize {
        self.len as usize
    }
}

impl<const UNIT: usize> NorFlash for FileFlash<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FileError> {
        check_erase(self, from, to).map_err(FileError::Rules)?;
        self.replace(from, &vec![0xFF; (to - from) as usize])
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FileError> {
        check_write(self, offset, bytes.len()).map_err(FileError::Rules)?;
        let mut cells = vec![0; bytes.len()];
        self.read(offset, &mut cells)?;
        clear_bits(&mut cells, bytes);
        self.replace(offset, &cells)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scratch::Scratch;
    use outlast_kvstore::{Layout, Store};

    #[test]
    fn clears_bits_keeps_them_and_lets_nobody_else_in() {
        let folder = Scratch::new("file-flash");
        let path = folder.path("part.bin");
        let mut flash: FileFlash<4> = FileFlash::create(&path, 2048).unwrap();
        flash.write(8, &[0x0F; 4]).unwrap();
        flash.write(8, &[0xF3; 4]).unwrap();
        let mut cells = [0; 4];
        flash.read(8, &mut cells).unwrap();
        assert_eq!(cells, [0x03; 4]);
        let kind = |error: FileError| error.kind();
        assert_eq!(flash.write(9, &[0; 4]).map_err(kind), Err(NorFlashErrorKind::NotAligned));
        assert_eq!(flash.write(2048, &[0; 4]).map_err(kind), Err(NorFlashErrorKind::OutOfBounds));
        assert_eq!(flash.erase(0, 100).map_err(kind), Err(NorFlashErrorKind::NotAligned));
        let second = FileFlash::<4>::open(&path).unwrap_err();
        assert!(second.to_string().contains("another program"), "{second}");
        assert!(FileFlash::<4>::create(&path, 2048).is_err(), "never over an existing file");
        drop(flash);
        let mut flash = FileFlash::<4>::open(&path).unwrap();
        flash.erase(0, 512).unwrap();
        flash.read(8, &mut cells).unwrap();
        assert_eq!(cells, [0xFF; 4]);
    }

    #[test]
    fn a_store_in_a_file_is_the_store_in_memory() {
        let folder = Scratch::new("file-store");
        let path = folder.path("part.bin");
        let flash = FileFlash::<1>::create(&path, 4 * 4096).unwrap().without_sync();
        let mut in_file: Store<_, 8> = Store::open(flash, Layout::serial_nor()).unwrap();
        let ram = crate::flash::Ram::<1>::new(vec![0xFF; 4 * 4096]);
        let mut in_ram: Store<_, 8> = Store::open(ram, Layout::serial_nor()).unwrap();
        for n in 0..1500_u32 {
            let key = [b'k', (n % 5) as u8];
            in_file.put(&key, &n.to_le_bytes()).unwrap();
            in_ram.put(&key, &n.to_le_bytes()).unwrap();
        }
        assert!(in_file.usage().compactions > 4);
        drop(in_file);
        assert_eq!(std::fs::read(&path).unwrap(), in_ram.into_flash().into_parts().0);
    }
}
