//! How many digits a number is printed with. The only code of the program that rounds for a table.
//!
//! A standard deviation has three significant digits and its value goes to the same decimal place;
//! a value without one has five significant digits; decibels and per cent have two decimals.
//! Nothing is ever printed as `NaN`, `inf`, `-0` or with an exponent: a number that is not finite
//! gives `None`, and the caller leaves the cell empty and says why.
//!
//! The decimal digits come from the standard library's formatting, which rounds the exact binary
//! value (ties to even), so what is printed is the nearest decimal of that length.

/// Significant digits of a standard deviation in a table.
const SD_DIGITS: usize = 3;
/// Significant digits of a value that has no standard deviation.
const PLAIN_DIGITS: usize = 5;
/// Significant digits of a standard deviation on the screen.
const SCREEN_SD_DIGITS: usize = 2;

/// A value without a standard deviation: five significant digits, e.g. `0.41235` or `123460`.
#[must_use]
pub fn plain(value: f64) -> Option<String> {
    significant(value, PLAIN_DIGITS)
}

/// A standard deviation: three significant digits, e.g. `0.0120`.
#[must_use]
pub fn sd(sd: f64) -> Option<String> {
    significant(sd, SD_DIGITS)
}

/// A value to the decimal place at which [`sd`] prints its standard deviation, e.g. `41.2340` beside
/// `0.0120`. A standard deviation of zero (or one that is not finite) has no last place: then [`plain`].
#[must_use]
pub fn beside_sd(value: f64, sd: f64) -> Option<String> {
    match decimals(sd, SD_DIGITS) {
        Some(place) => to_place(value, place),
        None => plain(value),
    }
}

/// Decibels, per cent and mid-band frequencies: two decimals.
#[must_use]
pub fn two_decimals(value: f64) -> Option<String> {
    to_place(value, 2)
}

/// On screen and in the report no spread is shown finer than this, Hz or s: nobody turns a dial by less. Our own choice.
pub const LEAST_SPREAD: f64 = 0.01;

/// For screen and report: value and half its interval, the latter not under [`LEAST_SPREAD`], and no digit finer than that:
/// `1.70 ± 0.01`, `12.3 ± 1.4`.
#[must_use]
pub fn spread(value: f64, half: f64) -> Option<String> {
    /// Decimals of the least spread.
    const FINEST: i32 = 2;
    let half = if half > 0.0 { half.max(LEAST_SPREAD) } else { return None };
    let place = decimals(half, SCREEN_SD_DIGITS)?.min(FINEST);
    Some(format!("{} ± {}", to_place(value, place)?, to_place(half, place)?))
}

/// For the screen: value and standard deviation, both to the deviation's two significant digits,
/// e.g. `41.23 ± 0.12`. `None` if either is not finite or the deviation is not above zero.
#[must_use]
pub fn plus_minus(value: f64, sd: f64) -> Option<String> {
    let place = decimals(sd, SCREEN_SD_DIGITS).filter(|_| sd > 0.0)?;
    Some(format!("{} ± {}", to_place(value, place)?, to_place(sd, place)?))
}

fn significant(value: f64, digits: usize) -> Option<String> {
    if value == 0.0 {
        return Some("0".to_owned()); // exactly zero has no significant digit to count from
    }
    to_place(value, decimals(value, digits)?)
}

/// Decimals that show `digits` significant digits of `value` *after rounding* (0.09996 to three is
/// 0.100, not 0.1000); negative for places left of the point. `None` for zero and what is not finite.
fn decimals(value: f64, digits: usize) -> Option<i32> {
    if !value.is_finite() || value == 0.0 {
        return None;
    }
    let last = i32::try_from(digits).ok()?.saturating_sub(1);
    Some(last - quick_exponent(value, digits).or_else(|| exponent(value, digits))?)
}

/// Decimal exponent of `value` rounded to `digits` significant digits.
fn exponent(value: f64, digits: usize) -> Option<i32> {
    let scientific = format!("{value:.*e}", digits.saturating_sub(1));
    scientific.split_once('e')?.1.parse().ok()
}

/// Decimal exponent of `value`, for leading digits so far from a power of ten that neither the rounding of
/// the logarithm nor that of the value can matter; `None` elsewhere.
fn quick_exponent(value: f64, digits: usize) -> Option<i32> {
    let magnitude = value.abs();
    if digits < 2 || !(1e-9..1e9).contains(&magnitude) {
        return None;
    }
    let exponent = magnitude.log10().floor();
    let leading = magnitude / 10f64.powf(exponent);
    (1.000_001..9.9).contains(&leading).then_some(exponent as i32)
}

/// `value` to so many decimals, or to tens, hundreds, … where `decimals` is negative.
fn to_place(value: f64, decimals: i32) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    if let Some(text) = usize::try_from(decimals).ok().and_then(|places| quick(value, places)) {
        return Some(text);
    }
    let places = decimals.unsigned_abs() as usize;
    let text = if decimals >= 0 {
        format!("{value:.places$}")
    } else {
        format!("{:.0}{}", value / 10f64.powi(-decimals), "0".repeat(places))
    };
    let is_zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    Some(match (is_zero, decimals >= 0) {
        (true, true) => text.trim_start_matches('-').to_owned(),
        (true, false) => "0".to_owned(),
        (false, _) => text,
    })
}

/// The text of [`to_place`] at some 40 % of its cost (measured), for numbers of everyday size that don't lie within a
/// millionth of a place of a tie; `None` elsewhere. (Ten thousand files make five million numbers.)
fn quick(value: f64, places: usize) -> Option<String> {
    const POWERS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
    let scaled = value.abs() * POWERS.get(places)?; // off by at most 1.2e-16 of itself
    let whole = (scaled + 0.5).floor();
    if scaled >= 1e9 || (scaled + 0.5 - whole).min(whole + 1.0 - (scaled + 0.5)) < 1e-6 {
        return None;
    }
    let mut rest = whole as u64; // finite, not negative and under 1e9 + 1
    let mut text = [b'0'; 24];
    let mut start = text.len();
    for i in 0.. {
        if i == places && places > 0 {
            start -= 1;
            text[start] = b'.';
        }
        start -= 1;
        text[start] = b'0' + (rest % 10) as u8;
        rest /= 10;
        if rest == 0 && i >= places {
            break;
        }
    }
    if value < 0.0 && whole > 0.0 {
        start -= 1;
        text[start] = b'-';
    }
    std::str::from_utf8(&text[start..]).ok().map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn shown(text: Option<String>) -> String {
        text.unwrap_or_else(|| "none".to_owned())
    }

    /// Digits from the first that is not zero; the rule of the tables, counted by hand in the text.
    fn significant_digits(text: &str) -> usize {
        text.chars().filter(char::is_ascii_digit).skip_while(|c| *c == '0').count()
    }

    fn decimals_in(text: &str) -> usize {
        text.split_once('.').map_or(0, |(_, after)| after.len())
    }

    #[test]
    fn digits_by_hand() {
        // Worked by hand from the rule; no outside source.
        for (value, deviation, value_text, sd_text) in [
            (41.234, 0.0123, "41.2340", "0.0123"),
            (0.5, 0.09996, "0.500", "0.100"),
            (0.5, 0.0999, "0.5000", "0.0999"),
            (1234.5, 12.0, "1234.5", "12.0"),
            (45_678.0, 12_345.0, "45700", "12300"),
            (-0.000_04, 0.123, "0.000", "0.123"),
            (30.0, 12_345.0, "0", "12300"),
            (0.75, 0.0, "0.75000", "0"),
            (0.75, f64::NAN, "0.75000", "none"),
            (9.999_96, 1e-3, "9.99996", "0.00100"),
        ] {
            assert_eq!(shown(beside_sd(value, deviation)), value_text, "{value} ± {deviation}");
            assert_eq!(shown(sd(deviation)), sd_text, "{value} ± {deviation}");
        }
        for (value, text) in [
            (0.412_345_6, "0.41235"),
            (123_456.7, "123460"),
            (99_999.6, "100000"),
            (-0.0, "0"),
            (1e-7, "0.00000010000"),
            (1e21, "1000000000000000000000"),
            (f64::INFINITY, "none"),
        ] {
            assert_eq!(shown(plain(value)), text);
        }
        assert_eq!(shown(two_decimals(-0.001)), "0.00");
        assert_eq!(shown(two_decimals(-12.345_1)), "-12.35");
        assert_eq!(shown(plus_minus(41.234, 0.123)), "41.23 ± 0.12");
        assert_eq!(shown(plus_minus(41.234, 0.099_7)), "41.23 ± 0.10");
        assert_eq!(shown(plus_minus(1.0, 0.0)), "none");
    }

    proptest! {
        /// The short cuts against the standard library's exact formatting.
        #[test]
        fn the_quick_way_prints_the_same(
            digits in prop_oneof![-10.0..10.0f64, (-2000i32..2000).prop_map(|n| f64::from(n) / 200.0)],
            exponent in -10..10i32, places in 0..12usize, significant in 1..6usize,
        ) {
            let value = digits * 10f64.powi(exponent);
            if let Some(text) = quick(value, places) {
                let exact = format!("{value:.places$}");
                let zero = exact.bytes().all(|b| b"-0.".contains(&b));
                prop_assert_eq!(text, if zero { exact.trim_start_matches('-') } else { &exact });
            }
            if let Some(quick) = quick_exponent(value, significant) {
                prop_assert_eq!(Some(quick), super::exponent(value, significant), "{}", value);
            }
        }

        /// Whatever comes in, the text is a plain decimal that is the nearest of its length.
        #[test]
        fn any_number_reads_back_within_half_its_last_place(value in proptest::num::f64::ANY, deviation in proptest::num::f64::ANY) {
            for text in [plain(value), two_decimals(value), beside_sd(value, deviation)] {
                prop_assert_eq!(text.is_some(), value.is_finite());
                let Some(text) = text else { continue };
                prop_assert!(text.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b'-'), "{}", text);
                let back: f64 = text.parse().unwrap();
                prop_assert!(back != 0.0 || !text.starts_with('-'), "{}", text);
            }
        }

        #[test]
        fn an_sd_has_three_digits_and_its_value_the_same_place(
            value in -1e4..1e4f64, digits in 1.0..10.0f64, exponent in -8..3i32,
        ) {
            let deviation = digits * 10f64.powi(exponent);
            let (value_text, sd_text) = (beside_sd(value, deviation).unwrap(), sd(deviation).unwrap());
            if deviation < 99.0 { // above, zeros left of the point are not counted by the eye
                prop_assert_eq!(significant_digits(&sd_text), 3, "{}", sd_text);
            }
            prop_assert_eq!(decimals_in(&value_text), decimals_in(&sd_text), "{} {}", value_text, sd_text);
            let half_place = 0.5 * 10f64.powi(exponent - 2);
            // A deviation just under ten times a power of ten rounds up into the next place.
            let room = if sd_text.trim_start_matches(['0', '.']).starts_with('1') { 10.0 } else { 1.0 };
            let off = (value_text.parse::<f64>().unwrap() - value).abs();
            prop_assert!(off <= half_place * room * (1.0 + 1e-6) + 1e-12, "{} for {}", value_text, value);
        }

        #[test]
        fn a_plain_value_keeps_five_digits(digits in 1.0..10.0f64, exponent in -8..4i32) {
            let value = digits * 10f64.powi(exponent);
            let text = plain(value).unwrap();
            prop_assert!(significant_digits(&text) >= 5, "{}", text);
            let off = (text.parse::<f64>().unwrap() / value - 1.0).abs();
            prop_assert!(off <= 5.0001e-5, "{} for {}", text, value);
            prop_assert_eq!(plain(text.parse().unwrap()).unwrap(), text, "printing twice changes nothing");
        }
    }
}
