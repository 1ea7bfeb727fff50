//! Reads a settings file and checks everything in it.

use super::setting::{Format, Setting, Settings};
use super::table::{Row, Table};
use crate::names;
use crate::tree::{Complaint, Node, Place, Value, complain, from_json, from_toml};
use crate::value::{Bounds, Number, Type, bound_from_text, encode, from_text};

/// Reads a settings file.
///
/// # Errors
/// Every error in the file, in its order.
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
                    let why = format!("'{name}' is unknown here; a file has layout and settings");
                    self.note(complain(node.place, why));
                }
            }
        }
        Ok(())
    }

    /// Keeps a complaint and goes on, so that the user sees all errors at once.
    fn note(&mut self, done: Result<(), Complaint>) {
        self.complaints.extend(done.err());
    }

    fn layout(&mut self, node: &Node) -> Result<(), Complaint> {
        for (name, node) in fields(node)? {
            let layout = &mut self.settings.layout;
            let place = match name.as_str() {
                "sectors" => &mut layout.sectors,
                "sector_bytes" => &mut layout.sector_bytes,
                "page_bytes" => &mut layout.page_bytes,
                "unit" => &mut layout.unit,
                "base" => &mut layout.base,
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
                    *place = u32::try_from(*number).ok();
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
                ("type", _) => return complain(node.place, "a type is text in quotes"),
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
            return complain(place, format!("'{name}' is already defined at {line}:{column}"));
        }
        self.settings.settings.insert(key, setting);
        Ok(())
    }

    fn table(&mut self, text: &str) -> Result<(), Complaint> {
        let table = Table::read(text)?;
        for name in &table.names {
            if !matches!(name.0.as_str(), "key" | "type" | "value" | "min" | "max" | "note") {
                let why = format!(
                    "column '{}' is unknown; the columns are key, type, value, min, max and note",
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
                    return complain(place, format!("{name} '{text}' is not a number"));
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
