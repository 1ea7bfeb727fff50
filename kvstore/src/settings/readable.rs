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
    pub trait Sealed {}
}

/// Both have these calls under the same names.
macro_rules! readable {
    ($($store:ident),+) => {$(
        impl<F: NorFlash, const N: usize> sealed::Sealed for $store<F, N> {}

        impl<F: NorFlash, const N: usize> Readable for $store<F, N> {
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
    )+};
}

readable!(Store, View);
