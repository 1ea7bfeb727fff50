//! The result of a torture run as files: a page for people, JUnit XML for build servers.

pub(crate) mod cost;
pub(crate) mod failure;
pub(crate) mod junit;
pub(crate) mod ledger;
pub(crate) mod page;
pub(crate) mod promises;

use std::path::Path;

use anyhow::Context as _;
use serde::Deserialize;

/// Writes a file as a whole.
pub(crate) fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    std::fs::write(path, text).with_context(|| format!("cannot write {}", path.display()))
}

/// Which planted bugs were caught, and by what: a table that another run made.
#[derive(Clone, Debug, Deserialize)]
pub(crate) struct PlantedBugs {
    /// What was done, in a sentence or two; may be empty.
    #[serde(default)]
    pub(crate) note: String,
    /// Heads of the columns behind the first one.
    pub(crate) columns: Vec<String>,
    pub(crate) rows: Vec<PlantedBug>,
}

/// One planted bug.
#[derive(Clone, Debug, Deserialize)]
pub(crate) struct PlantedBug {
    pub(crate) name: String,
    /// As many as there are columns.
    pub(crate) cells: Vec<String>,
}

impl PlantedBugs {
    /// Reads the table.
    pub(crate) fn read(path: &Path) -> Result<Self, String> {
        let name = path.display();
        let text =
            std::fs::read_to_string(path).map_err(|error| format!("--planted {name}: {error}"))?;
        let bugs: Self =
            serde_json::from_str(&text).map_err(|error| format!("--planted {name}: {error}"))?;
        match bugs.rows.iter().find(|row| row.cells.len() != bugs.columns.len()) {
            None => Ok(bugs),
            Some(row) => Err(format!(
                "--planted {name}: '{}' has {} cells, there are {} columns",
                row.name,
                row.cells.len(),
                bugs.columns.len()
            )),
        }
    }
}

/// A share in percent, for a person: 100 only if it is all, 0 only if it is nothing.
pub(crate) fn percent(part: u64, whole: u64) -> String {
    if whole == 0 {
        return "–".to_owned();
    }
    let share = part as f64 / whole as f64 * 100.0;
    match part {
        0 => "0 %".to_owned(),
        _ if share < 0.1 => "< 0.1 %".to_owned(),
        _ if part < whole && share > 99.9 => "99.9 %".to_owned(),
        _ => format!("{share:.1} %"),
    }
}

/// Width of a bar in percent: something to be seen of whatever is not nothing.
pub(crate) fn bar(part: u64, whole: u64) -> String {
    let share = part as f64 / whole.max(1) as f64 * 100.0;
    let least = if part > 0 { 0.6 } else { 0.0 };
    format!("width:{:.2}%", share.clamp(least, 100.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_means_all() {
        assert_eq!(percent(999_999, 1_000_000), "99.9 %");
        assert_eq!(percent(5, 5), "100.0 %");
        assert_eq!((percent(0, 5), percent(1, 5000)), ("0 %".to_owned(), "< 0.1 %".to_owned()));
        assert_eq!(percent(0, 0), "–");
        assert_eq!((bar(0, 9), bar(1, 1_000_000)), ("width:0.00%".into(), "width:0.60%".into()));
    }
}
