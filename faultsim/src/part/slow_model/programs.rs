//! The rule about second programs in the slow model: everything that happened to a unit since the
//! last completed erase is kept as a list.

use crate::part::cells::Image;
use crate::part::contract::{ContractViolation, PartError};
use crate::part::programs::SecondPrograms;

use super::SlowChip;
use super::past::{Past, Program};

impl SlowChip {
    /// Takes over what the image knows.
    pub(super) fn load_past(&mut self, image: &Image) {
        let units = self.programmed.len();
        let bytes = self.geometry.bytes() as usize;
        let programs = |unit: usize| {
            let count = usize::from(image.programs().most_of(unit..unit + 1));
            let torn = image.programs().is_repeatable(unit);
            vec![Program { of_zeros: torn, complete: !torn }; count]
        };
        let first_unit = |sector: u32| sector * self.geometry.sector_bytes / self.geometry.unit;
        self.past = Past {
            rule: image.second_programs(),
            programs: (0..units).map(programs).collect(),
            interrupted: (0..self.geometry.sectors)
                .map(|sector| image.programs().is_half_erased(first_unit(sector) as usize))
                .collect(),
            readings: vec![None; bytes],
            repeated_zeros: 0,
            most_programs: 0,
        };
    }

    /// For each unit, its programs since the last completed erase of its sector.
    pub fn programs(&self) -> &[Vec<Program>] {
        &self.past.programs
    }

    /// For each sector, whether its last erase was interrupted.
    pub fn interrupted_erases(&self) -> &[bool] {
        &self.past.interrupted
    }

    /// How often zeros were programmed again since power-up.
    pub fn repeated_zeros(&self) -> u64 {
        self.past.repeated_zeros
    }

    /// The most programs of a unit that was programmed since power-up.
    pub fn most_programs(&self) -> usize {
        self.past.most_programs
    }

    pub(super) fn second_programs(&self) -> SecondPrograms {
        self.past.rule
    }

    pub(super) fn note_reading(&mut self, at: u32, out: &[u8]) {
        for (offset, byte) in out.iter().enumerate() {
            if let Some(reading) = self.past.readings.get_mut(at as usize + offset) {
                *reading = Some(*byte);
            }
        }
    }

    /// Refuses the program of a unit, if the part refuses second programs. `alone` says whether the
    /// call has no other unit.
    pub(super) fn check_past(
        &mut self,
        at: u32,
        data: &[u8],
        alone: bool,
    ) -> Result<(), PartError> {
        let unit = (at / self.geometry.unit) as usize;
        if self.past.interrupted[(at / self.geometry.sector_bytes) as usize] {
            return self.refuse(ContractViolation::InterruptedErase { at });
        }
        let past = &self.past.programs[unit];
        if past.is_empty() {
            return Ok(());
        }
        let bytes = at as usize..at as usize + data.len();
        let read_blank = self.past.readings[bytes].iter().all(|byte| *byte == Some(0xFF));
        let zeros_before = past.iter().all(|program| program.of_zeros && !program.complete);
        let zeros_now = data.iter().all(|byte| *byte == 0);
        if alone && zeros_now && zeros_before && read_blank {
            self.past.repeated_zeros += 1;
            return Ok(());
        }
        self.refuse_over_program(at, data)
    }

    /// Notes a program within one page.
    pub(super) fn note_program(&mut self, at: u32, data: &[u8], complete: bool) {
        if self.past.rule == SecondPrograms::ZerosAllowed {
            return;
        }
        for (index, data) in data.chunks(self.geometry.unit as usize).enumerate() {
            let of_zeros = data.iter().all(|byte| *byte == 0);
            let unit = &mut self.past.programs[(at / self.geometry.unit) as usize + index];
            unit.push(Program { of_zeros, complete });
            self.past.most_programs = self.past.most_programs.max(unit.len());
        }
    }

    /// Notes an erase.
    pub(super) fn note_erase(&mut self, sector: u32, complete: bool) {
        if self.past.rule == SecondPrograms::ZerosAllowed {
            return;
        }
        self.past.interrupted[sector as usize] = !complete;
        if complete {
            for index in self.sector_bits(sector) {
                self.past.programs[index / 8 / self.geometry.unit as usize].clear();
            }
        }
    }
}
