//! The product: its part and its settings, from the command line, a file and defaults.

use std::path::Path;

use outlast_costs::endurance::{DAYS_PER_YEAR, PartFigures, SettingLoad, Usage};
use outlast_faultsim::subjects::outlast::ManyKeys;
use serde::Deserialize;

use super::args::Typed;
use super::part::{PartFile, part};
use crate::args::within;

/// What is asked for.
pub(crate) struct Request {
    pub(super) part: PartFigures,
    /// Where times and cycles come from.
    pub(super) source: String,
    pub(super) usage: Usage,
    pub(super) sectors: Option<u32>,
    pub(super) simulate: bool,
    pub(super) json: bool,
}

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
struct UsageFile {
    years: Option<f64>,
    boots: Option<String>,
    rest: Option<bool>,
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

/// Combines arguments, file and defaults.
pub(crate) fn request(typed: Typed) -> Result<Request, String> {
    let product = typed.file.as_deref().map_or_else(|| Ok(Product::default()), read)?;
    let Product { part: file, usage } = product;
    let folder = typed.file.as_deref().and_then(Path::parent).map(Path::to_owned);
    let part = part(&typed, file, &folder.unwrap_or_default())?;
    let usage = usage_of(&typed, usage)?;
    if let Some(sectors) = typed.sectors {
        within("--sectors", sectors, 2, part.sectors)?;
    }
    Ok(Request {
        part: part.figures,
        source: part.source,
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

fn usage_of(typed: &Typed, file: UsageFile) -> Result<Usage, String> {
    let years = typed.years.or(file.years).unwrap_or(10.0);
    if !(years > 0.0 && years <= 1000.0) {
        return Err(format!("--years {years}: choose a number above 0, and at most 1000"));
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
        settings.push(SettingLoad { name, count, key_bytes, value_bytes, updates_per_day });
    }
    for text in &typed.setting {
        settings.push(setting(text, settings.len() + 1)?);
    }
    if settings.is_empty() {
        return Err(
            "no settings: give a file with [[use.setting]], or --setting; see --help".to_owned()
        );
    }
    for SettingLoad { name, count, key_bytes, value_bytes, .. } in &settings {
        within(&format!("count of {name}"), *count, 1, ManyKeys::KEYS)?;
        within(&format!("key bytes of {name}"), *key_bytes, 1, 64)?;
        within(&format!("value bytes of {name}"), *value_bytes, 0, 128 * 1024)?;
    }
    let rests = typed.rest || file.rest.unwrap_or(false);
    Ok(Usage { settings, boots_per_day, rests, years })
}

/// `name=level,count=1,key=8,value=16,rate=10/hour`
fn setting(text: &str, number: usize) -> Result<SettingLoad, String> {
    let wrong = |why: &str| {
        format!(
            "--setting {text}: {why}; write name=WORD,count=N,key=BYTES,value=BYTES,rate=N/UNIT"
        )
    };
    let (mut name, mut count, mut key, mut value, mut per_day) =
        (format!("setting {number}"), 1, None, None, 0.0);
    for part in text.split(',') {
        let (word, given) = part.split_once('=').ok_or_else(|| wrong("a field has no '='"))?;
        let whole = || {
            given.trim().parse().map_err(|_| wrong("a number is not a whole number, or too large"))
        };
        match word.trim() {
            "name" => given.trim().clone_into(&mut name),
            "count" => count = whole()?,
            "key" => key = Some(whole()?),
            "value" => value = Some(whole()?),
            "rate" => per_day = rate(&format!("--setting {text}"), given)?,
            _ => return Err(wrong("a field is unknown")),
        }
    }
    Ok(SettingLoad {
        name,
        count,
        key_bytes: key.ok_or_else(|| wrong("key is missing"))?,
        value_bytes: value.ok_or_else(|| wrong("value is missing"))?,
        updates_per_day: per_day,
    })
}

/// Events per day of a rate like `10/hour`.
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
    if (0.0..=1e9).contains(&events) {
        Ok(events)
    } else if events > 1e9 && events.is_finite() {
        Err(format!("{what}: {text}: at most 1,000,000,000 a day, which is 11,574/second"))
    } else {
        Err(wrong())
    }
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
}
