//! The driver's options.

use crate::data_sheet::DataSheet;
use crate::id::JedecId;

/// Options of [`crate::SerialNor::new`]. The defaults fit a chip with correct tables on a bus
/// without a transfer limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    pub(crate) data_sheet: DataSheet,
    pub(crate) data_sheets: &'static [(JedecId, DataSheet)],
    pub(crate) policy: Policy,
}

/// What the options say besides facts about chips; the driver keeps it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Policy {
    pub(crate) transfer_bytes: usize,
    pub(crate) start_timeout_us: u32,
    pub(crate) power_up_us: u32,
    pub(crate) verify: bool,
    pub(crate) second_programs: bool,
    pub(crate) mode_exit: bool,
    pub(crate) fast_read: bool,
    pub(crate) reset: bool,
    pub(crate) latch_stays_set: bool,
}

impl Options {
    /// The smallest transfer limit the driver can work with, in bytes.
    pub const LEAST_TRANSFER_BYTES: usize = 32;

    /// The defaults.
    pub const fn new() -> Self {
        Self {
            data_sheet: DataSheet::new(),
            data_sheets: &[],
            policy: Policy {
                transfer_bytes: usize::MAX,
                start_timeout_us: 10_000_000,
                power_up_us: 10_000,
                verify: true,
                second_programs: false,
                mode_exit: true,
                fast_read: false,
                reset: false,
                latch_stays_set: false,
            },
        }
    }

    /// Facts that the tables of the chip leave out or get wrong.
    #[must_use]
    pub const fn with_data_sheet(self, data_sheet: DataSheet) -> Self {
        Self { data_sheet, ..self }
    }

    /// Data sheets by the chip's answer to "read ID", for boards that are built with different
    /// chips. The first one with the ID of the chip is used, and that of
    /// [`Self::with_data_sheet`] if there is none.
    ///
    /// Caution: equal IDs do not mean equal parts, and not even equal tables. Give only what holds
    /// for every part with this ID that may be fitted.
    ///
    /// ```
    /// use outlast_serialnor::{DataSheet, FourByte, JedecId, Options};
    ///
    /// // 32 MiB and tables of the first revision, which do not say how to address them.
    /// const SHEETS: &[(JedecId, DataSheet)] = &[
    ///     (
    ///         JedecId { bank: 1, manufacturer: 0x20, device: [0xBA, 0x19] },
    ///         DataSheet::new().with_four_byte(FourByte::Mode { write_enable: true }),
    ///     ),
    ///     (
    ///         JedecId { bank: 1, manufacturer: 0xC2, device: [0x20, 0x19] },
    ///         DataSheet::new().with_four_byte(FourByte::Mode { write_enable: false }),
    ///     ),
    /// ];
    /// let options = Options::new().with_data_sheets(SHEETS);
    /// ```
    #[must_use]
    pub const fn with_data_sheets(self, sheets: &'static [(JedecId, DataSheet)]) -> Self {
        Self { data_sheets: sheets, ..self }
    }

    const fn with_policy(self, policy: Policy) -> Self {
        Self { policy, ..self }
    }

    /// The data sheet for a chip.
    pub(crate) fn sheet_of(&self, id: Option<JedecId>) -> &DataSheet {
        let of_id = self.data_sheets.iter().find(|(of, _)| Some(*of) == id);
        of_id.map_or(&self.data_sheet, |(_, sheet)| sheet)
    }

    /// Most bytes in one transaction, command, address and dummy bytes included; at least
    /// [`Options::LEAST_TRANSFER_BYTES`]. Default: no limit. Some SPI controllers fail above about
    /// 250 bytes (common practice, no source), which is less than a page and its command. The
    /// driver splits longer reads and programs.
    #[must_use]
    pub const fn with_transfer_bytes(self, bytes: usize) -> Self {
        let least = Self::LEAST_TRANSFER_BYTES;
        let transfer_bytes = if bytes < least { least } else { bytes };
        self.with_policy(Policy { transfer_bytes, ..self.policy })
    }

    /// How long [`crate::SerialNor::new`] waits for a chip that is still busy because only the
    /// microcontroller was reset. Default: 10 s, which is longer than the erase of a sector of any
    /// size takes. A chip erase takes minutes.
    #[must_use]
    pub const fn with_start_timeout_us(self, microseconds: u32) -> Self {
        self.with_policy(Policy { start_timeout_us: microseconds, ..self.policy })
    }

    /// Whether everything is read back after each program and erase, and a difference is reported
    /// as [`crate::Error::Verify`]. Default: it is.
    ///
    /// It costs one read command for each 64 bytes: at a bus clock of 50 MHz 6.6 us for a record of
    /// 36 bytes, 44 us for a page, 0.7 ms for an erase of 4 KiB and 11 ms for one of 64 KiB.
    ///
    /// Switch it off only for code that reads back itself whatever it programs and erases. The
    /// store of `outlast-kvstore` does: it also goes on elsewhere if a place does not keep what is
    /// programmed, and it does not give up a whole sector for one bit. What is lost for all other
    /// code: a program is reported as done that never happened, because the chip clears its latch
    /// when it ignores a command for a protected block, or because its supply failed for a moment;
    /// a program that the bus garbled; and a place that was not blank or is worn out. An erase that
    /// never began is noticed all the same, but not one that ended too early.
    #[must_use]
    pub const fn with_verify(self, on: bool) -> Self {
        self.with_policy(Policy { verify: on, ..self.policy })
    }

    /// For code that programs bytes again to clear more of their bits: each program is compared
    /// with what was there before, which is read first, and not with its data alone. Without this
    /// option such a program must name the bytes as they will read, otherwise it ends with
    /// [`crate::Error::Verify`] although the bits are cleared. Costs as much time as reading back.
    #[must_use]
    pub const fn with_second_programs(self, on: bool) -> Self {
        self.with_policy(Policy { second_programs: on, ..self.policy })
    }

    /// How long after its supply came up the chip may stay silent or ignore write enable, in
    /// microseconds. Default: 10 ms, the longest time of the parts known here (from memory of data
    /// sheets). [`crate::SerialNor::new`] waits that long for an ID before it reports
    /// [`crate::Error::BusStuck`], and write enable is tried for that long before it is reported as
    /// ignored. Costs nothing with a chip that answers.
    #[must_use]
    pub const fn with_power_up_us(self, microseconds: u32) -> Self {
        self.with_policy(Policy { power_up_us: microseconds, ..self.policy })
    }

    /// Whether [`crate::SerialNor::new`] first sends bytes of FFh, which end continuous reading
    /// and, on many chips, commands over four lines: a boot ROM that reads the program from the
    /// chip may have left such a mode. Default: it does. In all other modes FFh is no command, or
    /// one that does just this (from memory of data sheets).
    ///
    /// For commands over four lines this needs pull-ups at the three other data lines, and a chip
    /// that leaves them by FFh. Other chips need [`crate::pulse_reset`].
    #[must_use]
    pub const fn with_mode_exit(self, on: bool) -> Self {
        self.with_policy(Policy { mode_exit: on, ..self.policy })
    }

    /// Reads with the command that has a dummy byte, which allows a higher clock (see the data
    /// sheet: often needed above 50 MHz). If the chip is addressed by commands with four address
    /// bytes and its tables do not list this one among them, it is refused with
    /// [`crate::Error::NotSupported`].
    #[must_use]
    pub const fn with_fast_read(self, on: bool) -> Self {
        self.with_policy(Policy { fast_read: on, ..self.policy })
    }

    /// Resets the chip in [`crate::SerialNor::new`], as soon as it is no longer busy, to end
    /// whatever mode earlier firmware left it in. A chip whose tables do not list 66h and 99h is
    /// refused with [`crate::Error::NotSupported`].
    #[must_use]
    pub const fn with_reset(self, on: bool) -> Self {
        self.with_policy(Policy { reset: on, ..self.policy })
    }

    /// For emulators, not for chips: the write enable latch stays set after a program or erase,
    /// these take no time, and no register shows the address mode (QEMU 7.2 is so). Without this
    /// option, a latch still set means that the chip ignored the command, and so does an erase that
    /// never made the chip busy.
    #[must_use]
    pub const fn with_latch_that_stays_set(self, on: bool) -> Self {
        self.with_policy(Policy { latch_stays_set: on, ..self.policy })
    }
}

impl Default for Options {
    fn default() -> Self {
        Self::new()
    }
}
