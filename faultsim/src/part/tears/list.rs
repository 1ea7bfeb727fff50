//! Which tears to try: the systematic list, and the random draw.
//!
//! After an interrupted program every subset of the bits to clear is possible, which is too many to
//! try. Recovery code usually asks of a contiguous field only whether it is complete, blank or
//! neither. For such code, four linear families and their mirror images reach every pair of answers
//! for every pair of fields: an ascending prefix (complete, blank), a descending one (blank,
//! complete), one bit missing (complete, neither), and one bit done (neither, blank). The
//! alternating patterns give (neither, neither).

use rand::Rng;

use super::collect::{Collect, Tears, Work};
use super::draw::below;
use super::tear::{Kind, Tear};
use super::{collateral, erase, program};
use crate::part::cells::{Image, Step};
use crate::part::geometry::{Geometry, Level};
use crate::part::marginal::marginal_within;

impl Tear {
    /// All tears to try systematically for this step on this image, simplest first, without tears
    /// of equal effect. Number 0 is [`Tear::NOTHING`], number 1 [`Tear::EVERYTHING`].
    ///
    /// For a program with n bits to clear there are about 4 n + 60, at F4 up to 4 n + 180; for an
    /// erase up to about 400. With `thin` above 1 the list has the representatives of each class
    /// and about 1 in `thin` of the others.
    pub fn list(g: &Geometry, level: Level, image: &Image, step: &Step, thin: u32) -> Vec<Self> {
        Tears::list(g, level, image, step, thin).list.into_iter().map(|(tear, _)| tear).collect()
    }

    /// One tear drawn at random, for long random runs. Severe tears are more likely than their
    /// share of the list.
    pub fn draw(
        g: &Geometry,
        level: Level,
        image: &Image,
        step: &Step,
        rng: &mut impl Rng,
    ) -> Self {
        let level = level.of_tears();
        match below(rng, 16) {
            0 => return Self::NOTHING,
            1 => return Self::EVERYTHING,
            _ if level == Level::F0 => {
                return if below(rng, 2) == 0 { Self::NOTHING } else { Self::EVERYTHING };
            }
            _ => {}
        }
        let torn = with_work(g, level, image, step, |work, data| match data {
            Some(data) => program::draw(work, data, rng),
            None => Self(Kind::Erase(erase::draw(work, rng))),
        });
        match step {
            Step::Program { at, data } if level >= Level::F5 => {
                collateral::draw(g, image, *at, data, torn, rng)
            }
            _ => torn,
        }
    }
}

impl Tears {
    /// See [`Tear::list`].
    pub(crate) fn list(g: &Geometry, level: Level, image: &Image, step: &Step, thin: u32) -> Self {
        let mut tears = Self::whole();
        if level == Level::F0 || !image.response(g, step).is_whole() {
            return tears;
        }
        let level = level.of_tears();
        with_work(g, level, image, step, |work, data| {
            let mut collect = Collect::new(work, data, thin, &mut tears);
            match data {
                Some(data) => program::list(work, data, &mut collect),
                None => erase::list(work, &mut collect),
            }
        });
        if level >= Level::F5
            && let Step::Program { at, data } = step
        {
            collateral::list(g, image, *at, data, thin, &mut tears.list);
        }
        tears
    }
}

/// Calls `make` with the cells of the step, and with the data if it is a program.
fn with_work<T>(
    g: &Geometry,
    level: Level,
    image: &Image,
    step: &Step,
    make: impl FnOnce(&Work<'_>, Option<&[u8]>) -> T,
) -> T {
    let (cells, data) = match step {
        Step::Program { at, data } => {
            let (from, data) = image.clip(*at, data);
            (from..from + data.len(), Some(data))
        }
        Step::Erase { sector } => (image.sector_cells(g, *sector), None),
    };
    let marginal = &image.marginal()[marginal_within(image.marginal(), cells.start, cells.end)];
    let base = cells.start;
    make(&Work { cells: &image.bytes()[cells], base, marginal, geometry: g, level }, data)
}
