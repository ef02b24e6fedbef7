//! Lines of TOML, with the remarks that a draft needs.

use std::fmt::Write as _;

use crate::session::order::turns_text;

/// Text as TOML writes it, whatever it holds.
pub fn quote(text: &str) -> String {
    let mut quoted = String::with_capacity(text.len() + 2);
    quoted.push('"');
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            c if c.is_control() || turns_text(c) => {
                // All of these lie below U+10000; writing to a String never fails.
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// The text so far.
#[derive(Default)]
pub struct Toml {
    text: String,
}

impl Toml {
    pub fn into_text(self) -> String {
        self.text
    }

    fn push(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    pub fn blank(&mut self) {
        self.push("");
    }

    pub fn header(&mut self, name: &str) {
        self.push(name);
    }

    /// `text` must hold no line break.
    pub fn comment(&mut self, text: &str) {
        self.push(&format!("# {text}"));
    }

    pub fn line(&mut self, key: &str, value: &str) {
        self.push(&format!("{key} = {value}"));
    }

    pub fn guess(&mut self, key: &str, value: &str, remark: &str) {
        self.push(&format!("{key} = {value}   # guess: {remark}"));
    }

    /// The shortest digits that give the number back; what is no number is left out.
    pub fn number(&mut self, key: &str, value: f64) {
        if value.is_finite() {
            self.line(key, &format!("{value:?}"));
        }
    }

    pub fn text_or(&mut self, key: &str, value: Option<&str>, remark: &str) {
        match value {
            Some(value) => self.line(key, &quote(value)),
            None => self.comment(&format!("{key} = \"\"   # {remark}")),
        }
    }

    pub fn entry(&mut self, header: &str, name: &str) {
        self.blank();
        self.header(header);
        self.line("name", &quote(name));
    }

    pub fn place(&mut self, at_m: Option<[f64; 3]>) {
        match at_m {
            Some([x, y, z]) if x.is_finite() && y.is_finite() && z.is_finite() => {
                self.line("at", &format!("[{x:?}, {y:?}, {z:?}]"));
            }
            _ => self
                .comment("at = [2.4, 2.1, 1.2]   # metres from one floor corner along length, width, height"),
        }
    }
}
