//! The value of one setting as JSON, and back.

use core::convert::Infallible;
use std::string::String;
use std::vec::Vec;

use super::error::Why;
use super::setting::{Setting, Value};

/// A stored value, or the default, as JSON that decodes to the same value.
pub(super) fn encode<T: Value, const BYTES: usize>(
    setting: &Setting<T, BYTES>,
    stored: Option<&[u8]>,
) -> Result<String, Why<Infallible>> {
    let value = match stored {
        Some(bytes) => setting.decode(bytes)?,
        None => setting.default_value(),
    };
    let text = serde_json::to_string(&value).map_err(|_| Why::Unreadable)?;
    if let Some(bytes) = stored {
        let back = serde_json::from_str(&text).map_err(|_| Why::Unreadable)?;
        if decode(setting, back)? != bytes {
            return Err(Why::Unreadable);
        }
    }
    Ok(text)
}

/// The bytes to store for a value in JSON.
pub(super) fn decode<T: Value, const BYTES: usize>(
    setting: &Setting<T, BYTES>,
    value: serde_json::Value,
) -> Result<Vec<u8>, Why<Infallible>> {
    let value: T = serde_json::from_value(value).map_err(|_| Why::Unreadable)?;
    let mut buffer = [0; BYTES];
    setting.encode(&value, &mut buffer).map(<[u8]>::to_vec)
}
