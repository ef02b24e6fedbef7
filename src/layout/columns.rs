//! Responses as columns of text: the lines before the first number.
//!
//! A file holds responses if it says how fast they were sampled: a first column of times (named `time_s` or
//! `time_ms`, or rising by equal steps that can be a sample period), or a remark `# rate_hz = 48000` on a line
//! of its own. Lines that start with `#` or `%` are remarks. One header line may name the columns: each name is
//! read like a file's name, `seat@left#2`. Fields are parted by commas, semicolons, tabs or blanks; decimals
//! have a point, or a comma where fields are parted by semicolons or tabs.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::Told;

/// What is looked at of a file: more remarks and header than that is no table of samples.
pub(crate) const HEAD_BYTES: u64 = 1 << 16;
/// Lines of numbers whose first column must rise by equal steps to count as time without a name.
const RISING: usize = 8;
/// Sample periods that a column of times can have, s: 1 kHz to 768 kHz, the rates that are read.
const PERIOD_S: std::ops::RangeInclusive<f64> = 1.3e-6..=1e-3;
/// By how much equal steps may differ for the rounding of what is printed.
const STEP_SLACK: f64 = 0.5;

/// How fields are parted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Separator {
    /// One character.
    Char(char),
    /// Any number of blanks and tabs.
    Blanks,
}

/// The layout of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Columns {
    /// How fields are parted.
    pub separator: Separator,
    /// Seconds of one unit of the first column, where that is a time.
    pub time_unit_s: Option<f64>,
    /// Sample rate from a remark.
    pub rate_hz: Option<f64>,
    /// Names of the columns with responses; empty where there is no header.
    pub names: Vec<String>,
    /// How many columns hold responses.
    pub responses: usize,
}

impl Separator {
    /// The fields of a line.
    pub fn fields(self, line: &str) -> Vec<&str> {
        match self {
            Self::Char(separator) => line.split(separator).map(str::trim).collect(),
            Self::Blanks => line.split_whitespace().collect(),
        }
    }

    /// A field's number.
    #[must_use]
    pub fn number(self, field: &str) -> Option<f64> {
        match self {
            Self::Char(';' | '\t') => field.replacen(',', ".", 1).parse().ok(),
            _ => field.parse().ok(),
        }
    }

    fn of(line: &str) -> Self {
        let found = [';', '\t', ','].into_iter().find(|separator| line.contains(*separator));
        found.map_or(Self::Blanks, Self::Char)
    }
}

impl Columns {
    /// What the file tells of each response.
    pub(super) fn told(&self) -> Vec<Told> {
        let name = |at: usize| self.names.get(at).cloned().unwrap_or_default();
        (0..self.responses).map(|at| Told { name: name(at), ..Told::default() }).collect()
    }

    /// Columns before the first response.
    #[must_use]
    pub fn before(&self) -> usize {
        usize::from(self.time_unit_s.is_some())
    }
}

/// Whether a line is a remark or holds nothing.
#[must_use]
pub fn is_remark(line: &str) -> bool {
    let line = line.trim();
    line.is_empty() || line.starts_with(['#', '%'])
}

/// Looks at the begin of a file; `None` if it holds no responses.
#[must_use]
pub fn look(path: &Path) -> Option<Columns> {
    let mut head = Vec::new();
    if !std::fs::metadata(path).ok()?.is_file() {
        return None;
    }
    File::open(path).ok()?.take(HEAD_BYTES).read_to_end(&mut head).ok()?;
    of_head(&head)
}

/// Columns by a file's first bytes; `None` if they hold no responses.
#[must_use]
pub fn of_head(head: &[u8]) -> Option<Columns> {
    // A character may be cut in two at the end of the head.
    let text = String::from_utf8_lossy(head);
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let whole = text.rfind('\n').map_or(text, |end| &text[..end]);
    let remarks = whole.lines().filter(|line| is_remark(line));
    let rate_hz = remarks.filter_map(rate_of).next();
    let mut lines = whole.lines().filter(|line| !is_remark(line));
    let first = lines.next()?;
    let separator = Separator::of(first);
    let fields = separator.fields(first);
    let header = numbers(separator, &fields).is_none();
    let rows: Vec<Vec<f64>> = (!header)
        .then_some(first)
        .into_iter()
        .chain(lines.take(RISING))
        .map_while(|line| numbers(separator, &separator.fields(line)))
        .collect();
    let width = rows.first()?.len();
    if header && fields.len() != width {
        return None;
    }
    let time_unit_s = if header { unit_of(fields[0]) } else { rises(&rows).then_some(1.0) };
    let before = usize::from(time_unit_s.is_some());
    if (time_unit_s.is_none() && rate_hz.is_none()) || width <= before {
        return None;
    }
    let names =
        if header { fields[before..].iter().map(|name| unquoted(name)).collect() } else { Vec::new() };
    Some(Columns { separator, time_unit_s, rate_hz, names, responses: width - before })
}

/// All fields as numbers; `None` if one is none.
fn numbers(separator: Separator, fields: &[&str]) -> Option<Vec<f64>> {
    fields.iter().map(|field| separator.number(field)).collect()
}

fn unquoted(name: &str) -> String {
    name.trim_matches('"').trim().to_owned()
}

/// Seconds of one unit of a column of this name.
fn unit_of(name: &str) -> Option<f64> {
    let plain: String = unquoted(name).to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect();
    match plain.as_str() {
        "time" | "times" | "t" | "ts" | "timeseconds" => Some(1.0),
        "timems" | "tms" => Some(1e-3),
        _ => None,
    }
}

/// The rate that a remark states.
fn rate_of(line: &str) -> Option<f64> {
    let words = line.trim().trim_start_matches(['#', '%', ' ']);
    let (key, value) = words.split_once(['=', ':'])?;
    let rate = value.trim().trim_end_matches("Hz").trim().parse().ok();
    rate.filter(|rate: &f64| key.trim().eq_ignore_ascii_case("rate_hz") && rate.is_finite())
}

/// Whether the first column rises by equal steps that can be a sample period.
fn rises(rows: &[Vec<f64>]) -> bool {
    if rows.len() < RISING || rows[0].len() < 2 {
        return false;
    }
    let steps: Vec<f64> = rows.windows(2).map(|pair| pair[1][0] - pair[0][0]).collect();
    let mean = steps.iter().sum::<f64>() / steps.len() as f64;
    PERIOD_S.contains(&mean) && steps.iter().all(|step| (step - mean).abs() < STEP_SLACK * mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(head: &str, separator: char, rows: usize) -> String {
        let row = |k: usize| format!("{:.7}{separator}0.25{separator}-1e-3\n", k as f64 / 48_000.0);
        head.to_owned() + &(0..rows).map(row).collect::<String>()
    }

    #[test]
    fn a_header_names_time_and_places() {
        let found = of_head(text("# made today\ntime_s,seat@left#2,\"corner\"\n", ',', 3).as_bytes());
        let found = found.expect("responses");
        assert_eq!((found.time_unit_s, found.responses), (Some(1.0), 2));
        assert_eq!(found.names, ["seat@left#2", "corner"]);
        let told = of_head(text("Time [ms];a;b\n", ';', 3).as_bytes()).expect("responses");
        assert_eq!((told.time_unit_s, told.separator), (Some(1e-3), Separator::Char(';')));
    }

    #[test]
    fn without_a_header_equal_steps_are_a_time_and_a_remark_is_a_rate() {
        for separator in [',', ' ', '\t'] {
            let found = of_head(text("", separator, 20).as_bytes()).expect("responses");
            assert_eq!((found.before(), found.responses, found.names.len()), (1, 2, 0));
        }
        let found = of_head(b"\xef\xbb\xbf% rate_hz: 44100\n0.1\n0.2\n-0.3\n").expect("responses");
        assert_eq!((found.rate_hz, found.before(), found.responses), (Some(44_100.0), 0, 1));
    }

    #[test]
    fn decimals_may_have_a_comma_where_none_parts_fields() {
        for separator in [';', '\t'] {
            let commas =
                text("time_s@seat@corner\n", '@', 3).replace('.', ",").replace('@', &separator.to_string());
            let found = of_head(commas.as_bytes()).expect("responses");
            assert_eq!((found.responses, found.separator), (2, Separator::Char(separator)));
        }
        assert_eq!(Separator::Char(';').number("-1,5e-3"), Some(-1.5e-3));
        for (separator, field) in [(Separator::Char(';'), "1.234,5"), (Separator::Blanks, "0,5")] {
            assert_eq!(separator.number(field), None, "{field}");
        }
    }

    #[test]
    fn other_tables_hold_no_responses() {
        for other in [
            "name,area_m2,125\nbefore,120,0.5\n",
            "state,position,band_hz\nempty,seat,63.10\n",
            "20.0 -35.2\n25.0 -30.1\n31.5 -20.0\n",
            "0 -3\n1 -4\n2 -5\n3 -6\n4 -6\n5 -6\n6 -6\n7 -6\n8 -6\n",
            "measured on Monday\nby us\n",
            "# rate_hz = fast\n0.1\n0.2\n",
            "time_s,seat\n",
            "time_s,seat\nnever,0\n",
            "",
        ] {
            assert_eq!(of_head(other.as_bytes()), None, "{other}");
        }
    }
}
