//! Pixels as PNG.

use super::raster::Canvas;
use super::{Drawing, Pixels};
use base64::Engine as _;

/// The pixels as a PNG file in memory; nothing where width and height don't fit the bytes.
#[must_use]
pub fn encode(pixels: &Pixels) -> Vec<u8> {
    let mut bytes = Vec::new();
    let size = u32::try_from(pixels.width).ok().zip(u32::try_from(pixels.height).ok());
    let Some((width, height)) = size.filter(|_| pixels.rgba.len() == 4 * pixels.width * pixels.height) else {
        return bytes;
    };
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    let written = encoder.write_header().and_then(|mut writer| writer.write_image_data(&pixels.rgba));
    // Writing to memory fails only for a size of zero, which is no picture.
    if written.is_ok() { bytes } else { Vec::new() }
}

/// The pixels as an address that holds the whole picture (RFC 2397).
#[must_use]
pub fn data_uri(pixels: &Pixels) -> String {
    format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(encode(pixels)))
}

/// The figure as a PNG file, `scale` pixels a unit, on light ground.
#[must_use]
pub fn figure(drawing: &Drawing, scale: f64) -> Vec<u8> {
    encode(&Canvas::of(drawing, scale).into_pixels())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What was encoded is what a decoder of the same crate reads; a wrong size gives nothing.
    #[test]
    fn pixels_come_back() {
        let pixels = Pixels { width: 2, height: 1, rgba: vec![1, 2, 3, 255, 5, 6, 7, 8] };
        let bytes = encode(&pixels);
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut found = vec![0; 8];
        reader.next_frame(&mut found).unwrap();
        assert_eq!(found, pixels.rgba);
        assert!(encode(&Pixels { width: 3, ..pixels }).is_empty());
    }
}
