//! The part: known by name or from its own tables, with the values that replace theirs.

use std::path::{Path, PathBuf};

use outlast_costs::endurance::PartFigures;
use outlast_costs::sheet::{Sheet, bus_byte_ns};
use outlast_faultsim::part::{DeviceTime, Timing};
use outlast_faultsim::subjects::outlast;
use serde::Deserialize;

use super::args::Typed;
use super::tables::Tables;
use crate::args::{page_bytes, program_unit, sheet, within};

/// `[part]` of a product file.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PartFile {
    sheet: Option<String>,
    sfdp: Option<PathBuf>,
    endurance: Option<u32>,
    byte_program_us: Option<[f64; 2]>,
    page_program_us: Option<[f64; 2]>,
    sector_erase_ms: Option<[f64; 2]>,
    sector_bytes: Option<u32>,
    page_bytes: Option<u32>,
    program_unit: Option<u32>,
    spi_mhz: Option<u32>,
    most_sectors: Option<u32>,
}

/// A part, and the source of its figures.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) figures: PartFigures,
    pub(super) source: String,
    /// The most sectors that a store can have on it.
    pub(super) sectors: u32,
}

/// The most sectors a store can have.
const MOST_SECTORS: u32 = 4096;

/// The source of a part's figures.
enum Known {
    Sheet(Sheet),
    Tables(Box<Tables>),
}

/// Combines the figures of a part. Paths in the product file are relative to its folder.
pub(super) fn part(typed: &Typed, file: PartFile, folder: &Path) -> Result<Part, String> {
    let spi_mhz = within("--spi-mhz", typed.spi_mhz.or(file.spi_mhz).unwrap_or(50), 1, 133)?;
    let known = known(typed, &file, folder, spi_mhz)?;
    let unit = program_unit(typed.unit.or(file.program_unit).unwrap_or(1))?;
    let page = typed.page.or(file.page_bytes).or_else(|| known.page_bytes()).unwrap_or(256);
    let page = page_bytes(page, unit)?;
    let given = typed.sector_bytes.or(file.sector_bytes);
    let sector_bytes = given.map_or_else(|| known.sector_bytes(), Ok)?;
    within("--sector-bytes", sector_bytes, 512, 128 * 1024)?;
    if !sector_bytes.is_power_of_two() || sector_bytes < outlast::least_sector_bytes(page, unit) {
        let page = outlast::page_bytes(page, unit);
        return Err(format!(
            "--sector-bytes {sector_bytes}: choose a power of two with at least four pages of {page} bytes; \
             or choose smaller pages with --page"
        ));
    }
    let sectors = known.sectors(sector_bytes);
    let most = typed.most_sectors.or(file.most_sectors).unwrap_or_else(|| sectors.min(64));
    let most_sectors = within("--most-sectors", most, 2, sectors)?;
    let given = [file.byte_program_us, file.page_program_us, file.sector_erase_ms];
    let timing = Timing {
        bus_byte_ns: bus_byte_ns(u64::from(spi_mhz) * 1_000_000),
        ..timing(&known, given, sector_bytes)?
    };
    let cycles = typed.endurance.or(file.endurance);
    let endurance =
        cycles.or_else(|| known.endurance()).ok_or_else(|| known.ask_for_endurance())?;
    if endurance == 0 {
        return Err("--endurance 0: give the erase cycles from the data sheet".to_owned());
    }
    let own = given.iter().flatten().count();
    let source = known.source();
    let cycles = if cycles.is_some() { "as given" } else { &*source };
    let times = match own {
        0 => source.clone(),
        3 => "as given".to_owned(),
        _ => format!("{source}, {own} of 3 as given"),
    };
    let mut sources = if times == cycles {
        format!("times and cycles: {times}")
    } else {
        format!("times: {times}; cycles: {cycles}")
    };
    if own == 3 && matches!(known, Known::Tables(_)) {
        sources = format!("{sources}; size: {source}");
    }
    let figures = PartFigures { most_sectors, sector_bytes, unit, page, endurance, timing };
    Ok(Part { figures, source: sources, sectors })
}

fn known(typed: &Typed, file: &PartFile, folder: &Path, spi_mhz: u32) -> Result<Known, String> {
    let tables = |path: &Path| Tables::read(path).map(|tables| Known::Tables(Box::new(tables)));
    match (&typed.sfdp, &typed.part, &file.sfdp, &file.sheet) {
        (Some(path), ..) => tables(path),
        (None, None, Some(_), Some(_)) => {
            Err("[part] has both sheet and sfdp; choose one of them".to_owned())
        }
        (None, None, Some(path), None) => tables(&folder.join(path)),
        (None, named, ..) => {
            let named = named.as_deref().or(file.sheet.as_deref());
            sheet(named.unwrap_or(Sheet::ALL[0].name), spi_mhz).map(Known::Sheet)
        }
    }
}

impl Known {
    fn page_bytes(&self) -> Option<u32> {
        match self {
            Self::Sheet(_) => None,
            Self::Tables(tables) => tables.page_bytes(),
        }
    }

    fn sector_bytes(&self) -> Result<u32, String> {
        match self {
            Self::Sheet(_) => Ok(4096),
            Self::Tables(tables) => tables.default_sector_bytes(),
        }
    }

    fn sectors(&self, sector_bytes: u32) -> u32 {
        match self {
            Self::Sheet(_) => MOST_SECTORS,
            Self::Tables(tables) => tables.sectors(sector_bytes).min(MOST_SECTORS),
        }
    }

    fn endurance(&self) -> Option<u32> {
        match self {
            Self::Sheet(sheet) => sheet.endurance,
            Self::Tables(_) => None,
        }
    }

    fn ask_for_endurance(&self) -> String {
        match self {
            Self::Sheet(sheet) => format!(
                "the source of {} does not give the erase cycles; take --endurance from its data sheet",
                sheet.name
            ),
            Self::Tables(tables) => format!(
                "{}: SFDP tables do not give the erase cycles; take --endurance (or endurance under \
                 [part]) from the data sheet of this exact part",
                tables.name
            ),
        }
    }

    fn source(&self) -> String {
        match self {
            Self::Sheet(sheet) => sheet.source.to_owned(),
            Self::Tables(tables) => tables.source(),
        }
    }
}

/// The times of the part, replaced by those of the file. The time of the bus is left out.
fn timing(
    known: &Known,
    [byte, page, erase]: [Option<[f64; 2]>; 3],
    sector_bytes: u32,
) -> Result<Timing, String> {
    // The simulated part scales its erase time by pieces of 4096 bytes.
    let pieces = u64::from(sector_bytes.div_ceil(4096));
    let (byte_known, page_known) = match known {
        Known::Sheet(sheet) => (Some(sheet.timing.byte_program), Some(sheet.timing.page_program)),
        Known::Tables(tables) => (tables.byte_program(), tables.page_program()),
    };
    let erase_known = match known {
        Known::Sheet(sheet) => Some(sheet.timing.erase_4k),
        Known::Tables(_) if erase.is_some() => None,
        Known::Tables(tables) => tables.sector_erase(sector_bytes)?.map(|sector| DeviceTime {
            typical_ns: sector.typical_ns / pieces,
            maximal_ns: sector.maximal_ns / pieces,
        }),
    };
    let time = |name: &str, pair: Option<[f64; 2]>, ns: f64, known: Option<DeviceTime>| {
        match pair {
        None => known.ok_or_else(|| {
            format!(
                "these tables do not give times; take {name} = [typical, maximum] and the others from \
                 the data sheet and put them under [part] in a product file; see --help"
            )
        }),
        Some([typical, maximal]) if typical > 0.0 && maximal >= typical && maximal < 1e9 => {
            Ok(DeviceTime {
                typical_ns: (typical * ns).round() as u64,
                maximal_ns: (maximal * ns).round() as u64,
            })
        }
        Some([typical, maximal]) => Err(format!(
            "{name} = [{typical}, {maximal}]: give the typical and the maximum time, in this order"
        )),
    }
    };
    Ok(Timing {
        byte_program: time("byte_program_us", byte, 1e3, byte_known)?,
        page_program: time("page_program_us", page, 1e3, page_known)?,
        erase_4k: time("sector_erase_ms", erase, 1e6 / pieces as f64, erase_known)?,
        bus_byte_ns: 0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_larger_sectors_are_those_given() {
        let known = Known::Sheet(Sheet::ALL[0]);
        let times = timing(&known, [None, None, Some([200.0, 1000.0])], 65_536).unwrap();
        assert_eq!(times.erase(65_536).maximal_ns / 1_000_000, 1000);
        let wrong = timing(&known, [Some([5.0, 1.0]), None, None], 4096);
        assert!(wrong.unwrap_err().contains("in this order"));
    }
}
