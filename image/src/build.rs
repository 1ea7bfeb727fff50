//! Makes an image by running the real store on blank flash in memory.

use std::collections::BTreeMap;
use std::fmt;

use outlast_kvstore::{Error, Usage};

use crate::names;
use crate::shape::Shape;
use crate::store::{KEYS, Mounted, StoreError};

/// Why an image cannot be built.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// The store does not accept the layout; the text says why.
    Layout(String),
    /// A setting cannot be stored.
    Setting {
        /// Its key as text.
        key: String,
        /// Why.
        why: StoreError,
    },
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Layout(why) => f.write_str(why),
            Self::Setting { key, why: Error::Full } => {
                write!(f, "'{key}' does not fit: the image is full; give it more sectors")
            }
            Self::Setting { key, why: Error::TooLarge } => {
                write!(f, "'{key}' does not fit into one sector; give it larger sectors")
            }
            Self::Setting { why: Error::IndexFull, .. } => {
                write!(f, "an image cannot have more than {KEYS} settings")
            }
            Self::Setting { key, why } => write!(f, "'{key}': {why}"),
        }
    }
}

/// A region that a device can mount. The same settings and shape always make the same bytes.
///
/// # Errors
/// [`Refused`].
pub fn image(
    settings: &BTreeMap<Vec<u8>, Vec<u8>>,
    shape: &Shape,
) -> Result<(Vec<u8>, Usage), Refused> {
    let len = check(shape).map_err(Refused::Layout)?;
    let opened = Mounted::open(vec![0xFF; len], shape);
    let mut store = opened.map_err(|error| Refused::Layout(error.to_string()))?;
    for (key, value) in settings {
        let refused = |why| Refused::Setting { key: names::show(key), why };
        store.put(key, value).map_err(refused)?;
    }
    // The first power-up of the device then programs nothing.
    store.rest().map_err(|error| Refused::Layout(error.to_string()))?;
    let usage = store.usage();
    Ok((store.into_parts().0, usage))
}

/// The length of a region with a shape that is possible. The store itself checks the finer rules.
///
/// # Errors
/// Which rule the shape breaks.
pub fn check(shape: &Shape) -> Result<usize, String> {
    if !(2..=4096).contains(&shape.sectors) {
        return Err(format!("{} sectors: a store has 2 to 4096", shape.sectors));
    }
    if !(512..=128 * 1024).contains(&shape.sector_bytes) {
        let bytes = shape.sector_bytes;
        return Err(format!("sectors of {bytes} bytes: a sector has 512 bytes to 128 KiB"));
    }
    usize::try_from(shape.bytes()).map_err(|_| "the region is too large".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(n: usize, value: &[u8]) -> BTreeMap<Vec<u8>, Vec<u8>> {
        (0..n).map(|n| (format!("key.{n}").into_bytes(), value.to_vec())).collect()
    }

    #[test]
    fn images_are_the_same_each_time_and_hold_their_settings() {
        for unit in [1, 2, 4, 8, 16, 32] {
            let shape = Shape { unit, page_bytes: 256, sector_bytes: 4096, sectors: 4 };
            let wanted = settings(40, b"value");
            let (bytes, usage) = image(&wanted, &shape).unwrap();
            assert_eq!(image(&wanted, &shape).unwrap().0, bytes);
            assert_eq!((bytes.len(), usage.keys), (4 * 4096, 40));
            let mut store = Mounted::open(bytes, &shape).unwrap();
            assert_eq!(store.keys().unwrap(), wanted.keys().cloned().collect::<Vec<_>>());
            for key in wanted.keys() {
                assert_eq!(store.get(key).unwrap().as_deref(), Some(&b"value"[..]));
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_said() {
        let shape = Shape::SERIAL_NOR;
        let why = |settings, shape| image(&settings, &shape).unwrap_err().to_string();
        assert!(why(settings(400, &[0; 100]), shape).contains("is full; give it more sectors"));
        assert!(why(settings(1, &[0; 5000]), shape).contains("give it larger sectors"));
        assert!(why(settings(1, &[0]), Shape { sectors: 1, ..shape }).contains("2 to 4096"));
        assert!(why(settings(1, &[0]), Shape { unit: 3, ..shape }).contains("program unit"));
        assert!(
            why(settings(1, &[0]), Shape { sector_bytes: 5000, ..shape }).contains("power of two")
        );
        assert!(why(settings(1, &[0]), Shape { page_bytes: 4096, ..shape }).contains("pages"));
    }
}
