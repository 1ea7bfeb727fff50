//! Arguments of `outlast bench`.

use std::path::PathBuf;

use clap::Args;
use outlast_costs::load::Load;
use outlast_costs::sheet::Sheet;
use outlast_costs::table::Bench;
use outlast_faultsim::part::Geometry;
use outlast_faultsim::subjects::outlast;

use crate::args::{fraction, page_bytes, part_help, program_unit, sheet, whole, within};
use crate::exit::after_help;

const EXAMPLES: &str = "\
Examples:
  outlast bench                            all tables, under a minute
  outlast bench --report bench.html        the same with plots, in one file
  outlast bench --sectors 8 --load hot-key --load counters
  outlast bench --part mt25ql128a --spi-mhz 20
  outlast bench --check                    fail if a figure misses its target
  outlast bench --csv > bench.csv";

const EXIT_CODES: [(u8, &str); 3] = [
    (0, "measured"),
    (1, "--check: a figure is too far from theory, or misses its target"),
    (130, "Ctrl-C: ended without a result"),
];

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = after_help(EXAMPLES, &EXIT_CODES))]
pub(crate) struct Typed {
    /// Number of sectors in the comparison of the schemes, 2 to 256
    #[arg(long, value_name = "COUNT", default_value_t = 4, value_parser = whole::<u32>)]
    sectors: u32,
    /// Sector size, a power of two from 512 to 131072
    #[arg(long, value_name = "BYTES", default_value_t = 4096, value_parser = whole::<u32>)]
    sector_bytes: u32,
    /// Program unit: 1, 2, 4, 8, 16 or 32 bytes
    #[arg(long, value_name = "BYTES", default_value_t = 1, value_parser = whole::<u32>)]
    unit: u32,
    /// Page: the bytes that one program operation can touch, a power of two
    #[arg(long, value_name = "BYTES", default_value_t = 256, value_parser = whole::<u32>)]
    page: u32,
    /// Key length, 2 to 64
    #[arg(long, value_name = "BYTES", default_value_t = 2, value_parser = whole::<u32>)]
    key_bytes: u32,
    /// Value length, 4 to 224
    #[arg(long, value_name = "BYTES", default_value_t = 16, value_parser = whole::<u32>)]
    value_bytes: u32,
    /// Share of the room for live records that is used in the comparison, 0.01 to 0.85
    #[arg(long, value_name = "SHARE", default_value_t = 0.5, value_parser = fraction)]
    utilisation: f64,
    /// Loads of the comparison; may be given several times [default: all]
    #[arg(long, value_name = "NAME", help = load_help())]
    load: Vec<String>,
    /// Take program and erase times from this part
    #[arg(long, value_name = "NAME", default_value = Sheet::ALL[0].name, help = part_help())]
    part: String,
    /// Clock of the bus in megahertz, with one data line, 1 to 133
    #[arg(long, value_name = "MHZ", default_value_t = 50, value_parser = whole::<u32>)]
    spi_mhz: u32,
    /// How many times the log wraps around in each run, 20 to 10000; more is more exact
    #[arg(long, value_name = "COUNT", default_value_t = 200, value_parser = whole::<u32>)]
    rounds: u32,
    /// Leave out the table of growth with sectors and keys
    #[arg(long)]
    no_growth: bool,
    /// Seed of all random choices
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = whole::<u64>)]
    seed: u64,
    /// Also write a page with plots, which needs no network
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Exit with 1 if a figure misses theory or its target
    #[arg(long)]
    check: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print only the rows of the comparison and of the check against theory, as CSV
    #[arg(long)]
    csv: bool,
}

/// What is asked for.
pub(crate) struct Request {
    pub(super) bench: Bench,
    pub(super) sheet: Sheet,
    pub(super) spi_mhz: u32,
    pub(super) report: Option<PathBuf>,
    pub(super) check: bool,
    pub(super) form: Form,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    Text,
    Json,
    Csv,
}

fn load_help() -> String {
    let names: Vec<String> =
        Load::ALL.iter().map(|load| format!("{} ({})", load.name(), load.about())).collect();
    format!(
        "Loads of the comparison; may be given several times [default: all]: {}",
        names.join("; ")
    )
}

impl Typed {
    /// Checks the arguments.
    pub(crate) fn into_request(self) -> Result<Request, String> {
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
        let unit = program_unit(self.unit)?;
        let page = page_bytes(self.page, unit)?;
        let sectors = within("--sectors", self.sectors, 2, 256)?;
        let bytes = within("--sector-bytes", self.sector_bytes, 512, 128 * 1024)?;
        if !bytes.is_power_of_two() || bytes < outlast::least_sector_bytes(page, unit) {
            let page = outlast::page_bytes(page, unit);
            return Err(format!(
                "--sector-bytes {bytes}: choose a power of two with at least four pages of {page} bytes; \
                 or choose smaller pages with --page"
            ));
        }
        Geometry::new(sectors, bytes, unit, page).map_err(|why| why.to_string())
    }
}
