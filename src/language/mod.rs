//! Languages of the report: what is said is a [`Message`], a key with its values; a [`Language`] makes a
//! sentence of it.
//!
//! A language is one file of plain text, `en.toml` and `de.toml` beside this one or a user's own: a line per
//! sentence, with `{names}` where values go. Stages hand on messages; tables and screens print them in English
//! (their `Display`), the report in the language that `session.toml` asks for. Flags keep their English
//! sentences in [`flag`](crate::flag), where the tables' reference has them from; other languages translate
//! them under `[flag]`, a flag's advice under `[advice]`.
//!
//! ```
//! use stillroom::language::Message;
//! use stillroom::language::number;
//!
//! let said = Message::new("unit.hertz", vec![("hz", number(33.2, 1))]);
//! assert_eq!(said.to_string(), "33.2 Hz");
//! ```

mod catalogue;
mod message;

pub use catalogue::{Fault, Language, Piece};
pub use message::{Message, Value, number, signed};

pub(crate) use message::say;

/// An enum each of whose variants is one word, or one key, in tables, manifests and messages: `word()`.
macro_rules! worded {
    ($(#[$about:meta])* $visible:vis enum $name:ident { $($(#[$of:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$about])*
        $visible enum $name { $($(#[$of])* $variant,)+ }

        impl $name {
            /// Its word.
            #[must_use]
            $visible fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }
        }
    };
}
pub(crate) use worded;

/// `1 file`, `2 files`: English for screens and errors.
#[must_use]
pub fn count(number: usize, noun: &str) -> String {
    if number == 1 { format!("1 {noun}") } else { format!("{number} {noun}s") }
}

/// The first few of a list, and how many more there are, in English.
pub(crate) fn few(items: &[String], most: usize) -> String {
    let more = items.len().saturating_sub(most);
    let named = items[..items.len() - more].join(", ");
    if more == 0 { named } else { format!("{named} and {more} more") }
}
