//! Arguments of `outlast plan`, as typed.

use std::path::PathBuf;

use clap::Args;

use crate::args::{fraction, part_help, whole};
use crate::exit::after_help;

const EXAMPLES: &str = "\
A product in a TOML file; everything except the settings is optional:
  [part]
  sheet = \"is25lp128f\"          # times and cycles of a known part
  # sfdp = \"chip.sfdp\"          # or the chip's own tables; needs endurance
  endurance = 100000            # erase cycles per sector
  byte_program_us = [8, 40]     # typical and maximum; replaces that of the part
  page_program_us = [200, 800]
  sector_erase_ms = [100, 300]
  sector_bytes = 4096
  page_bytes = 256
  program_unit = 1
  spi_mhz = 50
  most_sectors = 16
  [use]
  years = 15
  boots = \"2/day\"
  rest = false                  # true: rest() is called before power is lost
  [[use.setting]]
  name = \"level\"
  count = 1
  key_bytes = 11
  value_bytes = 4
  rate = \"1/minute\"             # of each; or per second, hour, day, week, ...

SFDP tables do not give the erase cycles: take --endurance from the data sheet. They also leave out \
the program unit of parts with error correction (--unit) and, in revision 1.0, page and times. They \
may be wrong; compare them with the data sheet.

Examples:
  outlast plan product.toml
  outlast plan product.toml --boots 24/day --years 20
  outlast plan --setting name=level,key=11,value=4,rate=1/minute
  outlast plan product.toml --setting count=40,key=8,value=24
  outlast plan product.toml --sectors 4 --simulate
  outlast plan product.toml --sfdp chip.sfdp --endurance 100000
  outlast plan --json product.toml | jq .chosen";

const EXIT_CODES: [(u8, &str); 3] = [
    (0, "the target is met"),
    (1, "the target is not met by these sectors, or by any number of sectors"),
    (2, "wrong usage, or a file cannot be used (SFDP tables, TOML)"),
];

/// What was typed. What is not given here is taken from the file, then from a default.
#[derive(Debug, Args)]
#[command(after_help = after_help(EXAMPLES, &EXIT_CODES))]
pub(crate) struct Typed {
    /// A product in a TOML file, see below
    #[arg(value_name = "FILE")]
    pub(super) file: Option<PathBuf>,
    /// Take program and erase times from this part
    #[arg(long, value_name = "NAME", help = part_help())]
    pub(super) part: Option<String>,
    /// Take size, page, erase command and times from the chip's own tables (SFDP, JESD216), as read
    /// from address 0: raw bytes or pairs of hexadecimal digits. Needs --endurance
    #[arg(long, value_name = "FILE", conflicts_with = "part")]
    pub(super) sfdp: Option<PathBuf>,
    /// Erase cycles per sector, from the data sheet
    #[arg(long, value_name = "CYCLES", value_parser = whole::<u32>)]
    pub(super) endurance: Option<u32>,
    /// Sector size, a power of two from 512 to 131072 [default: from the tables, else 4096]
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    pub(super) sector_bytes: Option<u32>,
    /// Program unit: 1, 2, 4, 8, 16 or 32 bytes [default: 1]
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    pub(super) unit: Option<u32>,
    /// Page: the bytes that one program operation can touch, a power of two [default: from the
    /// tables, else 256]
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    pub(super) page: Option<u32>,
    /// Clock of the bus in megahertz, with one data line, 1 to 133 [default: 50]
    #[arg(long, value_name = "MHZ", value_parser = whole::<u32>)]
    pub(super) spi_mhz: Option<u32>,
    /// Most sectors the store may have, 2 to 4096 [default: 64]
    #[arg(long, value_name = "COUNT", value_parser = whole::<u32>)]
    pub(super) most_sectors: Option<u32>,
    /// Use exactly this many sectors
    #[arg(long, value_name = "COUNT", value_parser = whole::<u32>)]
    pub(super) sectors: Option<u32>,
    /// One setting, or several alike: name=WORD,count=N,key=BYTES,value=BYTES,rate=N/UNIT. The rate
    /// is that of each of them; without it they never change. May be given several times
    #[arg(long, value_name = "SETTING")]
    pub(super) setting: Vec<String>,
    /// Power-ups, for example 2/day [default: none]
    #[arg(long, value_name = "N/UNIT")]
    pub(super) boots: Option<String>,
    /// The product calls `rest` before it loses its power
    #[arg(long)]
    pub(super) rest: bool,
    /// Target lifetime in years [default: 10]
    #[arg(long, value_name = "YEARS", value_parser = fraction, allow_negative_numbers = true)]
    pub(super) years: Option<f64>,
    /// Also run the store with these settings and compare
    #[arg(long)]
    pub(super) simulate: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    pub(super) json: bool,
}
