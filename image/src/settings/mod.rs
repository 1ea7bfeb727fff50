//! Settings files: keys, types, values and optionally a layout, in TOML, JSON or CSV.
//!
//! ```toml
//! [layout]                      # all optional; the command line overrides it
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
//! "unit.serial" = { type = "text" }      # no value: each unit has its own
//! ```
//!
//! JSON has the same fields. CSV has the columns `key`, `type`, `value` and optionally `min`, `max`
//! and `note`, and no layout; there an empty value is an empty text, or no value for numbers.
//! Tables may be nested: `[settings.gauge]` with `datum = {..}` is the key `gauge.datum`.

mod read;
mod setting;
mod table;
mod write;

pub use self::read::read;
pub use self::setting::{Format, PartialLayout, Setting, Settings};
pub(crate) use self::table::Table;
pub use self::write::write;

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;
    use crate::tree::Place;
    use crate::value::Type;

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
        // An f64 cannot hold 2^53 + 1.
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
        assert_eq!(csv("a,f64,1,nan,").unwrap(), "2:4: min 'nan' is not a number");
        assert_eq!(csv("a,bool,true,,1").unwrap(), "2:5: bool has neither min nor max");
    }

    #[test]
    fn every_error_is_reported_with_its_position() {
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
            "'f.g' is already defined",
        ]
        .iter()
        .enumerate()
        {
            assert!(complaints[n].contains(start), "{start}: {complaints:#?}");
        }
        let csv = "key,type,value\na,u8,1\nb,u8,x\nc,u8\n";
        assert_eq!(why(csv, Format::Csv), ["4:3: the line has 2 cells, the header has 3"]);
        let csv = "key,type,value\na,u8,1\nb,u8,x\nc,u7,1\na,u8,2\n";
        assert_eq!(why(csv, Format::Csv)[0], "3:3: 'x' is not a whole number");
        assert!(why(csv, Format::Csv)[1].starts_with("4:2: unknown type 'u7'"));
        assert_eq!(why(csv, Format::Csv)[2], "5:1: 'a' is already defined at 2:1");
        assert_eq!(why("", Format::Csv), ["1:1: the file is empty"]);
        let semicolons = "key;type;value\na;u8;1\n";
        assert_eq!(
            why(semicolons, Format::Csv),
            ["1:1: semicolons separate the columns; use commas"]
        );
        assert!(why("[1]", Format::Json)[0].starts_with("1:1: a table is needed here"));
    }

    #[test]
    fn numbers_that_text_cannot_express_are_written_as_bytes() {
        // A NaN has a payload and a sign (IEEE 754-2019, 6.2.1, from memory), but text has only one
        // word for all NaNs.
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
        /// Any bytes survive each format, whatever type they are given.
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
                // In CSV an empty list is no value.
                let again: BTreeMap<_, _> = again.settings.into_iter()
                    .map(|(key, setting)| (key, setting.value.unwrap_or_default())).collect();
                prop_assert_eq!(&again, &settings, "{:?}\n{}", format, text);
            }
        }
    }
}
