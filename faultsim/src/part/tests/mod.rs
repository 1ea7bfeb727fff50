//! Tests of the part model as a whole, with random steps and images that they share.
//!
//! `running` tests what a store sees of a running part, `once` what it does about second programs,
//! `tears` which outcomes of a cut are reached, and `twin` that the fast and the slow model agree.

mod bad;
mod once;
mod running;
mod tears;
mod twin;

use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};

use super::tears::draw::below;
use super::{Geometry, Image, Level, Step, Tear};

fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

fn geometry(sectors: u32, sector_bytes: u32, unit: u32, page: u32) -> Geometry {
    Geometry::new(sectors, sector_bytes, unit, page).expect("sizes fit")
}

/// Data with many zeros and ones: half of the bytes are 0, 0xFF or 0x80.
fn data(len: usize, rng: &mut ChaCha8Rng) -> Vec<u8> {
    (0..len)
        .map(|_| match below(rng, 6) {
            0 => 0,
            1 => 0xFF,
            2 => 0x80,
            _ => rng.next_u32() as u8,
        })
        .collect()
}

/// A random step within one page or sector, aligned to units.
fn step(g: &Geometry, rng: &mut ChaCha8Rng) -> Step {
    if below(rng, 5) == 0 {
        return Step::Erase { sector: below(rng, g.sectors) };
    }
    let units = g.page / g.unit;
    let start = below(rng, units);
    let len = (1 + below(rng, units - start)) * g.unit;
    let at = below(rng, g.bytes() / g.page) * g.page + start * g.unit;
    Step::Program { at, data: data(len as usize, rng) }
}

/// A part that was used before: some steps complete, some torn.
fn used(g: &Geometry, rng: &mut ChaCha8Rng) -> Image {
    let mut image = Image::blank(g);
    for _ in 0..below(rng, 6) {
        let step = step(g, rng);
        if below(rng, 3) == 0 {
            let tear = Tear::draw(g, Level::F4, &image, &step, rng);
            image.apply_torn(g, &step, &tear);
        } else {
            image.apply(g, &step);
        }
    }
    image
}
