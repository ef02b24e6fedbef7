//! The bytes of a file: looked at in places first, then read once from start to end and hashed.

use std::io::{Read, Seek, SeekFrom};

use sha2::{Digest, Sha256};

use super::Refusal;
use crate::language::worded;

/// A file of known length, with the hash of what was streamed from it so far.
pub(super) struct Source<R> {
    inner: R,
    len: u64,
    position: u64,
    hash: Sha256,
}

impl<R: Read + Seek> Source<R> {
    /// Wraps a file and asks for its length.
    pub fn new(mut inner: R) -> Result<Self, Refusal> {
        let len = inner.seek(SeekFrom::End(0)).map_err(|e| Refusal::io(0, &e))?;
        if len == 0 {
            return Err(Refusal::Empty);
        }
        Ok(Self { inner, len, position: len, hash: Sha256::new() })
    }

    /// Length in bytes.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// The first bytes, up to 16.
    pub fn head(&mut self) -> Result<Vec<u8>, Refusal> {
        let mut head = vec![0; self.len.min(16) as usize];
        self.peek(0, &mut head)?;
        Ok(head)
    }

    /// Fills `into` from byte `at` on, leaving the hash alone.
    pub fn peek(&mut self, at: u64, into: &mut [u8]) -> Result<(), Refusal> {
        self.go(at)?;
        self.fill(into)
    }

    /// Goes to the first byte, from where [`Source::stream`] hashes.
    pub fn rewind(&mut self) -> Result<(), Refusal> {
        self.hash = Sha256::new();
        self.go(0)
    }

    /// Fills `into` with the next bytes and hashes them.
    pub fn stream(&mut self, into: &mut [u8]) -> Result<(), Refusal> {
        self.fill(into)?;
        self.hash.update(into);
        Ok(())
    }

    /// Streams on to byte `to`, dropping what comes; `scratch` is the step.
    pub fn stream_to(&mut self, to: u64, scratch: &mut [u8]) -> Result<(), Refusal> {
        while self.position < to {
            let step = (to - self.position).min(scratch.len() as u64) as usize;
            self.stream(&mut scratch[..step])?;
        }
        Ok(())
    }

    /// Hash of all that was streamed, in lower-case hexadecimal.
    pub fn digest(&self) -> String {
        self.hash.clone().finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// The file itself, at its first byte.
    #[cfg(feature = "flac-aiff")]
    pub fn into_inner(mut self) -> Result<R, Refusal> {
        self.go(0)?;
        Ok(self.inner)
    }

    fn go(&mut self, to: u64) -> Result<(), Refusal> {
        if self.position != to {
            self.inner.seek(SeekFrom::Start(to)).map_err(|e| Refusal::io(to, &e))?;
            self.position = to;
        }
        Ok(())
    }

    fn fill(&mut self, into: &mut [u8]) -> Result<(), Refusal> {
        self.inner.read_exact(into).map_err(|e| Refusal::io(self.position, &e))?;
        self.position += into.len() as u64;
        Ok(())
    }
}

/// What a file is, by its first bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Wav(Container),
    Flac,
    Aiff,
    Npy,
}

/// First bytes of audio formats that aren't read, so that the refusal can name them.
const NOT_READ: [(&[u8], &str); 13] = [
    (b"OggS", "Ogg (Vorbis, Opus)"),
    (b"caff", "Core Audio Format"),
    (b"wvpk", "WavPack"),
    (b"MAC ", "Monkey's Audio"),
    (b"riff\x2e\x91\xcf\x11", "Wave64"),
    (b".snd", "Sun/NeXT audio"),
    (b"\xff\xfb", "MP3"),
    (b"\xff\xf3", "MP3"),
    (b"\xff\xf2", "MP3"),
    (b"ID3", "MP3 (or a tagged file)"),
    (b"\xff\xf1", "AAC"),
    (b"\x89HDF", "HDF5 (SOFA)"),
    (b"MATLAB", "MATLAB data"),
];

impl Kind {
    /// Recognises the formats that are read, names some that aren't.
    pub fn of(head: &[u8]) -> Result<Self, Refusal> {
        let (id, form) = (head.get(..4).unwrap_or(head), head.get(8..12).unwrap_or_default());
        match (Container::of(id), id, form) {
            (Some(container), _, b"WAVE") => return Ok(Self::Wav(container)),
            (_, b"fLaC", _) => return Ok(Self::Flac),
            (_, b"FORM", b"AIFF" | b"AIFC") => return Ok(Self::Aiff),
            _ => {}
        }
        if head.starts_with(b"\x93NUMPY") {
            return Ok(Self::Npy);
        }
        if head.get(4..8) == Some(b"ftyp") {
            return Err(Refusal::FormatNotRead { format: "MPEG-4 audio" });
        }
        match NOT_READ.iter().find(|(start, _)| head.starts_with(start)) {
            Some((_, format)) => Err(Refusal::FormatNotRead { format }),
            None => Err(Refusal::NotAudio { found: describe(head) }),
        }
    }
}

/// Bytes as a person can read them: text where it is text, else hexadecimal.
pub(super) fn describe(bytes: &[u8]) -> String {
    if bytes.iter().all(|b| (b' '..=b'~').contains(b) || b"\t\r\n".contains(b)) {
        return format!("\"{}\"", bytes.escape_ascii());
    }
    let hex: Vec<String> = bytes.iter().map(|b| format!("{b:02x}")).collect();
    format!("bytes {}", hex.join(" "))
}

/// An error of a reader over the source that means: the file ends here.
#[cfg(feature = "flac-aiff")]
pub(super) fn is_end(error: &std::io::Error) -> bool {
    error.kind() == std::io::ErrorKind::UnexpectedEof
}

worded! {
    /// The flavours of RIFF that hold WAVE.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub(super) enum Container {
        /// Little endian, 32-bit sizes.
        Riff = "WAV",
        /// Big endian, 32-bit sizes.
        Rifx = "RIFX",
        /// 64-bit sizes in `ds64` (EBU Tech 3306).
        Rf64 = "RF64",
        /// 64-bit sizes in `ds64` (ITU-R BS.2088).
        Bw64 = "BW64",
    }
}

impl Container {
    /// The flavour that starts with these four letters.
    pub fn of(id: &[u8]) -> Option<Self> {
        match id {
            b"RIFF" => Some(Self::Riff),
            b"RIFX" => Some(Self::Rifx),
            b"RF64" => Some(Self::Rf64),
            b"BW64" => Some(Self::Bw64),
            _ => None,
        }
    }

    /// Whether numbers have their high byte first.
    pub fn big_endian(self) -> bool {
        self == Self::Rifx
    }

    pub fn u16(self, bytes: [u8; 2]) -> u16 {
        if self.big_endian() { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }

    pub fn u32(self, bytes: [u8; 4]) -> u32 {
        if self.big_endian() { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    }
}
