//! Writes settings as a file that can be read again.

use serde_json::json;

use super::setting::Format;
use crate::names;
use crate::tree::{Value, as_json};
use crate::value::{Type, decode};

/// Settings as a file that [`read`](super::read::read) accepts. Each value gets the type that
/// `kind` returns, if it is a value of that type and reads back as the same bytes; otherwise it is
/// written as bytes.
#[must_use]
pub fn write<'a>(
    settings: impl IntoIterator<Item = (&'a [u8], &'a [u8])>,
    kind: &dyn Fn(&[u8], &[u8]) -> Type,
    format: Format,
) -> String {
    let typed = settings.into_iter().map(|(key, value)| {
        let wanted = kind(key, value);
        // The cells of CSV are trimmed.
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

/// TOML has the escapes of JSON, and requires one for a character that JSON leaves as it is.
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
