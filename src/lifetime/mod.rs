//! `outlast plan`: how many sectors a product needs, and what its calls wait for.

mod input;
mod part;
mod tables;
mod text;

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use outlast_costs::endurance::{
    Best, Forecast, PartFigures, Simulation, Usage, forecast, simulate, smallest,
};
use outlast_costs::format::FormatFigures;
use serde::Serialize;

use crate::bench::part_help;
use crate::exit::Exit;
use crate::output::Output;

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
    file: Option<PathBuf>,
    /// Times and cycles of this part
    #[arg(long, value_name = "NAME", help = part_help())]
    part: Option<String>,
    /// Size, page, erase command and times from the chip's own tables (SFDP, JESD216), as read from
    /// address 0 on: raw bytes or pairs of hex digits. Needs --endurance
    #[arg(long, value_name = "FILE", conflicts_with = "part")]
    sfdp: Option<PathBuf>,
    /// Erase cycles per sector, from the data sheet
    #[arg(long, value_name = "CYCLES")]
    endurance: Option<u32>,
    /// Bytes of a sector, a power of two from 512 to 131072 [default: 4096, or what the tables offer]
    #[arg(long, value_name = "BYTES")]
    sector_bytes: Option<u32>,
    /// Bytes of a program unit: 1, 2, 4, 8, 16 or 32 [default: 1]
    #[arg(long, value_name = "BYTES")]
    unit: Option<u32>,
    /// Bytes that one program operation can touch, a power of two [default: 256, or that of the tables]
    #[arg(long, value_name = "BYTES")]
    page: Option<u32>,
    /// Clock of the bus in megahertz, one data line, 1 to 133 [default: 50]
    #[arg(long, value_name = "MHZ")]
    spi_mhz: Option<u32>,
    /// Most sectors the store may have, 2 to 4096 [default: 64]
    #[arg(long, value_name = "COUNT")]
    most_sectors: Option<u32>,
    /// So many sectors, whether more are needed or fewer would do
    #[arg(long, value_name = "COUNT")]
    sectors: Option<u32>,
    /// A setting, or several alike: name=WORD,count=N,key=BYTES,value=BYTES,rate=N/UNIT; rate is
    /// that of each of them, without it they never change. May be given several times
    #[arg(long, value_name = "SETTING")]
    setting: Vec<String>,
    /// Power-ups, for example 2/day [default: none]
    #[arg(long, value_name = "N/UNIT")]
    boots: Option<String>,
    /// Years it is to last [default: 10]
    #[arg(long, value_name = "YEARS")]
    years: Option<f64>,
    /// Also run the store with these settings and compare
    #[arg(long)]
    simulate: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

/// What is asked for.
pub(crate) struct Request {
    part: PartFigures,
    /// Where times and cycles come from.
    source: String,
    usage: Usage,
    sectors: Option<u32>,
    simulate: bool,
    json: bool,
}

/// Everything that is shown.
#[derive(Serialize)]
struct Outcome<'run> {
    version: &'static str,
    part: &'run PartFigures,
    part_source: &'run str,
    usage: &'run Usage,
    format: &'run FormatFigures,
    /// The number of sectors asked for, or the smallest that meets the wish, or the most there
    /// are. `None`: the settings do not fit.
    chosen: Option<Forecast>,
    /// The smallest number of sectors that meets the wish.
    smallest_sectors: Option<u32>,
    /// Other numbers of sectors.
    others: Vec<Forecast>,
    /// The store run with these settings on the chosen number of sectors.
    trial: Option<Simulation>,
    /// Why there is none.
    no_trial: Option<String>,
    simulated: bool,
}

/// Erases of a short run, which only shows a mount and a slow call, and of a long one.
const SHORT_RUN: u64 = 40;
const LONG_RUN: u64 = 600;
/// More sectors than this are not run.
const MOST_RUN: u32 = 512;

impl Typed {
    /// What the words mean.
    pub(crate) fn meaning(self) -> Result<Request, String> {
        input::understand(self)
    }
}

/// Works it out and shows it.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let Request { part, usage, .. } = request;
    let format = match usage.format(part) {
        Ok(format) => format,
        Err(why) => {
            eprintln!("outlast: the store cannot keep these settings on this part: {why}");
            return Ok(Exit::Usage);
        }
    };
    let best = smallest(part, usage, &format);
    let smallest_sectors = match &best {
        Best::Smallest(forecast) => Some(forecast.sectors),
        Best::TooShort(_) | Best::DoesNotFit => None,
    };
    let chosen = match (request.sectors, best) {
        (Some(sectors), _) => forecast(part, usage, &format, sectors),
        (None, Best::Smallest(forecast) | Best::TooShort(forecast)) => Some(forecast),
        (None, Best::DoesNotFit) => None,
    };
    let (trial, no_trial) = match chosen.as_ref().map(|chosen| tried(request, chosen.sectors)) {
        Some(Ok(trial)) => (Some(trial), None),
        Some(Err(why)) => (None, Some(why)),
        None => (None, None),
    };
    let outcome = Outcome {
        version: env!("CARGO_PKG_VERSION"),
        part,
        part_source: &request.source,
        usage,
        others: others(request, &format, chosen.as_ref()),
        format: &format,
        smallest_sectors,
        trial,
        no_trial,
        simulated: request.simulate,
        chosen,
    };
    if request.json {
        output.json(&outcome)?;
    } else {
        output.say(&text::whole(&outcome))?;
    }
    let meets = outcome.chosen.as_ref().is_some_and(|chosen| chosen.meets);
    Ok(if meets { Exit::Clean } else { Exit::Violation })
}

fn tried(request: &Request, sectors: u32) -> Result<Simulation, String> {
    if sectors > MOST_RUN {
        return Err(format!("more than {MOST_RUN} sectors are not run"));
    }
    let erases = if request.simulate { LONG_RUN } else { SHORT_RUN };
    simulate(&request.part, &request.usage, sectors, erases, 1)
}

/// Numbers of sectors for comparison.
fn others(request: &Request, format: &FormatFigures, chosen: Option<&Forecast>) -> Vec<Forecast> {
    let mut counts = vec![2, 3, 4, 6, 8, 12, 16, 24, 32, 64, 128, 256, 512, 1024, 2048, 4096];
    counts.retain(|count| *count <= request.part.most_sectors);
    if let Some(chosen) = chosen {
        counts.extend([chosen.sectors.saturating_sub(1).max(2), chosen.sectors]);
        // Not more than a few beyond.
        let limit = chosen.sectors.saturating_mul(4).max(8);
        counts.retain(|count| *count <= limit);
    }
    counts.sort_unstable();
    counts.dedup();
    let forecasts = counts
        .into_iter()
        .filter_map(|count| forecast(&request.part, &request.usage, format, count));
    forecasts.collect()
}
