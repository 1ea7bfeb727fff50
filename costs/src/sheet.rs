//! Times of real parts from their data sheets, and an estimate of energy.

use serde::{Deserialize, Serialize};

use outlast_faultsim::part::{DeviceTime, Timing};

/// What a public source says about a part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sheet {
    /// Short name for the command line.
    pub name: &'static str,
    /// The source of the numbers.
    pub source: &'static str,
    /// Program and erase times; the bus at [`Sheet::CLOCK_HZ`].
    pub timing: Timing,
    /// Erase cycles per sector, if the source states them.
    pub endurance: Option<u32>,
}

const fn times(typical_ns: u64, maximal_ns: u64) -> DeviceTime {
    DeviceTime { typical_ns, maximal_ns }
}

impl Sheet {
    /// Bus clock unless another is given: one data line at 50 MHz.
    pub const CLOCK_HZ: u64 = 50_000_000;

    /// All parts known by name. The first is the default.
    pub const ALL: [Self; 3] = [
        Self {
            name: "is25lp128f",
            source: "ISSI IS25LP128F/IS25WP128F data sheet, rev. A8",
            timing: Timing::SERIAL_NOR,
            endurance: Some(100_000),
        },
        Self {
            name: "mt25ql128a",
            source: "Micron MT25QL128ABA data sheet (cycles); SFDP table of mt25qu256a (times)",
            timing: Timing {
                byte_program: times(15_000, 360_000),
                page_program: times(120_000, 2_880_000),
                erase_4k: times(48_000_000, 480_000_000),
                bus_byte_ns: 160,
            },
            endurance: Some(100_000),
        },
        Self {
            name: "mx66l1g45g",
            source: "SFDP table of mx66l1g45g; it says nothing about cycles",
            timing: Timing {
                byte_program: times(32_000, 384_000),
                page_program: times(256_000, 3_072_000),
                erase_4k: times(30_000_000, 420_000_000),
                bus_byte_ns: 160,
            },
            endurance: None,
        },
    ];

    /// The part with this name, if it is known.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|sheet| sheet.name == name)
    }
}

/// Nanoseconds for a byte on one data line at this clock, rounded up.
pub fn bus_byte_ns(clock_hz: u64) -> u64 {
    8_000_000_000_u64.div_ceil(clock_hz.max(1))
}

/// Currents of the part and the bus. From memory, not from one data sheet: 15 to 25 mA while
/// programming or erasing and a few mA while reading are usual for serial NOR parts at 3.3 V.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// Volts.
    pub volts: f64,
    /// Milliamperes while programming or erasing.
    pub busy_ma: f64,
    /// Milliamperes while the bus is clocked.
    pub bus_ma: f64,
}

impl Supply {
    /// The usual values, from memory.
    pub const USUAL: Self = Self { volts: 3.3, busy_ma: 15.0, bus_ma: 6.0 };

    /// Energy in microjoules for this time of programming or erasing and of bus traffic.
    pub fn microjoules(&self, busy_ns: f64, bus_ns: f64) -> f64 {
        self.volts * (self.busy_ma * busy_ns + self.bus_ma * bus_ns) * 1e-6
    }
}

#[cfg(test)]
mod tests {
    //! Goal: energy and bus times are right. Method: values calculated by hand.

    use super::*;

    /// One naive rewrite of 4096 bytes at 20 MHz: 45 ms erase, 10.7 ms programs, 3.34 ms bus make
    /// 2822 uJ, worked out beside the reference table of `tests/reference`.
    #[test]
    fn energy_by_hand() {
        let energy = Supply::USUAL.microjoules(45e6 + 10.7e6, 3.34e6);
        assert!((energy / 2822.0 - 1.0).abs() < 0.01, "{energy}");
    }

    #[test]
    fn clocks_and_names() {
        assert_eq!(bus_byte_ns(50_000_000), 160);
        assert_eq!(bus_byte_ns(20_000_000), 400);
        assert_eq!(bus_byte_ns(0), 8_000_000_000);
        for sheet in Sheet::ALL {
            assert_eq!(Sheet::by_name(sheet.name), Some(sheet));
            assert_eq!(sheet.timing.bus_byte_ns, bus_byte_ns(Sheet::CLOCK_HZ));
        }
        assert_eq!(Sheet::by_name("none"), None);
    }
}
