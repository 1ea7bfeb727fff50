//! How deep a call gets: the stack below is painted, the call made, the paint looked for.

use cortex_m::register::msp;

const PAINT: u32 = 0xA5C3_5A3C;
/// Bytes painted. A call that uses them all has its depth understated.
pub const REACH: usize = 16 * 1024;
/// Bytes below the stack pointer left alone: the compiler may push after the pointer was read. So
/// calls that use less are told as this much.
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

/// The lowest address below `top` that is not painted any more.
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

/// Makes the call; tells how many bytes of stack it used, without the place of its result.
#[inline(never)]
pub fn depth_of<T>(call: impl FnOnce() -> T) -> (T, usize) {
    paint();
    let top = msp::read() as usize;
    let result = invoke(call);
    (result, top - touched(top))
}
