//! A panic handler that fails to link, so that the linker shows whether anything can panic.

use core::panic::PanicInfo;

#[cfg(not(feature = "may-panic"))]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn a_panicking_branch_was_linked() -> !;
    }
    // This function does not exist: linking fails if anything can get here.
    unsafe { a_panicking_branch_was_linked() }
}

#[cfg(feature = "may-panic")]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}
