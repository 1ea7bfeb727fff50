//! The same part written a second time, one cell at a time: slow, and simple enough to be checked
//! by reading.
//!
//! It shares the data types of the fast model, the coin tosses and the times, and nothing else, so
//! that a slip in either of the two shows as a difference between them.

mod cutting;
mod past;
mod programs;

use super::bias::{Bias, Reading};
use super::cells::{Image, Step};
use super::chip::{Counts, Wear};
use super::coin::nth;
use super::contract::{ContractViolation, PartError};
use super::geometry::Geometry;
use super::marginal::Marginal;
use super::programs::SecondPrograms;
use super::tears::tear::Tear;
use super::timing::{DeviceTime, Timing};
use past::Past;
pub use past::Program;

/// One bit of the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Programmed.
    Zero,
    /// Erased.
    One,
    /// Left half-way by an interrupted operation.
    Marginal {
        /// Whether it is nearer to 1 than to 0.
        stored: bool,
    },
}

impl Cell {
    fn stored(self) -> bool {
        match self {
            Self::Zero => false,
            Self::One => true,
            Self::Marginal { stored } => stored,
        }
    }

    fn solid(one: bool) -> Self {
        if one { Self::One } else { Self::Zero }
    }
}

/// A running part, cell by cell. The calls mean the same as those of [`Chip`](super::Chip).
#[derive(Clone, Debug)]
pub struct SlowChip {
    geometry: Geometry,
    /// Bit 0 of byte 0 first.
    cells: Vec<Cell>,
    /// For each unit, whether it was programmed since its erase.
    programmed: Vec<bool>,
    /// For each sector, how many erases were begun.
    erases: Vec<u32>,
    bias: Bias,
    off: bool,
    cut: Option<(u64, Tear)>,
    fuel: u64,
    calls: u64,
    counts: Counts,
    time: DeviceTime,
    violations: Vec<ContractViolation>,
    steps: Vec<Step>,
    past: Past,
}

impl SlowChip {
    /// A blank, powered part.
    pub fn new(geometry: Geometry) -> Self {
        let Geometry { sectors, sector_bytes, unit, page } = geometry;
        // Sizes that are not those of a valid part give a part without a byte.
        let geometry = Geometry::new(sectors, sector_bytes, unit, page).unwrap_or(Geometry {
            sectors: 0,
            sector_bytes: 1,
            unit: 1,
            page: 1,
        });
        Self {
            geometry,
            cells: vec![Cell::One; 8 * geometry.bytes() as usize],
            programmed: vec![false; (geometry.bytes() / geometry.unit) as usize],
            erases: vec![0; geometry.sectors as usize],
            bias: Bias::stored(),
            off: false,
            cut: None,
            fuel: u64::MAX,
            calls: 0,
            counts: Counts::default(),
            time: DeviceTime::default(),
            violations: Vec::new(),
            steps: Vec::new(),
            past: Past::default(),
        }
    }

    /// Loads the cells and switches the power on.
    pub fn power_up(&mut self, image: &Image, bias: Bias) {
        let fuel = self.fuel;
        *self = Self::new(self.geometry);
        self.fuel = fuel;
        self.bias = bias;
        for (index, cell) in self.cells.iter_mut().enumerate() {
            let (at, bit) = (index / 8, index % 8);
            let byte = image.bytes().get(at).copied().unwrap_or(0xFF);
            let stored = byte >> bit & 1 == 1;
            let marginal = image
                .marginal()
                .iter()
                .any(|marginal| marginal.at as usize == at && marginal.mask >> bit & 1 == 1);
            *cell = if marginal { Cell::Marginal { stored } } else { Cell::solid(stored) };
        }
        for (unit, programmed) in self.programmed.iter_mut().enumerate() {
            *programmed = image.is_programmed(unit);
        }
        self.erases = image.erase_counts().to_vec();
        self.load_past(image);
    }

    /// Plans a power cut.
    pub fn cut_at(&mut self, step: u64, tear: Tear) {
        self.cut = Some((step, tear));
    }

    /// Whether a cut has taken the power away.
    pub fn is_off(&self) -> bool {
        self.off
    }

    /// Grants this many calls per power-up.
    pub fn set_fuel(&mut self, calls: u64) {
        self.fuel = calls;
    }

    /// The value that each byte stores.
    pub fn bytes(&self) -> Vec<u8> {
        self.cells
            .chunks(8)
            .map(|byte| (0..8).map(|bit| u8::from(byte[bit].stored()) << bit).sum())
            .collect()
    }

    /// The marginal cells.
    pub fn marginal(&self) -> Vec<Marginal> {
        let mut list = Vec::new();
        for (at, byte) in self.cells.chunks(8).enumerate() {
            let is_marginal = |bit: &usize| matches!(byte[*bit], Cell::Marginal { .. });
            let mask = (0..8).filter(is_marginal).map(|bit| 1 << bit).sum();
            if mask != 0 {
                list.push(Marginal { at: at as u32, mask });
            }
        }
        list
    }

    /// Which units were programmed since their erase.
    pub fn programmed(&self) -> &[bool] {
        &self.programmed
    }

    /// Erases begun, per sector.
    pub fn erase_counts(&self) -> &[u32] {
        &self.erases
    }

    /// Work done since power-up.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Device time since power-up.
    pub fn time(&self) -> DeviceTime {
        self.time
    }

    /// Wear over the life of the image.
    pub fn wear(&self) -> Wear {
        let mut wear = Wear { most_erased: 0, least_erased: u32::MAX };
        for count in &self.erases {
            wear.most_erased = wear.most_erased.max(*count);
            wear.least_erased = wear.least_erased.min(*count);
        }
        wear
    }

    /// Contract violations since power-up.
    pub fn violations(&self) -> &[ContractViolation] {
        &self.violations
    }

    /// Steps completed since power-up.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Reads the bytes that begin at `at`.
    ///
    /// # Errors
    /// [`PartError`].
    pub fn read(&mut self, at: u32, out: &mut [u8]) -> Result<(), PartError> {
        self.begin_call()?;
        self.check_range(at, out.len())?;
        for (offset, byte) in out.iter_mut().enumerate() {
            let address = at + offset as u32;
            *byte = 0;
            for bit in 0..8 {
                if self.read_cell(address, bit) {
                    *byte |= 1 << bit;
                }
            }
        }
        self.note_reading(at, out);
        self.counts.reads += 1;
        self.counts.read_bytes += out.len() as u64;
        self.time += Timing::SERIAL_NOR.read(out.len());
        Ok(())
    }

    fn read_cell(&self, at: u32, bit: u32) -> bool {
        let cell = self.cells[8 * at as usize + bit as usize];
        let Cell::Marginal { stored } = cell else { return cell == Cell::One };
        let lane = |seed: u64| nth(seed, u64::from(at)) >> (8 * bit) & 0xFF;
        match self.bias.0 {
            Reading::Zeros => false,
            Reading::Ones => true,
            Reading::Stored => stored,
            Reading::Flips { ones, first, second } => {
                let read = self.counts.reads;
                if read < first || read >= second { ones } else { !ones }
            }
            Reading::Fixed { seed, ones_of_256 } => lane(seed) < u64::from(ones_of_256),
            Reading::PerRead { seed, ones_of_256 } => {
                lane(nth(seed, self.counts.reads)) < u64::from(ones_of_256)
            }
        }
    }

    /// Programs `data`, beginning at `at`.
    ///
    /// # Errors
    /// [`PartError`].
    pub fn program(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        self.begin_call()?;
        self.check_range(at, data.len())?;
        self.check_alignment(at, u64::from(at) + data.len() as u64, self.geometry.unit)?;
        for (index, unit_data) in data.chunks(self.geometry.unit as usize).enumerate() {
            let at = at + index as u32 * self.geometry.unit;
            match self.second_programs() {
                SecondPrograms::ZerosAllowed => self.check_unit(at, unit_data)?,
                SecondPrograms::Refused => {
                    self.check_past(at, unit_data, unit_data.len() == data.len())?;
                }
                SecondPrograms::Counted => {}
            }
        }
        self.counts.program_calls += 1;
        // Each page is a step of its own.
        let mut offset = 0;
        while offset < data.len() {
            let from = at + offset as u32;
            let page_number = from / self.geometry.page;
            let len = (offset..data.len())
                .take_while(|next| (at + *next as u32) / self.geometry.page == page_number)
                .count();
            let data = &data[offset..offset + len];
            self.step(Step::Program { at: from, data: data.to_vec() })?;
            offset += len;
        }
        Ok(())
    }

    /// Erases the sectors of bytes `from..to`.
    ///
    /// # Errors
    /// [`PartError`].
    pub fn erase(&mut self, from: u32, to: u32) -> Result<(), PartError> {
        self.begin_call()?;
        if from > to || to > self.geometry.bytes() {
            return self.refuse(ContractViolation::OutOfRange { from, to: to.into() });
        }
        self.check_alignment(from, to.into(), self.geometry.sector_bytes)?;
        for sector in 0..self.geometry.sectors {
            let start = sector * self.geometry.sector_bytes;
            if start >= from && start < to {
                self.step(Step::Erase { sector })?;
            }
        }
        Ok(())
    }

    fn begin_call(&mut self) -> Result<(), PartError> {
        if self.off {
            return Err(PartError::PowerOff);
        }
        if self.calls == self.fuel {
            return Err(PartError::Fuel);
        }
        self.calls += 1;
        Ok(())
    }

    fn refuse(&mut self, violation: ContractViolation) -> Result<(), PartError> {
        self.violations.push(violation);
        Err(PartError::Contract(violation))
    }

    fn check_range(&mut self, at: u32, len: usize) -> Result<(), PartError> {
        let to = u64::from(at) + len as u64;
        if to > u64::from(self.geometry.bytes()) {
            return self.refuse(ContractViolation::OutOfRange { from: at, to });
        }
        Ok(())
    }

    fn check_alignment(&mut self, from: u32, to: u64, granule: u32) -> Result<(), PartError> {
        let wide = u64::from(granule);
        if !u64::from(from).is_multiple_of(wide) || !to.is_multiple_of(wide) {
            return self.refuse(ContractViolation::Misaligned { from, to, granule });
        }
        Ok(())
    }

    fn check_unit(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        let programmed = self.programmed[(at / self.geometry.unit) as usize];
        if !programmed || data.iter().all(|byte| *byte == 0) {
            return Ok(());
        }
        self.refuse_over_program(at, data)
    }

    fn refuse_over_program(&mut self, at: u32, data: &[u8]) -> Result<(), PartError> {
        for (offset, byte) in data.iter().enumerate() {
            for bit in 0..8 {
                let cell = self.cells[8 * (at as usize + offset) + bit];
                if byte >> bit & 1 == 1 && cell == Cell::Zero {
                    let at = at + offset as u32;
                    return self.refuse(ContractViolation::ZeroToOne { at });
                }
            }
        }
        self.refuse(ContractViolation::SecondProgram { at })
    }

    /// Does a step, or tears it and switches the power off.
    fn step(&mut self, step: Step) -> Result<(), PartError> {
        match self.cut.take() {
            Some((number, tear)) if number == self.steps.len() as u64 => {
                self.tear(&step, &tear);
                self.off = true;
                return Err(PartError::PowerOff);
            }
            later => self.cut = later,
        }
        self.finish(&step);
        match &step {
            Step::Program { data, .. } => {
                self.counts.programs += 1;
                self.counts.programmed_bytes += data.len() as u64;
                self.time += Timing::SERIAL_NOR.program(data.len());
            }
            Step::Erase { .. } => {
                self.counts.erases += 1;
                self.time += Timing::SERIAL_NOR.erase(self.geometry.sector_bytes);
            }
        }
        self.steps.push(step);
        Ok(())
    }
}
