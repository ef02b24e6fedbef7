//! What a column is: name, unit, kind, definition, source. The tables, the schema of `results.json`,
//! the CSV on the Web metadata and the reference page are all made from these.

/// A table of the results: its name, what a row is, its columns in order.
#[derive(Debug, Clone, Copy)]
pub struct Table {
    /// Name; `NAME.csv` is the file, `NAME` the key in `results.json`.
    pub name: &'static str,
    /// What a row is, in one or two sentences.
    pub about: &'static str,
    /// Columns in their order, optional ones last.
    pub columns: &'static [Column],
    /// Names of the columns that together tell a row from all others; empty where none do.
    pub key: &'static [&'static str],
}

impl Table {
    /// File name of the table.
    #[must_use]
    pub fn file_name(&self) -> String {
        format!("{}.csv", self.name)
    }

    /// File name of the table as Parquet, where that was asked for.
    #[must_use]
    pub fn parquet_name(&self) -> String {
        format!("{}.parquet", self.name)
    }

    /// The table without its optional columns.
    #[must_use]
    pub fn always(&self) -> Self {
        let always = self.columns.iter().take_while(|column| !column.shape.optional).count();
        Self { columns: self.columns.split_at(always).0, ..*self }
    }
}

/// One column of a table, or one key of an object in `results.json`.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Name, with the unit as its suffix.
    pub name: &'static str,
    /// Unit, kind of value, and what it may be.
    pub shape: Shape,
    /// What it is, with its formula, in one line.
    pub definition: &'static str,
    /// Where the definition comes from; empty for one of this program's own.
    pub source: &'static str,
}

/// Unit and kind of a column's values.
#[derive(Debug, Clone, Copy)]
pub struct Shape {
    /// Unit as printed beside the definition; empty for text and pure numbers.
    pub unit: &'static str,
    /// What kind of value stands there.
    pub kind: Kind,
    /// Which part of an estimate the column holds.
    pub part: Part,
    /// Whether the cell may be empty (`null` in JSON).
    pub nullable: bool,
    /// Whether the column stands only where at least one of the rows fills it.
    pub optional: bool,
    /// Where numbers may lie.
    pub range: Range,
}

/// What kind of value a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Any text.
    Text,
    /// Text of a fixed form: a regular expression (ECMA 262) that all of it matches.
    Pattern(&'static str),
    /// One of some words, each with its meaning.
    Words(&'static [(&'static str, &'static str)]),
    /// Words of [`crate::flag::Flag`], separated by `;`.
    Flags,
    /// A whole number.
    Integer,
    /// A decimal number.
    Number(Digits),
    /// Yes or no; `true` or `false` (JSON only).
    Truth,
    /// Sentences or names (JSON only: an array of text).
    List,
    /// Numbers by name (JSON only: an object).
    Dials,
}

/// How many digits a number is printed with ([`crate::table::number`] says how).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Digits {
    /// To the place of its standard deviation; five significant digits without one.
    Significant,
    /// Two decimals.
    TwoDecimals,
}

/// Which part of an estimate or an interval a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The value itself.
    Value,
    /// One standard deviation.
    Sd,
    /// The lower end of the 95 % interval.
    Low,
    /// The upper end of the 95 % interval.
    High,
}

/// Where a number may lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Range {
    /// Anywhere.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
    /// 0 to 1.
    Unit,
}

const fn shape(unit: &'static str, kind: Kind) -> Shape {
    Shape { unit, kind, part: Part::Value, nullable: true, optional: false, range: Range::Any }
}

const fn number(unit: &'static str, digits: Digits) -> Shape {
    shape(unit, Kind::Number(digits))
}

/// Text that may be empty.
pub(super) const fn text() -> Shape {
    shape("", Kind::Text)
}

/// Text of a fixed form.
pub(super) const fn pattern(form: &'static str) -> Shape {
    shape("", Kind::Pattern(form))
}

/// One of some words.
pub(super) const fn words(words: &'static [(&'static str, &'static str)]) -> Shape {
    shape("", Kind::Words(words))
}

/// The remarks on a row.
pub(super) const fn flags() -> Shape {
    shape("", Kind::Flags)
}

/// A whole number, zero or above.
pub(super) const fn integer() -> Shape {
    Shape { range: Range::NotNegative, ..shape("", Kind::Integer) }
}

/// Yes or no.
pub(super) const fn truth() -> Shape {
    shape("", Kind::Truth)
}

/// Several texts.
pub(super) const fn list() -> Shape {
    Shape { nullable: false, ..shape("", Kind::List) }
}

/// Numbers by name.
pub(super) const fn dials() -> Shape {
    shape("", Kind::Dials)
}

/// A time in seconds.
pub(super) const fn seconds() -> Shape {
    number("s", Digits::Significant)
}

/// A frequency in hertz.
pub(super) const fn hertz() -> Shape {
    number("Hz", Digits::Significant)
}

/// A length in metres.
pub(super) const fn metres() -> Shape {
    number("m", Digits::Significant)
}

/// A decay constant, damping or coupling in 1/s.
pub(super) const fn per_second() -> Shape {
    number("1/s", Digits::Significant)
}

/// A number with a unit of its own, or without one.
pub(super) const fn plain(unit: &'static str) -> Shape {
    number(unit, Digits::Significant)
}

/// A level or a difference of levels.
pub(super) const fn decibels() -> Shape {
    number("dB", Digits::TwoDecimals)
}

/// A share or a change in per cent.
pub(super) const fn percent() -> Shape {
    number("%", Digits::TwoDecimals)
}

impl Shape {
    /// The cell is never empty.
    pub(super) const fn required(self) -> Self {
        Self { nullable: false, ..self }
    }

    /// The column is left out where no row fills it. It comes after `flags`: its reasons for an empty cell are
    /// those of columns before it, or stand in `flags` already.
    pub(super) const fn optional(self) -> Self {
        Self { optional: true, ..self }
    }

    /// The column holds the standard deviation.
    pub(super) const fn sd(self) -> Self {
        Self { part: Part::Sd, range: Range::NotNegative, ..self }
    }

    /// The column holds the lower end of the 95 % interval.
    pub(super) const fn low(self) -> Self {
        Self { part: Part::Low, ..self }
    }

    /// The column holds the upper end of the 95 % interval.
    pub(super) const fn high(self) -> Self {
        Self { part: Part::High, ..self }
    }

    /// Two decimals instead of significant digits.
    pub(super) const fn two_decimals(self) -> Self {
        Self { kind: Kind::Number(Digits::TwoDecimals), ..self }
    }

    /// Numbers are above zero.
    pub(super) const fn positive(self) -> Self {
        Self { range: Range::Positive, ..self }
    }

    /// Numbers are zero or above.
    pub(super) const fn not_negative(self) -> Self {
        Self { range: Range::NotNegative, ..self }
    }

    /// Numbers lie between 0 and 1.
    pub(super) const fn unit_range(self) -> Self {
        Self { range: Range::Unit, ..self }
    }
}
