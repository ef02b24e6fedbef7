//! The chunks of a RIFF file: where the format and the samples are, whatever the writer got wrong.

use std::io::{Read, Seek};
use std::ops::Range;

use super::Refusal;
use super::source::{Container, Source, describe};

/// What the walk found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Wave {
    pub container: Container,
    /// Body of the `fmt ` chunk, at most [`FMT_BYTES`] of it.
    pub fmt: Vec<u8>,
    /// Byte offset of that body.
    pub fmt_at: u64,
    /// Bytes that hold samples, within the file.
    pub data: Range<u64>,
    pub repairs: Vec<String>,
    /// Whether the file ends before its samples do.
    pub incomplete: bool,
}

/// Length of the longest `fmt ` body with meaning here (EXTENSIBLE).
pub(super) const FMT_BYTES: usize = 40;

/// A size that says "not known" (RF64) or "not known yet" (a stream).
const OPEN_SIZE: u32 = u32::MAX;

/// Sizes from here on (2 GB less 64 kB) stand for "not known" where the file holds less. Common practice, no source.
const PLACEHOLDER: u64 = 0x7FFF_0000;

/// More chunks than this before the samples are no audio file but an attempt to keep us busy.
const MAX_CHUNKS: usize = 4096;

/// Chunk names in use, for telling a chunk from what only looks like one. From the RIFF documents,
/// EBU Tech 3285 and ITU-R BS.2088; the rest seen in files (from memory).
const KNOWN: [&[u8; 4]; 26] = [
    b"fmt ", b"data", b"fact", b"LIST", b"bext", b"JUNK", b"junk", b"PAD ", b"FLLR", b"iXML", b"cue ",
    b"smpl", b"inst", b"PEAK", b"ds64", b"axml", b"chna", b"plst", b"qlty", b"levl", b"link", b"umid",
    b"id3 ", b"ID3 ", b"DISP", b"acid",
];

/// Walks the chunks of `source` until format and samples are found.
pub(super) fn walk<R: Read + Seek>(source: &mut Source<R>, container: Container) -> Result<Wave, Refusal> {
    let mut walk = Walk {
        source,
        container,
        fmt: None,
        data: None,
        long_data: None,
        repairs: Vec::new(),
        incomplete: false,
    };
    let end = walk.chunks()?;
    let Walk { fmt, data, repairs, incomplete, .. } = walk;
    let missing = |chunk| Refusal::MissingChunk { chunk, byte: end.0, found: end.1.clone() };
    let (fmt_at, fmt) = fmt.ok_or_else(|| missing("fmt "))?;
    let data = data.ok_or_else(|| missing("data"))?;
    Ok(Wave { container, fmt, fmt_at, data, repairs, incomplete })
}

struct Walk<'a, R> {
    source: &'a mut Source<R>,
    container: Container,
    fmt: Option<(u64, Vec<u8>)>,
    data: Option<Range<u64>>,
    /// Size of the samples by `ds64`.
    long_data: Option<u64>,
    repairs: Vec<String>,
    incomplete: bool,
}

/// Name and size of a chunk, and where its body starts.
struct Chunk {
    id: [u8; 4],
    size: u32,
    body: u64,
}

impl<R: Read + Seek> Walk<'_, R> {
    /// Visits chunks until both are found or the list ends; says where and with what it ended.
    fn chunks(&mut self) -> Result<(u64, String), Refusal> {
        // "RIFF", size, "WAVE".
        let mut at = 12;
        for _ in 0..MAX_CHUNKS {
            let Some(chunk) = self.chunk_at(at)? else {
                return Ok((at, self.what_stands_at(at)?));
            };
            let next = self.visit(&chunk)?;
            if self.fmt.is_some() && self.data.is_some() {
                break;
            }
            at = self.skip_padding(next, chunk.size)?;
        }
        Ok((at, format!("more than {MAX_CHUNKS} chunks")))
    }

    /// Takes from a chunk what is needed; returns where its body ends.
    fn visit(&mut self, chunk: &Chunk) -> Result<u64, Refusal> {
        let mut end = chunk.body + u64::from(chunk.size);
        match &chunk.id {
            b"fmt " if self.fmt.is_none() => {
                let held = self.source.len().saturating_sub(chunk.body).min(u64::from(chunk.size));
                let mut body = vec![0; held.min(FMT_BYTES as u64) as usize];
                self.source.peek(chunk.body, &mut body)?;
                self.fmt = Some((chunk.body, body));
            }
            b"ds64" => self.long_data = self.ds64(chunk)?,
            b"data" if self.data.is_none() => {
                let data = self.samples(chunk)?;
                end = data.end;
                self.data = Some(data);
            }
            _ => {}
        }
        Ok(end)
    }

    /// The samples' size from `ds64`: RIFF size, data size, sample count, each 64 bits.
    fn ds64(&mut self, chunk: &Chunk) -> Result<Option<u64>, Refusal> {
        let mut sizes = [0; 16];
        if chunk.size < 24 || chunk.body + 24 > self.source.len() {
            return Ok(None);
        }
        self.source.peek(chunk.body, &mut sizes)?;
        let [.., a, b, c, d, e, f, g, h] = sizes;
        Ok(Some(u64::from_le_bytes([a, b, c, d, e, f, g, h])))
    }

    /// Where the samples are, whatever the size field says: no further than the file reaches.
    fn samples(&mut self, chunk: &Chunk) -> Result<Range<u64>, Refusal> {
        let start = chunk.body;
        let there = self.source.len().saturating_sub(start);
        let promised = match (chunk.size, self.long_data) {
            (OPEN_SIZE, Some(size)) if size > 0 => size,
            (OPEN_SIZE, None) => {
                self.note("The size of the samples was left open (0xFFFFFFFF): all up to the end of the file was read.");
                there
            }
            (0 | OPEN_SIZE, _) if there > 0 && !self.known_chunk_at(start)? => {
                self.note("The size of the samples was left at 0, as when a recorder loses power: all up to the end of the file was read.");
                there
            }
            (0 | OPEN_SIZE, _) => 0,
            (size, _) => u64::from(size),
        };
        if promised > there {
            // Writers to a pipe promise the most that fits: nothing is missing then.
            self.incomplete |= promised < PLACEHOLDER;
            self.note(&format!(
                "The header promises {promised} bytes of samples, the file holds {there}: what is there was read."
            ));
        }
        let end = start + promised.min(there);
        self.note_what_follows(end, promised)?;
        Ok(start..end)
    }

    /// Behind the samples there may be chunks, or a little that some program left. More than a tenth of the
    /// samples is likely sound that the header leaves out, as when a recorder stopped before it wrote the
    /// last size.
    fn note_what_follows(&mut self, end: u64, promised: u64) -> Result<(), Refusal> {
        let left = self.source.len() - end;
        let padded = end + promised % 2;
        if left > promised / 10 + 64 && self.chunk_at(padded)?.is_none() && self.chunk_at(end)?.is_none() {
            self.note(&format!(
                "The header promises {promised} bytes of samples; behind them {left} more are in no chunk and were not read."
            ));
        }
        Ok(())
    }

    /// Steps over the pad byte behind an odd chunk, unless the writer forgot it.
    fn skip_padding(&mut self, end: u64, size: u32) -> Result<u64, Refusal> {
        if size.is_multiple_of(2) || end >= self.source.len() {
            return Ok(end);
        }
        let (padded, unpadded) = (end + 1, end);
        let forgotten = !self.known_chunk_at(padded)?
            && (self.known_chunk_at(unpadded)?
                || (self.chunk_at(padded)?.is_none() && self.chunk_at(unpadded)?.is_some()));
        if forgotten {
            self.note(&format!("The pad byte behind the odd chunk that ends at byte {end} is missing."));
        }
        Ok(if forgotten { unpadded } else { padded })
    }

    /// The chunk whose header stands at `at`, if the bytes can be one.
    fn chunk_at(&mut self, at: u64) -> Result<Option<Chunk>, Refusal> {
        if at.saturating_add(8) > self.source.len() {
            return Ok(None);
        }
        let mut header = [0; 8];
        self.source.peek(at, &mut header)?;
        let [i, d, e, n, size @ ..] = header;
        let id = [i, d, e, n];
        let plausible = id.iter().all(|b| (b' '..=b'~').contains(b));
        Ok(plausible.then(|| Chunk { id, size: self.container.u32(size), body: at + 8 }))
    }

    fn known_chunk_at(&mut self, at: u64) -> Result<bool, Refusal> {
        Ok(self.chunk_at(at)?.is_some_and(|chunk| KNOWN.contains(&&chunk.id)))
    }

    fn what_stands_at(&mut self, at: u64) -> Result<String, Refusal> {
        let held = self.source.len().saturating_sub(at).min(8) as usize;
        if held < 8 {
            return Ok(format!("the end of the file at byte {}", self.source.len()));
        }
        let mut bytes = vec![0; held];
        self.source.peek(at, &mut bytes)?;
        Ok(format!("{} at byte {at}, which is no chunk", describe(&bytes)))
    }

    fn note(&mut self, sentence: &str) {
        self.repairs.push(sentence.to_owned());
    }
}
