//! A store grows in the field: from four sectors to eight sectors elsewhere on the chip, by an
//! update of the firmware. The power is cut at every program and erase of the move, and after each
//! cut all settings are there.
//!
//! `cargo run --release --example grow`

use embedded_storage::nor_flash::NorFlash;
use outlast_faultsim::part::{Bias, Chip, Geometry, Image, Level, Nor, Part, PartError};
use outlast_kvstore::{Error, Found, Layout, Store, View};
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

type Flash = Nor<1, 1>;
type Settings = Store<Flash, 64>;
type Failure = Error<PartError>;

/// The range of the first firmware.
const OLD: core::ops::Range<u32> = 0..4 * 4096;
/// The range of the update, which does not overlap it.
const NEW: core::ops::Range<u32> = 4 * 4096..12 * 4096;
/// The key that makes the new range count.
const MARKER: &str = "moved";

fn layout(range: core::ops::Range<u32>) -> Layout {
    Layout::serial_nor().with_range(range)
}

/// What the updated firmware does at each boot: finds the store that counts, and moves it if it is
/// still the old one. On a board with one chip, `part.nor()` is a handle to a driver that both
/// stores share, such as a `&RefCell` in a type that implements the flash traits.
fn boot(part: &Part) -> Result<Settings, Failure> {
    if let Some(store) = moved(part)? {
        retire(part)?;
        return Ok(store);
    }
    match View::<Flash, 64>::open(part.nor(), layout(OLD)) {
        Ok(_) => {}
        // A new device: the new range is the only one.
        Err(Error::NotAStore(Found::Nothing | Found::ForeignData)) => {
            let mut new = open_or_format(part)?;
            new.put(MARKER, &[])?;
            return Ok(new);
        }
        Err(error) => return Err(error),
    }
    let mut old: Settings = Store::open(part.nor(), layout(OLD))?;
    let mut new: Settings = Store::format(part.nor(), layout(NEW))?;
    match old.copy_to(&mut new, MARKER, &mut [0; 256]) {
        Ok(_) => Ok(new),
        // A device that cannot move goes on with what it has. The next boot tries again.
        Err(_) => Ok(old),
    }
}

/// The new store, if it counts. A view looks first, since it writes nothing into a copy that was
/// not finished; but only a store that was opened can say for good that the marker is there.
fn moved(part: &Part) -> Result<Option<Settings>, Failure> {
    let mut view: View<Flash, 64> = match View::open(part.nor(), layout(NEW)) {
        Ok(view) => view,
        // Anything else, such as a store of newer firmware, is a reason to stop.
        Err(Error::NotAStore(Found::Nothing | Found::ForeignData)) => return Ok(None),
        Err(error) => return Err(error),
    };
    if !view.contains(MARKER)? {
        return Ok(None);
    }
    let mut store: Settings = Store::open(part.nor(), layout(NEW))?;
    Ok(if store.contains(MARKER)? { Some(store) } else { None })
}

/// Erases the old range once it does not count any more, so that no factory reset brings it back.
fn retire(part: &Part) -> Result<(), Failure> {
    match View::<Flash, 64>::open(part.nor(), layout(OLD)) {
        Err(Error::NotAStore(Found::Nothing)) => Ok(()),
        _ => part.nor::<1, 1>().erase(OLD.start, OLD.end).map_err(Error::Flash),
    }
}

fn open_or_format(part: &Part) -> Result<Settings, Failure> {
    match Store::open(part.nor(), layout(NEW)) {
        Err(Error::NotAStore(Found::ForeignData)) => Store::format(part.nor(), layout(NEW)),
        opened => opened,
    }
}

/// Key and value of each setting of the device.
fn settings() -> impl Iterator<Item = (String, Vec<u8>)> {
    (0..40_u8).map(|number| (format!("setting.{number}"), vec![number; usize::from(number) * 5]))
}

/// Checks that all settings are there. Returns whether the store is the new one.
fn check(store: &mut Settings) -> Result<bool, Failure> {
    for (key, value) in settings() {
        let mut buffer = [0; 256];
        assert_eq!(store.get(&key, &mut buffer)?, Some(&value[..]), "{key}");
    }
    let is_new = store.contains(MARKER)?;
    assert_eq!(store.usage().keys, settings().count() + usize::from(is_new));
    Ok(is_new)
}

fn power_up(part: &Part, image: &Image, seed: u64) {
    part.chip_mut().power_up(image, Bias::seeded(seed));
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let part = Part::new(Chip::new(Geometry::new(12, 4096, 1, 256)?));
    // The first firmware.
    let mut store: Settings = Store::open(part.nor(), layout(OLD))?;
    for (key, value) in settings() {
        store.put(&key, &value)?;
    }
    println!("the old store: {} bytes free", store.usage().free_bytes);
    drop(store);
    let before = part.chip().image().clone();

    // The update moves the store at its first boot, without a cut.
    power_up(&part, &before, 0);
    let mut store = boot(&part)?;
    assert!(check(&mut store)?);
    println!("the new store: {} bytes free", store.usage().free_bytes);
    drop(store);

    // The same with a cut at each operation, and one at some operation of the boot after it.
    let (mut cuts, mut in_new) = (0, 0);
    for at in 0.. {
        power_up(&part, &before, at);
        part.chip_mut().cut_randomly(at, Level::F4, ChaCha8Rng::seed_from_u64(at));
        // The boot after the move erases the old range.
        if boot(&part).is_ok() && boot(&part).is_ok() {
            break;
        }
        let image = part.chip().image().clone();
        for again in [u64::MAX, 0, 1, 2, 5, 10, 20, 40, 60] {
            power_up(&part, &image, at + again % 100);
            let random = ChaCha8Rng::seed_from_u64(at * 100 + again % 100);
            part.chip_mut().cut_randomly(again, Level::F4, random);
            drop(boot(&part));
            let image = part.chip().image().clone();
            power_up(&part, &image, at);
            if let Some(mut store) = moved(&part)? {
                check(&mut store)?;
                in_new += 1;
            }
            let mut store = boot(&part)?;
            assert!(check(&mut store)?);
            cuts += 1;
        }
    }
    assert_eq!(part.chip().violations(), []);
    println!("{cuts} cuts, after {in_new} of them the move was done: no setting was ever missing");
    Ok(())
}
