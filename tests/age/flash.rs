//! A NOR flash in RAM that ages, wears out and reads wrong on request.
//!
//! Programming clears bits, erasing sets whole sectors. Every call is counted, and so are the
//! programs of each unit since its last erase. A unit may be programmed any number of times:
//! that is for a test to judge.

use std::cell::RefCell;
use std::ops::Range;

use outlast_kvstore::embedded_storage::nor_flash::{NorFlashError, NorFlashErrorKind};

use crate::shape::Shape;

/// Why a call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Refusal {
    /// The read was to fail.
    Bus,
    /// The check of the unit with this number fails.
    Unreadable(usize),
    /// The sector takes no programs or erases.
    WornOut(usize),
    /// The power was cut.
    PowerCut,
}

impl NorFlashError for Refusal {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// A fault of the bus. Calls are numbered from 0 since the fault was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ReadFault {
    /// One bit of one call reads wrong. Bits beyond the end of what is read do not exist.
    Wrong { call: u64, bit: usize },
    /// These calls fail.
    Fails { from: u64, to: u64 },
}

/// How a cell behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cell {
    /// As it should.
    Healthy,
    /// It always reads 0.
    Zero,
    /// It always reads 1.
    One,
    /// It can be erased, but programming it has no effect.
    Unprogrammable,
    /// It is programmed, but reads 1 again after the next power-up.
    Fading,
}

/// What a bad sector does with a program or an erase.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Response {
    Works,
    Fails,
    /// Says that it worked, and did nothing.
    Ignores,
}

/// Sectors that are worn out for ever, or write-protected.
#[derive(Clone, Debug)]
pub(crate) struct BadSectors {
    pub(crate) sectors: Range<usize>,
    pub(crate) programs: Response,
    pub(crate) erases: Response,
}

/// A unit whose check fails.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Unreadable {
    pub(crate) unit: usize,
    /// Whether not even an erase makes it good.
    pub(crate) for_ever: bool,
}

/// How often each call was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Calls {
    pub(crate) reads: u64,
    pub(crate) programs: u64,
    pub(crate) erases: u64,
}

#[derive(Clone, Debug)]
struct State {
    bytes: Vec<u8>,
    /// Programs of each unit since its erase.
    programs: Vec<u32>,
    most_programs: u32,
    calls: Calls,
    last_program: Range<usize>,
    /// Lengths of the reads, if they are wanted.
    read_lengths: Option<Vec<usize>>,
    /// With the number of the read call that it counts from.
    read_fault: Option<(ReadFault, u64)>,
    cell: Option<(usize, Cell)>,
    bad_sectors: Option<BadSectors>,
    unreadable: Vec<Unreadable>,
    /// Programs and erases left until one is dropped without an error.
    until_drop: Option<u64>,
    /// Programs and erases left until a cut, and how far that operation gets, in 256ths.
    until_cut: Option<(u64, u8)>,
    powered: bool,
}

/// A whole flash, put aside.
#[derive(Clone, Debug)]
pub(crate) struct Image {
    pub(crate) shape: Shape,
    state: State,
}

impl Image {
    pub(crate) fn is_set(&self, bit: usize) -> bool {
        self.state.bytes[bit / 8] & 1 << (bit % 8) != 0
    }

    pub(crate) fn flip(&mut self, bit: usize) {
        self.state.bytes[bit / 8] ^= 1 << (bit % 8);
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.state.bytes
    }

    /// The bytes that the last program call was for.
    pub(crate) fn last_program(&self) -> Range<usize> {
        self.state.last_program.clone()
    }
}

/// The flash. A store works on a shared reference to it, so that a test can reach it meanwhile.
#[derive(Debug)]
pub(crate) struct Ram {
    pub(crate) shape: Shape,
    state: RefCell<State>,
}

impl Ram {
    pub(crate) fn new(shape: Shape) -> Self {
        let state = State {
            bytes: vec![0xFF; shape.capacity()],
            programs: vec![0; shape.capacity() / shape.unit],
            most_programs: 0,
            calls: Calls::default(),
            last_program: 0..0,
            read_lengths: None,
            read_fault: None,
            cell: None,
            bad_sectors: None,
            unreadable: Vec::new(),
            until_drop: None,
            until_cut: None,
            powered: true,
        };
        Self { shape, state: RefCell::new(state) }
    }

    pub(crate) fn of(image: &Image) -> Self {
        Self { shape: image.shape, state: RefCell::new(image.state.clone()) }
    }

    pub(crate) fn image(&self) -> Image {
        Image { shape: self.shape, state: self.state.borrow().clone() }
    }

    /// Becomes this image again, without a new allocation.
    pub(crate) fn restore(&self, image: &Image) {
        self.state.borrow_mut().clone_from(&image.state);
    }

    pub(crate) fn calls(&self) -> Calls {
        self.state.borrow().calls
    }

    /// Most programs that one unit ever had between two erases.
    pub(crate) fn most_programs(&self) -> u32 {
        self.state.borrow().most_programs
    }

    /// Starts to note the length of each read.
    pub(crate) fn note_reads(&self) {
        self.state.borrow_mut().read_lengths = Some(Vec::new());
    }

    /// The lengths of the reads since then.
    pub(crate) fn noted_reads(&self) -> Vec<usize> {
        self.state.borrow_mut().read_lengths.take().unwrap_or_default()
    }

    /// Flips a bit that is at rest.
    pub(crate) fn flip(&self, bit: usize) {
        self.state.borrow_mut().bytes[bit / 8] ^= 1 << (bit % 8);
    }

    /// Lets a byte at rest be another one.
    pub(crate) fn set(&self, at: usize, byte: u8) {
        self.state.borrow_mut().bytes[at] = byte;
    }

    pub(crate) fn set_read_fault(&self, fault: Option<ReadFault>) {
        let mut state = self.state.borrow_mut();
        state.read_fault = fault.map(|fault| (fault, state.calls.reads));
    }

    pub(crate) fn set_cell(&self, bit: usize, cell: Cell) {
        let mut state = self.state.borrow_mut();
        state.cell = Some((bit, cell));
        state.force_cell();
    }

    pub(crate) fn set_bad_sectors(&self, bad: BadSectors) {
        self.state.borrow_mut().bad_sectors = Some(bad);
    }

    pub(crate) fn set_unreadable(&self, unreadable: Unreadable) {
        self.state.borrow_mut().unreadable.push(unreadable);
    }

    /// Drops one program or erase, after this many more.
    pub(crate) fn drop_after(&self, changes: u64) {
        self.state.borrow_mut().until_drop = Some(changes);
    }

    /// Cuts the power in a program or an erase, after this many more. The unit or sector in work
    /// becomes unreadable; `progress` says how far the operation gets, in 256ths.
    pub(crate) fn cut_after(&self, changes: u64, progress: u8) {
        self.state.borrow_mut().until_cut = Some((changes, progress));
    }

    pub(crate) fn is_powered(&self) -> bool {
        self.state.borrow().powered
    }

    pub(crate) fn read(&self, at: usize, out: &mut [u8]) -> Result<(), Refusal> {
        self.state.borrow_mut().read(self.shape, at, out)
    }

    pub(crate) fn program(&self, at: usize, bytes: &[u8]) -> Result<(), Refusal> {
        self.state.borrow_mut().program(self.shape, at, bytes)
    }

    pub(crate) fn erase(&self, range: Range<usize>) -> Result<(), Refusal> {
        self.state.borrow_mut().erase(self.shape, range)
    }

    pub(crate) fn power_up(&self) {
        let mut state = self.state.borrow_mut();
        state.powered = true;
        state.until_cut = None;
        if let Some((bit, Cell::Fading)) = state.cell {
            state.bytes[bit / 8] |= 1 << (bit % 8);
        }
    }
}

impl State {
    /// What a sector does with a program or an erase.
    fn response(&mut self, sector: usize, erase: bool) -> Response {
        if self.until_drop == Some(0) {
            self.until_drop = None;
            return Response::Ignores;
        }
        self.until_drop = self.until_drop.map(|left| left - 1);
        match &self.bad_sectors {
            Some(bad) if bad.sectors.contains(&sector) => {
                if erase {
                    bad.erases
                } else {
                    bad.programs
                }
            }
            _ => Response::Works,
        }
    }

    /// How much of an operation over this many units is done: all, or less if the power is cut.
    fn units_done(&mut self, units: usize) -> usize {
        let Some((left, progress)) = &mut self.until_cut else { return units };
        if let Some(less) = left.checked_sub(1) {
            *left = less;
            return units;
        }
        self.powered = false;
        units * usize::from(*progress) / 256
    }

    /// Lets a cell that is stuck read what it always reads.
    fn force_cell(&mut self) {
        match self.cell {
            Some((bit, Cell::Zero)) => self.bytes[bit / 8] &= !(1 << (bit % 8)),
            Some((bit, Cell::One)) => self.bytes[bit / 8] |= 1 << (bit % 8),
            _ => {}
        }
    }

    fn read(&mut self, shape: Shape, at: usize, out: &mut [u8]) -> Result<(), Refusal> {
        if !self.powered {
            return Err(Refusal::PowerCut);
        }
        let call = self.calls.reads;
        self.calls.reads += 1;
        if let Some(lengths) = &mut self.read_lengths {
            lengths.push(out.len());
        }
        let range = at..at + out.len();
        out.copy_from_slice(&self.bytes[range.clone()]);
        for bad in &self.unreadable {
            let unit = bad.unit * shape.unit..(bad.unit + 1) * shape.unit;
            if range.start < unit.end && unit.start < range.end {
                return Err(Refusal::Unreadable(bad.unit));
            }
        }
        match self.read_fault {
            Some((ReadFault::Wrong { call: wrong, bit }, first)) if first + wrong == call => {
                if let Some(byte) = out.get_mut(bit / 8) {
                    *byte ^= 1 << (bit % 8);
                }
            }
            Some((ReadFault::Fails { from, to }, first))
                if (first + from..first + to).contains(&call) =>
            {
                return Err(Refusal::Bus);
            }
            _ => {}
        }
        Ok(())
    }

    fn program(&mut self, shape: Shape, at: usize, bytes: &[u8]) -> Result<(), Refusal> {
        if !self.powered {
            return Err(Refusal::PowerCut);
        }
        self.calls.programs += 1;
        let range = at..at + bytes.len();
        self.last_program = range.clone();
        for unit in range.start / shape.unit..range.end / shape.unit {
            self.programs[unit] += 1;
            self.most_programs = self.most_programs.max(self.programs[unit]);
        }
        match self.response(at / shape.sector, false) {
            Response::Works => {}
            Response::Fails => return Err(Refusal::WornOut(at / shape.sector)),
            Response::Ignores => return Ok(()),
        }
        let done = self.units_done(bytes.len() / shape.unit) * shape.unit;
        let kept = match self.cell {
            Some((bit, Cell::Unprogrammable)) => {
                Some((bit / 8, self.bytes[bit / 8] & 1 << (bit % 8)))
            }
            _ => None,
        };
        for (old, new) in self.bytes[range].iter_mut().zip(&bytes[..done]) {
            *old &= new;
        }
        if let Some((byte, mask)) = kept {
            self.bytes[byte] |= mask;
        }
        self.force_cell();
        if self.powered {
            return Ok(());
        }
        self.unreadable.push(Unreadable { unit: (at + done) / shape.unit, for_ever: false });
        Err(Refusal::PowerCut)
    }

    fn erase(&mut self, shape: Shape, range: Range<usize>) -> Result<(), Refusal> {
        if !self.powered {
            return Err(Refusal::PowerCut);
        }
        self.calls.erases += 1;
        match self.response(range.start / shape.sector, true) {
            Response::Works => {}
            Response::Fails => return Err(Refusal::WornOut(range.start / shape.sector)),
            Response::Ignores => return Ok(()),
        }
        let units = range.len() / shape.unit;
        let done = self.units_done(units);
        let (first, end) = (range.start / shape.unit, range.start / shape.unit + done);
        self.bytes[range.start..range.start + done * shape.unit].fill(0xFF);
        self.programs[first..end].fill(0);
        self.unreadable.retain(|bad| bad.for_ever || !(first..end).contains(&bad.unit));
        self.force_cell();
        if self.powered {
            return Ok(());
        }
        // The cells of the whole sector are in between. Some units fail, the others read as before.
        let torn = (end..first + units).step_by(5);
        self.unreadable.extend(torn.map(|unit| Unreadable { unit, for_ever: false }));
        Err(Refusal::PowerCut)
    }
}
