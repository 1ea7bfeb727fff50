//! A part whose sectors go bad, and whose power fails where a test says so.
//!
//! It has sectors of 1 KiB, pages of 256 bytes and a program unit of one byte. What an interrupted
//! program or erase leaves is up to the test: it changes the bytes before the next power-up.

use std::collections::BTreeMap;
use std::ops::Range;

use outlast_kvstore::embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use outlast_kvstore::{Error, Layout, Store};

pub(crate) const SECTOR: u32 = 1024;

/// Where the words of the slots stand in a sector, each after its tag.
pub(crate) const fn slot_word(number: u32) -> Range<u32> {
    let at = 32 + 5 * number + 1;
    at..at + 4
}

/// The unit that is programmed to try an erased sector.
pub(crate) const TRIAL: u32 = 92;

/// Where the first record of a sector stands.
pub(crate) const FIRST: u32 = 93;

/// A program or an erase that the part was asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    Erase(u32),
    /// Address and length.
    Program(u32, usize),
}

/// Where the power fails, once.
#[derive(Clone, Debug)]
pub(crate) enum Cut {
    /// Before an erase of this sector has an effect.
    Erase(u32),
    /// Before a program at one of these addresses has an effect.
    Before(Range<u32>),
    /// When a program at one of these addresses is complete.
    After(Range<u32>),
}

pub(crate) struct Flash {
    pub(crate) bytes: Vec<u8>,
    /// Everything that was asked for since the last power-up.
    pub(crate) steps: Vec<Step>,
    /// How often an erase of a sector still fails. The driver reports it.
    pub(crate) failing_erases: BTreeMap<u32, u32>,
    /// A sector whose erases have no effect, although the driver reports none of that.
    pub(crate) inert: Option<u32>,
    /// A byte that takes no program.
    pub(crate) stuck: Option<u32>,
    /// When the first address is programmed, four bits of the byte at the second one decay.
    pub(crate) decay: Option<(u32, u32)>,
    /// A sector that takes no programs. The driver reports it.
    pub(crate) refusing: Option<u32>,
    pub(crate) cut: Option<Cut>,
    is_off: bool,
    /// What was programmed since its last erase.
    programmed: Vec<bool>,
    /// How many bytes were programmed a second time without an erase.
    pub(crate) repeated: usize,
}

pub(crate) type Settings<'a> = Store<&'a mut Flash, 64>;
pub(crate) type Failure = Error<NorFlashErrorKind>;

/// What the driver reports for an erase that failed, and for everything after a power cut.
pub(crate) const FAILED: Failure = Error::Flash(NorFlashErrorKind::Other);

pub(crate) fn layout() -> Layout {
    Layout::serial_nor().with_sector_bytes(SECTOR).with_page_bytes(256)
}

/// The number of the head, and the offset in it where the log ends.
pub(crate) fn position(store: &Settings<'_>) -> (u32, u32) {
    let bytes = store.mark().to_bytes();
    let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"));
    (word(4), word(8))
}

/// Puts "fill" until the head has this number, and its log ends at this offset or later.
pub(crate) fn fill(store: &mut Settings<'_>, head: u32, end: u32) {
    let mut number = 0_u8;
    while position(store) < (head, end) {
        number = number.wrapping_add(1);
        store.put("fill", &[number; 26]).unwrap();
    }
    assert_eq!(position(store).0, head);
}

/// Puts "fill" until that fails.
pub(crate) fn fill_until_it_fails(store: &mut Settings<'_>) {
    let mut number = 0;
    while store.put("fill", &[number; 26]).is_ok() {
        number += 1;
    }
}

impl Flash {
    pub(crate) fn new(sectors: u32) -> Self {
        let len = (sectors * SECTOR) as usize;
        Self {
            bytes: vec![0xFF; len],
            steps: Vec::new(),
            failing_erases: BTreeMap::new(),
            inert: None,
            stuck: None,
            decay: None,
            refusing: None,
            cut: None,
            is_off: false,
            programmed: vec![false; len],
            repeated: 0,
        }
    }

    /// From now on all erases of this sector fail.
    pub(crate) fn break_sector(&mut self, sector: u32) {
        self.failing_erases.insert(sector, u32::MAX);
    }

    /// Opens the store, which is the start of a power-up.
    pub(crate) fn open(&mut self) -> Settings<'_> {
        self.try_open().expect("the store opens")
    }

    pub(crate) fn try_open(&mut self) -> Result<Settings<'_>, Failure> {
        Store::open(self, layout())
    }

    /// The value that the next power-up finds.
    pub(crate) fn value(&mut self, key: &str) -> Option<Vec<u8>> {
        let mut buffer = [0; SECTOR as usize];
        let mut store = self.open();
        store.get(key, &mut buffer).expect("the value can be read").map(<[u8]>::to_vec)
    }

    /// Switches the power on again, after the cut.
    pub(crate) fn restart(&mut self) {
        assert!(self.is_off, "the history did not come to its power cut");
        self.is_off = false;
        self.steps.clear();
    }

    /// The same, even if the history ended before that cut.
    pub(crate) fn power_on(&mut self) {
        self.is_off = false;
        self.cut = None;
        self.steps.clear();
    }

    /// Epoch and number in the first opening of a sector, and whether it says that the number before
    /// was passed over.
    pub(crate) fn opening(&self, sector: u32) -> Option<(u32, u32, bool)> {
        let bytes = &self.bytes[(sector * SECTOR) as usize..][..32];
        let word =
            |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"));
        (bytes[..2] == [0x0A, 0x57]).then(|| (word(9), word(13), bytes[25] & 0x80 != 0))
    }

    /// Lets a word that the power cut interrupted read as blank, and returns what was programmed.
    pub(crate) fn hide(&mut self, word: Range<u32>) -> Vec<u8> {
        let cells = &mut self.bytes[word.start as usize..word.end as usize];
        let programmed = cells.to_vec();
        assert_ne!(programmed, [0xFF; 4], "the word was not programmed");
        cells.fill(0xFF);
        programmed
    }

    /// Lets a hidden word read as it was programmed.
    pub(crate) fn show(&mut self, word: Range<u32>, programmed: &[u8]) {
        self.bytes[word.start as usize..word.end as usize].copy_from_slice(programmed);
    }

    /// Does to a sector what an erase does that is cut near its end: `kept` bytes at the start are
    /// as before, and all others are blank.
    pub(crate) fn half_erase(&mut self, sector: u32, kept: u32) {
        let from = (sector * SECTOR) as usize;
        self.bytes[from + kept as usize..from + SECTOR as usize].fill(0xFF);
    }

    /// Lets one cell of an erased sector lose its charge.
    pub(crate) fn lose_charge(&mut self, sector: u32) {
        let cells = &mut self.bytes[(sector * SECTOR + 600) as usize];
        assert_eq!(*cells, 0xFF, "the cell was programmed");
        *cells = 0xEF;
    }

    fn set(&mut self, at: u32, bytes: &[u8]) {
        for (at, byte) in (at as usize..).zip(bytes) {
            self.repeated += usize::from(self.programmed[at]);
            self.programmed[at] = true;
            if self.stuck != Some(at as u32) {
                self.bytes[at] &= byte;
            }
        }
        if let Some((trigger, weak)) = self.decay
            && trigger == at
        {
            self.decay = None;
            self.bytes[weak as usize] ^= 0x55;
        }
    }

    fn switch_off(&mut self) -> Result<(), NorFlashErrorKind> {
        self.cut = None;
        self.is_off = true;
        self.has_power()
    }

    fn has_power(&self) -> Result<(), NorFlashErrorKind> {
        if self.is_off { Err(NorFlashErrorKind::Other) } else { Ok(()) }
    }
}

impl ErrorType for Flash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        self.has_power()?;
        out.copy_from_slice(&self.bytes[at as usize..][..out.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        self.has_power()?;
        assert_eq!(to - from, SECTOR, "one sector at a time");
        let sector = from / SECTOR;
        self.steps.push(Step::Erase(sector));
        if matches!(self.cut, Some(Cut::Erase(at)) if at == sector) {
            return self.switch_off();
        }
        if let Some(left @ 1..) = self.failing_erases.get_mut(&sector) {
            *left -= 1;
            return Err(NorFlashErrorKind::Other);
        }
        if self.inert != Some(sector) {
            self.bytes[from as usize..to as usize].fill(0xFF);
            self.programmed[from as usize..to as usize].fill(false);
        }
        Ok(())
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        self.has_power()?;
        self.steps.push(Step::Program(at, bytes.len()));
        match self.cut.clone() {
            Some(Cut::Before(range)) if range.contains(&at) => self.switch_off(),
            Some(Cut::After(range)) if range.contains(&at) => {
                self.set(at, bytes);
                self.switch_off()
            }
            _ if self.refusing == Some(at / SECTOR) => Err(NorFlashErrorKind::Other),
            _ => {
                self.set(at, bytes);
                Ok(())
            }
        }
    }
}
