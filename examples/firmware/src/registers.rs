//! Access to the board's registers.

/// A register or memory window of the board that is read and written one `T` at a time.
#[derive(Debug)]
pub struct Register<T: Copy>(*mut T);

impl<T: Copy> Register<T> {
    /// # Safety
    /// `address` must be that of a register as wide as `T`, aligned for it, which may be read and
    /// written at any time; and nothing else may use that register as long as this value lives.
    pub const unsafe fn new(address: usize) -> Self {
        Self(address as *mut T)
    }

    /// Reads the register. For some registers that has side effects.
    pub fn read(&self) -> T {
        // SAFETY: guaranteed by the caller of `new`.
        unsafe { self.0.read_volatile() }
    }

    /// Writes the register.
    pub fn write(&mut self, value: T) {
        // SAFETY: guaranteed by the caller of `new`.
        unsafe { self.0.write_volatile(value) }
    }
}
