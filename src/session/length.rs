//! Lengths as people write them: `5.6`, `560 cm`, `18 ft 4 in`, `18'4"`.

use thiserror::Error;

/// Metres in a foot and an inch, exact (international yard and pound agreement of 1959; NIST SP 811, B.8).
const FOOT_M: f64 = 0.3048;
const INCH_M: f64 = 0.0254;

/// Why a text is no length.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LengthError {
    /// Nothing there.
    #[error("no length given: write 5.6, \"560 cm\" or \"18 ft 4 in\"")]
    Empty,
    /// `5,60`.
    #[error("`{found}` has a comma: write `{written}` with a point")]
    DecimalComma {
        /// The number as it stands there.
        found: String,
        /// The number written with a point.
        written: String,
    },
    /// Neither a number nor a unit where one is due.
    #[error("`{found}` is no length: write 5.6, \"560 cm\" or \"18 ft 4 in\"")]
    NotANumber {
        /// The text from there on.
        found: String,
    },
    /// A unit that isn't known.
    #[error("unknown unit `{found}`: use m, cm, mm, ft (') or in (\")")]
    UnknownUnit {
        /// The unit as written.
        found: String,
    },
    /// `4 in 18 ft`, `5 m 4 in`, `18 ft 14 in`.
    #[error(
        "`{found}` does not add up: whole feet then less than 12 inches, or metres then less than 100 cm"
    )]
    Order {
        /// The whole text.
        found: String,
    },
}

/// Units in falling order of size within their system.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Unit {
    Metre,
    Centimetre,
    Millimetre,
    Foot,
    Inch,
}

impl Unit {
    /// The unit that a text starts with and its length there, longest spelling first.
    fn at_start(text: &str) -> Option<(Unit, usize)> {
        const SPELLINGS: [(&str, Unit); 24] = [
            ("millimetres", Unit::Millimetre),
            ("centimetres", Unit::Centimetre),
            ("metres", Unit::Metre),
            ("meters", Unit::Metre),
            ("metre", Unit::Metre),
            ("meter", Unit::Metre),
            ("inches", Unit::Inch),
            ("inch", Unit::Inch),
            ("feet", Unit::Foot),
            ("foot", Unit::Foot),
            ("mm", Unit::Millimetre),
            ("cm", Unit::Centimetre),
            ("ft", Unit::Foot),
            ("in", Unit::Inch),
            ("m", Unit::Metre),
            ("''", Unit::Inch),
            ("’’", Unit::Inch),
            ("′′", Unit::Inch),
            ("\"", Unit::Inch),
            ("”", Unit::Inch),
            ("″", Unit::Inch),
            ("'", Unit::Foot),
            ("’", Unit::Foot),
            ("′", Unit::Foot),
        ];
        let (word, unit) = SPELLINGS.iter().find(|(word, _)| text.starts_with(word))?;
        // `inc` or `mx` is no unit with something behind it.
        let glued =
            word.ends_with(char::is_alphabetic) && text[word.len()..].starts_with(char::is_alphabetic);
        (!glued).then_some((*unit, word.len()))
    }

    fn in_metres(self) -> f64 {
        match self {
            Unit::Metre => 1.0,
            Unit::Centimetre => 0.01,
            Unit::Millimetre => 0.001,
            Unit::Foot => FOOT_M,
            Unit::Inch => INCH_M,
        }
    }

    /// Whether `self` may follow `before`, and below which count: 4 in after 18 ft, 60 cm after 5 m.
    fn limit_after(self, before: Unit) -> Option<f64> {
        match (before, self) {
            (Unit::Foot, Unit::Inch) => Some(12.0),
            (Unit::Metre, Unit::Centimetre) => Some(100.0),
            (Unit::Metre, Unit::Millimetre) => Some(1000.0),
            (Unit::Centimetre, Unit::Millimetre) => Some(10.0),
            _ => None,
        }
    }
}

/// One length in metres. A number without a unit is metres; a minus sign is allowed in front.
///
/// Takes `5.6`, `5.6 m`, `560 cm`, `5 m 60 cm`, `18 ft 4 in`, `18ft4in`, `18'4"`, `18' 4 1/2"`.
/// The result is finite; whether it makes sense is the caller's to check.
///
/// # Errors
/// [`LengthError`] names the part that can't be read.
pub fn parse_length(text: &str) -> Result<f64, LengthError> {
    let written = Written::read(text)?;
    Ok(written.metres(Unit::Metre))
}

/// A length as it was written: counts with their units.
pub(super) struct Written {
    negative: bool,
    pub terms: Vec<(f64, Option<Unit>)>,
}

impl Written {
    pub fn read(text: &str) -> Result<Self, LengthError> {
        let lower = text.trim().to_lowercase();
        let (negative, mut rest) = match lower.strip_prefix(['-', '−']) {
            Some(after) => (true, after.trim_start()),
            None => (false, lower.as_str()),
        };
        if rest.is_empty() {
            return Err(LengthError::Empty);
        }
        let mut terms = Vec::new();
        while !rest.is_empty() {
            let (count, after) = read_count(rest)?;
            let (unit, after) = read_unit(after)?;
            terms.push((count, unit));
            rest = after.trim_start();
        }
        let written = Self { negative, terms };
        written.add_up(&lower)
    }

    /// Checks that later terms are smaller parts of the first; `18'4` means 4 inches.
    fn add_up(mut self, text: &str) -> Result<Self, LengthError> {
        let wrong = || LengthError::Order { found: text.to_owned() };
        for i in 1..self.terms.len() {
            let (before_count, before) = self.terms[i - 1];
            let before = before.ok_or_else(wrong)?;
            let (count, unit) = self.terms[i];
            let unit = match unit {
                Some(unit) => unit,
                None if before == Unit::Foot => Unit::Inch,
                None => return Err(wrong()),
            };
            let limit = unit.limit_after(before).ok_or_else(wrong)?;
            if count >= limit || before_count.fract() > 0.0 {
                return Err(wrong());
            }
            self.terms[i].1 = Some(unit);
        }
        Ok(self)
    }

    /// The unit of the first count, if it has one.
    pub fn unit(&self) -> Option<Unit> {
        self.terms.first().and_then(|(_, unit)| *unit)
    }

    /// The sum, with `default` for a count without a unit.
    pub fn metres(&self, default: Unit) -> f64 {
        let sum: f64 = self.terms.iter().map(|(n, unit)| n * unit.unwrap_or(default).in_metres()).sum();
        if self.negative { -sum } else { sum }
    }
}

/// A count such as `4`, `4.5`, `4 1/2` or `1/2`, and what follows it.
fn read_count(text: &str) -> Result<(f64, &str), LengthError> {
    let (whole, after) = read_number(text)?;
    if let Some(below) = after.trim_start().strip_prefix('/') {
        let (parts, after) = read_number(below.trim_start())?;
        return fraction(whole, parts, text).map(|value| (value, after));
    }
    let next = after.trim_start().trim_start_matches('-');
    if next.starts_with(|c: char| c.is_ascii_digit())
        && let Ok((above, after_above)) = read_number(next)
        && let Some(below) = after_above.trim_start().strip_prefix('/')
    {
        let (parts, after) = read_number(below.trim_start())?;
        return fraction(above, parts, text).map(|value| (whole + value, after));
    }
    Ok((whole, after))
}

fn fraction(above: f64, below: f64, text: &str) -> Result<f64, LengthError> {
    if below > 0.0 && above < below {
        Ok(above / below)
    } else {
        Err(LengthError::NotANumber { found: text.to_owned() })
    }
}

/// Digits with at most one point; never a sign, an exponent, `nan` or `inf`.
fn read_number(text: &str) -> Result<(f64, &str), LengthError> {
    let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    let (digits, after) = text.split_at(end);
    if let Some(tail) = after.strip_prefix(',')
        && !digits.is_empty()
    {
        let decimals: String = tail.chars().take_while(char::is_ascii_digit).collect();
        return Err(LengthError::DecimalComma {
            found: format!("{digits},{decimals}"),
            written: format!("{digits}.{decimals}"),
        });
    }
    match digits.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok((value, after)),
        _ => Err(LengthError::NotANumber { found: text.trim_end().to_owned() }),
    }
}

fn read_unit(text: &str) -> Result<(Option<Unit>, &str), LengthError> {
    let text = text.trim_start();
    if let Some((unit, length)) = Unit::at_start(text) {
        return Ok((Some(unit), text[length..].trim_start_matches('.')));
    }
    if text.is_empty() || text.starts_with(|c: char| c.is_ascii_digit()) {
        return Ok((None, text));
    }
    let end = text.find(|c: char| c.is_whitespace() || c.is_ascii_digit()).unwrap_or(text.len());
    Err(LengthError::UnknownUnit { found: text[..end].to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    /// NIST SP 811, B.8: 1 ft = 0.3048 m and 1 in = 0.0254 m, exactly; the products by hand.
    #[test]
    fn feet_and_inches_are_metres() {
        for text in [
            "18 ft 4 in",
            "18ft4in",
            "18'4\"",
            "18' 4\"",
            "18′4″",
            "18’4”",
            "18 FT 4 IN",
            "18 feet 4 inches",
            "18'4",
            "220 in",
            "18ft. 4in.",
            " 18 ft  4 in ",
            "18' 4''",
        ] {
            assert_relative_eq!(parse_length(text).unwrap(), 5.588, epsilon = 0.0, max_relative = 1e-14);
        }
        for text in ["18 ft 4 1/2 in", "18'4-1/2\"", "18ft 4.5in"] {
            assert_relative_eq!(parse_length(text).unwrap(), 5.6007, epsilon = 0.0, max_relative = 1e-14);
        }
        assert_relative_eq!(parse_length("3/4 in").unwrap(), 0.01905, epsilon = 0.0, max_relative = 1e-14);
    }

    #[test]
    fn metric_spellings_are_metres() {
        for text in ["5.6", "5.60", "5.6 m", "5.6m", "560 cm", "560cm", "5600 mm", "5 m 60 cm", "5.6 metres"]
        {
            assert_relative_eq!(parse_length(text).unwrap(), 5.6, epsilon = 0.0, max_relative = 1e-14);
        }
        assert_relative_eq!(parse_length("-2 cm").unwrap(), -0.02, epsilon = 0.0, max_relative = 1e-14);
    }

    #[test]
    fn what_is_no_length_says_why() {
        for (text, said) in [
            ("", "no length given"),
            ("  ", "no length given"),
            ("-", "no length given"),
            ("5,60", "write `5.60` with a point"),
            ("5,60 m", "write `5.60` with a point"),
            ("wide", "`wide` is no length"),
            ("nan", "`nan` is no length"),
            ("inf", "`inf` is no length"),
            ("1e3", "unknown unit `e`"),
            ("5.6.1", "`5.6.1` is no length"),
            ("5 yd", "unknown unit `yd`"),
            ("5 km", "unknown unit `km`"),
            ("5 mx", "unknown unit `mx`"),
            ("18 ft 14 in", "does not add up"),
            ("4 in 18 ft", "does not add up"),
            ("5 m 4 in", "does not add up"),
            ("5 60", "does not add up"),
            ("5.5 ft 4 in", "does not add up"),
            ("5 1/0 in", "is no length"),
            (&"9".repeat(400), "is no length"),
        ] {
            let error = parse_length(text).unwrap_err().to_string();
            assert!(error.contains(said), "{text:?}: {error}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "[0-9.,x×ftinmc'\"/ \\-é]{0,16}", other in ".{0,16}") {
            for text in [&text, &other] {
                if let Ok(metres) = parse_length(text) { prop_assert!(metres.is_finite()); }
            }
        }

        #[test]
        fn feet_and_inches_agree_with_decimal_feet(feet in 0_u32..300, inches in 0_u32..12) {
            let compound = parse_length(&format!("{feet} ft {inches} in")).unwrap();
            let total = f64::from(feet * 12 + inches) * 0.0254;
            prop_assert!((compound - total).abs() <= 1e-13 * (1.0 + total));
        }
    }
}
