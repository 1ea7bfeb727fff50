//! Keys as text. A key is any 1 to 64 bytes. In text, a backslash is `\\`; bytes that are not
//! printable UTF-8, and a space at either end, are `\xNN`.

/// A key as text; [`parse`] turns it back into the same bytes.
#[must_use]
pub fn show(key: &[u8]) -> String {
    let mut out = String::new();
    for chunk in key.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c == '\\' {
                out.push_str("\\\\");
            } else if c.is_control() || c.is_whitespace() && c != ' ' {
                let mut bytes = [0; 4];
                c.encode_utf8(&mut bytes).bytes().for_each(|b| out.push_str(&escaped(b)));
            } else {
                out.push(c);
            }
        }
        chunk.invalid().iter().for_each(|b| out.push_str(&escaped(*b)));
    }
    // The cells of a table are trimmed.
    if let Some(inner) = out.strip_suffix(' ') {
        out = format!("{inner}\\x20");
    }
    if let Some(inner) = out.strip_prefix(' ') {
        out = format!("\\x20{inner}");
    }
    out
}

fn escaped(byte: u8) -> String {
    format!("\\x{byte:02x}")
}

/// The key that `text` names.
///
/// # Errors
/// A backslash that begins neither `\\` nor `\xNN`, or a length other than 1 to 64 bytes.
pub fn parse(text: &str) -> Result<Vec<u8>, String> {
    let mut key = Vec::new();
    let mut left = text.as_bytes();
    loop {
        match left {
            [] => break,
            [b'\\', b'\\', rest @ ..] => {
                key.push(b'\\');
                left = rest;
            }
            [b'\\', b'x', high, low, rest @ ..] => {
                let digit = |d: u8| char::from(d).to_digit(16).map(|d| d as u8);
                let (Some(high), Some(low)) = (digit(*high), digit(*low)) else {
                    return Err(format!("key '{text}': \\x needs two hexadecimal digits"));
                };
                key.push(high << 4 | low);
                left = rest;
            }
            [b'\\', ..] => {
                return Err(format!("key '{text}': write a backslash as \\\\ and a byte as \\xNN"));
            }
            [byte, rest @ ..] => {
                key.push(*byte);
                left = rest;
            }
        }
    }
    match key.len() {
        1..=64 => Ok(key),
        0 => Err("a key must have 1 to 64 bytes; this one is empty".to_owned()),
        len => Err(format!("key '{text}' has {len} bytes; a key must have 1 to 64")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn keys_as_people_see_them() {
        assert_eq!(show(b"radio.channel"), "radio.channel");
        assert_eq!(show("h\u{f6}he \\ \n\u{ff}".as_bytes()), "h\u{f6}he \\\\ \\x0a\u{ff}");
        assert_eq!(show(&[0xFF, b'a', 0]), "\\xffa\\x00");
        assert!(parse("a\\b").unwrap_err().contains("\\xNN"));
        assert!(parse("").unwrap_err().contains("1 to 64"));
        assert!(parse(&"a".repeat(65)).unwrap_err().contains("65 bytes"));
    }

    proptest! {
        #[test]
        fn every_key_comes_back(key in prop::collection::vec(any::<u8>(), 1..=64)) {
            prop_assert_eq!(parse(&show(&key)).unwrap(), key);
        }
    }
}
