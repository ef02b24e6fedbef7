//! One cell of a table, with its digits already chosen, and the field of a row that it comes from.

use std::sync::Arc;

use super::column::{Column, Digits, Kind, Part};
use super::number;
use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::Message;

/// A name or another text that many rows share.
pub type Name = Arc<str>;

/// A number of a column that has no standard deviation beside it, or the reason why there is none.
/// (A [`crate::estimate::Reading`] always fills two columns: the value and its standard deviation.)
pub type Value = Result<f64, Flag>;

/// A value with the ends of its 95 % interval, in the unit of its columns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// The best value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

/// One cell. Numbers are text already, so that every form of the table shows the same digits.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing; `null` in JSON.
    Empty,
    /// Text.
    Text(Name),
    /// A finite decimal number as printed.
    Number(String),
    /// A whole number.
    Integer(u64),
    /// Yes or no (JSON only).
    Truth(bool),
    /// Several texts (JSON only).
    List(Vec<String>),
    /// Numbers by name, as printed (JSON only).
    Dials(Vec<(String, String)>),
}

impl Cell {
    /// Text; an empty one is an empty cell.
    pub(super) fn text(text: &str) -> Self {
        if text.is_empty() { Self::Empty } else { Self::Text(text.into()) }
    }

    fn number(printed: Option<String>, remarks: &mut Flags) -> Self {
        printed.map_or_else(
            || {
                remarks.add(Flag::NotFinite);
                Self::Empty
            },
            Self::Number,
        )
    }
}

/// A field of a row: what it puts into each of its columns.
///
/// A reading that holds no value leaves its cells empty and adds its reason to `remarks`, which
/// the `flags` column (always the last) prints: an empty cell can't lose its reason on the way.
pub(super) trait Field {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell;
}

impl Field for Name {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        if self.is_empty() { Cell::Empty } else { Cell::Text(self.clone()) }
    }
}

impl Field for String {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::text(self)
    }
}

/// A sentence, in English.
impl Field for Message {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::text(&self.to_string())
    }
}

impl Field for &'static str {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::text(self)
    }
}

impl Field for u32 {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::Integer(u64::from(*self))
    }
}

impl Field for u64 {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::Integer(*self)
    }
}

impl Field for bool {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::Truth(*self)
    }
}

impl Field for Vec<String> {
    fn cell(&self, _: &Column, _: &mut Flags) -> Cell {
        Cell::List(self.clone())
    }
}

impl Field for Vec<(String, f64)> {
    /// No dials at all is an empty cell: there is nothing to turn.
    fn cell(&self, _: &Column, remarks: &mut Flags) -> Cell {
        let mut dials = Vec::with_capacity(self.len());
        for (name, value) in self {
            match number::plain(*value) {
                Some(printed) => dials.push((name.clone(), printed)),
                None => remarks.add(Flag::NotFinite),
            }
        }
        if dials.is_empty() { Cell::Empty } else { Cell::Dials(dials) }
    }
}

impl Field for f64 {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell {
        Estimate::exact(*self).cell(column, remarks)
    }
}

impl Field for Estimate {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell {
        let decimals = column.shape.kind == Kind::Number(Digits::TwoDecimals);
        match (column.shape.part, self.sd) {
            (Part::Sd, None) => Cell::Empty,
            (Part::Sd, Some(sd)) if decimals => Cell::number(number::two_decimals(sd), remarks),
            (Part::Sd, Some(sd)) => Cell::number(number::sd(sd), remarks),
            _ if decimals => Cell::number(number::two_decimals(self.value), remarks),
            (_, Some(sd)) => Cell::number(number::beside_sd(self.value, sd), remarks),
            (_, None) => Cell::number(number::plain(self.value), remarks),
        }
    }
}

impl Field for Interval {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell {
        let value = match column.shape.part {
            Part::Low => self.low,
            Part::High => self.high,
            Part::Value | Part::Sd => self.value,
        };
        Estimate::exact(value).cell(column, remarks)
    }
}

impl<T: Field> Field for Option<T> {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell {
        self.as_ref().map_or(Cell::Empty, |field| field.cell(column, remarks))
    }
}

impl<T: Field> Field for Result<T, Flag> {
    fn cell(&self, column: &Column, remarks: &mut Flags) -> Cell {
        match self {
            Ok(field) => field.cell(column, remarks),
            Err(reason) => {
                remarks.add(*reason);
                Cell::Empty
            }
        }
    }
}

impl Field for Flags {
    fn cell(&self, _: &Column, remarks: &mut Flags) -> Cell {
        remarks.extend(self);
        Cell::text(&remarks.to_string())
    }
}
