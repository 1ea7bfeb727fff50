//! Stores that are only read.
//!
//! Goal: a view shows what the next open would find, and programs and erases nothing, whatever the
//! flash holds. Method: a part that ends the test when it is to be written, random lives with cuts
//! at random steps, and images of other things than a store.

use std::collections::BTreeMap;

use outlast_faultsim::part::{Bias, Chip, Geometry, Image, Level, Nor, Part, PartError};
use outlast_kvstore::embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};
use outlast_kvstore::{Change, Error, Found, Layout, ReadOnly, ReadOnlyError, Store, View};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

type Content = BTreeMap<Vec<u8>, Vec<u8>>;

/// A part with its pin for write protection connected.
#[derive(Debug)]
struct Protected<const UNIT: usize>(Nor<1, UNIT>);

impl<const UNIT: usize> ErrorType for Protected<UNIT> {
    type Error = PartError;
}

impl<const UNIT: usize> ReadNorFlash for Protected<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), PartError> {
        self.0.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl<const UNIT: usize> NorFlash for Protected<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = 512;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), PartError> {
        panic!("erased {from} to {to}");
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), PartError> {
        panic!("programmed {} bytes at {offset}", bytes.len());
    }
}

/// A flash whose type cannot even write.
struct Rom<'a>(&'a [u8]);

impl ErrorType for Rom<'_> {
    type Error = PartError;
}

impl ReadNorFlash for Rom<'_> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), PartError> {
        bytes.copy_from_slice(&self.0[offset as usize..][..bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

const SECTOR: u32 = 1024;

fn layout() -> Layout {
    Layout::serial_nor().with_sector_bytes(SECTOR).with_page_bytes(64)
}

fn part<const UNIT: usize>() -> Part {
    let geometry = Geometry::new(4, SECTOR, UNIT as u32, 64.max(8 * UNIT as u32));
    Part::new(Chip::new(geometry.expect("a valid geometry")))
}

fn view<const UNIT: usize>(part: &Part) -> View<Protected<UNIT>, 16> {
    View::open(Protected(part.nor()), layout()).expect("a view")
}

fn power_up(part: &Part, bias: Bias) {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, bias);
}

/// All that a view shows, through each of its calls.
fn content<const UNIT: usize>(view: &mut View<Protected<UNIT>, 16>) -> Content {
    let mut content = Content::new();
    let end: Option<()> = view
        .for_each_value(&mut [0; 64], |item| {
            content.insert(item.key.to_vec(), item.value.expect("short values").to_vec());
            std::ops::ControlFlow::Continue(())
        })
        .expect("values");
    assert_eq!(end, None);
    for (key, value) in &content {
        assert_eq!(view.get(key, &mut [0; 64]), Ok(Some(&value[..])));
        assert_eq!(view.value_len(key), Ok(Some(value.len())));
        assert_eq!(view.contains(key), Ok(true));
    }
    assert_eq!(view.contains("none"), Ok(false));
    let mut keys = 0;
    view.for_each_key(|key, len| {
        assert_eq!(content[key].len(), len);
        keys += 1;
    })
    .expect("keys");
    assert_eq!((keys, view.usage().keys), (content.len(), content.len()));
    // A cut alone damages nothing.
    let usage = view.usage();
    assert_eq!((usage.damaged_records, usage.doubtful, usage.doubtful_absent), (0, 0, false));
    content
}

/// A random change, of the store and of a copy of what it holds.
fn change<const UNIT: usize>(
    store: &mut Store<Nor<1, UNIT>, 16>,
    content: &mut Content,
    random: &mut ChaCha8Rng,
) -> Result<(), Error<PartError>> {
    let key = |random: &mut ChaCha8Rng| vec![b'a' + random.random_range(0..6_u8)];
    let value = vec![random.random(); random.random_range(0..30_usize)];
    let (first, second) = (key(random), key(random));
    match random.random_range(0..4) {
        0 => {
            content.remove(&first);
            store.delete(&first).map(|_| ())
        }
        1 => {
            content.insert(first.clone(), value.clone());
            content.remove(&second);
            store.commit(&[Change::put(&first, &value), Change::delete(&second)])
        }
        _ => {
            content.insert(first.clone(), value.clone());
            store.put(&first, &value)
        }
    }
}

/// Lives with cuts at random steps, of changes and of opens. After each cut a view shows the state
/// before the change or after it. Once a store was opened, it shows exactly that store's.
fn views_agree_with_stores<const UNIT: usize>(seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let part = part::<UNIT>();
    let mut content = Content::new();
    for _ in 0..30 {
        power_up(&part, Bias::seeded(random.random()));
        let opened: Result<Store<Nor<1, UNIT>, 16>, _> = Store::open(part.nor(), layout());
        let mut store = opened.expect("a store");
        assert_eq!(self::content(&mut view::<UNIT>(&part)), content, "unit {UNIT}, seed {seed}");
        let mut before = content.clone();
        let at = part.chip().step_count() + random.random_range(0..40_u64);
        part.chip_mut().cut_randomly(at, Level::F4, ChaCha8Rng::from_rng(&mut random));
        while change(&mut store, &mut content, &mut random).is_ok() {
            before.clone_from(&content);
        }
        drop(store);
        power_up(&part, Bias::seeded(random.random()));
        let shown = self::content(&mut view::<UNIT>(&part));
        assert!(shown == before || shown == content, "unit {UNIT}, seed {seed}: {shown:?}");
        // The open itself is cut, too.
        let at = random.random_range(0..8_u64);
        part.chip_mut().cut_randomly(at, Level::F4, ChaCha8Rng::from_rng(&mut random));
        drop(Store::<Nor<1, UNIT>, 16>::open(part.nor(), layout()));
        power_up(&part, Bias::seeded(random.random()));
        let shown = self::content(&mut view::<UNIT>(&part));
        assert!(shown == before || shown == content, "unit {UNIT}, seed {seed}: {shown:?}");
        power_up(&part, Bias::seeded(random.random()));
        let mut store: Store<Nor<1, UNIT>, 16> = Store::open(part.nor(), layout()).unwrap();
        let mut now = Content::new();
        for key in before.keys().chain(content.keys()) {
            if let Some(value) = store.get(key, &mut [0; 64]).unwrap() {
                now.insert(key.clone(), value.to_vec());
            }
        }
        assert!(now == before || now == content, "unit {UNIT}, seed {seed}: {now:?}");
        content = now;
    }
    assert_eq!(part.chip().violations(), []);
}

#[test]
fn a_view_shows_what_an_open_would_find_whatever_is_cut() {
    for seed in 0..60 {
        views_agree_with_stores::<1>(seed);
        views_agree_with_stores::<8>(seed);
    }
}

/// Bits that read differently each time are in the record in flight only.
#[test]
fn flickering_bits_cost_only_the_change_in_flight() {
    for seed in 0..300 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let part = part::<1>();
        let mut store: Store<Nor<1, 1>, 16> = Store::open(part.nor(), layout()).unwrap();
        let mut content = Content::new();
        let at = part.chip().step_count() + random.random_range(0..60_u64);
        part.chip_mut().cut_randomly(at, Level::F4, ChaCha8Rng::from_rng(&mut random));
        let mut before = content.clone();
        while change(&mut store, &mut content, &mut random).is_ok() {
            before.clone_from(&content);
        }
        power_up(&part, Bias::flicker(seed));
        let mut view = view::<1>(&part);
        for key in b'a'..b'g' {
            let key = vec![key];
            let (old, new) = (before.get(&key), content.get(&key));
            let mut buffer = [0; 64];
            match view.get(&key, &mut buffer) {
                Ok(value) => {
                    let value = value.map(<[u8]>::to_vec);
                    assert!([old, new].contains(&value.as_ref()), "seed {seed}: {value:?}");
                }
                Err(Error::Corrupt) if old != new => {}
                Err(error) => panic!("seed {seed}: {error:?}"),
            }
        }
    }
}

/// A boot loader looks into the flash that it owns, and hands it to the store afterwards.
#[test]
fn a_view_borrows_the_flash() {
    let part = part::<1>();
    let mut flash = part.nor::<1, 1>();
    let mut store: Store<_, 16> = Store::open(&mut flash, layout()).unwrap();
    store.put("boot.slot", &[1]).unwrap();
    let mut view: View<_, 16> = View::open(&mut flash, layout()).unwrap();
    assert_eq!(view.get("boot.slot", &mut [0; 8]), Ok(Some(&[1][..])));
    let flash = view.into_flash();
    let mut store: Store<_, 16> = Store::open(flash, layout()).unwrap();
    store.put("boot.slot", &[2]).unwrap();
}

/// A flash type without any call to write, which must be told the program unit.
#[test]
fn a_flash_that_can_only_be_read_is_enough() {
    let part = part::<8>();
    let mut store: Store<Nor<1, 8>, 16> = Store::open(part.nor(), layout()).unwrap();
    store.put("boot.slot", &[1]).unwrap();
    let bytes = part.chip().image().bytes().to_vec();
    let mut view: View<_, 16> =
        View::open(ReadOnly::<_, 8>::new(Rom(&bytes)), layout()).expect("a view");
    assert_eq!(view.get("boot.slot", &mut [0; 8]), Ok(Some(&[1][..])));
    assert_eq!(view.into_flash().into_inner().0.len(), bytes.len());
    let other = View::<_, 16>::open(ReadOnly::<_, 1>::new(Rom(&bytes)), layout());
    assert_eq!(other.err(), Some(Error::NotAStore(Found::OtherLayout)));
    // Only a store would write, and it is told.
    let mut flash = ReadOnly::<_, 8>::new(Rom(&bytes));
    assert_eq!(flash.write(0, &[0; 8]), Err(ReadOnlyError::ReadOnly));
    assert_eq!(flash.erase(0, SECTOR), Err(ReadOnlyError::ReadOnly));
    let store = Store::<_, 16>::open(flash, layout());
    assert_eq!(store.err(), Some(Error::Flash(ReadOnlyError::ReadOnly)));
}

/// What is no store is named, and stays as it is.
#[test]
fn a_view_says_what_the_region_holds_instead() {
    let open = |part: &Part| match View::<_, 16>::open(Protected::<1>(part.nor()), layout()) {
        Ok(_) => panic!("a view of no store"),
        Err(error) => error,
    };
    let part = part::<1>();
    assert_eq!(open(&part), Error::NotAStore(Found::Nothing));
    let geometry = part.chip().geometry();
    let foreign = Image::from_bytes(&geometry, &vec![0x5A; 4 * SECTOR as usize]).unwrap();
    part.chip_mut().power_up(&foreign, Bias::ONES);
    assert_eq!(open(&part), Error::NotAStore(Found::ForeignData));
    let mut store: Store<Nor<1, 1>, 16> = Store::format(part.nor(), layout()).unwrap();
    for key in b'a'..b'g' {
        store.put(&[key], &[1]).unwrap();
    }
    let small = View::<_, 5>::open(Protected::<1>(part.nor()), layout());
    assert_eq!(small.err(), Some(Error::IndexFull));
    let other = View::<_, 16>::open(Protected::<1>(part.nor()), layout().with_page_bytes(128));
    assert_eq!(other.err(), Some(Error::NotAStore(Found::OtherLayout)));
}
