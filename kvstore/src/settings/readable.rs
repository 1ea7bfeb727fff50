//! What settings can be loaded from.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;

use crate::{Error, Store, View};

/// What settings can be loaded from: a [`Store`] or a [`View`].
pub trait Readable: sealed::Sealed {
    /// The error of the flash driver.
    type Error: fmt::Debug;

    /// See [`Store::get`].
    #[doc(hidden)]
    fn read<'b>(
        &mut self,
        key: &str,
        buffer: &'b mut [u8],
    ) -> Result<Option<&'b [u8]>, Error<Self::Error>>;

    /// See [`Store::is_doubtful`].
    #[doc(hidden)]
    fn is_in_doubt(&mut self, key: &str) -> Result<bool, Error<Self::Error>>;
}

mod sealed {
    use embedded_storage::nor_flash::NorFlash;

    pub trait Sealed {}

    impl<F: NorFlash, const N: usize> Sealed for crate::Store<F, N> {}
    impl<F: NorFlash, const N: usize> Sealed for crate::View<F, N> {}
}

impl<F: NorFlash, const N: usize> Readable for Store<F, N> {
    type Error = F::Error;

    fn read<'b>(
        &mut self,
        key: &str,
        buffer: &'b mut [u8],
    ) -> Result<Option<&'b [u8]>, Error<F::Error>> {
        self.get(key, buffer)
    }

    fn is_in_doubt(&mut self, key: &str) -> Result<bool, Error<F::Error>> {
        self.is_doubtful(key)
    }
}

impl<F: NorFlash, const N: usize> Readable for View<F, N> {
    type Error = F::Error;

    fn read<'b>(
        &mut self,
        key: &str,
        buffer: &'b mut [u8],
    ) -> Result<Option<&'b [u8]>, Error<F::Error>> {
        self.get(key, buffer)
    }

    fn is_in_doubt(&mut self, key: &str) -> Result<bool, Error<F::Error>> {
        self.is_doubtful(key)
    }
}
