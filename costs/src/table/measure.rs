//! Runs the benchmark.

use rayon::prelude::*;

use super::config::Bench;
use super::job::Job;
use super::row::{Results, Row, compare};
use crate::format::FormatFigures;
use crate::growth::{self, Point, Shape};
use crate::run::run;

impl Bench {
    /// Measures everything. `tick` gets the share of the work, 0 to 1, that was done since its
    /// last call.
    ///
    /// # Errors
    /// If the store refuses sizes or fails, in words.
    pub fn run(&self, tick: &(dyn Fn(f64) + Sync)) -> Result<Results, String> {
        let format = self.format(&self.geometry, self.value_bytes)?;
        let jobs = self.theory_jobs(&format)?;
        let compared = self.comparison_jobs()?;
        let growth = Growth::new(self)?;
        let weights = jobs.iter().chain(&compared).map(Job::weight).sum::<f64>() + growth.weight();
        let advance = |updates: f64| tick(updates / weights);
        let (rows, points) = rayon::join(
            || -> Vec<Row> {
                jobs.par_iter().chain(&compared).rev().map(|job| row(job, &advance)).collect()
            },
            || growth.measure(&advance),
        );
        let mut rows: Vec<Row> = rows.into_iter().rev().collect();
        let mut comparison = rows.split_off(jobs.len());
        // Small sectors may hold fewer keys than the utilisation asks for.
        if rows.iter().chain(&comparison).all(|row| row.cost.is_err()) {
            let why = rows.into_iter().chain(comparison).find_map(|row| row.cost.err());
            return Err(why.unwrap_or_else(|| "there is nothing to measure".to_owned()));
        }
        compare(&mut comparison);
        Ok(Results {
            slots: format.slots(),
            record_bytes: format.records.first().copied().unwrap_or(1),
            against_theory: rows,
            comparison,
            growth: points?,
        })
    }
}

/// Carries out one run.
fn row(job: &Job, advance: &(dyn Fn(f64) + Sync)) -> Row {
    let each = job.weight() / (job.setup.warm_up + job.setup.updates).max(1) as f64;
    let cost = run(&job.setup, &|updates| advance(updates as f64 * each));
    let amplification = cost.as_ref().ok().and_then(|cost| job.amplification(cost));
    let theory = cost.as_ref().ok().and_then(|cost| job.theory(cost, amplification));
    Row {
        scheme: job.setup.scheme,
        load: job.setup.load,
        geometry: job.setup.geometry,
        keys: job.setup.keys,
        key_bytes: job.setup.key_bytes,
        value_bytes: job.setup.value_bytes,
        utilisation: job.utilisation,
        slots: job.format.slots(),
        amplification,
        cost,
        theory,
        against_naive: None,
    }
}

/// The measurement of growth with sectors and keys.
struct Growth {
    shape: Shape,
    format: FormatFigures,
    /// Sectors and keys of each point.
    places: Vec<(u32, u32)>,
}

impl Growth {
    fn new(bench: &Bench) -> Result<Self, String> {
        let shape = Shape {
            geometry: bench.geometry,
            timing: bench.timing,
            // Names for 4096 keys.
            key_bytes: bench.key_bytes.max(3),
            value_bytes: bench.value_bytes,
        };
        let format = shape.format()?;
        let mut places = Vec::new();
        if bench.growth {
            // The largest last, since the list is worked off from its end.
            for sectors in growth::SECTORS {
                places.extend(growth::KEYS.map(|keys| (sectors, keys)));
            }
        }
        Ok(Self { shape, format, places })
    }

    fn weight(&self) -> f64 {
        self.places.iter().map(|(sectors, _)| self.weight_of(*sectors)).sum()
    }

    fn weight_of(&self, sectors: u32) -> f64 {
        1.5 * f64::from(sectors) * self.format.slots()
    }

    fn measure(&self, advance: &(dyn Fn(f64) + Sync)) -> Result<Vec<Point>, String> {
        let measured = self.places.par_iter().rev().map(|&(sectors, keys)| {
            let point = growth::point(&self.shape, &self.format, sectors, keys);
            advance(self.weight_of(sectors));
            point
        });
        let points: Vec<Result<Option<Point>, String>> = measured.collect();
        points.into_iter().rev().filter_map(Result::transpose).collect()
    }
}

#[cfg(test)]
mod tests {
    //! Goal: the store costs what theory says. Method: small benchmarks; each row is judged by the
    //! tolerance of its theory, and the special cases by hand.

    use super::super::row::Against;
    use super::*;
    use crate::load::Load;
    use outlast_faultsim::part::{Geometry, Timing};

    /// The tolerance of uniform loads against the published analysis.
    const UNIFORM: f64 = 0.02;

    fn bench() -> Bench {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let mut bench = Bench::usual(geometry, Timing::SERIAL_NOR);
        bench.sectors = vec![2, 4];
        bench.utilisations = vec![0.8];
        bench.rounds = 120;
        bench.growth = false;
        bench
    }

    /// Compared with the analysis named in each row. The published order of cleaning and writing
    /// copies one more record per compaction if the replaced record is in the sector cleaned. With
    /// only two small, rather full sectors that is too much for the published form; the difference
    /// must then be exactly that record.
    #[test]
    fn the_store_costs_what_theory_says() {
        let results = bench().run(&|_| {}).unwrap();
        assert_eq!(results.against_theory.len(), 2 + 2 + 3);
        for row in &results.against_theory {
            let theory = row.theory.unwrap();
            let (sectors, load) = (row.geometry.sectors, row.load);
            assert!(row.cost.as_ref().unwrap().wear_spread <= 1);
            if load == Load::FactoryData {
                // Written in one go they cost more than spread out; here they fill whole sectors,
                // which costs even more.
                assert!(theory.expected > theory.published && !theory.covered, "{theory:?}");
                assert!((0.0..0.2).contains(&theory.off()), "{theory:?}");
                continue;
            }
            assert!(theory.met(), "{sectors} {load:?} {theory:?}");
            let is_small = row.geometry.sector_bytes == 4096;
            let judged = match (load, is_small) {
                (Load::Uniform, true) => (Against::ThisStore, 0.01),
                (Load::Uniform, false) => (Against::Published, 0.02),
                _ => (Against::Published, 0.05),
            };
            assert_eq!((theory.against, theory.tolerance), judged, "{sectors} {load:?}");
            if load == Load::Uniform && sectors == 2 {
                let (slots, keys) = (row.slots, f64::from(row.keys));
                assert!((theory.published - slots / (slots - keys)).abs() < 1e-6);
                assert!((theory.expected - slots / (slots - keys + 1.0)).abs() < 1e-6);
                assert!(theory.off().abs() < 0.005, "{theory:?}");
                assert_eq!(theory.off_published() < -UNIFORM, is_small, "{theory:?}");
            }
        }
        for row in &results.comparison {
            let (load, scheme) = (row.load, row.scheme);
            let theory = row.theory;
            assert!(theory.is_none_or(|theory| theory.met()), "{load:?} {scheme:?} {theory:?}");
        }
        // Where the naive rewrite has 1. The target of 100 is missed: slots, page tags, the second
        // opening, a seal and a spare record take 3.9 % of a sector of 4 KiB.
        let uniform = results.comparison.iter().find(|row| row.load == Load::Uniform).unwrap();
        assert!(uniform.against_naive.unwrap().erases >= 98.0, "{uniform:?}");
    }

    /// On sectors that are large enough, everything is compared with the published analysis.
    #[test]
    fn large_sectors_need_no_larger_ones() {
        let mut bench = bench();
        bench.geometry = Geometry::new(4, 16384, 1, 256).unwrap();
        bench.sectors = vec![2];
        bench.loads = vec![Load::Uniform];
        let results = bench.run(&|_| {}).unwrap();
        let [row] = &results.against_theory[..] else { panic!("{results:?}") };
        let theory = row.theory.unwrap();
        assert!(theory.against == Against::Published && theory.met(), "{theory:?}");
    }

    #[test]
    fn progress_adds_up_to_one() {
        let done = std::sync::Mutex::new(0.0);
        let mut bench = bench();
        bench.sectors.truncate(1);
        bench.rounds = 10;
        bench.run(&|share| *done.lock().unwrap() += share).unwrap();
        let done = *done.lock().unwrap();
        assert!((0.8..=1.01).contains(&done), "{done}");
    }
}
