//! `outlast bench`: what the store costs.

mod html;
mod plot;
mod table;
mod text;

use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::Instant;

use clap::Args;
use outlast_costs::load::Load;
use outlast_costs::run::Scheme;
use outlast_costs::sheet::{Sheet, Supply, bus_byte_ns};
use outlast_costs::table::{Bench, Results};
use outlast_faultsim::device::{Geometry, Timing};
use outlast_faultsim::subjects::outlast;
use serde::Serialize;

use crate::args::within;
use crate::exit::Exit;
use crate::output::Output;
use crate::{progress, report};

const EXAMPLES: &str = "\
Examples:
  outlast bench                                all tables, under a minute on two cores
  outlast bench --report bench.html            the same with plots, in one file
  outlast bench --sectors 8 --load hot-key --load counters
  outlast bench --part mt25ql128a --spi-mhz 20
  outlast bench --check                        exit code 1 if a figure misses its target
  outlast bench --csv > bench.csv

Exit codes:
  0   measured
  1   with --check: a figure is further from theory than its tolerance, or misses its target
  2   wrong usage
  70  internal error, or the result could not be written";

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Typed {
    /// Sectors of the part on which the schemes are compared, 2 to 256
    #[arg(long, value_name = "COUNT", default_value_t = 4)]
    sectors: u32,
    /// Bytes of a sector, a power of two from 512 to 131072
    #[arg(long, value_name = "BYTES", default_value_t = 4096)]
    sector_bytes: u32,
    /// Bytes of a program unit: 1, 2, 4, 8, 16 or 32
    #[arg(long, value_name = "BYTES", default_value_t = 1)]
    unit: u32,
    /// Bytes that one program operation can touch, a power of two
    #[arg(long, value_name = "BYTES", default_value_t = 256)]
    page: u32,
    /// Bytes of a key, 2 to 64
    #[arg(long, value_name = "BYTES", default_value_t = 2)]
    key_bytes: u32,
    /// Bytes of a value, 4 to 224
    #[arg(long, value_name = "BYTES", default_value_t = 16)]
    value_bytes: u32,
    /// Share of the room for live records that they take in the comparison, 0.01 to 0.85
    #[arg(long, value_name = "SHARE", default_value_t = 0.5)]
    utilisation: f64,
    /// Loads of the comparison; may be given several times [default: all]
    #[arg(long, value_name = "NAME", help = load_help())]
    load: Vec<String>,
    /// Program and erase times of this part
    #[arg(long, value_name = "NAME", default_value = Sheet::ALL[0].name, help = part_help())]
    part: String,
    /// Clock of the bus in megahertz, one data line, 1 to 133
    #[arg(long, value_name = "MHZ", default_value_t = 50)]
    spi_mhz: u32,
    /// How often the log goes round in each run, 20 to 10000; more is more exact
    #[arg(long, value_name = "COUNT", default_value_t = 200)]
    rounds: u32,
    /// Leave out the table of the growth with sectors and keys
    #[arg(long)]
    no_growth: bool,
    /// Seed of everything drawn at random
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Also write a page with plots to this file; it needs no network
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Exit with 1 if a figure misses theory or its target
    #[arg(long)]
    check: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// The rows of the comparison and of the check against theory as CSV and nothing else
    #[arg(long)]
    csv: bool,
}

/// What is asked for.
pub(crate) struct Request {
    bench: Bench,
    sheet: Sheet,
    spi_mhz: u32,
    report: Option<PathBuf>,
    check: bool,
    form: Form,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Text,
    Json,
    Csv,
}

/// Everything that is shown.
#[derive(Serialize)]
struct Outcome<'run> {
    version: &'static str,
    geometry: Geometry,
    part: &'static str,
    part_source: &'static str,
    spi_mhz: u32,
    timing: Timing,
    supply: Supply,
    key_bytes: u32,
    value_bytes: u32,
    utilisation: f64,
    seed: u64,
    seconds: f64,
    misses: Vec<String>,
    results: &'run Results,
}

fn load_help() -> String {
    let names: Vec<String> =
        Load::ALL.iter().map(|load| format!("{} ({})", load.name(), load.about())).collect();
    format!(
        "Loads of the comparison; may be given several times [default: all]: {}",
        names.join("; ")
    )
}

pub(crate) fn part_help() -> String {
    let names = Sheet::ALL.map(|sheet| format!("{} ({})", sheet.name, sheet.source));
    format!("Program and erase times of this part: {}", names.join("; "))
}

/// The part of this name with the bus at this clock.
pub(crate) fn sheet(name: &str, spi_mhz: u32) -> Result<Sheet, String> {
    let mut sheet = Sheet::by_name(name).ok_or_else(|| {
        let names = Sheet::ALL.map(|sheet| sheet.name).join(", ");
        format!("--part {name}: unknown; choose one of {names}")
    })?;
    sheet.timing.bus_byte_ns = bus_byte_ns(u64::from(spi_mhz) * 1_000_000);
    Ok(sheet)
}

impl Typed {
    /// What the words mean.
    pub(crate) fn meaning(self) -> Result<Request, String> {
        let spi_mhz = within("--spi-mhz", self.spi_mhz, 1, 133)?;
        let sheet = sheet(&self.part, spi_mhz)?;
        let loads: Result<Vec<Load>, String> = self
            .load
            .iter()
            .map(|name| {
                let names = Load::ALL.map(Load::name).join(", ");
                Load::by_name(name)
                    .ok_or_else(|| format!("--load {name}: unknown; choose one of {names}"))
            })
            .collect();
        let loads = loads?;
        let geometry = self.geometry()?;
        if !(0.01..=0.85).contains(&self.utilisation) {
            return Err(format!(
                "--utilisation {}: choose a share from 0.01 to 0.85",
                self.utilisation
            ));
        }
        let mut bench = Bench::usual(geometry, sheet.timing);
        bench.key_bytes = within("--key-bytes", self.key_bytes, 2, 64)?;
        bench.value_bytes = within("--value-bytes", self.value_bytes, 4, 224)?;
        bench.utilisation = self.utilisation;
        bench.rounds = within("--rounds", self.rounds, 20, 10_000)?;
        bench.growth = !self.no_growth;
        bench.seed = self.seed;
        if !loads.is_empty() {
            bench.loads = loads;
        }
        let form = if self.json {
            Form::Json
        } else if self.csv {
            Form::Csv
        } else {
            Form::Text
        };
        Ok(Request { bench, sheet, spi_mhz, report: self.report, check: self.check, form })
    }

    fn geometry(&self) -> Result<Geometry, String> {
        let (unit, page) = (self.unit, self.page);
        if !matches!(unit, 1 | 2 | 4 | 8 | 16 | 32) {
            return Err(format!("--unit {unit}: choose 1, 2, 4, 8, 16 or 32"));
        }
        if !page.is_power_of_two() || page < unit || page > 32 * 1024 {
            return Err(format!("--page {page}: choose a power of two from {unit} to 32768"));
        }
        let sectors = within("--sectors", self.sectors, 2, 256)?;
        let bytes = within("--sector-bytes", self.sector_bytes, 512, 128 * 1024)?;
        if !bytes.is_power_of_two() || bytes < outlast::least_sector_bytes(page, unit) {
            let page = outlast::page_bytes(page, unit);
            return Err(format!(
                "--sector-bytes {bytes}: choose a power of two of four or more pages of {page} bytes"
            ));
        }
        Geometry::new(sectors, bytes, unit, page).map_err(|why| why.to_string())
    }
}

/// Measures and shows.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let started = Instant::now();
    let results = match measured(&request.bench) {
        Ok(results) => results,
        Err(why) => {
            eprintln!("outlast: cannot measure this: {why}");
            return Ok(Exit::Usage);
        }
    };
    let bench = &request.bench;
    let outcome = Outcome {
        version: env!("CARGO_PKG_VERSION"),
        geometry: bench.geometry,
        part: request.sheet.name,
        part_source: request.sheet.source,
        spi_mhz: request.spi_mhz,
        timing: bench.timing,
        supply: Supply::USUAL,
        key_bytes: bench.key_bytes,
        value_bytes: bench.value_bytes,
        utilisation: bench.utilisation,
        seed: bench.seed,
        seconds: started.elapsed().as_secs_f64(),
        misses: misses(&results),
        results: &results,
    };
    match request.form {
        Form::Text => output.say(&text::whole(&outcome))?,
        Form::Json => output.json(&outcome)?,
        Form::Csv => output.say(&table::csv(&results)?)?,
    }
    if let Some(path) = &request.report {
        report::write(path, &html::page(&outcome)?)?;
        if request.form == Form::Text {
            output.say(&format!("report: {}\n", path.display()))?;
        }
    }
    let failed = request.check && !outcome.misses.is_empty();
    Ok(if failed { Exit::Violation } else { Exit::Clean })
}

fn measured(bench: &Bench) -> Result<Results, String> {
    const STEPS: u64 = 1000;
    let bar = progress::bar(STEPS, "measuring, {eta} left");
    let done = Mutex::new(0.0);
    let results = bench.run(&|share| {
        if let Ok(mut done) = done.lock() {
            *done += share;
            bar.set_position((*done * STEPS as f64) as u64);
        }
    });
    bar.finish_and_clear();
    results
}

/// Figures that are further from what is expected than their tolerance, in words.
fn misses(results: &Results) -> Vec<String> {
    let mut misses = Vec::new();
    for row in results.against_theory.iter().chain(&results.comparison) {
        let what = format!(
            "{} {} on {} sectors of {} bytes, utilisation {:.2}",
            row.scheme.name(),
            row.load.name(),
            row.geometry.sectors,
            row.geometry.sector_bytes,
            row.utilisation
        );
        if let Some(theory) = row.theory.filter(|theory| !theory.met()) {
            misses.push(format!(
                "{what}: {} {:.4}, expected {:.4} ({:+.1} %)",
                theory.figure,
                theory.measured,
                theory.compared_with(),
                100.0 * (theory.measured / theory.compared_with() - 1.0)
            ));
        }
        if let (Scheme::Outlast, Ok(cost)) = (row.scheme, &row.cost)
            && cost.wear_spread > 1
        {
            misses.push(format!("{what}: wear spread {}", cost.wear_spread));
        }
    }
    misses
}
