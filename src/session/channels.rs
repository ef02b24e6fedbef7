//! Which channels of a file hold microphones: one, or several with the position of each.

use std::fmt;

/// What a user says of a file's channels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Channels {
    /// The only microphone's channel, counted from 1.
    One(usize),
    /// Channel and position of each microphone, as written.
    Named(Vec<(usize, String)>),
}

/// Channels that can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{found}: {fault}; allowed is a channel counted from 1, or each with its own position, e.g. 1=seat,2=corner"
)]
pub struct ChannelsError {
    found: String,
    fault: &'static str,
}

/// Most channels of a file.
pub(super) const MOST: usize = 65_535;

impl Channels {
    /// Reads `2`, or `1=seat,2=corner`.
    ///
    /// # Errors
    /// [`ChannelsError`] for anything else, and for a channel or a position that stands there twice.
    pub fn parse(text: &str) -> Result<Self, ChannelsError> {
        let refuse = |fault| ChannelsError { found: text.to_owned(), fault };
        let mut named = Vec::new();
        for part in text.split(',') {
            let (channel, position) = match part.split_once('=') {
                Some((channel, position)) => (channel, Some(position.trim())),
                None => (part, None),
            };
            let channel = channel.trim().parse().ok().filter(|channel| (1..=MOST).contains(channel));
            let channel = channel.ok_or_else(|| refuse("no channel from 1 to 65535"))?;
            match position {
                Some(position) if is_name(position) => named.push((channel, position.to_owned())),
                Some(_) => return Err(refuse("a position that can be no file's name")),
                None if text.contains(',') => return Err(refuse("a channel without its position")),
                None => return Ok(Self::One(channel)),
            }
        }
        match twice(&named) {
            Some(fault) => Err(refuse(fault)),
            None => Ok(Self::Named(named)),
        }
    }
}

/// What stands there twice, if anything does.
pub(super) fn twice(named: &[(usize, String)]) -> Option<&'static str> {
    for (at, (channel, position)) in named.iter().enumerate() {
        for (other, place) in &named[..at] {
            if channel == other {
                return Some("a channel that stands there twice");
            }
            if super::same_name(position, place) {
                return Some("a position that stands there twice");
            }
        }
    }
    None
}

impl fmt::Display for Channels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::One(channel) => write!(f, "{channel}"),
            Self::Named(named) => f.write_str(&words(named)),
        }
    }
}

/// `1=seat,2=corner`.
#[must_use]
pub fn words(named: &[(usize, String)]) -> String {
    named.iter().map(|(channel, position)| format!("{channel}={position}")).collect::<Vec<_>>().join(",")
}

/// Whether a position can be the stem of a file.
#[must_use]
pub fn is_name(name: &str) -> bool {
    !name.is_empty() && !name.starts_with('.') && !name.contains(['/', '\\', ':', '\0'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_channel_or_each_with_its_position() {
        assert_eq!(Channels::parse("2"), Ok(Channels::One(2)));
        let two = Channels::parse("1=seat, 3=back wall").expect("two");
        assert_eq!(two.to_string(), "1=seat,3=back wall");
        for wrong in
            ["", "0", "x", "1,2", "1=seat,2", "1=", "1=.x", "1=a,1=b", "1=a,2=A", "70000", "-1", "1=a/b"]
        {
            assert!(Channels::parse(wrong).is_err(), "{wrong}");
        }
    }
}
