//! Shares of a whole, as text and as bars.

/// A share in percent: 100 only if it is everything, 0 only if it is nothing.
pub(crate) fn percent(part: u64, whole: u64) -> String {
    if whole == 0 {
        return "–".to_owned();
    }
    let share = part as f64 / whole as f64 * 100.0;
    match part {
        0 => "0 %".to_owned(),
        _ if share < 0.1 => "< 0.1 %".to_owned(),
        _ if part < whole && share > 99.9 => "99.9 %".to_owned(),
        _ => format!("{share:.1} %"),
    }
}

/// The width of a bar in percent; anything above zero is visible.
pub(crate) fn bar(part: u64, whole: u64) -> String {
    let share = part as f64 / whole.max(1) as f64 * 100.0;
    let least = if part > 0 { 0.6 } else { 0.0 };
    format!("width:{:.2}%", share.clamp(least, 100.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_means_all() {
        assert_eq!(percent(999_999, 1_000_000), "99.9 %");
        assert_eq!(percent(5, 5), "100.0 %");
        assert_eq!((percent(0, 5), percent(1, 5000)), ("0 %".to_owned(), "< 0.1 %".to_owned()));
        assert_eq!(percent(0, 0), "–");
        assert_eq!((bar(0, 9), bar(1, 1_000_000)), ("width:0.00%".into(), "width:0.60%".into()));
    }
}
