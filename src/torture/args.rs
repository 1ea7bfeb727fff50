//! Arguments of `outlast torture`.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use outlast_faultsim::config::Shard;
use outlast_faultsim::part::{Geometry, Level};
use outlast_faultsim::subjects::outlast;
use outlast_faultsim::workload::edge::OpSequence;

use super::prove;
use super::regressions::{self, DEFAULT_FOLDER, Regression};
use super::schedule::{Kind, Plan};
use super::subject;
use crate::args::{page_bytes, program_unit, whole, within};
use crate::exit::after_help;

const EXAMPLES: &str = "\
Examples:
  outlast torture                          the default plan, under a minute
  outlast torture --unit 8                 flash inside a microcontroller
  outlast torture --level F2               less severe damage
  outlast torture --level F5               also damage to neighbouring bytes
  outlast torture --level F7               a sector goes bad, and cuts after it
  outlast torture --depth 5 --budget 1h    up to five cuts in a history
  outlast torture --deep 3000000 --seed 7  random lives, three million cuts
  outlast torture --edges 2                short sequences near every edge
  outlast torture --edges 3 --shard 2/8 --json > two.json
  outlast torture --through spi            store and driver on a serial chip
  outlast torture --subject naive          a store that does not survive
  outlast torture --program ./my-store     your own store, examples/c-subject
  outlast torture --report torture.html --junit torture.xml
  outlast torture --json | jq .verdict
  outlast torture --prove-rig              does the rig see every mistake?";

const EXIT_CODES: [(u8, &str); 7] = [
    (0, "clean: the plan is complete and nothing was found"),
    (1, "a violation was found"),
    (3, "incomplete: the budget or Ctrl-C ended the run; nothing was found"),
    (4, "the store fails without any power cut"),
    (5, "--prove-rig: a mistake was missed, or the kill matrix has changed"),
    (70, "internal error, or the result could not be written"),
    (130, "Ctrl-C twice: ended without a result"),
];

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = after_help(EXAMPLES, &EXIT_CODES))]
pub(crate) struct Typed {
    /// The store to test
    #[arg(long, value_name = "NAME", default_value = "outlast", help = subject_help())]
    subject: String,
    /// How the store reaches the flash: directly at the flash traits (array), or through the driver
    /// for serial chips (spi), command by command, with cuts within commands and during busy time,
    /// resets of the microcontroller alone, and a bus that sometimes loses commands
    #[arg(long, value_name = "WAY", default_value = "array", value_parser = ["array", "spi"])]
    through: String,
    /// Test a store in a separate program that speaks the protocol of the rig; examples/c-subject
    /// has one in C
    #[arg(long, value_name = "PATH", conflicts_with_all = ["subject", "through"])]
    program: Option<PathBuf>,
    /// Number of sectors, 2 to 64 [default: 4]
    #[arg(long, value_name = "COUNT", value_parser = whole::<u32>)]
    sectors: Option<u32>,
    /// Sector size, 512 to 131072 [default: 4096; with --deep four pages, at least 512]
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    sector_bytes: Option<u32>,
    /// Program unit: 1, 2, 4, 8, 16 or 32 bytes
    #[arg(long, value_name = "BYTES", default_value_t = 1, value_parser = whole::<u32>)]
    unit: u32,
    /// Page: the bytes that one program operation can touch, a power of two [default: 256 if the
    /// unit is 1, else the unit]
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    page: Option<u32>,
    /// Fault level: how severe the simulated damage is. Each level includes those before it. F0:
    /// cuts between operations. F1: programs and erases that stop part-way, in order. F2: any
    /// subset of bits, any phase of an erase. F3: bits that read differently each time. F4: damage
    /// that may fool the checks. F5: damage to other bytes of the page or sector of an interrupted
    /// program; after that fewer promises apply, and the losses are counted. F7: the cuts of F3, and
    /// one sector at a time that does not erase or takes no programs, for ever or for some
    /// power-ups
    #[arg(long, value_name = "LEVEL", default_value = "F4")]
    level: String,
    /// Most power cuts in one history of the systematic stages, 1 to 8: one in an operation, the
    /// others in the recoveries after it. Below 3 the random lives at the end, with hundreds of
    /// cuts each, are left out [default: 3]
    #[arg(long, value_name = "CUTS", conflicts_with = "deep", value_parser = whole::<u32>)]
    depth: Option<u32>,
    /// Seed of all random choices; the same plan with the same seed makes the same cuts
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = whole::<u64>)]
    seed: u64,
    /// Stop after this time, for example 90s, 10m or 1h; a plan that is not finished by then is
    /// incomplete
    #[arg(long, value_name = "TIME")]
    budget: Option<String>,
    /// Instead of the default plan: random lives on small sectors, with at least this many power
    /// cuts in total
    #[arg(long, value_name = "CUTS", value_parser = whole::<u64>)]
    deep: Option<u64>,
    /// Instead of the default plan: all sequences of up to this many operations, 1 to 3, from start
    /// states near every edge: sectors with room for exactly zero, one or two records, logs about
    /// to wrap around, pages used up by restarts
    #[arg(long, value_name = "OPERATIONS", conflicts_with = "deep", value_parser = whole::<u32>)]
    edges: Option<u32>,
    /// With --edges: run only this part of the plan, like 2/8; 'outlast merge' merges the results
    #[arg(long, value_name = "NUMBER/COUNT", requires = "edges")]
    shard: Option<String>,
    /// Also write the result as a page that needs no network and no scripts
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    /// Also write the result as JUnit XML for build servers
    #[arg(long, value_name = "FILE.xml")]
    junit: Option<PathBuf>,
    /// Regression tokens, replayed first: files NAME.token with a line '# why' and the token
    /// [default: tests/regressions, if that folder exists]
    #[arg(long, value_name = "FOLDER")]
    regressions: Option<PathBuf>,
    /// With --report: text to show as the proof of the rig, such as its kill matrix
    #[arg(long, value_name = "FILE.txt", requires = "report")]
    planted: Option<PathBuf>,
    /// Mutation-test the rig itself: it has to find every mistake planted into a reference store,
    /// each at its lowest fault level, and nothing in the store without them. Takes some minutes
    #[arg(long, conflicts_with_all = [
        "subject", "sectors", "sector_bytes", "unit", "page", "level", "depth", "seed", "budget",
        "deep", "edges",
    ])]
    prove_rig: bool,
    /// With --prove-rig: write the kill matrix to this file instead of comparing it with the
    /// reviewed one
    #[arg(long, value_name = "FILE", requires = "prove_rig")]
    write_matrix: Option<PathBuf>,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

/// What is asked for.
pub(crate) enum Request {
    /// Carry out a plan.
    Run { plan: Box<Plan>, wanted: Box<Wanted> },
    /// Prove the rig.
    Prove(prove::Request),
}

/// What is wanted in addition to the run itself.
#[derive(Debug, Default)]
pub(crate) struct Wanted {
    /// JSON instead of text on standard output.
    pub(crate) json: bool,
    /// Where to write a page, and JUnit XML.
    pub(crate) report: Option<PathBuf>,
    pub(crate) junit: Option<PathBuf>,
    /// Tokens to replay first.
    pub(crate) regressions: Vec<Regression>,
    /// The kill matrix of the rig, to show on the page.
    pub(crate) planted: Option<String>,
}

impl Typed {
    /// Checks the arguments.
    pub(crate) fn into_request(self) -> Result<Request, String> {
        if self.prove_rig {
            let Self { json, write_matrix, .. } = self;
            return Ok(Request::Prove(prove::Request { json, write_matrix }));
        }
        let level: Level =
            self.level.parse().map_err(|why| format!("--level {}: {why}", self.level))?;
        let depth = self.depth.map(|depth| within("--depth", depth, 1, 8)).transpose()?;
        let shard = match &self.shard {
            None => Shard::WHOLE,
            Some(text) => text.parse().map_err(|why| format!("--shard {text}: {why}"))?,
        };
        let kind = match (self.deep, self.edges) {
            (Some(0), _) => return Err("--deep 0: choose at least one power cut".to_owned()),
            (Some(cuts), _) => Kind::Deep { cuts },
            (_, Some(longest)) => {
                let longest = within("--edges", longest, 1, OpSequence::MOST as u32)? as u8;
                Kind::Edges { longest, depth, shard }
            }
            (None, None) => Kind::Default { depth },
        };
        let geometry = self.geometry()?;
        if self.through == "spi" {
            if level >= Level::F7 {
                return Err("--level F7: not with --through spi, since the simulated chip has no \
                            status for an operation that failed"
                    .to_owned());
            }
            fits_serial_chip(&geometry)?;
        }
        let budget = self.budget.as_deref().map(duration).transpose()?;
        let planted = self.planted.as_deref().map(|path| {
            let text = std::fs::read_to_string(path);
            text.map_err(|error| format!("--planted {}: {error}", path.display()))
        });
        let planted = planted.transpose()?;
        if self.program.is_none() && self.subject.starts_with(outlast::NAME) {
            fits_the_store(&geometry)?;
        }
        // Last, since it may start a program.
        let subject = match &self.program {
            None => subject::built_in(&self.subject, self.through == "spi")?,
            Some(path) => subject::program(path)?,
        };
        let folder = self.regressions.as_deref();
        let default = Some(Path::new(DEFAULT_FOLDER)).filter(|default| default.is_dir());
        let regressions = match folder.or(default) {
            None => Vec::new(),
            Some(folder) => regressions::read(folder, subject.name())?,
        };
        let Self { program, seed, report, junit, json, .. } = self;
        let plan = Plan { subject, program, geometry, level, seed, budget, kind };
        let wanted = Wanted { json, report, junit, regressions, planted };
        Ok(Request::Run { plan: Box::new(plan), wanted: Box::new(wanted) })
    }

    fn geometry(&self) -> Result<Geometry, String> {
        const MOST_BYTES: u64 = 1 << 20;
        let unit = program_unit(self.unit)?;
        let page = page_bytes(self.page.unwrap_or(if unit == 1 { 256 } else { unit }), unit)?;
        let sectors = within("--sectors", self.sectors.unwrap_or(4), 2, 64)?;
        let default = match (self.deep, outlast::least_sector_bytes(page, unit)) {
            (Some(_), least) if self.through == "array" || least <= 512 => least.max(512),
            _ => 4096,
        };
        let sector_bytes = self.sector_bytes.unwrap_or(default);
        within("--sector-bytes", sector_bytes, 512, 128 * 1024)?;
        if !sector_bytes.is_multiple_of(page) || sector_bytes < 2 * page {
            return Err(format!(
                "--sector-bytes {sector_bytes}: a sector must have two or more whole pages of {page} \
                 bytes; choose another size here or with --page"
            ));
        }
        if u64::from(sectors) * u64::from(sector_bytes) > MOST_BYTES {
            return Err(format!(
                "{sectors} sectors of {sector_bytes} bytes: the part must not exceed 1 MiB, since each \
                 crash image is a copy of it; choose fewer or smaller sectors"
            ));
        }
        Geometry::new(sectors, sector_bytes, unit, page).map_err(|why| why.to_string())
    }
}

fn fits_the_store(geometry: &Geometry) -> Result<(), String> {
    let Geometry { sector_bytes, page, unit, .. } = *geometry;
    if sector_bytes < outlast::least_sector_bytes(page, unit) {
        let page = outlast::page_bytes(page, unit);
        return Err(format!(
            "--sector-bytes {sector_bytes}: the store needs at least four pages of {page} bytes in a \
             sector; choose larger sectors, or smaller pages with --page"
        ));
    }
    Ok(())
}

/// The simulated serial chip has two sector sizes.
fn fits_serial_chip(geometry: &Geometry) -> Result<(), String> {
    if geometry.unit != 1 {
        return Err(format!("--unit {}: serial chips program single bytes", geometry.unit));
    }
    match geometry.sector_bytes {
        512 | 4096 => Ok(()),
        other => Err(format!("--sector-bytes {other}: with --through spi choose 512 or 4096")),
    }
}

fn subject_help() -> String {
    format!("The store to test: {}", subject::names())
}

/// A whole number of seconds, minutes or hours: `90s`, `10m`, `1h`.
fn duration(text: &str) -> Result<Duration, String> {
    let refuse =
        || format!("--budget {text}: give a whole number above 0 and a unit, like 90s, 10m or 1h");
    let seconds_per = |unit| match unit {
        's' => Some(1),
        'm' => Some(60),
        'h' => Some(3600),
        _ => None,
    };
    let unit = text.chars().next_back().and_then(seconds_per).ok_or_else(refuse)?;
    // The unit is one byte long.
    let digits = &text[..text.len() - 1];
    // `parse` alone would take a sign.
    if !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return Err(refuse());
    }
    let count: u64 = digits.parse().map_err(|_| refuse())?;
    let seconds = count.checked_mul(unit).filter(|&seconds| seconds > 0).ok_or_else(refuse)?;
    Ok(Duration::from_secs(seconds))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn budgets() {
        assert_eq!(duration("90s"), Ok(Duration::from_secs(90)));
        assert_eq!(duration("10m"), Ok(Duration::from_secs(600)));
        assert_eq!(duration("1h"), Ok(Duration::from_secs(3600)));
        for wrong in ["", "s", "90", "0s", "-1s", "+1s", "1.5h", "1d", "10 m", "9é"] {
            assert!(duration(wrong).unwrap_err().contains("90s, 10m or 1h"), "{wrong}");
        }
        assert!(duration("99999999999999999999h").is_err());
        assert!(duration("18446744073709551615h").is_err());
    }
}
