//! Bytes of WAV files, right and wrong ones, from named options; and the samples they must read as.

/// Sample `k` of channel `channel` (from 1) as an integer of `bits` bits. Integer arithmetic, so that
/// the truth is exact; it runs over the whole range, both ends included in the first two samples.
pub fn count(k: usize, channel: usize, bits: u32) -> i64 {
    let half = 1i64 << (bits - 1);
    match k {
        0 => -half,
        1 => half - 1,
        _ => {
            let (k, c) = (k as i64, channel as i64);
            (k * k * k * 40_503 + k * 2_654_435_761 + c * 97_531) % (2 * half) - half
        }
    }
}

/// What `frames` samples of a channel must read as, full scale 1.
pub fn truth(frames: usize, channel: usize, bits: u32) -> Vec<f64> {
    (0..frames).map(|k| count(k, channel, bits) as f64 / (1i64 << (bits - 1)) as f64).collect()
}

/// How a sample is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum As {
    /// Integer of so many bits, in so many bytes, shifted up to the container's upper end or not.
    Integer { bits: u32, bytes: usize, up: bool },
    /// 32-bit float of a 24-bit integer.
    F32,
    /// 64-bit float of a 24-bit integer.
    F64,
}

impl As {
    pub fn plain(bits: u32) -> Self {
        Self::Integer { bits, bytes: bits.div_ceil(8) as usize, up: true }
    }

    pub fn bytes(self) -> usize {
        match self {
            Self::Integer { bytes, .. } => bytes,
            Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// Bits of the integer that the sample holds.
    pub fn truth_bits(self) -> u32 {
        if let Self::Integer { bits, .. } = self { bits } else { 24 }
    }

    fn write(self, k: usize, channel: usize, big: bool, into: &mut Vec<u8>) {
        let bits = self.truth_bits();
        let value = count(k, channel, bits);
        let mut bytes = match self {
            Self::Integer { bytes: 1, .. } => vec![(value + 128) as u8],
            Self::Integer { bytes, up, .. } => {
                let shift = if up { 8 * bytes as u32 - bits } else { 0 };
                (value << shift).to_le_bytes()[..bytes].to_vec()
            }
            Self::F32 => (value as f32 / 8_388_608.0).to_le_bytes().to_vec(),
            Self::F64 => (value as f64 / 8_388_608.0).to_le_bytes().to_vec(),
        };
        if big {
            bytes.reverse();
        }
        into.extend(bytes);
    }
}

/// A chunk beside `fmt ` and `data`.
#[derive(Clone)]
pub struct Extra {
    pub id: [u8; 4],
    pub body: Vec<u8>,
    /// Whether an odd body gets its pad byte.
    pub padded: bool,
}

/// A WAV file; `None` stands for the right value.
#[derive(Clone)]
pub struct Wave {
    pub id: [u8; 4],
    pub tag: Option<u16>,
    pub channels: u16,
    pub rate_hz: u32,
    pub sample: As,
    pub frames: usize,
    /// `wBitsPerSample`.
    pub bits: Option<u16>,
    /// EXTENSIBLE with so many valid bits.
    pub valid_bits: Option<u16>,
    pub align: Option<u16>,
    pub byte_rate: Option<u32>,
    pub before: Vec<Extra>,
    pub after: Vec<Extra>,
    pub fmt: bool,
    pub fmt_last: bool,
    pub data: bool,
    pub data_size: Option<u32>,
    pub riff_size: Option<u32>,
    /// `ds64` with this data size in front.
    pub long_size: Option<u64>,
    /// Bytes of samples in place of the truth.
    pub raw: Option<Vec<u8>>,
    /// Bytes cut off the end of the file.
    pub cut: usize,
}

impl Wave {
    /// A mono file, right in all respects, of 601 frames at 48 kHz.
    pub fn new(sample: As) -> Self {
        Self {
            id: *b"RIFF",
            tag: None,
            channels: 1,
            rate_hz: 48_000,
            sample,
            frames: 601,
            bits: None,
            valid_bits: None,
            align: None,
            byte_rate: None,
            before: Vec::new(),
            after: Vec::new(),
            fmt: true,
            fmt_last: false,
            data: true,
            data_size: None,
            riff_size: None,
            long_size: None,
            raw: None,
            cut: 0,
        }
    }

    pub fn with(mut self, change: impl FnOnce(&mut Self)) -> Self {
        change(&mut self);
        self
    }

    pub fn chunk_before(self, id: &[u8; 4], len: usize, padded: bool) -> Self {
        self.with(|w| w.before.push(Extra { id: *id, body: vec![b'x'; len], padded }))
    }

    pub fn chunk_after(self, id: &[u8; 4], len: usize) -> Self {
        self.with(|w| w.after.push(Extra { id: *id, body: vec![b'x'; len], padded: true }))
    }

    pub fn samples(&self) -> Vec<u8> {
        if let Some(raw) = &self.raw {
            return raw.clone();
        }
        let mut bytes = Vec::new();
        for k in 0..self.frames {
            for channel in 1..=usize::from(self.channels) {
                self.sample.write(k, channel, self.big(), &mut bytes);
            }
        }
        bytes
    }

    fn big(&self) -> bool {
        &self.id == b"RIFX"
    }

    fn n16(&self, value: u16, into: &mut Vec<u8>) {
        into.extend(if self.big() { value.to_be_bytes() } else { value.to_le_bytes() });
    }

    fn n32(&self, value: u32, into: &mut Vec<u8>) {
        into.extend(if self.big() { value.to_be_bytes() } else { value.to_le_bytes() });
    }

    fn chunk(&self, id: &[u8; 4], body: &[u8], size: Option<u32>, padded: bool, into: &mut Vec<u8>) {
        into.extend(id);
        self.n32(size.unwrap_or(body.len() as u32), into);
        into.extend(body);
        if padded && body.len() % 2 == 1 {
            into.push(0);
        }
    }

    fn fmt_body(&self) -> Vec<u8> {
        let width = self.sample.bytes() as u16;
        let right_tag = if matches!(self.sample, As::Integer { .. }) { 1 } else { 3 };
        let tag = self.tag.unwrap_or(right_tag);
        let align = self.align.unwrap_or(self.channels.wrapping_mul(width));
        let mut body = Vec::new();
        self.n16(if self.valid_bits.is_some() { 0xFFFE } else { tag }, &mut body);
        self.n16(self.channels, &mut body);
        self.n32(self.rate_hz, &mut body);
        self.n32(self.byte_rate.unwrap_or(self.rate_hz.wrapping_mul(u32::from(align))), &mut body);
        self.n16(align, &mut body);
        self.n16(self.bits.unwrap_or(8 * width), &mut body);
        if let Some(valid) = self.valid_bits {
            self.n16(22, &mut body);
            self.n16(valid, &mut body);
            self.n32(0, &mut body);
            self.n16(tag, &mut body);
            body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
        }
        body
    }

    /// The file.
    pub fn bytes(&self) -> Vec<u8> {
        let mut body = b"WAVE".to_vec();
        if let Some(size) = self.long_size {
            let mut ds64 = vec![0; 28];
            ds64[8..16].copy_from_slice(&size.to_le_bytes());
            self.chunk(b"ds64", &ds64, None, true, &mut body);
        }
        if self.fmt && !self.fmt_last {
            self.chunk(b"fmt ", &self.fmt_body(), None, true, &mut body);
        }
        for extra in &self.before {
            self.chunk(&extra.id, &extra.body, None, extra.padded, &mut body);
        }
        if self.data {
            self.chunk(b"data", &self.samples(), self.data_size, true, &mut body);
        }
        for extra in &self.after {
            self.chunk(&extra.id, &extra.body, None, extra.padded, &mut body);
        }
        if self.fmt && self.fmt_last {
            self.chunk(b"fmt ", &self.fmt_body(), None, true, &mut body);
        }
        let mut file = self.id.to_vec();
        self.n32(self.riff_size.unwrap_or(body.len() as u32), &mut file);
        file.extend(body);
        file.truncate(file.len() - self.cut);
        file
    }
}
