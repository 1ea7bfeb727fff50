//! Which runs the benchmark needs.

use super::config::Bench;
use super::job::Job;
use super::row::Against;
use crate::format::{FormatFigures, Kind, probe};
use crate::load::Load;
use crate::run::{Scheme, key_name, key_names};
use outlast_faultsim::part::Geometry;
use outlast_faultsim::subjects::outlast::ManyKeys;

/// The published analysis and this store differ by at most one record per compaction. The analysis
/// is therefore a fair reference only if at least this many records are written between two
/// compactions, so that one of them is less than 2 %, the tolerance.
const ROOMY: f64 = 52.0;
const LARGEST_SECTOR: u32 = 128 * 1024;

impl Bench {
    /// What the format costs for values of this size.
    pub(super) fn format(
        &self,
        geometry: &Geometry,
        value_bytes: u32,
    ) -> Result<FormatFigures, String> {
        probe(geometry, &[Kind { key_bytes: self.key_bytes, value_bytes, weight: 1.0 }])
    }

    /// The runs that are compared with theory, the longest last.
    pub(super) fn theory_jobs(&self, format: &FormatFigures) -> Result<Vec<Job>, String> {
        let mut jobs = self.roomy_jobs(format)?;
        // Without larger sectors, those of the comparison are large enough.
        let uniform = if jobs.is_empty() { Against::Published } else { Against::ThisStore };
        jobs.extend(self.jobs(format, uniform));
        // Refuse before anything takes time.
        let most_keys = jobs.iter().map(|job| job.setup.keys).max().unwrap_or(0);
        if most_keys > ManyKeys::KEYS {
            return Err(format!("more than {} keys fit; choose larger values", ManyKeys::KEYS));
        }
        key_names(most_keys, self.key_bytes)?;
        Ok(jobs)
    }

    /// Every scheme under every load, on one part.
    pub(super) fn comparison_jobs(&self) -> Result<Vec<Job>, String> {
        let mut compared = Vec::new();
        for &load in &self.loads {
            let value_bytes = load.own_value_bytes().unwrap_or(self.value_bytes);
            let format = self.format(&self.geometry, value_bytes)?;
            for scheme in Scheme::ALL {
                let job = Job::new(self, &format, self.geometry, load, self.utilisation);
                compared.push(job.with(scheme));
            }
        }
        Ok(compared)
    }

    /// The smallest sectors of at least this size that can be compared with the published analysis.
    fn roomy(&self, format: &FormatFigures) -> Result<(Geometry, FormatFigures), String> {
        let fullest = self.utilisations.iter().copied().fold(0.0, f64::max);
        let (mut geometry, mut format) = (self.geometry, format.clone());
        while format.slots() * (1.0 - fullest) < ROOMY && geometry.sector_bytes < LARGEST_SECTOR {
            geometry.sector_bytes *= 2;
            format = self.format(&geometry, self.value_bytes)?;
        }
        Ok((geometry, format))
    }

    /// Uniform updates on larger sectors than those of the comparison, if those are too small to be
    /// compared with the published analysis. Runs that would need too many keys are left out.
    fn roomy_jobs(&self, format: &FormatFigures) -> Result<Vec<Job>, String> {
        let (geometry, roomy) = self.roomy(format)?;
        if geometry == self.geometry {
            return Ok(Vec::new());
        }
        // As many updates as on the sectors of the comparison.
        let rounds = f64::from(self.rounds) * format.slots() / roomy.slots();
        let bench = Self { rounds: rounds.ceil() as u32, ..self.clone() };
        let mut jobs = Vec::new();
        for &sectors in &self.sectors {
            for &utilisation in &self.utilisations {
                let geometry = Geometry { sectors, ..geometry };
                let job = Job::new(&bench, &roomy, geometry, Load::Uniform, utilisation);
                let keys = job.setup.keys;
                if keys <= ManyKeys::KEYS && key_name(self.key_bytes, keys as usize - 1).is_ok() {
                    jobs.push(job.against(Against::Published));
                }
            }
        }
        Ok(jobs)
    }

    /// The other runs that are compared with theory, the longest last.
    fn jobs(&self, format: &FormatFigures, uniform: Against) -> Vec<Job> {
        let mut jobs = Vec::new();
        for &sectors in &self.sectors {
            for &utilisation in &self.utilisations {
                let geometry = Geometry { sectors, ..self.geometry };
                let job = Job::new(self, format, geometry, Load::Uniform, utilisation);
                jobs.push(job.against(uniform));
                let skewed = [Load::Skewed, Load::HotKey, Load::FactoryData];
                if matches!(sectors, 4 | 8) && utilisation >= 0.5 {
                    for load in skewed.into_iter().filter(|load| self.loads.contains(load)) {
                        jobs.push(Job::new(self, format, geometry, load, utilisation));
                    }
                }
            }
        }
        jobs
    }
}
