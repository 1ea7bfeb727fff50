//! Images as power cuts leave them.

use outlast_faultsim::device::{Bias, Chip, Geometry, Level, Part};
use outlast_faultsim::subject::{Change, Op, Subject as _};
use outlast_faultsim::subjects::outlast::Outlast;
use outlast_faultsim::workload::KeyNames;
use outlast_image::shape::Shape;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

/// The image that a random life leaves: its length, its shape and how many of its power-ups are
/// cut follow from the seed.
pub(crate) fn image(seed: u64) -> (Shape, Vec<u8>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let unit = 1 << rng.random_range(0..6);
    let page: u32 = [64, 128, 256][rng.random_range(0..3_usize)].max(8 * unit);
    let sector_bytes = [512, 512, 1024, 4096, 16384][rng.random_range(0..5_usize)].max(2 * page);
    let sectors = [2, 2, 3, 4, 4, 8][rng.random_range(0..6_usize)];
    let shape = Shape { sectors, sector_bytes, page_bytes: page, unit };
    let geometry = Geometry::new(sectors, sector_bytes, unit, page).expect("a fit geometry");
    let keys = KeyNames::new((0..8).map(|n| format!("k{n}")));
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
        let Ok(mut store) = Outlast.open(&part) else { continue };
        for _ in 0..rng.random_range(0..40) {
            if Outlast.apply(&mut store, &op(&mut rng), &keys).is_err() && part.chip().is_off() {
                break;
            }
        }
    }
    let bytes = part.chip().image().bytes().to_vec();
    (shape, bytes)
}

fn op(rng: &mut ChaCha8Rng) -> Op {
    let key = rng.random_range(0..8);
    let len = if rng.random_bool(0.1) { rng.random_range(0..200) } else { rng.random_range(0..24) };
    let value: Vec<u8> = match rng.random_range(0..8) {
        0 => vec![0; len],
        1 => vec![0xFF; len],
        _ => (0..len).map(|_| rng.random()).collect(),
    };
    match rng.random_range(0..20) {
        0..11 => Op::Put { key, value },
        11..14 => Op::Delete { key },
        14..18 => Op::Batch(vec![
            Change::Put { key, value },
            Change::Delete { key: (key + 1) % 8 },
            Change::Put { key: (key + 2) % 8, value: vec![7; 5] },
        ]),
        18 => Op::Tidy,
        _ if rng.random_bool(0.3) => Op::Clear,
        _ => Op::Delete { key },
    }
}
