//! How long something may still take.

/// A time limit, spent by the pauses made. Time on the bus is not counted, so a limit is never
/// shorter than it says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Deadline {
    spent_us: u32,
    longest_us: u32,
}

impl Deadline {
    /// A limit of which nothing is spent.
    pub(crate) const fn new(longest_us: u32) -> Self {
        Self { spent_us: 0, longest_us }
    }

    /// The same limit from the beginning.
    pub(crate) const fn again(self) -> Self {
        Self::new(self.longest_us)
    }

    /// Notes a pause.
    pub(crate) const fn spend(&mut self, us: u32) {
        self.spent_us = self.spent_us.saturating_add(us);
    }

    /// Whether this much of it is spent, or all of it.
    pub(crate) fn has_spent(&self, us: u32) -> bool {
        self.spent_us >= us.min(self.longest_us)
    }

    /// Whether it is over.
    pub(crate) const fn is_over(&self) -> bool {
        self.spent_us >= self.longest_us
    }
}
