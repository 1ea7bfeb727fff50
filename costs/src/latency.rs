//! Percentiles of the duration of calls.

use serde::Serialize;

/// Percentiles of the duration of a call.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Latency {
    /// 50 % of the calls took no longer than this.
    pub median_ns: u64,
    /// 90 % of them.
    pub p90_ns: u64,
    /// 99 % of them.
    pub p99_ns: u64,
    /// 99.9 % of them.
    pub p999_ns: u64,
    /// All of them.
    pub most_ns: u64,
    /// For a curve: durations, each with the number of calls in a million that took longer.
    pub longer: Vec<(u64, u32)>,
}

impl Latency {
    /// Most points of the curve.
    const POINTS: usize = 200;

    pub(crate) fn of(mut durations: Vec<u64>) -> Self {
        durations.sort_unstable();
        let count = durations.len();
        let at = |per_mille: usize| {
            let rank = (count * per_mille).div_ceil(1000).clamp(1, count.max(1));
            durations.get(rank - 1).copied().unwrap_or(0)
        };
        let mut longer: Vec<(u64, u32)> = Vec::new();
        for (rank, duration) in durations.iter().enumerate() {
            let left = (count - rank - 1) as u64 * 1_000_000 / count as u64;
            let left = u32::try_from(left).unwrap_or(0);
            match longer.last_mut() {
                Some((last, share)) if last == duration => *share = left,
                _ => longer.push((*duration, left)),
            }
        }
        // Thin out the curve, but keep its last point.
        let step = longer.len().div_ceil(Self::POINTS).max(1);
        let last = longer.len().saturating_sub(1);
        let mut rank = 0..;
        longer.retain(|_| rank.next().is_some_and(|rank| rank % step == 0 || rank == last));
        Self {
            median_ns: at(500),
            p90_ns: at(900),
            p99_ns: at(990),
            p999_ns: at(999),
            most_ns: at(1000),
            longer,
        }
    }
}

#[cfg(test)]
mod tests {
    //! Goal: percentiles are those of the usual definition. Method: cases calculated by hand.

    use super::*;

    /// Nearest rank, as in the usual definition: the smallest value that the given percentage of
    /// the values does not exceed.
    #[test]
    fn percentiles_by_hand() {
        let latency = Latency::of((1..=1000).rev().collect());
        assert_eq!((latency.median_ns, latency.p90_ns, latency.p99_ns), (500, 900, 990));
        assert_eq!((latency.p999_ns, latency.most_ns), (999, 1000));
        let few = Latency::of(vec![5, 7]);
        assert_eq!((few.median_ns, few.p90_ns), (5, 7));
        assert_eq!(few.longer, [(5, 500_000), (7, 0)]);
        assert_eq!(Latency::of(Vec::new()).most_ns, 0);
    }
}
