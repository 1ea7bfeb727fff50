//! One image for each line of a table, for units that differ.
//!
//! The header lists settings of the settings file. A cell is the unit's value; an empty cell keeps
//! the value of the settings file. Other columns are refused unless the file-name pattern uses
//! them.

use std::collections::{BTreeMap, BTreeSet};

use crate::names;
use crate::settings::{Settings, Table};
use crate::tree::{Complaint, Place, complain};

/// One image to be made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unit {
    /// Name of its file.
    pub file: String,
    /// Its settings.
    pub settings: BTreeMap<Vec<u8>, Vec<u8>>,
}

/// The single image of a settings file without a table of units.
///
/// # Errors
/// A setting without a value.
pub fn alone(settings: &Settings, file: &str) -> Result<Unit, Vec<Complaint>> {
    let values = settings.settings.iter().map(|(key, setting)| match &setting.value {
        Some(value) => Ok((key.clone(), value.clone())),
        None => {
            let name = names::show(key);
            complain(
                setting.place,
                format!("'{name}' has no value, and there is no table of units (--units)"),
            )
        }
    });
    let (good, bad): (Vec<_>, Vec<_>) = values.partition(Result::is_ok);
    if bad.is_empty() {
        let settings = good.into_iter().flatten().collect();
        Ok(Unit { file: file.to_owned(), settings })
    } else {
        Err(bad.into_iter().filter_map(Result::err).collect())
    }
}

/// The images of a table of units. `pattern` is the name of their files, in which `{column}` is
/// replaced by the cell of that column and `{number}` by the unit's number, counted from 1.
///
/// # Errors
/// Everything that is wrong with the table, so that no image is made from a bad one.
pub fn read(table: &str, settings: &Settings, pattern: &str) -> Result<Vec<Unit>, Vec<Complaint>> {
    let table = Table::read(table).map_err(|complaint| vec![complaint])?;
    let columns = columns(&table, settings, pattern).map_err(|complaint| vec![complaint])?;
    let mut complaints = Vec::new();
    let mut units = Vec::new();
    let mut files = BTreeSet::new();
    for (number, row) in (1..).zip(&table.rows) {
        let mut values: BTreeMap<Vec<u8>, Vec<u8>> = settings
            .settings
            .iter()
            .filter_map(|(key, setting)| Some((key.clone(), setting.value.clone()?)))
            .collect();
        for (column, key) in columns.iter().enumerate() {
            let Some((key, setting)) =
                key.as_ref().and_then(|k| settings.settings.get_key_value(k))
            else {
                continue;
            };
            if row.cell(column).is_empty() {
                continue;
            }
            match setting.value_from_text(row.cell(column), row.place(column)) {
                Ok(value) => {
                    values.insert(key.clone(), value);
                }
                Err(complaint) => complaints.push(complaint),
            }
        }
        for key in settings.settings.keys().filter(|key| !values.contains_key(*key)) {
            let column = columns.iter().position(|column| column.as_ref() == Some(key));
            let place = row.place(column.unwrap_or(0));
            let why = format!("'{}' has no value for this unit", names::show(key));
            // A cell that was refused has its complaint already.
            if complaints.iter().all(|complaint| complaint.place != Some(place)) {
                complaints.push(Complaint { place: Some(place), why });
            }
        }
        let cells = |name: &str| match table.column(name) {
            Some(column) => Some((row.cell(column).to_owned(), row.place(column))),
            None => (name == "number").then(|| (number.to_string(), row.place(0))),
        };
        match file_name(pattern, row.place(0), &cells) {
            Err(complaint) => complaints.push(complaint),
            Ok(file) => {
                if !files.insert(file.clone()) {
                    let why = format!("the file name {file} is already taken by another unit");
                    complaints.push(Complaint { place: Some(row.place(0)), why });
                }
                units.push(Unit { file, settings: values });
            }
        }
    }
    if table.rows.is_empty() {
        let place = Some(Place { line: 2, column: 1 });
        complaints.push(Complaint { place, why: "the table has no units".to_owned() });
    }
    if complaints.is_empty() { Ok(units) } else { Err(complaints) }
}

/// The key of each column that is a setting.
fn columns(
    table: &Table,
    settings: &Settings,
    pattern: &str,
) -> Result<Vec<Option<Vec<u8>>>, Complaint> {
    let key = |(name, place): &(String, Place)| match names::parse(name) {
        Ok(key) if settings.settings.contains_key(&key) => Ok(Some(key)),
        _ if pattern.contains(&format!("{{{name}}}")) => Ok(None),
        _ => {
            let why = format!(
                "column '{name}' is not a setting of the settings file and not used in the file name; \
                 add it to the settings file with its type, or leave the column out"
            );
            complain(*place, why)
        }
    };
    table.names.iter().map(key).collect()
}

/// Fills in the pattern of file names.
fn file_name(
    pattern: &str,
    unit: Place,
    cells: &dyn Fn(&str) -> Option<(String, Place)>,
) -> Result<String, Complaint> {
    let mut out = String::new();
    let mut rest = pattern;
    while let Some((before, after)) = rest.split_once('{') {
        let Some((name, after)) = after.split_once('}') else { break };
        let Some((text, place)) = cells(name) else {
            let why = format!("the file name uses {{{name}}}, but there is no such column");
            return complain(unit, why);
        };
        let fit = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ' | '+');
        if text.is_empty() || text.starts_with('.') || !text.chars().all(fit) {
            let why = format!(
                "'{text}' cannot be part of a file name; use letters, digits, '-', '_', '+', '.' and \
                 spaces"
            );
            return complain(place, why);
        }
        out.push_str(before);
        out.push_str(&text);
        rest = after;
    }
    out.push_str(rest);
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Format;

    fn settings() -> Settings {
        let text = "key,type,value,max\nunit.serial,u32,,\ngauge.name,text,Pier,\n\
                    gauge.slope,f32,1.0,2\n";
        crate::settings::read(text, Format::Csv).unwrap()
    }

    #[test]
    fn each_line_makes_a_unit() {
        let table = "unit.serial,gauge.slope,box\n17,1.25,A\n18,,B\n";
        let units = read(table, &settings(), "out/{unit.serial}-{box}-{number}.hex").unwrap();
        let files: Vec<_> = units.iter().map(|unit| unit.file.as_str()).collect();
        assert_eq!(files, ["out/17-A-1.hex", "out/18-B-2.hex"]);
        assert_eq!(units[0].settings[&b"unit.serial"[..]], 17_u32.to_le_bytes());
        assert_eq!(units[0].settings[&b"gauge.slope"[..]], 1.25_f32.to_le_bytes());
        assert_eq!(units[1].settings[&b"gauge.slope"[..]], 1.0_f32.to_le_bytes());
        assert_eq!(units[1].settings[&b"gauge.name"[..]], *b"Pier");
    }

    #[test]
    fn bad_tables_make_no_unit() {
        let why = |table: &str, pattern: &str| -> Vec<String> {
            read(table, &settings(), pattern).unwrap_err().iter().map(ToString::to_string).collect()
        };
        assert_eq!(
            why("unit.serial,gauge.slope\n17,3\n,1\nx,\n17,\n", "{unit.serial}.bin"),
            [
                "2:2: 3 is above the maximum of 2",
                "3:1: 'unit.serial' has no value for this unit",
                "3:1: '' cannot be part of a file name; use letters, digits, '-', '_', '+', '.' and \
                 spaces",
                "4:1: 'x' is not a whole number",
                "5:1: the file name 17.bin is already taken by another unit",
            ]
        );
        assert!(
            why("serial\n1\n", "{number}")[0].starts_with("1:1: column 'serial' is not a setting")
        );
        assert!(why("unit.serial\n1\n", "{box}")[0].contains("no such column"));
        assert!(why("unit.serial,f\n1,../x\n", "{f}")[0].starts_with("2:2: '../x' cannot"));
        assert_eq!(why("unit.serial\n", "{number}"), ["2:1: the table has no units"]);
        assert_eq!(
            why("unit.serial\n5\n6\n", "same.bin")[0],
            "3:1: the file name same.bin is already taken by another unit"
        );
        let alone = alone(&settings(), "a.bin").unwrap_err();
        assert!(alone[0].to_string().contains("no table of units"), "{alone:?}");
    }
}
