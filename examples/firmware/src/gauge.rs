//! The job of the device, an invented tide gauge, and the settings it loads at the start.

use core::fmt::Write;
use core::str::{self, FromStr};

use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Error, Store};

use crate::console::LINE;

/// Reads a setting. Returns the default if it is missing or is not a `T`.
fn load<F: NorFlash, const N: usize, T: FromStr>(
    store: &mut Store<F, N>,
    key: &str,
    default: T,
) -> Result<T, Error<F::Error>> {
    let mut buffer = [0; LINE];
    let value = match store.get(key, &mut buffer) {
        // A value that is too long is not a number, and a damaged one is lost.
        Err(Error::BufferTooSmall { .. } | Error::Corrupt) => None,
        found => found?,
    };
    let text = value.and_then(|value| str::from_utf8(value).ok());
    Ok(text.and_then(|text| text.parse().ok()).unwrap_or(default))
}

/// Loads the settings and prints what the gauge will do.
///
/// # Errors
/// Those of [`Store::get`], except for values that are missing or damaged.
pub fn start<F: NorFlash, const N: usize>(
    store: &mut Store<F, N>,
    out: &mut impl Write,
) -> Result<(), Error<F::Error>> {
    let datum: i32 = load(store, "gauge.datum", 0)?;
    let every: u16 = load(store, "gauge.every", 60)?;
    let alarm: i32 = load(store, "alarm.high", i32::MAX)?;
    let _ = write!(out, "gauge: datum {datum} mm, a sample every {every} s, ");
    let _ = match alarm {
        i32::MAX => writeln!(out, "no alarm"),
        _ => writeln!(out, "alarm above {alarm} mm"),
    };
    Ok(())
}
