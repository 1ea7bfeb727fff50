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
    let defaults = Settings::DEFAULT;
    let settings = Settings {
        datum: load(store, "gauge.datum", defaults.datum)?,
        every: load(store, "gauge.every", defaults.every)?,
        alarm: load(store, "alarm.high", defaults.alarm)?,
    };
    settings.print(out);
    Ok(())
}

/// Prints what the gauge will do without a flash chip.
pub fn start_on_defaults(out: &mut impl Write) {
    Settings::DEFAULT.print(out);
}

/// What the gauge needs to know.
struct Settings {
    /// Height of the zero of the gauge, in millimetres.
    datum: i32,
    /// Seconds between two samples.
    every: u16,
    /// Level above which there is an alarm, in millimetres; the largest number for none.
    alarm: i32,
}

impl Settings {
    const DEFAULT: Self = Self { datum: 0, every: 60, alarm: i32::MAX };

    fn print(&self, out: &mut impl Write) {
        let Self { datum, every, alarm } = self;
        let _ = write!(out, "gauge: datum {datum} mm, a sample every {every} s, ");
        let _ = match *alarm {
            i32::MAX => writeln!(out, "no alarm"),
            alarm => writeln!(out, "alarm above {alarm} mm"),
        };
    }
}
