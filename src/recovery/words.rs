//! Numbers in sentences.

/// A number in words: with a minus, not a hyphen.
pub(super) fn signed(number: &str) -> String {
    number.replace('-', "−")
}

/// A ratio of powers against the response, in words: `12 dB under`.
pub(super) fn against(ratio: f64) -> String {
    let decibels = (10.0 * ratio.log10()).round();
    if decibels > 0.0 { format!("{decibels:.0} dB over") } else { format!("{:.0} dB under", decibels.abs()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_level_is_negative_in_words() {
        assert_eq!(against(1e-3), "30 dB under");
        assert_eq!(against(2.0), "3 dB over");
        assert_eq!(against(0.99), "0 dB under");
    }
}
