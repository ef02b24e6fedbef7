//! A row of a table, and the macro that declares table, row and columns in one place.

use super::cell::Cell;
use super::column::Table;

/// A row of a table: plain fields that become cells, one for each column.
pub trait Row {
    /// The table that the row belongs to.
    const TABLE: &'static Table;

    /// The cells in the order of the table's columns.
    fn cells(&self) -> Vec<Cell>;
}

/// Declares a row struct and its table.
///
/// At compile time each `table!` block becomes a struct with one field for each quantity, the list of columns, and
/// `cells()`, which prints the fields in the order of the columns. `Results::csv_tables` collects the rows of all tables,
/// `csv_text::write` writes them.
///
/// A field fills one column of its own name, `name: Type = shape, "definition";`, or several,
/// `name: Type { column = shape, "definition"; … }`. A definition that isn't this program's own is followed by its source. So a
/// column can't lack a field, a field can't lack a column, and the order of both is one.
macro_rules! table {
    // One field after the other gets the form with braces; then rows and columns are made of all.
    (@fields $head:tt [$($done:tt)*] $field:ident: $type:ty = $shape:expr, $definition:literal $(, $source:literal)?; $($rest:tt)*) => {
        table! { @fields $head [$($done)* $field: $type { $field = $shape, $definition $(, $source)?; }] $($rest)* }
    };
    (@fields $head:tt [$($done:tt)*] $field:ident: $type:ty { $($columns:tt)+ } $($rest:tt)*) => {
        table! { @fields $head [$($done)* $field: $type { $($columns)+ }] $($rest)* }
    };
    (
        @fields [$name:literal, $row:ident, [$($key:literal),*], $about:literal]
        [$( $field:ident: $type:ty { $( $column:ident = $shape:expr, $definition:literal $(, $source:literal)?; )+ } )+]
    ) => {
        #[doc = $about]
        #[derive(Debug, Clone, PartialEq)]
        pub struct $row {
            $(
                $( #[doc = concat!("`", stringify!($column), "`: ", $definition)] #[doc = ""] )+
                pub $field: $type,
            )+
        }

        impl $crate::table::row::Row for $row {
            const TABLE: &'static $crate::table::column::Table = &$crate::table::column::Table {
                name: $name,
                about: $about,
                columns: &[ $( $(
                    $crate::table::column::Column {
                        name: stringify!($column),
                        shape: $shape,
                        definition: $definition,
                        source: concat!($($source)?),
                    },
                )+ )+ ],
                key: &[$($key),*],
            };

            fn cells(&self) -> Vec<$crate::table::cell::Cell> {
                use $crate::table::cell::Field as _;
                let mut remarks = $crate::flag::Flags::default();
                let mut columns = Self::TABLE.columns.iter();
                let mut cells = Vec::with_capacity(Self::TABLE.columns.len());
                $( for _ in [$( stringify!($column) ),+] {
                    cells.extend(columns.next().map(|column| self.$field.cell(column, &mut remarks)));
                } )+
                cells
            }
        }
    };
    ($name:literal, $row:ident, key $key:tt, $about:literal; $($fields:tt)+) => {
        table! { @fields [$name, $row, $key, $about] [] $($fields)+ }
    };
}
pub(super) use table;
