//! Which channel of a recording holds what.

use super::super::Failed;
use super::super::args::RespondArgs;
use std::collections::BTreeSet;

/// A microphone's channel, and the position that it stood at where the user said so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Microphone {
    pub channel: usize,
    pub position: Option<String>,
}

/// The microphones' channels: as `--channel` says, `2` or `1=seat,2=corner`; else the first that isn't the
/// reference.
pub fn microphones(args: &RespondArgs) -> Result<Vec<Microphone>, Failed> {
    microphones_of(args.channel.as_deref(), args.reference.map(usize::from))
}

/// The same from the text and the reference's channel.
pub fn microphones_of(text: Option<&str>, reference: Option<usize>) -> Result<Vec<Microphone>, Failed> {
    let Some(text) = text else {
        let channel = if reference == Some(1) { 2 } else { 1 };
        return Ok(vec![Microphone { channel, position: None }]);
    };
    let found: Vec<Microphone> = text.split(',').map(one).collect::<Result<_, _>>().map_err(Failed::usage)?;
    let several = found.len() > 1;
    if found.iter().any(|m| Some(m.channel) == reference) {
        return Err(Failed::usage("--channel and --reference name the same channel"));
    }
    let channels: BTreeSet<usize> = found.iter().map(|m| m.channel).collect();
    let names: BTreeSet<String> =
        found.iter().filter_map(|m| Some(m.position.as_ref()?.to_lowercase())).collect();
    if several && (channels.len() < found.len() || names.len() < found.len()) {
        return Err(Failed::usage(
            "--channel: each channel once, each with its own position, e.g. --channel 1=seat,2=corner",
        ));
    }
    Ok(found)
}

fn one(text: &str) -> Result<Microphone, String> {
    let (channel, position) = match text.split_once('=') {
        Some((channel, position)) => (channel, Some(position.trim().to_owned())),
        None => (text, None),
    };
    let channel = channel.trim().parse().ok().filter(|channel| *channel > 0);
    let usable = position.as_ref().is_none_or(|name| is_name(name));
    match channel {
        Some(channel) if usable => Ok(Microphone { channel, position }),
        _ => Err(format!(
            "--channel {text}: a channel counted from 1, or channel=position, e.g. 1=seat,2=corner"
        )),
    }
}

/// Whether a position can be the stem of a file.
pub fn is_name(name: &str) -> bool {
    !name.is_empty() && !name.starts_with('.') && !name.contains(['/', '\\', ':', '\0'])
}
