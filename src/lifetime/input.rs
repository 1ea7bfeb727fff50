//! The product: from the command line, a file and defaults.

use std::path::Path;

use outlast_faultsim::device::{DeviceTime, Timing};
use outlast_faultsim::lifetime::{DAYS_PER_YEAR, PartFigures, Setting, Usage};
use outlast_faultsim::measure::parts::Sheet;
use outlast_faultsim::subjects::outlast::ManyKeys;
use serde::Deserialize;

use super::{Request, Typed};
use crate::args::within;
use crate::bench::sheet;

/// A product file.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Product {
    #[serde(default)]
    part: PartFile,
    #[serde(default, rename = "use")]
    usage: UsageFile,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct PartFile {
    sheet: Option<String>,
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

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct UsageFile {
    years: Option<f64>,
    boots: Option<String>,
    #[serde(default)]
    setting: Vec<SettingFile>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SettingFile {
    name: Option<String>,
    count: Option<u32>,
    key_bytes: u32,
    value_bytes: u32,
    rate: Option<String>,
}

/// Words, file and defaults together.
pub(super) fn understand(typed: Typed) -> Result<Request, String> {
    let product = typed.file.as_deref().map_or_else(|| Ok(Product::default()), read)?;
    let Product { part: file, usage } = product;
    let (part, source) = part(&typed, file)?;
    let usage = usage_of(&typed, usage)?;
    if let Some(sectors) = typed.sectors {
        within("--sectors", sectors, 2, 4096)?;
    }
    Ok(Request {
        part,
        source,
        usage,
        sectors: typed.sectors,
        simulate: typed.simulate,
        json: typed.json,
    })
}

fn read(path: &Path) -> Result<Product, String> {
    let text = std::fs::read_to_string(path)
        .map_err(|why| format!("cannot read {}: {why}", path.display()))?;
    toml::from_str(&text).map_err(|why| format!("{}: {why}", path.display()))
}

fn part(typed: &Typed, file: PartFile) -> Result<(PartFigures, String), String> {
    let spi_mhz = within("--spi-mhz", typed.spi_mhz.or(file.spi_mhz).unwrap_or(50), 1, 133)?;
    let named = typed.part.clone().or(file.sheet);
    let known = sheet(named.as_deref().unwrap_or(Sheet::ALL[0].name), spi_mhz)?;
    let unit = typed.unit.or(file.program_unit).unwrap_or(1);
    if !matches!(unit, 1 | 2 | 4 | 8 | 16 | 32) {
        return Err(format!("--unit {unit}: choose 1, 2, 4, 8, 16 or 32"));
    }
    let page = typed.page.or(file.page_bytes).unwrap_or(256);
    if !page.is_power_of_two() || page < unit || page > 32 * 1024 {
        return Err(format!("--page {page}: choose a power of two from {unit} to 32768"));
    }
    let sector_bytes = typed.sector_bytes.or(file.sector_bytes).unwrap_or(4096);
    within("--sector-bytes", sector_bytes, 512, 128 * 1024)?;
    if !sector_bytes.is_power_of_two() || sector_bytes < 2 * page {
        return Err(format!(
            "--sector-bytes {sector_bytes}: choose a power of two of two or more pages of {page} bytes"
        ));
    }
    let most = typed.most_sectors.or(file.most_sectors).unwrap_or(64);
    let most_sectors = within("--most-sectors", most, 2, 4096)?;
    let (timing, own) = timing(
        known.timing,
        [file.byte_program_us, file.page_program_us, file.sector_erase_ms],
        sector_bytes,
    )?;
    let given = typed.endurance.or(file.endurance);
    let endurance = given.or(known.endurance).ok_or_else(|| {
        format!(
            "the source of {} says nothing about erase cycles; give --endurance from its data sheet",
            known.name
        )
    })?;
    if endurance == 0 {
        return Err("--endurance 0: give the erase cycles that the data sheet promises".to_owned());
    }
    let cycles = if given.is_some() { "as given" } else { known.source };
    let times = match own {
        0 => known.source.to_owned(),
        3 => "as given".to_owned(),
        _ => format!("{}, {own} of 3 as given", known.source),
    };
    let source = if times == cycles {
        format!("times and cycles: {times}")
    } else {
        format!("times: {times}; cycles: {cycles}")
    };
    Ok((PartFigures { most_sectors, sector_bytes, unit, page, endurance, timing }, source))
}

/// The sheet's times with those of the file in their place, and how many those are.
fn timing(
    sheet: Timing,
    given: [Option<[f64; 2]>; 3],
    sector_bytes: u32,
) -> Result<(Timing, usize), String> {
    let [byte, page, erase] = given;
    let time = |name: &str, pair: Option<[f64; 2]>, ns: f64, known: DeviceTime| match pair {
        None => Ok(known),
        Some([typical, maximal]) if typical > 0.0 && maximal >= typical && maximal < 1e9 => {
            Ok(DeviceTime {
                typical_ns: (typical * ns).round() as u64,
                maximal_ns: (maximal * ns).round() as u64,
            })
        }
        Some([typical, maximal]) => Err(format!(
            "{name} = [{typical}, {maximal}]: give the typical and the maximal time, in this order"
        )),
    };
    // The simulated part takes its erase time per 4096 bytes.
    let pieces = f64::from(sector_bytes.div_ceil(4096));
    let timing = Timing {
        byte_program: time("byte_program_us", byte, 1e3, sheet.byte_program)?,
        page_program: time("page_program_us", page, 1e3, sheet.page_program)?,
        erase_4k: time("sector_erase_ms", erase, 1e6 / pieces, sheet.erase_4k)?,
        bus_byte_ns: sheet.bus_byte_ns,
    };
    Ok((timing, given.iter().flatten().count()))
}

fn usage_of(typed: &Typed, file: UsageFile) -> Result<Usage, String> {
    let years = typed.years.or(file.years).unwrap_or(10.0);
    if !(years > 0.0 && years <= 1000.0) {
        return Err(format!("--years {years}: choose a number above 0, 1000 at the most"));
    }
    let boots = typed.boots.as_ref().or(file.boots.as_ref());
    let boots_per_day = boots.map_or(Ok(0.0), |text| rate("--boots", text))?;
    let mut settings = Vec::new();
    for (number, setting) in (1..).zip(file.setting) {
        let SettingFile { name, count, key_bytes, value_bytes, rate: text } = setting;
        let name = name.unwrap_or_else(|| format!("setting {number}"));
        let updates_per_day =
            text.map_or(Ok(0.0), |text| rate(&format!("rate of {name}"), &text))?;
        let count = count.unwrap_or(1);
        settings.push(Setting { name, count, key_bytes, value_bytes, updates_per_day });
    }
    for text in &typed.setting {
        settings.push(setting(text, settings.len() + 1)?);
    }
    if settings.is_empty() {
        return Err(
            "no settings: give a file with [[use.setting]] or --setting; see --help".to_owned()
        );
    }
    for Setting { name, count, key_bytes, value_bytes, .. } in &settings {
        within(&format!("count of {name}"), *count, 1, ManyKeys::KEYS)?;
        within(&format!("key bytes of {name}"), *key_bytes, 1, 64)?;
        within(&format!("value bytes of {name}"), *value_bytes, 0, 128 * 1024)?;
    }
    Ok(Usage { settings, boots_per_day, years })
}

/// `name=level,count=1,key=8,value=16,rate=10/hour`
fn setting(text: &str, number: usize) -> Result<Setting, String> {
    let wrong = |why: &str| {
        format!(
            "--setting {text}: {why}; write name=WORD,count=N,key=BYTES,value=BYTES,rate=N/UNIT"
        )
    };
    let (mut name, mut count, mut key, mut value, mut per_day) =
        (format!("setting {number}"), 1, None, None, 0.0);
    for part in text.split(',') {
        let (word, given) = part.split_once('=').ok_or_else(|| wrong("a part has no '='"))?;
        let whole = || given.trim().parse().map_err(|_| wrong("not a whole number"));
        match word.trim() {
            "name" => given.trim().clone_into(&mut name),
            "count" => count = whole()?,
            "key" => key = Some(whole()?),
            "value" => value = Some(whole()?),
            "rate" => per_day = rate(&format!("--setting {text}"), given)?,
            _ => return Err(wrong("a word is unknown")),
        }
    }
    Ok(Setting {
        name,
        count,
        key_bytes: key.ok_or_else(|| wrong("key is missing"))?,
        value_bytes: value.ok_or_else(|| wrong("value is missing"))?,
        updates_per_day: per_day,
    })
}

/// `10/hour` in events per day.
fn rate(what: &str, text: &str) -> Result<f64, String> {
    let wrong = || {
        format!(
            "{what}: {text}: give a number and a unit, like 10/hour; units are second, minute, hour, \
             day, week, month and year"
        )
    };
    let text = text.trim();
    if text == "0" || text == "never" {
        return Ok(0.0);
    }
    let (number, unit) = text.split_once('/').ok_or_else(wrong)?;
    let number: f64 = number.trim().parse().map_err(|_| wrong())?;
    let per_day = match unit.trim() {
        "second" => 86_400.0,
        "minute" => 1440.0,
        "hour" => 24.0,
        "day" => 1.0,
        "week" => 1.0 / 7.0,
        "month" => 12.0 / DAYS_PER_YEAR,
        "year" => 1.0 / DAYS_PER_YEAR,
        _ => return Err(wrong()),
    };
    let events = number * per_day;
    if (0.0..=1e9).contains(&events) { Ok(events) } else { Err(wrong()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates() {
        for (text, per_day) in [
            ("10/hour", 240.0),
            ("1/second", 86_400.0),
            (" 2 / day ", 2.0),
            ("0.5/week", 0.5 / 7.0),
            ("365.25/year", 1.0),
            ("0", 0.0),
            ("never", 0.0),
        ] {
            assert_eq!(rate("--boots", text), Ok(per_day), "{text}");
        }
        for wrong in
            ["", "10", "10/", "/hour", "x/hour", "-1/hour", "1/fortnight", "inf/day", "nan/day"]
        {
            assert!(rate("--boots", wrong).unwrap_err().contains("like 10/hour"), "{wrong}");
        }
    }

    #[test]
    fn settings() {
        let full = setting("name=level,count=3,key=8,value=16,rate=1/day", 1).unwrap();
        assert_eq!((full.name.as_str(), full.count, full.updates_per_day), ("level", 3, 1.0));
        let short = setting("key=8,value=0", 7).unwrap();
        assert_eq!((short.name.as_str(), short.count, short.value_bytes), ("setting 7", 1, 0));
        for (wrong, why) in [
            ("key=8", "value is missing"),
            ("value=8", "key is missing"),
            ("key", "no '='"),
            ("key=x,value=1", "not a whole number"),
            ("key=1,value=1,size=3", "unknown"),
        ] {
            assert!(setting(wrong, 1).unwrap_err().contains(why), "{wrong}");
        }
    }

    #[test]
    fn files_are_checked() {
        let read = |text: &str| toml::from_str::<Product>(text);
        assert!(
            read("[part]\nendurance = 5\n[use]\n[[use.setting]]\nkey_bytes = 1\nvalue_bytes = 2")
                .is_ok()
        );
        assert!(read("[part]\nendurances = 5").unwrap_err().to_string().contains("endurances"));
        assert!(read("[use]\n[[use.setting]]\nkey_bytes = 1").is_err());
    }

    #[test]
    fn times_of_larger_sectors_are_those_given() {
        let sheet = Timing::SERIAL_NOR;
        let (timing, own) = timing(sheet, [None, None, Some([200.0, 1000.0])], 65_536).unwrap();
        assert_eq!(own, 1);
        assert_eq!(timing.erase(65_536).maximal_ns / 1_000_000, 1000);
        let wrong = super::timing(sheet, [Some([5.0, 1.0]), None, None], 4096);
        assert!(wrong.unwrap_err().contains("in this order"));
    }
}
