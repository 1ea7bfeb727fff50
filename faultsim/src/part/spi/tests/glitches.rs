//! Store and driver together on a bus and with a supply that fail for a moment.
//!
//! Goal: no acknowledged value is lost or replaced by an older one, whichever single command gets
//! lost or garbled, and whenever the chip gets protected or loses its supply alone; and nothing is
//! programmed or erased elsewhere. Method: one history of puts is run again and again, with one
//! disturbance at each position in turn; all values are compared after each put, and after a
//! restart.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::rc::Rc;

use outlast_kvstore::embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};
use outlast_kvstore::{Layout, Store, View};
use outlast_serialnor::{Error, Options, SerialNor};
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use crate::part::spi::glitch::{Disturbance, Glitch, Glitched, Target};
use crate::part::spi::{BusError, Pause, Profile, SpiChip};
use crate::part::{Bias, BusCut, Chip, CutTear, Geometry, Level, Part};

/// A driver whose errors are counted.
struct Flash {
    driver: SerialNor<Glitched<SpiChip>, Pause, 4096>,
    errors: Rc<Cell<u64>>,
}

impl Flash {
    fn note<T>(&self, result: Result<T, Error<BusError>>) -> Result<T, Error<BusError>> {
        self.errors.set(self.errors.get() + u64::from(result.is_err()));
        result
    }
}

impl ErrorType for Flash {
    type Error = Error<BusError>;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.driver.read(at, bytes)
    }

    fn capacity(&self) -> usize {
        self.driver.capacity()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        let result = self.driver.erase(from, to);
        self.note(result)
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let result = self.driver.write(at, bytes);
        self.note(result)
    }
}

/// What the driver did: how many programs and erases it sent, and how many calls it failed.
#[derive(Clone, Default)]
struct Done {
    writes: Rc<Cell<u64>>,
    errors: Rc<Cell<u64>>,
}

type Settings = Store<Flash, 16>;

const PUTS: u32 = 60;
const KEYS: [&str; 8] = ["a", "b", "c", "d", "e", "f", "g", "h"];

fn geometry() -> Geometry {
    Geometry::new(4, 4096, 1, 256).unwrap()
}

fn value(number: u32) -> [u8; 150] {
    std::array::from_fn(|at| (number * 31 + at as u32) as u8)
}

/// A chip, the options of the driver, and what happens.
struct Bench {
    part: Part,
    profile: Profile,
    options: Options,
    /// What each key must read as, or may: the value of a put that failed may be there or not.
    wanted: BTreeMap<&'static str, Vec<Option<u32>>>,
    errors: u32,
}

impl Bench {
    fn new(profile: Profile, options: Options) -> Self {
        let part = Part::new(Chip::new(geometry()));
        let wanted = KEYS.map(|key| (key, vec![None])).into();
        Self { part, profile, options, wanted, errors: 0 }
    }

    fn flash(&self, glitch: Option<Glitch>) -> (Flash, Done) {
        let spi = SpiChip::new(&self.part, self.profile.clone());
        let pause = spi.pause();
        let spi = Glitched::new(spi, glitch);
        let done = Done { writes: spi.writes(), ..Done::default() };
        let driver = SerialNor::new(spi, pause, self.options).unwrap();
        (Flash { driver, errors: Rc::clone(&done.errors) }, done)
    }

    fn layout(&self) -> Layout {
        let base = self.profile.base();
        Layout::serial_nor().with_range(base..base + geometry().bytes())
    }

    fn open(&self, flash: Flash) -> Settings {
        Store::open(flash, self.layout()).unwrap()
    }

    /// One put, and the comparison of all values after it. `None` after an error; then the values
    /// are read without writing.
    fn put(&mut self, mut store: Settings, number: u32) -> Option<Settings> {
        let key = KEYS[number as usize * 5 % KEYS.len()];
        if store.put(key, &value(number)).is_ok() {
            self.wanted.insert(key, vec![Some(number)]);
            self.compare(|key, out| store.get(key, out).unwrap().map(<[u8]>::len));
            return Some(store);
        }
        self.errors += 1;
        self.wanted.get_mut(key).unwrap().push(Some(number));
        let mut view = View::<_, 16>::open(store.into_flash(), self.layout()).unwrap();
        self.compare(|key, out| view.get(key, out).unwrap().map(<[u8]>::len));
        None
    }

    fn compare(&mut self, mut get: impl FnMut(&str, &mut [u8]) -> Option<usize>) {
        for (key, wanted) in &mut self.wanted {
            let mut buffer = [0; 150];
            let found = get(key, &mut buffer).map(|len| &buffer[..len]);
            let is_found =
                |number: &Option<u32>| found == number.map(value).as_ref().map(|it| &it[..]);
            let is_right = wanted.iter().any(is_found);
            assert!(is_right, "{key}: {found:02x?} instead of {wanted:?}");
            wanted.retain(is_found);
        }
    }

    /// The history, and a restart. Returns what the driver did in the history.
    fn run(&mut self, glitch: Option<Glitch>, mut before: impl FnMut(&Part, u32)) -> Done {
        let (flash, done) = self.flash(glitch);
        let mut store = Some(self.open(flash));
        for number in 0..PUTS {
            before(&self.part, number);
            let opened = store.take().unwrap_or_else(|| self.open(self.flash(None).0));
            store = self.put(opened, number);
        }
        drop(store);
        let image = self.part.chip().image().clone();
        self.part.chip_mut().power_up(&image, Bias::stored());
        let mut store = self.open(self.flash(None).0);
        self.compare(|key, out| store.get(key, out).unwrap().map(<[u8]>::len));
        for number in PUTS..PUTS + 9 {
            store = self.put(store, number).unwrap();
        }
        assert_eq!(self.part.chip().volatile().strays, 0);
        assert!(self.part.chip().violations().is_empty());
        done
    }
}

fn profiles() -> [Profile; 4] {
    let large = Profile::mx66l1g45g(&geometry());
    let mode = Profile::invented(&geometry()).with_address_mode();
    let latched_mode = Profile::invented(&geometry()).with_latched_address_mode();
    [large.clone(), large.with_other_refusals(), mode, latched_mode]
}

fn options() -> [Options; 2] {
    [Options::new(), Options::new().with_verify(false)]
}

#[test]
fn one_program_or_erase_is_lost_or_garbled() {
    for profile in profiles() {
        for options in options() {
            let run = |glitch| {
                let done = Bench::new(profile.clone(), options).run(glitch, |_, _| ());
                (done.writes.get(), done.errors.get())
            };
            let (clean, errors) = run(None);
            assert_eq!(errors, 0);
            assert!(clean > 70, "{clean}");
            let mut garbled = 0;
            for number in 0..clean {
                for disturbance in [Disturbance::Lost, Disturbance::WrongBit(number as usize * 11)]
                {
                    let glitch = Glitch { target: Target::Write, number, disturbance };
                    let (_, errors) = run(Some(glitch));
                    // The call of the driver that was hit says so.
                    assert!(errors == 1 || disturbance != Disturbance::Lost, "{glitch:?}");
                    garbled += if disturbance == Disturbance::Lost { 0 } else { errors };
                }
            }
            // Erases have no data. If the driver does not verify, the store does.
            let verifies = options == Options::new();
            assert!(if verifies { garbled > clean / 2 } else { garbled == 0 }, "{garbled}");
        }
    }
}

#[test]
fn one_status_read_or_one_reading_of_the_tables_is_wrong() {
    let profile = Profile::mx66l1g45g(&geometry());
    for target in [Target::Status, Target::Tables] {
        for number in 0..if target == Target::Status { 300 } else { 8 } {
            for bit in if target == Target::Status { 0..3 } else { 0..128 } {
                let disturbance = Disturbance::WrongBit(bit);
                let glitch = Glitch { target, number, disturbance };
                let mut bench = Bench::new(profile.clone(), Options::new());
                bench.run(Some(glitch), |_, _| ());
            }
        }
    }
}

#[test]
fn one_mode_command_is_lost() {
    for profile in [
        Profile::invented(&geometry()).with_address_mode(),
        Profile::invented(&geometry()).with_latched_address_mode(),
    ] {
        for number in 0..90 {
            let glitch =
                Glitch { target: Target::AddressMode, number, disturbance: Disturbance::Lost };
            let mut bench = Bench::new(profile.clone(), Options::new());
            bench.run(Some(glitch), |_, _| ());
            assert_eq!(bench.errors, 0, "{number}");
            // The chip falls back to three address bytes before each put.
            let mut bench = Bench::new(profile.clone(), Options::new());
            bench.run(None, |part, put| {
                part.chip_mut().volatile_mut().four_byte &= u64::from(put) % 9 != number % 9;
            });
        }
    }
}

#[test]
fn the_chip_gets_protected() {
    for profile in profiles() {
        // Bits 2 to 4 are looked at by default. Bit 5 is not, and neither is bit 6.
        for bits in [0x04, 0x20, 0x40] {
            for (at, options) in
                [0, 1, 7, 33].into_iter().flat_map(|at| options().map(|it| (at, it)))
            {
                let mut bench = Bench::new(profile.clone(), options);
                bench.run(None, |part, put| {
                    let is_protected = put == at;
                    part.chip_mut().volatile_mut().protection =
                        Some(if is_protected { bits } else { 0 });
                });
                assert_eq!(bench.errors, 1, "{bits:#x} {at}");
            }
        }
    }
}

#[test]
fn the_supply_of_the_chip_alone_fails_at_any_moment() {
    for profile in profiles() {
        // From the start of the driver on.
        let first = {
            let bench = Bench::new(profile.clone(), Options::new());
            drop(bench.flash(None));
            bench.part.chip().bus_moments()
        };
        for moment in (0..3_000).step_by(5) {
            let mut bench = Bench::new(profile.clone(), options()[moment as usize / 5 % 2]);
            let rng = Box::new(ChaCha8Rng::seed_from_u64(moment));
            let dip = BusCut::Dip(CutTear::Drawn { level: Level::F2, rng });
            bench.part.chip_mut().cut_on_bus(first + moment, dip);
            bench.run(None, |_, _| ());
        }
    }
}
