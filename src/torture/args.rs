//! Arguments of `outlast torture`: what was typed, and what it means.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use outlast_faultsim::config::Shard;
use outlast_faultsim::part::{Geometry, Level};
use outlast_faultsim::subjects::outlast;
use outlast_faultsim::workload::edge::OpSequence;

use super::prove;
use super::regressions::{self, Regression, USUAL_FOLDER};
use super::schedule::{Kind, Plan};
use super::subject;
use crate::args::{page_bytes, program_unit, within};
use crate::exit::EXIT_CODES;

const EXAMPLES: &str = "\
Examples:
  outlast torture                              the default plan, under a minute on two cores
  outlast torture --unit 8                     flash inside a microcontroller, 8-byte units
  outlast torture --level F2                   milder cuts
  outlast torture --level F5                   also damage beside the interrupted program
  outlast torture --depth 5 --budget 1h        five cuts in a history, for an hour at most
  outlast torture --deep 3000000 --seed 7      random lives with three million power cuts
  outlast torture --edges 2                    short sequences from start states near every edge
  outlast torture --edges 3 --shard 2/8 --json > two.json      an eighth, for 'outlast merge'
  outlast torture --through spi                store and driver on a simulated serial chip
  outlast torture --subject naive              a storage code that does not survive
  outlast torture --program ./my-store         code of your own, see examples/c-subject
  outlast torture --report torture.html --junit torture.xml
  outlast torture --json | jq .verdict
  outlast torture --prove-rig                  does the rig see every planted mistake?

";

/// What was typed.
#[derive(Debug, Args)]
#[command(after_help = format!("{EXAMPLES}{EXIT_CODES}"))]
pub(crate) struct Typed {
    /// The storage code
    #[arg(long, value_name = "NAME", default_value = "outlast", help = subject_help())]
    subject: String,
    /// How the storage code reaches the part. 'array': by the flash traits, straight to the cells.
    /// 'spi': by the driver for serial chips, command by command, with cuts in commands and in busy
    /// time, resets of the microcontroller alone, and a bus that loses commands now and then
    #[arg(long, value_name = "WAY", default_value = "array", value_parser = ["array", "spi"])]
    through: String,
    /// Storage code in a program of its own that speaks the protocol of the rig, instead of one
    /// that is built in; examples/c-subject shows one in C
    #[arg(long, value_name = "PATH", conflicts_with_all = ["subject", "through"])]
    program: Option<PathBuf>,
    /// Sectors of the part, 2 to 64 [default: 4]
    #[arg(long, value_name = "COUNT")]
    sectors: Option<u32>,
    /// Bytes of a sector, 512 to 131072 [default: 4096; with --deep 512 or more, four pages]
    #[arg(long, value_name = "BYTES")]
    sector_bytes: Option<u32>,
    /// Bytes of a program unit: 1, 2, 4, 8, 16 or 32
    #[arg(long, value_name = "BYTES", default_value_t = 1)]
    unit: u32,
    /// Bytes that one program operation can touch, a power of two [default: 256 for unit 1, else
    /// the unit]
    #[arg(long, value_name = "BYTES")]
    page: Option<u32>,
    /// How nasty the cuts are; each level includes those before it. F0: between operations; F1:
    /// programs and erases that stop half-way, in order; F2: any subset of bits, any phase of an
    /// erase; F3: bits that read differently each time; F4: whatever may fool the checks;
    /// F5: damage to other bytes of the page or sector of an interrupted program; behind it less is
    /// owed, and what it cost is counted
    #[arg(long, value_name = "LEVEL", default_value = "F4")]
    level: String,
    /// Most power cuts in one history of the systematic stages, 1 to 8: one in an operation, the
    /// others in the recoveries behind it. Below 3 there are no random lives at the end, which
    /// have hundreds [default: 3]
    #[arg(long, value_name = "CUTS", conflicts_with = "deep")]
    depth: Option<u32>,
    /// Seed of everything drawn at random; the same plan with the same seed finds the same
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Stop after this time, for example 90s, 10m or 1h; a plan that is not done by then is
    /// incomplete
    #[arg(long, value_name = "TIME")]
    budget: Option<String>,
    /// Random lives on small sectors with at least so many power cuts in all, instead of the
    /// default plan
    #[arg(long, value_name = "CUTS")]
    deep: Option<u64>,
    /// All sequences of up to so many operations, 1 to 3, from start states near every edge:
    /// sectors with room for exactly no, one or two records, rings about to close, pages used up by
    /// restarts; instead of the default plan
    #[arg(long, value_name = "OPERATIONS", conflicts_with = "deep")]
    edges: Option<u32>,
    /// Of the plan over edges only this part, like 2/8; 'outlast merge' puts the parts together
    #[arg(long, value_name = "NUMBER/COUNT", requires = "edges")]
    shard: Option<String>,
    /// Also write the result as one page that needs no network and no scripts
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    /// Also write the result as JUnit XML, which build servers read
    #[arg(long, value_name = "FILE.xml")]
    junit: Option<PathBuf>,
    /// Tokens of mended bugs, run first: files NAME.token with a line '# why' and the token
    /// [default: tests/regressions, if there is such a folder]
    #[arg(long, value_name = "FOLDER")]
    regressions: Option<PathBuf>,
    /// Text to be shown in the report as the proof of the rig: which planted bugs it caught
    #[arg(long, value_name = "FILE.txt", requires = "report")]
    planted: Option<PathBuf>,
    /// Put the rig itself to the test: it has to see every mistake planted into a reference
    /// store, each at its lowest fault level, and nothing in the store without them; some
    /// minutes on two cores
    #[arg(long, conflicts_with_all = [
        "subject", "sectors", "sector_bytes", "unit", "page", "level", "depth", "seed", "budget", "deep",
        "edges",
    ])]
    prove_rig: bool,
    /// With --prove-rig: write the kill matrix to this file instead of comparing it with the
    /// reviewed one
    #[arg(long, value_name = "FILE", requires = "prove_rig")]
    write_matrix: Option<PathBuf>,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

/// What is asked for.
pub(crate) enum Request {
    /// Carry out a plan.
    Run { plan: Box<Plan>, wanted: Box<Wanted> },
    /// See whether the rig sees what it has to see.
    Prove(prove::Request),
}

/// What is wanted beside the run itself.
#[derive(Debug, Default)]
pub(crate) struct Wanted {
    /// JSON instead of text on standard output.
    pub(crate) json: bool,
    /// Where to write a page, and JUnit XML.
    pub(crate) report: Option<PathBuf>,
    pub(crate) junit: Option<PathBuf>,
    /// To be run first.
    pub(crate) regressions: Vec<Regression>,
    /// Kill matrix of the rig, to be shown on the page.
    pub(crate) planted: Option<String>,
}

impl Typed {
    /// What the words mean.
    pub(crate) fn meaning(self) -> Result<Request, String> {
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
            (Some(0), _) => return Err("--deep 0: ask for at least one power cut".to_owned()),
            (Some(cuts), _) => Kind::Deep { cuts },
            (_, Some(longest)) => {
                let longest = within("--edges", longest, 1, OpSequence::MOST as u32)? as u8;
                Kind::Edges { longest, depth, shard }
            }
            (None, None) => Kind::Default { depth },
        };
        let geometry = self.geometry()?;
        if self.through == "spi" {
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
        // Last of all, since it starts a program.
        let subject = match &self.program {
            None => subject::built_in(&self.subject, self.through == "spi")?,
            Some(path) => subject::program(path)?,
        };
        let folder = self.regressions.as_deref();
        let usual = Some(Path::new(USUAL_FOLDER)).filter(|usual| usual.is_dir());
        let regressions = match folder.or(usual) {
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
        let usual = match (self.deep, outlast::least_sector_bytes(page, unit)) {
            (Some(_), least) if self.through == "array" || least <= 512 => least.max(512),
            _ => 4096,
        };
        let sector_bytes = self.sector_bytes.unwrap_or(usual);
        within("--sector-bytes", sector_bytes, 512, 128 * 1024)?;
        if !sector_bytes.is_multiple_of(page) || sector_bytes < 2 * page {
            return Err(format!(
                "--sector-bytes {sector_bytes}: a sector must be two or more whole pages of \
                 {page} bytes; choose another size here or with --page"
            ));
        }
        if u64::from(sectors) * u64::from(sector_bytes) > MOST_BYTES {
            return Err(format!(
                "{sectors} sectors of {sector_bytes} bytes: the part must not exceed 1 MiB, \
                 since each crash image is one; choose fewer or smaller sectors"
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
            "--sector-bytes {sector_bytes}: the store wants four pages of {page} bytes or more in \
             a sector; choose larger sectors, or smaller pages with --page"
        ));
    }
    Ok(())
}

/// The simulated serial chip comes with two sizes of sector.
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
    format!("The storage code: {}", subject::names())
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
