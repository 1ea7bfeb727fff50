//! Panics of the code under test are findings, not noise on the terminal.

use std::cell::RefCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

thread_local! {
    /// `Some` while a panic of this thread is to be kept instead of printed.
    static KEPT: RefCell<Option<String>> = const { RefCell::new(None) };
}

/// Runs `work`; a panic in it is returned as its message and place.
pub(crate) fn caught<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let earlier = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            let keep = KEPT.with(|kept| match kept.try_borrow_mut() {
                Ok(mut kept) if kept.is_some() => {
                    *kept = Some(panic.to_string());
                    true
                }
                _ => false,
            });
            if !keep {
                earlier(panic);
            }
        }));
    });
    KEPT.with(|kept| *kept.borrow_mut() = Some(String::new()));
    // What a panic leaves behind is thrown away: the store by the unwinding, the part by the
    // next power-up.
    let result = catch_unwind(AssertUnwindSafe(work));
    let message = KEPT.with(|kept| kept.borrow_mut().take());
    result.map_err(|_| message.unwrap_or_default().replace('\n', " "))
}

#[cfg(test)]
mod tests {
    use super::caught;

    #[test]
    fn a_panic_comes_back_as_a_message() {
        assert_eq!(caught(|| 7), Ok(7));
        let message = caught(|| panic!("the {} is out", "cat")).unwrap_err();
        assert!(message.contains("the cat is out"), "{message}");
        assert!(message.contains("panics.rs"), "{message}");
        assert_eq!(caught(|| 8), Ok(8));
    }
}
