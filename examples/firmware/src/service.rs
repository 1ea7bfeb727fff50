//! The service over the serial line: opens the store and answers commands for ever.

use outlast_kvstore::embedded_storage::nor_flash::NorFlash;
use outlast_kvstore::{Error, Layout, Store};

use crate::console::{SerialLine, read_line};
use crate::{gauge, session};

const KEYS: usize = 64;

/// Serves commands for ever, with the settings in this flash.
pub fn run<F: NorFlash<Error: Copy>>(
    flash: &mut F,
    layout: &Layout,
    uart: &mut impl SerialLine,
) -> ! {
    loop {
        // In two steps, so that the store is not moved and opening it takes little stack.
        let mut closed = Store::<_, KEYS>::new(&mut *flash, layout);
        let opened = closed.as_mut().map_err(|error| *error);
        match opened.and_then(|store| store.mount().map(|()| store)) {
            Ok(store) => serve(store, uart),
            Err(error) => {
                let _ = writeln!(uart, "error: no settings: {error}");
                start_afresh(flash, layout, uart);
            }
        }
    }
}

/// Answers commands until the store must be opened again.
fn serve<F: NorFlash>(store: &mut Store<F, KEYS>, uart: &mut impl SerialLine) {
    if let Err(error) = gauge::start(store, uart) {
        let _ = writeln!(uart, "error: {error}");
        return;
    }
    let keys = store.usage().keys;
    let plural = if keys == 1 { "" } else { "s" };
    let _ = writeln!(uart, "ready, {keys} key{plural}; help lists the commands");
    loop {
        let Some(line) = read_line(uart) else {
            let _ = writeln!(uart, "error: the line is too long or not plain ASCII");
            continue;
        };
        match session::answer(store, &line, uart) {
            Ok(()) => {
                let _ = writeln!(uart, "ok");
            }
            Err(refusal) => {
                let _ = writeln!(uart, "error: {refusal}");
                if refusal.needs_reopen() {
                    return;
                }
            }
        }
    }
}

/// Offers what can be done if the store does not open. Nothing is destroyed unless the user asks.
fn start_afresh<F: NorFlash>(flash: &mut F, layout: &Layout, uart: &mut impl SerialLine) {
    let _ = writeln!(uart, "say: format, which destroys the data there, or: open, to try again");
    loop {
        match read_line(uart).as_deref() {
            Some("open") => return,
            Some("format") => match Store::<_, KEYS>::format(flash, layout.clone()) {
                Ok(_) => return,
                Err::<_, Error<_>>(error) => {
                    let _ = writeln!(uart, "error: {error}");
                    return;
                }
            },
            _ => {
                let _ = writeln!(uart, "error: say format or open");
            }
        }
    }
}
