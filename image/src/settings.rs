//! Settings files: keys, types, values and perhaps a layout, as TOML, JSON or CSV.
//!
//! ```toml
//! [layout]                      # all optional; the command line can say the same
//! sectors = 4
//! sector_bytes = 4096
//! page_bytes = 256
//! unit = 1
//! base = 0x10_0000              # address of the region, for HEX and UF2
//!
//! [settings]
//! "gauge.datum" = { type = "i32", value = 1234, min = -5000, max = 5000 }
//! "gauge.name" = { type = "text", value = "North pier", max = 20, note = "shown on the screen" }
//! "radio.table" = { type = "u16[3]", value = [868, 869, 870] }
//! "unit.serial" = { type = "text" }      # no value: each unit brings its own
//! ```
//!
//! JSON has the same fields. CSV has the columns `key`, `type`, `value` and, if wanted, `min`,
//! `max` and `note`, and no layout; an empty value there is an empty text, and none for numbers.
//! Tables may be nested: `[settings.gauge]` with `datum = {..}` is the key `gauge.datum`.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::names;
use crate::tree::{Complaint, Node, Place, Value, complain, from_json, from_toml};
use crate::value::{Bounds, Number, Type, bound_from_text, decode, encode, from_text};

/// A kind of settings file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// TOML 1.1.
    Toml,
    /// JSON.
    Json,
    /// Comma-separated values with a header line.
    Csv,
}

impl Format {
    /// What a file name's ending says, if anything.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let (_, ending) = name.rsplit_once('.')?;
        Some(match ending.to_ascii_lowercase().as_str() {
            "toml" => Self::Toml,
            "json" => Self::Json,
            "csv" => Self::Csv,
            _ => return None,
        })
    }
}

/// What a settings file says about the layout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LayoutWishes {
    /// Number of sectors.
    pub sectors: Option<u32>,
    /// Bytes of a sector.
    pub sector_bytes: Option<u32>,
    /// Bytes of a page.
    pub page_bytes: Option<u32>,
    /// Program unit in bytes.
    pub unit: Option<u32>,
    /// Address of the region.
    pub base: Option<u32>,
}

/// One setting of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Type of its value.
    pub kind: Type,
    /// Its value as bytes, if the file gives one.
    pub value: Option<Vec<u8>>,
    /// Where the file names it.
    pub place: Place,
    bounds: Bounds,
}

impl Setting {
    /// The bytes of a value that a table's cell or a word of the command line gives, checked.
    ///
    /// # Errors
    /// It is no value of the setting's type, or beyond its bounds.
    pub fn value_from_text(&self, text: &str, place: Place) -> Result<Vec<u8>, Complaint> {
        encode(self.kind, &from_text(self.kind, text, place)?, &self.bounds)
    }
}

/// A settings file that was read and checked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// What it says about the layout.
    pub layout: LayoutWishes,
    /// Its settings by key.
    pub settings: BTreeMap<Vec<u8>, Setting>,
    /// Keys of counters, as an image tells.
    pub counters: BTreeSet<Vec<u8>>,
}

impl Settings {
    /// Type of a key's value: the file's, or a guess from the value.
    #[must_use]
    pub fn kind_of(&self, key: &[u8], value: &[u8]) -> Type {
        match (self.settings.get(key), Type::guess(value)) {
            (Some(setting), _) => setting.kind,
            (None, Type::HEX) if value.len() == 8 && self.counters.contains(key) => Type::COUNT,
            (None, guess) => guess,
        }
    }
}

/// Reads a settings file.
///
/// # Errors
/// Everything that is wrong with it, in the order of the file.
pub fn read(text: &str, format: Format) -> Result<Settings, Vec<Complaint>> {
    let mut reading = Reading::default();
    let done = match format {
        Format::Toml => from_toml(text).and_then(|node| reading.file(&node)),
        Format::Json => from_json(text).and_then(|node| reading.file(&node)),
        Format::Csv => reading.table(text),
    };
    reading.complaints.extend(done.err());
    if reading.complaints.is_empty() {
        return Ok(reading.settings);
    }
    reading.complaints.sort_by_key(|complaint| complaint.place);
    Err(reading.complaints)
}

#[derive(Default)]
struct Reading {
    settings: Settings,
    complaints: Vec<Complaint>,
}

impl Reading {
    fn file(&mut self, node: &Node) -> Result<(), Complaint> {
        for (name, node) in fields(node)? {
            match name.as_str() {
                "layout" => self.layout(node)?,
                "settings" => self.group("", node)?,
                _ => {
                    let why = format!("'{name}' is unknown here; there are layout and settings");
                    self.note(complain(node.place, why));
                }
            }
        }
        Ok(())
    }

    /// Keeps a complaint and goes on, so that a person sees all of them at once.
    fn note(&mut self, done: Result<(), Complaint>) {
        self.complaints.extend(done.err());
    }

    fn layout(&mut self, node: &Node) -> Result<(), Complaint> {
        for (name, node) in fields(node)? {
            let wishes = &mut self.settings.layout;
            let wish = match name.as_str() {
                "sectors" => &mut wishes.sectors,
                "sector_bytes" => &mut wishes.sector_bytes,
                "page_bytes" => &mut wishes.page_bytes,
                "unit" => &mut wishes.unit,
                "base" => &mut wishes.base,
                _ => {
                    let why = format!(
                        "'{name}' is unknown here; a layout has sectors, sector_bytes, \
                         page_bytes, unit and base"
                    );
                    self.note(complain(node.place, why));
                    continue;
                }
            };
            match &node.value {
                Value::Integer(number) if u32::try_from(*number).is_ok() => {
                    *wish = u32::try_from(*number).ok();
                }
                _ => {
                    let why = format!("{name} needs a whole number from 0 to {}", u32::MAX);
                    self.note(complain(node.place, why));
                }
            }
        }
        Ok(())
    }

    /// A table of settings and of further tables.
    fn group(&mut self, prefix: &str, node: &Node) -> Result<(), Complaint> {
        for (name, node) in fields(node)? {
            let name = format!("{prefix}{name}");
            let Value::Table(inner) = &node.value else {
                let why = format!("'{name}' needs a table: {{ type = .., value = .. }}");
                self.note(complain(node.place, why));
                continue;
            };
            let is_setting = inner
                .iter()
                .any(|(name, node)| name == "type" && !matches!(node.value, Value::Table(_)));
            let has_groups = inner.iter().any(|(_, node)| matches!(node.value, Value::Table(_)));
            let done = if is_setting || !has_groups {
                self.setting(&name, inner, node.place)
            } else {
                self.group(&format!("{name}."), node)
            };
            self.note(done);
        }
        Ok(())
    }

    fn setting(
        &mut self,
        name: &str,
        fields: &[(String, Node)],
        place: Place,
    ) -> Result<(), Complaint> {
        let mut kind = None;
        let mut value = None;
        let mut bounds = Bounds::default();
        let mut bounded = None;
        for (field, node) in fields {
            match (field.as_str(), &node.value) {
                ("type", Value::Text(text)) => match text.parse::<Type>() {
                    Ok(known) => kind = Some(known),
                    Err(why) => return complain(node.place, why),
                },
                ("type", _) => return complain(node.place, "a type is a text in quotes"),
                ("value", _) => value = Some(node),
                ("min", _) => {
                    bounds.least = Some(bound(node)?);
                    bounded = Some(node.place);
                }
                ("max", _) => {
                    bounds.most = Some(bound(node)?);
                    bounded = Some(node.place);
                }
                ("note", Value::Text(_)) => {}
                _ => {
                    let why = format!(
                        "'{field}' is unknown here; a setting has type, value, min, max and note"
                    );
                    return complain(node.place, why);
                }
            }
        }
        let Some(kind) = kind else {
            return complain(place, format!("'{name}' has no type"));
        };
        can_have_bounds(kind, bounded)?;
        let value = value.map(|node| encode(kind, node, &bounds)).transpose()?;
        self.add(name, Setting { kind, value, place, bounds })
    }

    fn add(&mut self, name: &str, setting: Setting) -> Result<(), Complaint> {
        let place = setting.place;
        let key = match names::parse(name) {
            Ok(key) => key,
            Err(why) => return complain(place, why),
        };
        if let Some(first) = self.settings.settings.get(&key) {
            let Place { line, column } = first.place;
            return complain(place, format!("'{name}' is there already, at {line}:{column}"));
        }
        self.settings.settings.insert(key, setting);
        Ok(())
    }

    fn table(&mut self, text: &str) -> Result<(), Complaint> {
        let table = Table::read(text)?;
        for name in &table.names {
            if !matches!(name.0.as_str(), "key" | "type" | "value" | "min" | "max" | "note") {
                let why = format!(
                    "column '{}' is unknown; there are key, type, value, min, max and note",
                    name.0
                );
                return complain(name.1, why);
            }
        }
        let (Some(key), Some(kind)) = (table.column("key"), table.column("type")) else {
            return complain(Place { line: 1, column: 1 }, "the columns key and type are needed");
        };
        for row in &table.rows {
            let done = self.row(&table, row, key, kind);
            self.note(done);
        }
        Ok(())
    }

    fn row(&mut self, table: &Table, row: &Row, key: usize, kind: usize) -> Result<(), Complaint> {
        let cell = |column: Option<usize>| column.map_or("", |column| row.cell(column));
        let kind: Type = match row.cell(kind).parse() {
            Ok(kind) => kind,
            Err(why) => return complain(row.place(kind), why),
        };
        let mut bounds = Bounds::default();
        for (name, bound) in [("min", &mut bounds.least), ("max", &mut bounds.most)] {
            let column = table.column(name);
            let text = cell(column);
            if !text.is_empty() {
                let place = row.place(column.unwrap_or(0));
                can_have_bounds(kind, Some(place))?;
                let Some(number) = bound_from_text(text) else {
                    return complain(place, format!("{name} '{text}' is no number"));
                };
                *bound = Some(number);
            }
        }
        let column = table.column("value");
        let text = cell(column);
        let place = row.place(column.unwrap_or(key));
        let value = match column {
            Some(_) if !text.is_empty() || kind.is_text() => {
                Some(encode(kind, &from_text(kind, text, place)?, &bounds)?)
            }
            _ => None,
        };
        self.add(row.cell(key), Setting { kind, value, place: row.place(key), bounds })
    }
}

fn fields(node: &Node) -> Result<&[(String, Node)], Complaint> {
    match &node.value {
        Value::Table(fields) => Ok(fields),
        _ => complain(node.place, format!("a table is needed here, not {}", node.kind())),
    }
}

fn bound(node: &Node) -> Result<Number, Complaint> {
    match node.value {
        Value::Integer(number) => Ok(Number::Whole(number)),
        Value::Float(number) if !number.is_nan() => Ok(Number::Float(number)),
        _ => complain(node.place, "min and max need a number"),
    }
}

/// `bounded` is where the file gives bounds.
fn can_have_bounds(kind: Type, bounded: Option<Place>) -> Result<(), Complaint> {
    match bounded {
        Some(place) if !kind.has_bounds() => {
            complain(place, format!("{kind} has neither min nor max"))
        }
        _ => Ok(()),
    }
}

/// A CSV file.
pub(crate) struct Table {
    pub(crate) names: Vec<(String, Place)>,
    pub(crate) rows: Vec<Row>,
}

pub(crate) struct Row {
    line: usize,
    cells: Vec<String>,
}

impl Row {
    pub(crate) fn cell(&self, column: usize) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }

    pub(crate) const fn place(&self, column: usize) -> Place {
        Place { line: self.line, column: column + 1 }
    }
}

impl Table {
    pub(crate) fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|(other, _)| other == name)
    }

    pub(crate) fn read(text: &str) -> Result<Self, Complaint> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(error) => {
                    let line = error.position().map_or(1, |at| at.line() as usize);
                    return complain(Place { line, column: 1 }, error.to_string());
                }
            };
            let line = record.position().map_or(1, |at| at.line() as usize);
            rows.push(Row {
                line,
                cells: record.iter().map(|cell| cell.trim().to_owned()).collect(),
            });
        }
        if rows.is_empty() {
            return complain(Place { line: 1, column: 1 }, "the file is empty");
        }
        let header = rows.remove(0);
        let mut names: Vec<(String, Place)> = Vec::new();
        for (column, name) in header.cells.iter().enumerate() {
            if names.iter().any(|(other, _)| other == name) {
                return complain(header.place(column), format!("column '{name}' is there twice"));
            }
            names.push((name.clone(), header.place(column)));
        }
        for row in &rows {
            if row.cells.len() != names.len() {
                let (have, want) = (row.cells.len(), names.len());
                let why = format!("the line has {have} cells, the header {want}");
                return complain(row.place(have.min(want)), why);
            }
        }
        Ok(Self { names, rows })
    }
}

/// Settings as a file that [`read`] takes: each value with the type that `kind` says if the value
/// is one of that type and comes back as the same bytes, else as bytes.
#[must_use]
pub fn write<'a>(
    settings: impl IntoIterator<Item = (&'a [u8], &'a [u8])>,
    kind: &dyn Fn(&[u8], &[u8]) -> Type,
    format: Format,
) -> String {
    let typed = settings.into_iter().map(|(key, value)| {
        let wanted = kind(key, value);
        // A cell cannot tell where blanks end.
        let trimmed = |text: &str| format == Format::Csv && text.trim() != text;
        match decode(wanted, value) {
            Some(Value::Text(text)) if trimmed(&text) => (key, Type::HEX, decode(Type::HEX, value)),
            None => (key, Type::HEX, decode(Type::HEX, value)),
            decoded => (key, wanted, decoded),
        }
    });
    let typed = typed.filter_map(|(key, kind, value)| Some((names::show(key), kind, value?)));
    match format {
        Format::Toml => {
            let mut out = "[settings]\n".to_owned();
            for (name, kind, value) in typed {
                let name = toml_text(&name);
                out.push_str(&format!(
                    "{name} = {{ type = \"{kind}\", value = {} }}\n",
                    as_toml(&value)
                ));
            }
            out
        }
        Format::Json => {
            let lines: Vec<String> = typed
                .map(|(name, kind, value)| {
                    let setting = json!({ "type": kind.to_string(), "value": as_json(&value) });
                    format!("    {}: {setting}", json!(name))
                })
                .collect();
            format!("{{\n  \"settings\": {{\n{}\n  }}\n}}\n", lines.join(",\n"))
        }
        Format::Csv => {
            let mut writer = csv::WriterBuilder::new().comment(Some(b'#')).from_writer(Vec::new());
            // Writing to memory does not fail.
            let _ = writer.write_record(["key", "type", "value"]);
            for (name, kind, value) in typed {
                let _ = writer.write_record([name, kind.to_string(), as_cell(&value)]);
            }
            String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
        }
    }
}

/// JSON's escapes are TOML's, but for one character JSON leaves as it is.
fn toml_text(text: &str) -> String {
    json!(text).to_string().replace('\u{7f}', "\\u007f")
}

fn as_toml(value: &Value) -> String {
    match value {
        Value::Bool(truth) => truth.to_string(),
        Value::Integer(number) if i64::try_from(*number).is_err() => format!("\"{number}\""),
        Value::Integer(number) => number.to_string(),
        Value::Float(number) => toml::Value::Float(*number).to_string(),
        Value::Text(text) => toml_text(text),
        Value::List(items) => {
            let items: Vec<_> = items.iter().map(|item| as_toml(&item.value)).collect();
            format!("[{}]", items.join(", "))
        }
        Value::Table(_) => String::new(),
    }
}

pub(crate) fn as_json(value: &Value) -> serde_json::Value {
    match value {
        Value::Bool(truth) => json!(truth),
        Value::Integer(number) => match (u64::try_from(*number), i64::try_from(*number)) {
            (Ok(number), _) => json!(number),
            (_, Ok(number)) => json!(number),
            _ => json!(number.to_string()),
        },
        Value::Float(number) if !number.is_finite() => json!(non_finite(*number)),
        Value::Float(number) => json!(number),
        Value::Text(text) => json!(text),
        Value::List(items) => items.iter().map(|item| as_json(&item.value)).collect(),
        Value::Table(_) => serde_json::Value::Null,
    }
}

const fn non_finite(number: f64) -> &'static str {
    if number.is_nan() {
        "nan"
    } else if number > 0.0 {
        "inf"
    } else {
        "-inf"
    }
}

fn as_cell(value: &Value) -> String {
    match value {
        Value::Text(text) => text.clone(),
        Value::List(items) => {
            let items: Vec<_> = items.iter().map(|item| as_cell(&item.value)).collect();
            items.join(" ")
        }
        Value::Float(number) => number.to_string(),
        other => as_toml(other).trim_matches('"').to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const GAUGE: &str = r#"
[layout]
sectors = 4
base = 0x10_0000

[settings]
"gauge.datum" = { type = "i32", value = 1234, min = -5000, max = 5000 }
"unit.serial" = { type = "text" }

[settings.alarm]
low = { type = "i16", value = -50, note = "centimetres" }
"#;

    #[test]
    fn a_file_in_three_formats() {
        let toml = read(GAUGE, Format::Toml).unwrap();
        let json = r#"{"layout": {"sectors": 4, "base": 1048576}, "settings": {
            "gauge.datum": {"type": "i32", "value": 1234, "min": -5000, "max": 5000},
            "unit.serial": {"type": "text"}, "alarm": {"low": {"type": "i16", "value": -50}}}}"#;
        let json = read(json, Format::Json).unwrap();
        let csv = "key,type,value,min,max\n# no layout\ngauge.datum,i32,1234,-5000,5000\n\
                   alarm.low, i16 ,-50,,\n";
        let csv = read(csv, Format::Csv).unwrap();
        assert_eq!(toml.layout, json.layout);
        assert_eq!((toml.layout.sectors, toml.layout.base), (Some(4), Some(0x10_0000)));
        for settings in [&toml, &json, &csv] {
            let get = |key: &str| settings.settings.get(key.as_bytes()).unwrap();
            assert_eq!(get("gauge.datum").value.as_deref(), Some(&1234_i32.to_le_bytes()[..]));
            assert_eq!(get("alarm.low").value.as_deref(), Some(&(-50_i16).to_le_bytes()[..]));
            let place = Place { line: 9, column: 2 };
            let why = get("gauge.datum").value_from_text("6000", place).unwrap_err();
            assert_eq!(why.to_string(), "9:2: 6000 is above the maximum of 5000");
        }
        assert_eq!(toml.settings[&b"unit.serial"[..]].value, None);
    }

    #[test]
    fn bounds_are_exact_and_make_sense() {
        let toml =
            |fields: &str| match read(&format!("[settings]\na = {{ {fields} }}"), Format::Toml) {
                Ok(_) => "fits".to_owned(),
                Err(all) => all[0].to_string(),
            };
        // 2^53 + 1 is no f64.
        for kind in ["u64", "i64"] {
            let of = |value: &str| {
                toml(&format!("type = '{kind}', max = 9007199254740992, value = {value}"))
            };
            assert_eq!(of("9007199254740992"), "fits");
            assert!(of("9007199254740993").ends_with("above the maximum of 9007199254740992"));
        }
        assert_eq!(toml("type = 'i32', min = 1.5, value = 2"), "fits");
        assert!(toml("type = 'i32', min = 1.5, value = 1").ends_with("below the minimum of 1.5"));
        assert!(
            toml("type = 'i32', max = -1.5, value = -1").ends_with("above the maximum of -1.5")
        );
        assert!(toml("type = 'f64', max = 3, value = 3.25").ends_with("above the maximum of 3"));
        assert_eq!(toml("type = 'f64', max = inf, value = 3.25"), "fits");
        assert_eq!(toml("type = 'f32', max = nan, value = 1"), "2:27: min and max need a number");
        assert_eq!(toml("type = 'bool', max = 1"), "2:28: bool has neither min nor max");
        let csv = |row: &str| {
            let read = read(&format!("key,type,value,min,max\n{row}\n"), Format::Csv);
            read.err().map(|all| all[0].to_string())
        };
        let most = "18446744073709551614";
        assert_eq!(csv(&format!("a,u64,{most},,{most}")), None);
        assert!(csv(&format!("a,u64,18446744073709551615,,{most}")).unwrap().ends_with(most));
        assert_eq!(csv("a,f64,1,nan,").unwrap(), "2:4: min 'nan' is no number");
        assert_eq!(csv("a,bool,true,,1").unwrap(), "2:5: bool has neither min nor max");
    }

    #[test]
    fn everything_wrong_is_said_with_its_place() {
        let why = |text: &str, format| -> Vec<String> {
            read(text, format).unwrap_err().iter().map(ToString::to_string).collect()
        };
        let toml = r#"layuot = 1
[settings]
a = { type = "u8", value = 256 }
b = { type = "u9", value = 1 }
c = { value = 1 }
d = 5
e = { type = "u8", valeu = 1 }
"a\\q" = { type = "u8" }
f.g = { type = "u8", value = 1 }
"f.g" = { type = "u8", value = 2 }
"#;
        let complaints = why(toml, Format::Toml);
        for (n, start) in [
            "1:10: 'layuot' is unknown here",
            "3:28: 256 does not fit u8: 0 to 255",
            "4:14: unknown type 'u9'; choose one of bool",
            "5:1: 'c' has no type",
            "6:5: 'd' needs a table",
            "7:28: 'valeu' is unknown here; a setting has type",
            "8:1: key 'a\\q': write a backslash",
            "'f.g' is there already",
        ]
        .iter()
        .enumerate()
        {
            assert!(complaints[n].contains(start), "{start}: {complaints:#?}");
        }
        let csv = "key,type,value\na,u8,1\nb,u8,x\nc,u8\n";
        assert_eq!(why(csv, Format::Csv), ["4:3: the line has 2 cells, the header 3"]);
        let csv = "key,type,value\na,u8,1\nb,u8,x\nc,u7,1\na,u8,2\n";
        assert_eq!(why(csv, Format::Csv)[0], "3:3: 'x' is no whole number");
        assert!(why(csv, Format::Csv)[1].starts_with("4:2: unknown type 'u7'"));
        assert_eq!(why(csv, Format::Csv)[2], "5:1: 'a' is there already, at 2:1");
        assert_eq!(why("", Format::Csv), ["1:1: the file is empty"]);
        assert!(why("[1]", Format::Json)[0].starts_with("1:1: a table is needed here"));
    }

    #[test]
    fn numbers_that_a_text_cannot_tell_are_written_as_bytes() {
        // A NaN has a payload and a sign (IEEE 754-2019, 6.2.1, from memory), and a text has one
        // word for all of them.
        for (kind, bytes, as_bytes) in [
            ("f32", &f32::NAN.to_le_bytes()[..], false),
            ("f32", &0x7FC1_0000_u32.to_le_bytes(), true),
            ("f32", &0xFFC0_0000_u32.to_le_bytes(), true),
            ("f32", &0x7F80_0001_u32.to_le_bytes(), true),
            ("f32", &(-0.0_f32).to_le_bytes(), false),
            ("f32", &f32::from_bits(1).to_le_bytes(), false),
            ("f32", &f32::NEG_INFINITY.to_le_bytes(), false),
            ("f64", &f64::NAN.to_le_bytes(), false),
            ("f64", &0x7FF8_0000_0000_0001_u64.to_le_bytes(), true),
            ("f64", &0xFFF8_0000_0000_0000_u64.to_le_bytes(), true),
            ("f64", &0x7FF0_0000_0000_0001_u64.to_le_bytes(), true),
            ("f64", &(-0.0_f64).to_le_bytes(), false),
            ("f64", &f64::from_bits(1).to_le_bytes(), false),
            ("f64", &f64::MAX.to_le_bytes(), false),
        ] {
            let kind: Type = kind.parse().unwrap();
            for format in [Format::Toml, Format::Json, Format::Csv] {
                let text = write([(&b"gauge.span"[..], bytes)], &|_, _| kind, format);
                let again = read(&text, format).unwrap();
                let setting = &again.settings[&b"gauge.span"[..]];
                assert_eq!(setting.value.as_deref(), Some(bytes), "{text}");
                assert_eq!(setting.kind, if as_bytes { Type::HEX } else { kind }, "{text}");
            }
        }
    }

    proptest! {
        /// Bytes of any kind come back from each format, whatever type they are given.
        #[test]
        fn what_is_written_is_read(
            settings in prop::collection::btree_map(
                prop::collection::vec(any::<u8>(), 1..=64), prop::collection::vec(any::<u8>(), 0..12), 0..6),
            texts in prop::collection::btree_map("[a-z. #\"\\\\]{1,9}", "\\PC{0,12}", 0..6),
            kind in prop::sample::select(vec!["bool", "u8[]", "i64", "u64", "f32", "f64[]", "text", "hex"]),
        ) {
            let mut settings = settings;
            settings.extend(texts.into_iter().map(|(k, v)| (k.into_bytes(), v.into_bytes())));
            let kind: Type = kind.parse().unwrap();
            for format in [Format::Toml, Format::Json, Format::Csv] {
                let pairs = settings.iter().map(|(k, v)| (&k[..], &v[..]));
                let text = write(pairs, &|_, _| kind, format);
                let again = read(&text, format)
                    .map_err(|why| TestCaseError::fail(format!("{why:?}\n{text}")))?;
                // An empty list in CSV is no value.
                let again: BTreeMap<_, _> = again.settings.into_iter()
                    .map(|(key, setting)| (key, setting.value.unwrap_or_default())).collect();
                prop_assert_eq!(&again, &settings, "{:?}\n{}", format, text);
            }
        }
    }
}
