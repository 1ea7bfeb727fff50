//! Numbers and times in readable form.

use std::fmt::{self, Display, Formatter};
use std::time::Duration;

/// A number with what is counted: `1 key`, `2 keys`, `1,000 keys`.
pub(crate) fn counted(number: impl TryInto<u64>, what: &str) -> String {
    let number = number.try_into().unwrap_or(u64::MAX);
    let plural = if number == 1 { "" } else { "s" };
    format!("{} {what}{plural}", grouped(number))
}

/// A paragraph in lines of at most 100 characters, each with this indentation and a line end.
pub(crate) fn wrapped(paragraph: &str, indentation: &str) -> String {
    const WIDTH: usize = 100;
    let mut text = String::new();
    let mut line = String::new();
    for word in paragraph.split_whitespace() {
        let length = indentation.chars().count() + line.chars().count() + word.chars().count();
        if !line.is_empty() && length >= WIDTH {
            text.push_str(&format!("{indentation}{line}\n"));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    text + &format!("{indentation}{line}\n")
}

/// A number with a comma between groups of three digits.
pub(crate) fn grouped(number: u64) -> impl Display {
    struct Grouped(u64);
    impl Display for Grouped {
        fn fmt(&self, formatter: &mut Formatter<'_>) -> fmt::Result {
            let digits = self.0.to_string();
            for (index, digit) in digits.bytes().enumerate() {
                if index > 0 && (digits.len() - index).is_multiple_of(3) {
                    formatter.write_str(",")?;
                }
                write!(formatter, "{}", char::from(digit))?;
            }
            Ok(())
        }
    }
    Grouped(number)
}

/// A number in at most five characters: `512`, `12.3k`, `4.5M`.
pub(crate) fn short(number: u64) -> String {
    let number = number as f64;
    if number < 999.5 {
        format!("{number}")
    } else if number < 999_950.0 {
        format!("{:.1}k", number / 1e3)
    } else {
        format!("{:.1}M", number / 1e6)
    }
}

/// A duration as minutes and seconds, or hours, minutes and seconds.
pub(crate) fn clock(time: Duration) -> String {
    let seconds = time.as_secs();
    let (hours, minutes, seconds) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{minutes}:{seconds:02}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_readable() {
        assert_eq!([0, 1, 1000].map(|n: u64| counted(n, "key")), ["0 keys", "1 key", "1,000 keys"]);
        let grouped = |number| grouped(number).to_string();
        assert_eq!([0, 999, 1000, 1_234_567].map(grouped), ["0", "999", "1,000", "1,234,567"]);
        assert_eq!(
            [0, 999, 1000, 12_345, 999_949, 999_950, 4_500_000].map(short),
            ["0", "999", "1.0k", "12.3k", "999.9k", "1.0M", "4.5M"]
        );
        assert_eq!(wrapped("a b", "  "), "  a b\n");
        let lines = wrapped(&"word ".repeat(40), "  ");
        assert!(lines.lines().all(|line| line.starts_with("  word") && line.len() <= 100));
        assert_eq!(lines.lines().count(), 3);
        assert_eq!(clock(Duration::from_millis(59_900)), "0:59");
        assert_eq!(clock(Duration::from_secs(3661)), "1:01:01");
    }
}
