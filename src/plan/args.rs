//! Arguments of `outlast plan` as they are typed.

use std::path::PathBuf;

use clap::Args;

use crate::args::part_help;

const EXAMPLES: &str = "\
A product in a file, all of it optional but the settings:
  [part]
  sheet = \"is25lp128f\"            # times and cycles of a part known by name,
  sfdp = \"chip.sfdp\"              # or instead: size, page and times from the chip's own tables
  endurance = 100000              # erase cycles per sector; always needed with sfdp
  byte_program_us = [8, 40]       # typical and maximal, in place of those
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
  [[use.setting]]
  name = \"level\"
  count = 1
  key_bytes = 11
  value_bytes = 4
  rate = \"1/minute\"               # of each; per second, minute, hour, day, week, month or year

Examples:
  outlast plan product.toml
  outlast plan product.toml --boots 24/day --years 20
  outlast plan --setting name=level,key=11,value=4,rate=1/minute --setting count=40,key=8,value=24
  outlast plan product.toml --sectors 4 --simulate
  outlast plan --sfdp chip.sfdp --endurance 100000 --setting key=11,value=4,rate=1/minute
  outlast plan --json product.toml | jq .chosen

What SFDP tables do not tell: erase cycles, so give --endurance from the data sheet; the program unit of
parts with error correction (--unit); in revision 1.0, page and times. They may be wrong: see the data sheet.

Exit codes:
  0   the wish can be met
  1   no number of sectors meets it
  2   wrong usage, or a file that cannot be used (no or incomplete SFDP tables, wrong TOML)
  70  internal error, or the result could not be written";

/// What was typed. What is not given here is taken from the file, then from a default.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Typed {
    /// A product in a TOML file, see below
    #[arg(value_name = "FILE")]
    pub(super) file: Option<PathBuf>,
    /// Times and cycles of this part
    #[arg(long, value_name = "NAME", help = part_help())]
    pub(super) part: Option<String>,
    /// Size, page, erase command and times from the chip's own tables (SFDP, JESD216), as read from
    /// address 0 on: raw bytes or pairs of hex digits. Needs --endurance
    #[arg(long, value_name = "FILE", conflicts_with = "part")]
    pub(super) sfdp: Option<PathBuf>,
    /// Erase cycles per sector, from the data sheet
    #[arg(long, value_name = "CYCLES")]
    pub(super) endurance: Option<u32>,
    /// Bytes of a sector, a power of two from 512 to 131072 [default: 4096, or what the tables
    /// offer]
    #[arg(long, value_name = "BYTES")]
    pub(super) sector_bytes: Option<u32>,
    /// Bytes of a program unit: 1, 2, 4, 8, 16 or 32 [default: 1]
    #[arg(long, value_name = "BYTES")]
    pub(super) unit: Option<u32>,
    /// Bytes that one program operation can touch, a power of two [default: 256, or that of the
    /// tables]
    #[arg(long, value_name = "BYTES")]
    pub(super) page: Option<u32>,
    /// Clock of the bus in megahertz, one data line, 1 to 133 [default: 50]
    #[arg(long, value_name = "MHZ")]
    pub(super) spi_mhz: Option<u32>,
    /// Most sectors the store may have, 2 to 4096 [default: 64]
    #[arg(long, value_name = "COUNT")]
    pub(super) most_sectors: Option<u32>,
    /// So many sectors, whether more are needed or fewer would do
    #[arg(long, value_name = "COUNT")]
    pub(super) sectors: Option<u32>,
    /// A setting, or several alike: name=WORD,count=N,key=BYTES,value=BYTES,rate=N/UNIT; rate is
    /// that of each of them, without it they never change. May be given several times
    #[arg(long, value_name = "SETTING")]
    pub(super) setting: Vec<String>,
    /// Power-ups, for example 2/day [default: none]
    #[arg(long, value_name = "N/UNIT")]
    pub(super) boots: Option<String>,
    /// Years it is to last [default: 10]
    #[arg(long, value_name = "YEARS")]
    pub(super) years: Option<f64>,
    /// Also run the store with these settings and compare
    #[arg(long)]
    pub(super) simulate: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    pub(super) json: bool,
}
