//! What TOML and JSON have in common: nested values, each with its position in the text.

use std::fmt;

use serde::de::{MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::json;
use serde_json::value::RawValue;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A place in a text; line and column are counted from 1. In CSV the column is that of the table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line.
    pub line: usize,
    /// Column: characters, or cells of a CSV line.
    pub column: usize,
}

/// What is wrong with a file, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// Where; `None` if the complaint is about the whole file.
    pub place: Option<Place>,
    /// What is wrong and what would be right.
    pub why: String,
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Some(Place { line, column }) => write!(f, "{line}:{column}: {}", self.why),
            None => f.write_str(&self.why),
        }
    }
}

/// A complaint about a place.
pub(crate) fn complain<T>(place: Place, why: impl Into<String>) -> Result<T, Complaint> {
    Err(Complaint { place: Some(place), why: why.into() })
}

/// A value and its place.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Node {
    pub(crate) place: Place,
    pub(crate) value: Value,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Value {
    Bool(bool),
    Integer(i128),
    Float(f64),
    Text(String),
    List(Vec<Node>),
    Table(Vec<(String, Node)>),
}

impl Node {
    pub(crate) const fn kind(&self) -> &'static str {
        match self.value {
            Value::Bool(_) => "true or false",
            Value::Integer(_) => "a whole number",
            Value::Float(_) => "a number with a fraction",
            Value::Text(_) => "a text",
            Value::List(_) => "a list",
            Value::Table(_) => "a table",
        }
    }
}

/// A value for programs.
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

/// Where the lines of a text begin.
struct Lines<'a> {
    text: &'a str,
    starts: Vec<usize>,
}

impl<'a> Lines<'a> {
    fn new(text: &'a str) -> Self {
        let starts = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(n, _)| n + 1);
        Self { text, starts: std::iter::once(0).chain(starts).collect() }
    }

    fn place(&self, at: usize) -> Place {
        let line = self.starts.partition_point(|start| *start <= at);
        let start = self.starts.get(line.saturating_sub(1)).copied().unwrap_or(0);
        let column = self.text.get(start..at).map_or(1, |before| before.chars().count() + 1);
        Place { line, column }
    }
}

pub(crate) fn from_toml(text: &str) -> Result<Node, Complaint> {
    let lines = Lines::new(text);
    match DeTable::parse(text) {
        Ok(table) => {
            let place = lines.place(table.span().start);
            toml_table(table.get_ref(), place, &lines)
        }
        Err(error) => {
            let place = error.span().map(|span| lines.place(span.start));
            Err(Complaint { place, why: error.message().to_owned() })
        }
    }
}

fn toml_table(table: &DeTable<'_>, place: Place, lines: &Lines<'_>) -> Result<Node, Complaint> {
    let fields = table.iter().map(|(name, value)| {
        // The position of the value, or of the name if the value is a table.
        let mut node = toml_node(value, lines)?;
        if matches!(node.value, Value::Table(_)) {
            node.place = lines.place(name.span().start);
        }
        Ok((name.get_ref().clone().into_owned(), node))
    });
    Ok(Node { place, value: Value::Table(fields.collect::<Result<_, Complaint>>()?) })
}

fn toml_node(value: &Spanned<DeValue<'_>>, lines: &Lines<'_>) -> Result<Node, Complaint> {
    let place = lines.place(value.span().start);
    let value = match value.get_ref() {
        DeValue::String(text) => Value::Text(text.clone().into_owned()),
        DeValue::Integer(number) => {
            let digits = number.as_str().replace('_', "");
            match i128::from_str_radix(&digits, number.radix()) {
                Ok(number) => Value::Integer(number),
                Err(_) => return complain(place, "the number is too large"),
            }
        }
        DeValue::Float(number) => match number.as_str().replace('_', "").parse() {
            Ok(number) => Value::Float(number),
            Err(_) => return complain(place, "not a number"),
        },
        DeValue::Boolean(truth) => Value::Bool(*truth),
        DeValue::Datetime(_) => {
            return complain(place, "no setting type is a date; write it as text in quotes");
        }
        DeValue::Array(items) => {
            let items = items.iter().map(|item| toml_node(item, lines));
            Value::List(items.collect::<Result<_, _>>()?)
        }
        DeValue::Table(table) => return toml_table(table, place, lines),
    };
    Ok(Node { place, value })
}

pub(crate) fn from_json(text: &str) -> Result<Node, Complaint> {
    let lines = Lines::new(text);
    let raw: &RawValue = serde_json::from_str(text).map_err(|error| json_error(&error))?;
    json_node(raw, &lines)
}

fn json_error(error: &serde_json::Error) -> Complaint {
    let why = error.to_string();
    let why = why.rsplit_once(" at line ").map_or(why.as_str(), |(why, _)| why);
    let place = Place { line: error.line(), column: error.column() };
    Complaint { place: Some(place), why: why.to_owned() }
}

/// The fields of a JSON object, in their order and with repetitions.
struct Fields<'a>(Vec<(String, &'a RawValue)>);

impl<'de: 'a, 'a> Deserialize<'de> for Fields<'a> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Collect;
        impl<'de> Visitor<'de> for Collect {
            type Value = Fields<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut fields = Vec::new();
                while let Some(field) = map.next_entry()? {
                    fields.push(field);
                }
                Ok(Fields(fields))
            }
        }
        from.deserialize_map(Collect)
    }
}

fn json_node(raw: &RawValue, lines: &Lines<'_>) -> Result<Node, Complaint> {
    let text = raw.get();
    // A raw value is a slice of the text it was read from, which gives its position.
    let at = (text.as_ptr() as usize).wrapping_sub(lines.text.as_ptr() as usize);
    let place = lines.place(at);
    let wrong = |error: serde_json::Error| Complaint { place: Some(place), why: error.to_string() };
    let value = match text.as_bytes().first() {
        Some(b'{') => {
            let Fields(fields) = serde_json::from_str(text).map_err(wrong)?;
            let mut table: Vec<(String, Node)> = Vec::new();
            for (name, raw) in fields {
                let node = json_node(raw, lines)?;
                if table.iter().any(|(other, _)| *other == name) {
                    return complain(node.place, format!("'{name}' appears twice"));
                }
                table.push((name, node));
            }
            Value::Table(table)
        }
        Some(b'[') => {
            let items: Vec<&RawValue> = serde_json::from_str(text).map_err(wrong)?;
            let items = items.into_iter().map(|raw| json_node(raw, lines));
            Value::List(items.collect::<Result<_, _>>()?)
        }
        Some(b'"') => Value::Text(serde_json::from_str(text).map_err(wrong)?),
        Some(b't') => Value::Bool(true),
        Some(b'f') => Value::Bool(false),
        Some(b'n') => return complain(place, "no setting type is null; leave the field out"),
        _ => match text.parse() {
            Ok(number) => Value::Integer(number),
            Err(_) => match text.parse() {
                Ok(number) => Value::Float(number),
                Err(_) => return complain(place, "not a number"),
            },
        },
    };
    Ok(Node { place, value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_lines_and_characters() {
        let toml = "[settings]\n\"\u{f6}\" = { type = \"u8\", value = 300 }\n";
        let json = "{\n \"settings\": {\n  \"\u{f6}\": {\"type\": \"u8\", \"value\": 300}}}";
        for (node, at) in [
            (from_toml(toml).unwrap(), Place { line: 2, column: 30 }),
            (from_json(json).unwrap(), Place { line: 3, column: 32 }),
        ] {
            let Value::Table(top) = node.value else { panic!() };
            let Value::Table(settings) = &top[0].1.value else { panic!() };
            assert_eq!(settings[0].0, "\u{f6}");
            let Value::Table(fields) = &settings[0].1.value else { panic!() };
            let (_, value) = fields.iter().find(|(name, _)| name == "value").unwrap();
            assert_eq!((value.place, &value.value), (at, &Value::Integer(300)));
        }
    }

    #[test]
    fn wrong_syntax_is_placed() {
        assert!(from_toml("a = 1\nb = = 2").unwrap_err().to_string().starts_with("2:5: "));
        assert!(from_json("{\n\"a\": ,}").unwrap_err().to_string().starts_with("2:6: "));
        assert_eq!(
            from_json("{\"a\": 1,\n\"a\": 2}").unwrap_err().to_string(),
            "2:6: 'a' appears twice"
        );
        assert!(from_json("[null]").is_err());
        assert!(from_json(&"[".repeat(100_000)).is_err(), "deep nesting is refused");
    }
}
