//! What a panic does: it cannot be linked, so that the linker tells whether anything can get there.

use core::panic::PanicInfo;

#[cfg(not(feature = "may-panic"))]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn a_panicking_branch_was_linked() -> !;
    }
    // Does not exist: the linker complains if anything can get here.
    unsafe { a_panicking_branch_was_linked() }
}

#[cfg(feature = "may-panic")]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}
