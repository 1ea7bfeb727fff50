//! Simulated device time, computed from the times of a data sheet.

use core::ops::AddAssign;

use serde::{Deserialize, Serialize};

/// Time the part was busy or on the bus, in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceTime {
    /// According to the typical times of the data sheet.
    pub typical_ns: u64,
    /// According to the maximum times of the data sheet.
    pub maximal_ns: u64,
}

impl AddAssign for DeviceTime {
    fn add_assign(&mut self, other: Self) {
        self.typical_ns += other.typical_ns;
        self.maximal_ns += other.maximal_ns;
    }
}

/// How long operations take. Times are in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timing {
    /// To program one byte.
    pub byte_program: DeviceTime,
    /// To program a full page of 256 bytes. Between one byte and a page, the time grows linearly
    /// with the length.
    pub page_program: DeviceTime,
    /// To erase 4 KiB. A larger sector takes a multiple of this; a smaller one takes as long.
    pub erase_4k: DeviceTime,
    /// To move one byte over the bus.
    pub bus_byte_ns: u64,
}

const fn times(typical_ns: u64, maximal_ns: u64) -> DeviceTime {
    DeviceTime { typical_ns, maximal_ns }
}

impl Timing {
    /// A serial NOR part. Program and erase times: ISSI IS25LP128F/IS25WP128F data sheet, rev.
    /// A8: byte program 8/40 us, page program 0.2/0.8 ms, 4 KiB erase 100/300 ms. Bus: one data
    /// line at 50 MHz, within the 80 MHz the same sheet allows for the plain read command.
    pub const SERIAL_NOR: Self = Self {
        byte_program: times(8_000, 40_000),
        page_program: times(200_000, 800_000),
        erase_4k: times(100_000_000, 300_000_000),
        bus_byte_ns: 160,
    };

    /// Command byte and three address bytes.
    const COMMAND_BYTES: u64 = 4;
    /// The write-enable command that precedes every program and erase.
    const WRITE_ENABLE_BYTES: u64 = 1;

    /// To read `len` bytes with one command.
    pub fn read(&self, len: usize) -> DeviceTime {
        self.reads(1, len as u64)
    }

    /// To read `bytes` in total with this many commands.
    pub(super) fn reads(&self, commands: u64, bytes: u64) -> DeviceTime {
        let bus = (commands * Self::COMMAND_BYTES + bytes) * self.bus_byte_ns;
        times(bus, bus)
    }

    /// To program `len` bytes within one page. Status polls happen during the busy time and cost
    /// nothing.
    pub fn program(&self, len: usize) -> DeviceTime {
        let len = len as u64;
        let bus = (Self::WRITE_ENABLE_BYTES + Self::COMMAND_BYTES + len) * self.bus_byte_ns;
        let busy =
            |byte: u64, page: u64| byte + page.saturating_sub(byte) * len.saturating_sub(1) / 255;
        times(
            bus + busy(self.byte_program.typical_ns, self.page_program.typical_ns),
            bus + busy(self.byte_program.maximal_ns, self.page_program.maximal_ns),
        )
    }

    /// To erase a sector of `sector_bytes`.
    pub fn erase(&self, sector_bytes: u32) -> DeviceTime {
        let bus = (Self::WRITE_ENABLE_BYTES + Self::COMMAND_BYTES) * self.bus_byte_ns;
        let pieces = u64::from(sector_bytes.div_ceil(4096));
        times(bus + pieces * self.erase_4k.typical_ns, bus + pieces * self.erase_4k.maximal_ns)
    }
}

impl Default for Timing {
    fn default() -> Self {
        Self::SERIAL_NOR
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source of the expected times: ISSI IS25LP128F/IS25WP128F data sheet, rev. A8; bus bytes
    // of 8 clocks at 50 MHz counted by hand.
    #[test]
    fn times_match_the_data_sheet() {
        let timing = Timing::SERIAL_NOR;
        assert_eq!(timing.read(20), times(24 * 160, 24 * 160));
        assert_eq!(timing.program(1), times(8_000 + 6 * 160, 40_000 + 6 * 160));
        assert_eq!(timing.program(256), times(200_000 + 261 * 160, 800_000 + 261 * 160));
        assert_eq!(timing.erase(512), timing.erase(4096));
        assert_eq!(timing.erase(4096), times(100_000_800, 300_000_800));
        assert_eq!(timing.erase(65536).typical_ns, 1_600_000_800);
    }
}
