//! Reads lines typed on the serial line, with echo and backspace.

use core::fmt::Write;

use heapless::String;

/// A serial line to a person or a test.
pub trait SerialLine: Write {
    /// Waits for a byte.
    fn receive(&mut self) -> u8;
}

/// Longest line in bytes.
pub const LINE: usize = 480;

const BACKSPACE: u8 = 0x08;
const DELETE: u8 = 0x7F;

/// Waits for a line. Returns `None` if it was longer than [`LINE`] or had bytes that are not
/// printable ASCII; the whole line is discarded then.
pub fn read_line(uart: &mut impl SerialLine) -> Option<String<LINE>> {
    let mut line = String::new();
    let mut good = true;
    let _ = uart.write_str("> ");
    loop {
        match uart.receive() {
            b'\r' | b'\n' => {
                let _ = uart.write_str("\n");
                return good.then_some(line);
            }
            BACKSPACE | DELETE => {
                if line.pop().is_some() {
                    let _ = uart.write_str("\x08 \x08");
                }
            }
            byte @ b' '..=b'~' => {
                good &= line.push(char::from(byte)).is_ok();
                let _ = uart.write_char(char::from(byte));
            }
            _ => good = false,
        }
    }
}
