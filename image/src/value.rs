//! Typed values, and how they are stored as bytes. Numbers are little-endian, as on every
//! microcontroller the store is meant for.

use std::cmp::Ordering;
use std::fmt;
use std::str::FromStr;

use crate::tree::{Complaint, Node, Place, Value, as_json, complain};

/// The type of a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Type {
    pub(crate) scalar: Scalar,
    count: Count,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scalar {
    Bool,
    /// UTF-8, no terminating zero.
    Text,
    /// Any bytes, written as hexadecimal digits.
    Hex,
    Unsigned(usize),
    Signed(usize),
    Float(usize),
}

/// How many numbers a value has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Count {
    One,
    Exactly(usize),
    Any,
}

const SCALARS: [(&str, Scalar); 13] = [
    ("bool", Scalar::Bool),
    ("text", Scalar::Text),
    ("hex", Scalar::Hex),
    ("u8", Scalar::Unsigned(1)),
    ("u16", Scalar::Unsigned(2)),
    ("u32", Scalar::Unsigned(4)),
    ("u64", Scalar::Unsigned(8)),
    ("i8", Scalar::Signed(1)),
    ("i16", Scalar::Signed(2)),
    ("i32", Scalar::Signed(4)),
    ("i64", Scalar::Signed(8)),
    ("f32", Scalar::Float(4)),
    ("f64", Scalar::Float(8)),
];

/// The types, for messages and help.
pub const TYPES: &str = "bool, u8, u16, u32, u64, i8, i16, i32, i64, f32, f64, text, hex; numbers \
                         also as lists: u16[4] or u16[]";

impl Type {
    /// Any bytes.
    pub const HEX: Self = Self { scalar: Scalar::Hex, count: Count::One };
    /// UTF-8.
    pub const TEXT: Self = Self { scalar: Scalar::Text, count: Count::One };
    /// The count of a counter.
    pub const COUNT: Self = Self { scalar: Scalar::Unsigned(8), count: Count::One };

    /// Text if the bytes are readable text, otherwise bytes.
    #[must_use]
    pub fn guess(value: &[u8]) -> Self {
        let readable = |text: &str| text.chars().all(|c| !c.is_control());
        let text = std::str::from_utf8(value).is_ok_and(|text| !text.is_empty() && readable(text));
        if text { Self::TEXT } else { Self::HEX }
    }

    pub(crate) const fn has_bounds(&self) -> bool {
        !matches!(self.scalar, Scalar::Bool)
    }

    pub(crate) const fn is_text(&self) -> bool {
        matches!(self.scalar, Scalar::Text | Scalar::Hex)
    }
}

impl FromStr for Type {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let unknown = || format!("unknown type '{text}'; choose one of {TYPES}");
        let (name, count) = match text.split_once('[') {
            None => (text, Count::One),
            Some((name, "]")) => (name, Count::Any),
            Some((name, rest)) => {
                let digits = rest.strip_suffix(']').ok_or_else(unknown)?;
                (name, Count::Exactly(digits.parse().map_err(|_| unknown())?))
            }
        };
        let (_, scalar) = SCALARS.iter().find(|(n, _)| *n == name).ok_or_else(unknown)?;
        let listed = Self { scalar: *scalar, count };
        if count != Count::One && listed.is_text() {
            return Err(unknown());
        }
        Ok(listed)
    }
}

impl fmt::Display for Type {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = SCALARS.iter().find(|(_, scalar)| *scalar == self.scalar);
        f.write_str(name.map_or("hex", |(name, _)| name))?;
        match self.count {
            Count::One => Ok(()),
            Count::Exactly(count) => write!(f, "[{count}]"),
            Count::Any => f.write_str("[]"),
        }
    }
}

/// A number as it was written; whole numbers keep all their digits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Number {
    Whole(i128),
    Float(f64),
}

impl PartialOrd for Number {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        match (*self, *other) {
            (Self::Whole(one), Self::Whole(two)) => one.partial_cmp(&two),
            (Self::Float(one), Self::Float(two)) => one.partial_cmp(&two),
            (Self::Whole(one), Self::Float(two)) => against_float(one, two),
            (Self::Float(one), Self::Whole(two)) => against_float(two, one).map(Ordering::reverse),
        }
    }
}

fn against_float(whole: i128, float: f64) -> Option<Ordering> {
    let floor = float.floor();
    (!float.is_nan()).then(|| match whole.cmp(&(floor as i128)) {
        Ordering::Equal if float > floor => Ordering::Less,
        order => order,
    })
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Whole(number) => number.fmt(f),
            Self::Float(number) => number.fmt(f),
        }
    }
}

/// The smallest and the largest number allowed; for texts and bytes, the length in bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Bounds {
    pub(crate) least: Option<Number>,
    pub(crate) most: Option<Number>,
}

impl Bounds {
    fn check_length(&self, len: usize, place: Place) -> Result<(), Complaint> {
        self.check(Number::Whole(len as i128), &format!("a length of {len} bytes"), place)
    }

    fn check(&self, number: Number, what: &str, place: Place) -> Result<(), Complaint> {
        let is_nan = matches!(number, Number::Float(number) if number.is_nan());
        if let Some(least) = self.least.filter(|least| number < *least || is_nan) {
            return complain(place, format!("{what} is below the minimum of {least}"));
        }
        if let Some(most) = self.most.filter(|most| number > *most) {
            return complain(place, format!("{what} is above the maximum of {most}"));
        }
        Ok(())
    }
}

/// The bytes of `node` as `wanted`.
pub(crate) fn encode(wanted: Type, node: &Node, bounds: &Bounds) -> Result<Vec<u8>, Complaint> {
    let mut out = Vec::new();
    match (wanted.count, &node.value) {
        (Count::One, _) => encode_one(wanted, node, bounds, &mut out)?,
        (count, Value::List(items)) => {
            if let Count::Exactly(count) = count
                && items.len() != count
            {
                let have = items.len();
                return complain(node.place, format!("{wanted} needs {count} numbers, not {have}"));
            }
            for item in items {
                encode_one(wanted, item, bounds, &mut out)?;
            }
        }
        _ => return complain(node.place, format!("{wanted} needs a list, not {}", node.kind())),
    }
    Ok(out)
}

fn encode_one(
    wanted: Type,
    node: &Node,
    bounds: &Bounds,
    out: &mut Vec<u8>,
) -> Result<(), Complaint> {
    let refuse = || {
        let scalar = Type { count: Count::One, ..wanted };
        complain(
            node.place,
            format!("{scalar} needs {}, not {}", needs(wanted.scalar), node.kind()),
        )
    };
    match (wanted.scalar, &node.value) {
        (Scalar::Bool, Value::Bool(truth)) => out.push(u8::from(*truth)),
        (Scalar::Text, Value::Text(text)) => {
            bounds.check_length(text.len(), node.place)?;
            out.extend_from_slice(text.as_bytes());
        }
        (Scalar::Hex, Value::Text(text)) => {
            let bytes = match from_hex(text) {
                Ok(bytes) => bytes,
                Err(why) => return complain(node.place, why),
            };
            bounds.check_length(bytes.len(), node.place)?;
            out.extend_from_slice(&bytes);
        }
        (Scalar::Unsigned(len) | Scalar::Signed(len), Value::Integer(number)) => {
            let (least, most) = match wanted.scalar {
                Scalar::Signed(_) => (-(1_i128 << (8 * len - 1)), (1 << (8 * len - 1)) - 1),
                _ => (0, (1_i128 << (8 * len)) - 1),
            };
            if !(least..=most).contains(number) {
                let scalar = Type { count: Count::One, ..wanted };
                let why = format!("{number} does not fit {scalar}: {least} to {most}");
                return complain(node.place, why);
            }
            bounds.check(Number::Whole(*number), &number.to_string(), node.place)?;
            out.extend_from_slice(&number.to_le_bytes()[..len]);
        }
        (Scalar::Unsigned(_) | Scalar::Signed(_), Value::Text(text)) => {
            // TOML has no integers above 2^63, so they may be written as text.
            let Ok(number) = text.parse() else { return refuse() };
            let number = Node { place: node.place, value: Value::Integer(number) };
            encode_one(wanted, &number, bounds, out)?;
        }
        (Scalar::Float(len), Value::Float(_) | Value::Integer(_) | Value::Text(_)) => {
            let number = match &node.value {
                Value::Float(number) => *number,
                Value::Integer(number) => *number as f64,
                // JSON cannot write these as numbers.
                Value::Text(text) => match text.as_str() {
                    "nan" => f64::NAN,
                    "inf" => f64::INFINITY,
                    "-inf" => f64::NEG_INFINITY,
                    _ => return refuse(),
                },
                _ => return refuse(),
            };
            let written = match node.value {
                Value::Integer(number) => Number::Whole(number),
                _ => Number::Float(number),
            };
            bounds.check(written, &number.to_string(), node.place)?;
            if len == 4 {
                let short = number as f32;
                if short.is_infinite() && number.is_finite() {
                    return complain(node.place, format!("{number} does not fit f32"));
                }
                out.extend_from_slice(&short.to_le_bytes());
            } else {
                out.extend_from_slice(&number.to_le_bytes());
            }
        }
        _ => return refuse(),
    }
    Ok(())
}

const fn needs(scalar: Scalar) -> &'static str {
    match scalar {
        Scalar::Bool => "true or false",
        Scalar::Text => "a text",
        Scalar::Hex => "a text of hexadecimal digits",
        Scalar::Unsigned(_) | Scalar::Signed(_) => "a whole number",
        Scalar::Float(_) => "a number",
    }
}

/// The value that a cell of a table or an argument gives.
pub(crate) fn from_text(wanted: Type, text: &str, place: Place) -> Result<Node, Complaint> {
    let one = |text: &str| {
        let value = match wanted.scalar {
            Scalar::Text | Scalar::Hex => Value::Text(text.to_owned()),
            Scalar::Bool => match text {
                "true" => Value::Bool(true),
                "false" => Value::Bool(false),
                _ => return complain(place, format!("'{text}': write true or false")),
            },
            Scalar::Unsigned(_) | Scalar::Signed(_) => match whole_number(text) {
                Some(number) => Value::Integer(number),
                None => return complain(place, format!("'{text}' is not a whole number")),
            },
            Scalar::Float(_) => match text.parse() {
                Ok(number) => Value::Float(number),
                Err(_) => return complain(place, format!("'{text}' is not a number")),
            },
        };
        Ok(Node { place, value })
    };
    if wanted.count == Count::One {
        return one(text);
    }
    let items = text.split_whitespace().map(one).collect::<Result<_, _>>()?;
    Ok(Node { place, value: Value::List(items) })
}

/// The bound that a cell of a table gives.
pub(crate) fn bound_from_text(text: &str) -> Option<Number> {
    match whole_number(text) {
        Some(number) => Some(Number::Whole(number)),
        None => text.parse().ok().filter(|number: &f64| !number.is_nan()).map(Number::Float),
    }
}

fn whole_number(text: &str) -> Option<i128> {
    match text.strip_prefix("0x") {
        Some(digits) => i128::from_str_radix(digits, 16).ok().filter(|n| *n >= 0),
        None => text.parse().ok(),
    }
}

/// Pairs of hexadecimal digits; white space between them is ignored.
pub(crate) fn from_hex(text: &str) -> Result<Vec<u8>, String> {
    let digits: Option<Vec<u8>> = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_digit(16).map(|d| d as u8))
        .collect();
    let digits = digits.ok_or("hex allows hexadecimal digits only")?;
    if !digits.len().is_multiple_of(2) {
        return Err("hex needs two digits per byte".to_owned());
    }
    Ok(digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}

/// Lower-case hexadecimal digits without spaces.
#[must_use]
pub fn to_hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// The value that the bytes encode. `None` if they are not a value of this type, or if [`encode`]
/// would not give the same bytes back.
pub(crate) fn decode(wanted: Type, bytes: &[u8]) -> Option<Value> {
    let node = |value| Node { place: Place::default(), value };
    let size = match wanted.scalar {
        Scalar::Text => return String::from_utf8(bytes.to_vec()).ok().map(Value::Text),
        Scalar::Hex => return Some(Value::Text(to_hex(bytes))),
        Scalar::Bool => 1,
        Scalar::Unsigned(size) | Scalar::Signed(size) | Scalar::Float(size) => size,
    };
    let fits = match wanted.count {
        Count::One => bytes.len() == size,
        Count::Exactly(count) => Some(bytes.len()) == size.checked_mul(count),
        Count::Any => bytes.len().is_multiple_of(size),
    };
    if !fits {
        return None;
    }
    let mut values = bytes.chunks(size).map(|bytes| {
        let negative = bytes.last().is_some_and(|b| *b >= 0x80);
        let fill = if negative && matches!(wanted.scalar, Scalar::Signed(_)) { 0xFF } else { 0 };
        let mut wide = [fill; 16];
        wide[..size].copy_from_slice(bytes);
        Some(match wanted.scalar {
            Scalar::Bool => match bytes {
                [0] => Value::Bool(false),
                [1] => Value::Bool(true),
                _ => return None,
            },
            Scalar::Float(_) => {
                let number = match bytes {
                    &[a, b, c, d] => f64::from(f32::from_le_bytes([a, b, c, d])),
                    bytes => f64::from_le_bytes(bytes.try_into().ok()?),
                };
                // There are many NaN bit patterns, and text can express only one of them.
                let number = if number.is_nan() { f64::NAN } else { number };
                let mut again = Vec::new();
                let float = node(Value::Float(number));
                encode_one(wanted, &float, &Bounds::default(), &mut again).ok()?;
                if again != bytes {
                    return None;
                }
                Value::Float(number)
            }
            _ => Value::Integer(i128::from_le_bytes(wide)),
        })
    });
    match wanted.count {
        Count::One => values.next()?,
        _ => values.map(|value| value.map(node)).collect::<Option<_>>().map(Value::List),
    }
}

/// The value in readable form.
#[must_use]
pub fn show(wanted: Type, bytes: &[u8]) -> String {
    match decode(wanted, bytes) {
        None => format!("{} (not {wanted})", show_bytes(bytes)),
        Some(_) if wanted == Type::HEX => show_bytes(bytes),
        Some(value) => in_words(&value, wanted),
    }
}

fn in_words(value: &Value, wanted: Type) -> String {
    match value {
        Value::Bool(truth) => truth.to_string(),
        Value::Integer(number) => number.to_string(),
        // An f32 needs fewer digits.
        Value::Float(number) if wanted.scalar == Scalar::Float(4) => (*number as f32).to_string(),
        Value::Float(number) => number.to_string(),
        Value::Text(text) => format!("{text:?}"),
        Value::List(items) => {
            let items: Vec<_> = items.iter().map(|item| in_words(&item.value, wanted)).collect();
            format!("[{}]", items.join(", "))
        }
        Value::Table(_) => String::new(),
    }
}

/// The bytes of a value given as an argument.
///
/// # Errors
/// It is not a value of this type.
pub fn parse(wanted: Type, text: &str) -> Result<Vec<u8>, Complaint> {
    encode(wanted, &from_text(wanted, text, Place::default())?, &Bounds::default())
}

/// The value as JSON; `null` if the bytes are not a value of this type.
#[must_use]
pub fn to_json(wanted: Type, bytes: &[u8]) -> serde_json::Value {
    decode(wanted, bytes).map_or(serde_json::Value::Null, |value| as_json(&value))
}

/// Bytes whose type is not known.
fn show_bytes(bytes: &[u8]) -> String {
    const MOST: usize = 32;
    let number = |signed: bool| {
        let scalar =
            if signed { Scalar::Signed(bytes.len()) } else { Scalar::Unsigned(bytes.len()) };
        decode(Type { scalar, count: Count::One }, bytes)
    };
    let mut out = to_hex(&bytes[..bytes.len().min(MOST)]);
    if bytes.len() > MOST {
        out.push_str(&format!("... ({} bytes)", bytes.len()));
    }
    if bytes.is_empty() {
        out.push_str("(empty)");
    }
    if matches!(bytes.len(), 1 | 2 | 4 | 8)
        && let (Some(Value::Integer(unsigned)), Some(Value::Integer(signed))) =
            (number(false), number(true))
    {
        out.push_str(&format!(" = {unsigned}"));
        if signed < 0 {
            out.push_str(&format!(" or {signed}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parsed(kind: &str, text: &str) -> Result<Vec<u8>, String> {
        let kind: Type = kind.parse()?;
        let place = Place { line: 1, column: 1 };
        let node = from_text(kind, text, place).map_err(|c| c.to_string())?;
        encode(kind, &node, &Bounds::default()).map_err(|c| c.to_string())
    }

    #[test]
    fn texts_become_bytes_of_the_type() {
        for (kind, text, bytes) in [
            ("u8", "255", &[255][..]),
            ("u16", "0x1234", &[0x34, 0x12]),
            ("i16", "-2", &[0xFE, 0xFF]),
            ("i64", "-9223372036854775808", &[0, 0, 0, 0, 0, 0, 0, 0x80]),
            ("u64", "18446744073709551615", &[0xFF; 8]),
            // IEEE 754: 1.5 is 3FC00000 and 3FF8000000000000.
            ("f32", "1.5", &[0, 0, 0xC0, 0x3F]),
            ("f64", "1.5", &[0, 0, 0, 0, 0, 0, 0xF8, 0x3F]),
            ("bool", "true", &[1]),
            ("text", "h\u{f6}", &[b'h', 0xC3, 0xB6]),
            ("hex", "00 fF", &[0, 255]),
            ("u16[2]", "1 2", &[1, 0, 2, 0]),
            ("i8[]", "", &[]),
        ] {
            assert_eq!(parsed(kind, text).as_deref(), Ok(bytes), "{kind} {text}");
        }
        for (kind, text, words) in [
            ("u8", "256", "256 does not fit u8: 0 to 255"),
            ("i8", "-129", "-128 to 127"),
            ("u8", "1.5", "not a whole number"),
            ("f32", "1e39", "does not fit f32"),
            ("bool", "1", "true or false"),
            ("hex", "abc", "two digits per byte"),
            ("u16[2]", "1", "needs 2 numbers, not 1"),
            ("text[2]", "", "unknown type"),
            ("word", "", "choose one of bool, u8"),
        ] {
            let why = parsed(kind, text).unwrap_err();
            assert!(why.contains(words), "{kind} {text}: {why}");
        }
    }

    #[test]
    fn values_are_readable() {
        let show = |kind: &str, bytes: &[u8]| show(kind.parse().unwrap(), bytes);
        assert_eq!(show("i16", &[0xFE, 0xFF]), "-2");
        assert_eq!(show("u16[]", &[1, 0, 2, 0]), "[1, 2]");
        assert_eq!(show("f32", &0.1_f32.to_le_bytes()), "0.1");
        assert_eq!(show("text", b"North pier"), "\"North pier\"");
        assert_eq!(show("hex", &[0xFE, 0xFF]), "feff = 65534 or -2");
        assert_eq!(show("u32", &[1]), "01 = 1 (not u32)");
        assert_eq!(show("hex", &[]), "(empty)");
        assert_eq!(Type::guess(b"North pier"), Type::TEXT);
        assert_eq!(Type::guess(b"a\0"), Type::HEX);
        assert_eq!(Type::guess(b""), Type::HEX);
    }

    proptest! {
        #[test]
        fn what_is_decoded_encodes_to_the_same_bytes(
            bytes in prop::collection::vec(any::<u8>(), 0..20),
            kind in prop::sample::select(SCALARS.map(|(name, _)| name).to_vec()),
            list in any::<bool>(),
        ) {
            let list = list && kind != "text" && kind != "hex";
            let kind: Type = format!("{kind}{}", if list { "[]" } else { "" }).parse().unwrap();
            if let Some(value) = decode(kind, &bytes) {
                let node = Node { place: Place::default(), value };
                prop_assert_eq!(encode(kind, &node, &Bounds::default()).unwrap(), bytes);
            }
            let _ = show(kind, b"");
        }
    }
}
