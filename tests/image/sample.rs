//! Images as power cuts leave them.

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, MultiNor, Part, PartError};
use outlast_image::shape::Shape;
use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Change, Error, Layout, Store};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

/// The image that a random life leaves. Its length, its shape and the number of its cuts follow
/// from the seed.
pub(crate) fn image(seed: u64) -> (Shape, Vec<u8>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let unit = 1 << rng.random_range(0..6);
    let page: u32 = [64, 128, 256][rng.random_range(0..3_usize)].max(8 * unit);
    let sector_bytes = [512, 512, 1024, 4096, 16384][rng.random_range(0..5_usize)].max(4 * page);
    let sectors = [2, 2, 3, 4, 4, 8][rng.random_range(0..6_usize)];
    let shape = Shape { sectors, sector_bytes, page_bytes: page, unit };
    let geometry = Geometry::new(sectors, sector_bytes, unit, page).expect("a valid geometry");
    let part = Part::new(Chip::new(geometry));
    let level = [Level::F0, Level::F1, Level::F2, Level::F4][rng.random_range(0..4_usize)];
    for _ in 0..rng.random_range(1..12) {
        let image = part.chip().image().clone();
        part.chip_mut().power_up(&image, Bias::stored());
        if rng.random_bool(0.7) {
            let most = if rng.random_bool(0.3) { 8 } else { 60 };
            let step = rng.random_range(0..most);
            let tears = ChaCha8Rng::seed_from_u64(rng.random());
            part.chip_mut().cut_randomly(step, level, tears);
        }
        // Whether the part can be programmed bit by bit, for ticks of one bit.
        let bits = rng.random_bool(0.5);
        match (unit, bits) {
            (1, false) => power_up(&part, part.nor::<1, 1>(), Store::tick::<str>, &mut rng),
            (1, true) => power_up(&part, part.multi_nor::<1, 1>(), tick_either, &mut rng),
            (2, _) => power_up(&part, part.nor::<1, 2>(), Store::tick::<str>, &mut rng),
            (4, false) => power_up(&part, part.nor::<4, 4>(), Store::tick::<str>, &mut rng),
            (4, true) => power_up(&part, part.multi_nor::<4, 4>(), tick_either, &mut rng),
            (8, _) => power_up(&part, part.nor::<8, 8>(), Store::tick::<str>, &mut rng),
            (16, _) => power_up(&part, part.nor::<4, 16>(), Store::tick::<str>, &mut rng),
            _ => power_up(&part, part.nor::<8, 32>(), Store::tick::<str>, &mut rng),
        }
    }
    let bytes = part.chip().image().bytes().to_vec();
    (shape, bytes)
}

type Done<T = ()> = Result<T, Error<PartError>>;
type Tick<F> = fn(&mut Store<F, 64>, &str) -> Done<u64>;

/// Ticks a bit or half a unit.
fn tick_either<const READ: usize, const UNIT: usize>(
    store: &mut Store<MultiNor<READ, UNIT>, 64>,
    key: &str,
) -> Done<u64> {
    if store.count(key)? % 50 < 35 { store.tick_bit(key) } else { store.tick(key) }
}

/// One power cycle: some operations, or fewer if a cut ends it.
fn power_up<F: NorFlash<Error = PartError>>(
    part: &Part,
    flash: F,
    tick: Tick<F>,
    rng: &mut ChaCha8Rng,
) {
    let Geometry { sector_bytes, page, .. } = part.chip().geometry();
    let layout = Layout::serial_nor().with_sector_bytes(sector_bytes).with_page_bytes(page);
    let Ok(mut store) = Store::open(flash, layout) else { return };
    for _ in 0..rng.random_range(0..40) {
        if operate(&mut store, tick, rng).is_err() && part.chip().is_off() {
            break;
        }
    }
}

fn operate<F: NorFlash<Error = PartError>>(
    store: &mut Store<F, 64>,
    tick: Tick<F>,
    rng: &mut ChaCha8Rng,
) -> Done {
    let names = ["k0", "k1", "k2", "k3", "k4", "k5", "k6", "k7"];
    let counter = ["boots", "energy.wh"][rng.random_range(0..2_usize)];
    let key = rng.random_range(0..names.len());
    let len = if rng.random_bool(0.1) { rng.random_range(0..200) } else { rng.random_range(0..24) };
    let value: Vec<u8> = match rng.random_range(0..8) {
        0 => vec![0; len],
        1 => vec![0xFF; len],
        _ => (0..len).map(|_| rng.random()).collect(),
    };
    let name = |n: usize| names[n % names.len()];
    match rng.random_range(0..26) {
        0..11 => store.put(name(key), &value),
        11..14 => store.delete(name(key)).map(|_| ()),
        14..18 => store.commit(&[
            Change::put(name(key), &value),
            Change::delete(name(key + 1)),
            Change::put(name(key + 2), &[7; 5]),
            Change::put(counter, &rng.random::<u64>().to_le_bytes()),
        ]),
        18 => store.tidy(),
        19 if rng.random_bool(0.3) => store.clear(),
        19 => store.delete(counter).map(|_| ()),
        _ => {
            let most = if rng.random_bool(0.2) { 300 } else { 12 };
            (0..rng.random_range(1..most)).try_for_each(|_| tick(store, counter).map(|_| ()))
        }
    }
}
