//! Measures the stack depth of a call: paints the stack below the caller, makes the call, and
//! checks how much paint is left.

use cortex_m::register::msp;

const PAINT: u32 = 0xA5C3_5A3C;
/// Bytes painted. The depth of a call that uses more is understated.
pub const REACH: usize = 16 * 1024;
/// Bytes below the stack pointer that are not painted, because the compiler may push after the
/// pointer was read. Calls that use less are reported as this much.
const MARGIN: usize = 32;

/// Writes `PAINT` from `REACH` bytes below the stack pointer almost up to it.
#[inline(never)]
fn paint() {
    let top = msp::read() as usize;
    for address in (top - REACH..top - MARGIN).step_by(4) {
        // SAFETY: below the stack pointer and inside the stack, which has hundreds of KiB; nothing
        // else lives there, and no interrupt is enabled.
        unsafe { (address as *mut u32).write_volatile(PAINT) }
    }
}

/// The lowest address below `top` that is no longer painted.
#[inline(never)]
fn touched(top: usize) -> usize {
    let mut address = top - REACH + 256;
    // SAFETY: as above; only read.
    while address < top && unsafe { (address as *const u32).read_volatile() } == PAINT {
        address += 4;
    }
    address
}

#[inline(never)]
fn invoke<T>(call: impl FnOnce() -> T) -> T {
    call()
}

/// Makes the call and returns its result with the bytes of stack it used, not counting the result.
#[inline(never)]
pub fn depth_of<T>(call: impl FnOnce() -> T) -> (T, usize) {
    paint();
    let top = msp::read() as usize;
    let result = invoke(call);
    (result, top - touched(top))
}
