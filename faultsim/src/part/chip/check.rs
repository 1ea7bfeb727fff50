//! Whether the part accepts a program, and what it has to remember of readings for that.

use super::Chip;
use crate::part::contract::{ContractViolation, PartError};
use crate::part::marginal::marginal_within;
use crate::part::programs::{MOST_PROGRAMS, SecondPrograms};

impl Chip {
    /// Refuses a program that violates the contract. With `again` the part lets a unit be programmed
    /// any number of times.
    pub(super) fn check_program(
        &mut self,
        at: u32,
        data: &[u8],
        again: bool,
    ) -> Result<(), PartError> {
        let from = at as usize;
        let to = from.saturating_add(data.len());
        if to > self.image.bytes().len() {
            return Err(self.refuse_range(at, data.len()));
        }
        let unit = self.geometry.unit_size() as usize;
        if !from.is_multiple_of(unit) || !to.is_multiple_of(unit) {
            return Err(self.refuse_alignment(at, to as u64, unit as u32));
        }
        match self.image.second_programs() {
            SecondPrograms::ZerosAllowed => {}
            SecondPrograms::Refused => return self.check_once(from, data, again),
            SecondPrograms::Counted => return Ok(()),
        }
        if again
            || !self.image.any_programmed(from / unit..to / unit)
            || data.iter().all(|byte| *byte == 0)
        {
            return Ok(());
        }
        for (number, unit_data) in (from / unit..).zip(data.chunks(unit)) {
            // Only zeros may be programmed over a programmed unit.
            if self.image.is_programmed(number) && unit_data.iter().any(|byte| *byte != 0) {
                if self.permits_second {
                    self.programmed_twice = true;
                    return Ok(());
                }
                return Err(self.refuse_over_program(number * unit, unit_data));
            }
        }
        Ok(())
    }

    /// The same for [`SecondPrograms::Refused`], after the checks of range and alignment.
    fn check_once(&mut self, from: usize, data: &[u8], again: bool) -> Result<(), PartError> {
        let unit = self.geometry.unit_size() as usize;
        for (number, unit_data) in (from / unit..).zip(data.chunks(unit)) {
            let programs = self.image.programs();
            let half_erased = programs.is_half_erased(number);
            if !half_erased && (again || !programs.is_begun(number)) {
                continue;
            }
            if !half_erased && data.len() == unit && self.may_repeat(number, data) {
                self.repeated_zeros += 1;
                continue;
            }
            if self.permits_second {
                self.programmed_twice = true;
                return Ok(());
            }
            let at = number * unit;
            return Err(if half_erased {
                self.refuse(ContractViolation::InterruptedErase { at: at as u32 })
            } else {
                self.refuse_over_program(at, unit_data)
            });
        }
        Ok(())
    }

    /// Whether `data`, the whole of a program call, may be programmed over the unit again.
    fn may_repeat(&self, number: usize, data: &[u8]) -> bool {
        let at = number * data.len();
        data.iter().all(|byte| *byte == 0)
            && self.image.programs().is_repeatable(number)
            && (at..at + data.len()).all(|at| self.read_blank.has(at))
    }

    /// Remembers which bytes of repeatable units read blank. `out` was read from address `from` on.
    pub(super) fn note_reading(&mut self, from: usize, out: &[u8]) {
        let programs = self.image.programs();
        let read = from..from + out.len();
        let unit = self.geometry.unit_size() as usize;
        for &number in programs.repeatable_within(read.clone()) {
            let number = number as usize;
            let bytes = number * unit..(number + 1) * unit;
            for at in bytes.start.max(read.start)..bytes.end.min(read.end) {
                self.read_blank.set(at, out[at - from] == 0xFF);
            }
        }
    }

    /// Counts a program that is about to begin.
    pub(super) fn count_programs(&mut self, at: u32, len: usize) {
        let programs = self.image.programs();
        let before = programs.most_of(programs.units_of(at as usize..at as usize + len));
        self.most_programs = self.most_programs.max((before + 1).min(MOST_PROGRAMS));
    }

    /// Refuses a program over the programmed unit at `from` with the violation that fits.
    fn refuse_over_program(&mut self, from: usize, data: &[u8]) -> PartError {
        let cells = &self.image.bytes()[from..from + data.len()];
        let marginal =
            &self.image.marginal()[marginal_within(self.image.marginal(), from, from + data.len())];
        let violation = (from..)
            .zip(cells.iter().zip(data))
            .find(|(at, (cell, byte))| {
                let marginal = marginal.iter().find(|entry| entry.at as usize == *at);
                *byte & !(*cell | marginal.map_or(0, |entry| entry.mask)) != 0
            })
            .map_or(ContractViolation::SecondProgram { at: from as u32 }, |(at, _)| {
                ContractViolation::ZeroToOne { at: at as u32 }
            });
        self.refuse(violation)
    }
}
