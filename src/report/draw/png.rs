//! Pixels as PNG.

use super::raster::Canvas;
use super::{Drawing, MARK, Pixels};
use base64::Engine as _;

/// The pixels as a PNG file in memory; nothing where width and height don't fit the bytes, or are zero.
#[must_use]
pub fn encode(pixels: &Pixels) -> Vec<u8> {
    encoded(pixels, false)
}

/// `marked`: with a text that says who drew it (PNG, third edition, 11.3.3.2).
fn encoded(pixels: &Pixels, marked: bool) -> Vec<u8> {
    let size = u32::try_from(pixels.width).ok().zip(u32::try_from(pixels.height).ok());
    let Some((width, height)) = size.filter(|_| pixels.rgba.len() == 4 * pixels.width * pixels.height) else {
        return Vec::new();
    };
    if width == 0 || height == 0 {
        return Vec::new();
    }
    let mut header = [width.to_be_bytes(), height.to_be_bytes()].concat();
    // Eight bits of red, green, blue and opacity; the only compression and filter method; not interlaced.
    header.extend([8, 6, 0, 0, 0]);
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    chunk(&mut bytes, b"IHDR", &header);
    if marked {
        // Keyword, a zero byte, text (ISO/IEC 15948:2004, 11.3.4.3).
        chunk(&mut bytes, b"tEXt", format!("Comment\0{MARK}").as_bytes());
    }
    chunk(&mut bytes, b"IDAT", &miniz_oxide::deflate::compress_to_vec_zlib(&filtered(pixels), 9));
    chunk(&mut bytes, b"IEND", &[]);
    bytes
}

/// Length, type, contents, checksum (ISO/IEC 15948:2004, 5.3).
fn chunk(bytes: &mut Vec<u8>, kind: &[u8; 4], contents: &[u8]) {
    bytes.extend(u32::try_from(contents.len()).unwrap_or(u32::MAX).to_be_bytes());
    let start = bytes.len();
    bytes.extend(kind);
    bytes.extend(contents);
    bytes.extend(checksum(&bytes[start..]).to_be_bytes());
}

/// Cyclic redundancy check with the polynomial of ISO/IEC 15948:2004, 5.5.
fn checksum(bytes: &[u8]) -> u32 {
    let step = |crc: u32| if crc & 1 == 1 { 0xEDB8_8320 ^ (crc >> 1) } else { crc >> 1 };
    let table: [u32; 256] = std::array::from_fn(|n| (0..8).fold(n as u32, |crc, _| step(crc)));
    !bytes.iter().fold(u32::MAX, |crc, byte| table[((crc ^ u32::from(*byte)) & 0xFF) as usize] ^ (crc >> 8))
}

/// Rows as differences to the left or to the row above, whichever is smallest in sum (ISO/IEC 15948:2004, 9 and 12.8).
fn filtered(pixels: &Pixels) -> Vec<u8> {
    let width = 4 * pixels.width;
    let mut above = vec![0; width];
    let mut rows = Vec::with_capacity((width + 1) * pixels.height);
    for row in pixels.rgba.chunks(width) {
        let left = |k: usize| if k < 4 { 0 } else { row[k - 4] };
        let candidates = [
            row.to_vec(),
            row.iter().enumerate().map(|(k, x)| x.wrapping_sub(left(k))).collect(),
            row.iter().zip(&above).map(|(x, up)| x.wrapping_sub(*up)).collect(),
        ];
        let size = |row: &Vec<u8>| row.iter().map(|x| u64::from((*x as i8).unsigned_abs())).sum::<u64>();
        let best = candidates.iter().zip(0_u8..).min_by_key(|(row, _)| size(row));
        if let Some((differences, method)) = best {
            rows.push(method);
            rows.extend(differences);
        }
        above.copy_from_slice(row);
    }
    rows
}

/// The pixels as an address that holds the whole picture (RFC 2397).
#[must_use]
pub fn data_uri(pixels: &Pixels) -> String {
    format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(encode(pixels)))
}

/// The figure as a PNG file, `scale` pixels a unit, on light ground.
#[must_use]
pub fn figure(drawing: &Drawing, scale: f64) -> Vec<u8> {
    encoded(&Canvas::of(drawing, scale).into_pixels(), true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(bytes: &[u8]) -> Vec<u8> {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut found = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut found).unwrap();
        found
    }

    /// What was encoded is what another's decoder (the crate `png`) reads, whichever filter each row has; a wrong
    /// size gives nothing.
    #[test]
    fn pixels_come_back() {
        let pixels = Pixels { width: 2, height: 1, rgba: vec![1, 2, 3, 255, 5, 6, 7, 8] };
        assert_eq!(decoded(&encode(&pixels)), pixels.rgba);
        assert!(encode(&Pixels { width: 3, ..pixels }).is_empty());
        assert!(encode(&Pixels { width: 0, height: 0, rgba: Vec::new() }).is_empty());
        let value = |k: usize| match k / 4 / 40 {
            row if row < 10 => (k * k / 7 % 256) as u8,
            row if row < 20 => (k / 4 % 40 * 5) as u8,
            row => (row * 8) as u8,
        };
        let drawn = Pixels { width: 40, height: 30, rgba: (0..4800).map(value).collect() };
        assert_eq!(decoded(&encode(&drawn)), drawn.rgba);
        let methods: Vec<u8> = filtered(&drawn).chunks(161).map(|row| row[0]).collect();
        assert!((0..3).all(|method| methods.contains(&method)), "{methods:?}");
    }

    /// The check value that is usual for this polynomial: "123456789" gives CBF43926.
    #[test]
    fn the_checksum_is_the_usual_one() {
        assert_eq!(checksum(b"123456789"), 0xCBF4_3926);
    }
}
