//! HDF5 files as netCDF-4 lays them out: named dimensions, variables of 64-bit floats along them, text attributes.
//!
//! No more than SOFA files need, after "HDF5 File Format Specification Version 3.0" (The HDF Group): superblock 2,
//! object headers 2, links in the root's header, contiguous data. Named dimensions are dimension scales ("HDF5
//! Dimension Scale Specification"): each variable refers to its own (`DIMENSION_LIST`) and they refer back
//! (`REFERENCE_LIST`). Dimensions that are no variables carry the name by which netCDF-4 knows them ("NetCDF User's
//! Guide", file format specifications). There is no time in the file: the same contents give the same bytes.

use std::io::{self, Write};

/// A whole file. Variables name dimensions of the file; their values are as many as these multiply to.
#[derive(Debug, Default)]
pub(super) struct File<'a> {
    pub attributes: Vec<(&'a str, String)>,
    pub dimensions: Vec<(&'a str, u64)>,
    pub variables: Vec<Variable<'a>>,
}

/// An array of numbers.
#[derive(Debug, Default)]
pub(super) struct Variable<'a> {
    pub name: &'a str,
    pub along: Vec<&'a str>,
    pub attributes: Vec<(&'a str, String)>,
    pub values: Vec<f64>,
}

/// An address that leads nowhere.
const UNDEFINED: u64 = u64::MAX;
const SUPERBLOCK: u64 = 48;

/// Where everything lies, known once the sizes are.
#[derive(Default)]
struct Addresses {
    root: u64,
    dimensions: Vec<u64>,
    variables: Vec<u64>,
    heap: u64,
    data: Vec<u64>,
    end: u64,
}

impl File<'_> {
    /// Writes the file.
    ///
    /// # Errors
    /// Those of `out`; [`io::ErrorKind::InvalidInput`] for a text or a number of references that no header holds.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        let at = self.addresses()?;
        let mut superblock = b"\x89HDF\r\n\x1a\n\x02\x08\x08\x00".to_vec();
        [0, UNDEFINED, at.end, at.root].iter().for_each(|place| superblock.extend(place.to_le_bytes()));
        out.write_all(&checked(superblock))?;
        for header in self.headers(&at)? {
            out.write_all(&header)?;
        }
        out.write_all(&self.heap(&at))?;
        for variable in &self.variables {
            let bytes: Vec<u8> = variable.values.iter().flat_map(|value| value.to_le_bytes()).collect();
            out.write_all(&bytes)?;
        }
        Ok(())
    }

    /// Sizes don't depend on addresses, so headers made without them tell where all things come to lie.
    fn addresses(&self) -> io::Result<Addresses> {
        let none = |count: usize| vec![0; count];
        let (dimensions, variables) = (self.dimensions.len(), self.variables.len());
        let blank = Addresses {
            dimensions: none(dimensions),
            variables: none(variables),
            data: none(variables),
            ..Addresses::default()
        };
        let mut next = SUPERBLOCK;
        let mut place = |size: u64| {
            let here = next;
            next += size;
            here
        };
        let places: Vec<u64> =
            self.headers(&blank)?.iter().map(|header| place(header.len() as u64)).collect();
        let heap = place(self.heap(&blank).len() as u64);
        let data = self.variables.iter().map(|variable| place(8 * variable.values.len() as u64)).collect();
        let (objects, end) = (places.get(1..).unwrap_or_default(), next);
        Ok(Addresses {
            root: SUPERBLOCK,
            dimensions: objects[..dimensions].to_vec(),
            variables: objects[dimensions..].to_vec(),
            heap,
            data,
            end,
        })
    }

    /// The root's header, those of the dimensions, those of the variables.
    fn headers(&self, at: &Addresses) -> io::Result<Vec<Vec<u8>>> {
        let mut headers = vec![self.root(at)?];
        for index in 0..self.dimensions.len() {
            headers.push(self.dimension(index, at)?);
        }
        for index in 0..self.variables.len() {
            headers.push(self.variable(index, at)?);
        }
        Ok(headers)
    }

    fn root(&self, at: &Addresses) -> io::Result<Vec<u8>> {
        let names = self.dimensions.iter().map(|dimension| dimension.0);
        let names: Vec<&str> = names.chain(self.variables.iter().map(|variable| variable.name)).collect();
        let mut header = Header::default();
        // Link info: the order of making is kept; no heap, for all links are here.
        let mut info = vec![0, 1];
        info.extend((names.len() as u64).to_le_bytes());
        [UNDEFINED; 2].iter().for_each(|place| info.extend(place.to_le_bytes()));
        header.message(0x02, &info)?;
        // Group info: that many links may stand here.
        header.message(0x0a, &[0, 1, 0xff, 0xff, 0, 0])?;
        for (order, (name, object)) in names.iter().zip(at.dimensions.iter().chain(&at.variables)).enumerate()
        {
            let length = u8::try_from(name.len()).map_err(io::Error::other)?;
            let mut link = vec![1, 0b100];
            link.extend((order as u64).to_le_bytes());
            link.push(length);
            link.extend(name.as_bytes());
            link.extend(object.to_le_bytes());
            header.message(0x06, &link)?;
        }
        header.texts(&self.attributes)?;
        header.finish()
    }

    fn dimension(&self, index: usize, at: &Addresses) -> io::Result<Vec<u8>> {
        let (_, size) = self.dimensions[index];
        let mut header = Header::default();
        // Never filled: netCDF-4's dimensions have a length and no values.
        header.dataset(&[size], FLOAT_32, (UNDEFINED, 4 * size))?;
        // With their NUL: without, the library takes the dataset for no scale.
        header.text("CLASS", "DIMENSION_SCALE\0")?;
        header.text("NAME", &format!("This is a netCDF dimension but not a netCDF variable.{size:10}\0"))?;
        let id = i32::try_from(index).map_err(io::Error::other)?;
        header.attribute("_Netcdf4Dimid", (INTEGER_32, &[]), &id.to_le_bytes())?;
        let users = self.variables.iter().zip(&at.variables).flat_map(|(variable, place)| {
            let axes = variable.along.iter().enumerate();
            axes.filter(|(_, name)| self.index(name) == Some(index))
                .map(move |(axis, _)| (*place, axis as u32))
        });
        let mut references = Vec::new();
        let mut count = 0;
        for (place, axis) in users {
            references.extend(place.to_le_bytes());
            references.extend(u64::from(axis).to_le_bytes());
            count += 1;
        }
        if count > 0 {
            header.attribute("REFERENCE_LIST", (&reference_and_axis(), &[count]), &references)?;
        }
        header.finish()
    }

    fn variable(&self, index: usize, at: &Addresses) -> io::Result<Vec<u8>> {
        let variable = &self.variables[index];
        let sizes: Option<Vec<u64>> =
            variable.along.iter().map(|name| Some(self.dimensions[self.index(name)?].1)).collect();
        let sizes = sizes.filter(|sizes| sizes.iter().product::<u64>() == variable.values.len() as u64);
        let sizes = sizes.ok_or(io::ErrorKind::InvalidInput)?;
        let mut header = Header::default();
        header.dataset(&sizes, FLOAT_64, (at.data[index], 8 * variable.values.len() as u64))?;
        let mut scales = Vec::new();
        for name in &variable.along {
            let object = self.index(name).unwrap_or_default() as u32 + 1;
            scales.extend(1_u32.to_le_bytes());
            scales.extend(at.heap.to_le_bytes());
            scales.extend(object.to_le_bytes());
        }
        header.attribute("DIMENSION_LIST", (&sequence_of_references(), &[sizes.len() as u64]), &scales)?;
        header.texts(&variable.attributes)?;
        header.finish()
    }

    /// A global heap with one object a dimension, its address: what `DIMENSION_LIST` leads to.
    fn heap(&self, at: &Addresses) -> Vec<u8> {
        const LEAST: usize = 4096;
        const OBJECT: usize = 24;
        const HEAD: usize = 16;
        let used = HEAD + OBJECT * at.dimensions.len();
        let size = (used + HEAD).max(LEAST);
        let mut heap = b"GCOL\x01\0\0\0".to_vec();
        heap.extend((size as u64).to_le_bytes());
        for (index, place) in (1_u16..).zip(&at.dimensions) {
            heap.extend(index.to_le_bytes());
            heap.extend([1, 0, 0, 0, 0, 0]);
            heap.extend(8_u64.to_le_bytes());
            heap.extend(place.to_le_bytes());
        }
        // Object 0 is what is free.
        heap.extend([0; 8]);
        heap.extend(((size - used) as u64).to_le_bytes());
        heap.resize(size, 0);
        heap
    }

    fn index(&self, name: &str) -> Option<usize> {
        self.dimensions.iter().position(|dimension| dimension.0 == name)
    }
}

/// Little-endian IEEE numbers: class and version, bit field, size, properties.
const FLOAT_64: &[u8] = &[0x11, 0x20, 63, 0, 8, 0, 0, 0, 0, 0, 64, 0, 52, 11, 0, 52, 0xff, 3, 0, 0];
const FLOAT_32: &[u8] = &[0x11, 0x20, 31, 0, 4, 0, 0, 0, 0, 0, 32, 0, 23, 8, 0, 23, 127, 0, 0, 0];
const INTEGER_32: &[u8] = &[0x10, 0x08, 0, 0, 4, 0, 0, 0, 0, 0, 32, 0];
const REFERENCE: &[u8] = &[0x17, 0, 0, 0, 8, 0, 0, 0];

fn sequence_of_references() -> Vec<u8> {
    [&[0x19, 0, 0, 0, 16, 0, 0, 0], REFERENCE].concat()
}

/// Two members, as the dimension scales' specification names them; the integer stands at byte 8 of 16.
fn reference_and_axis() -> Vec<u8> {
    [&[0x36, 2, 0, 0, 16, 0, 0, 0], &b"dataset\0\0"[..], REFERENCE, b"dimension\0\x08", INTEGER_32].concat()
}

/// Messages of an object header.
#[derive(Default)]
struct Header(Vec<u8>);

impl Header {
    fn message(&mut self, kind: u8, body: &[u8]) -> io::Result<()> {
        let size = u16::try_from(body.len()).map_err(|_| io::ErrorKind::InvalidInput)?;
        self.0.push(kind);
        self.0.extend(size.to_le_bytes());
        self.0.push(0);
        self.0.extend(body);
        Ok(())
    }

    /// What makes an object a dataset: its sizes, kind of number, fill value and place.
    fn dataset(&mut self, sizes: &[u64], kind: &[u8], (place, bytes): (u64, u64)) -> io::Result<()> {
        self.message(0x01, &dataspace(sizes))?;
        self.message(0x03, kind)?;
        // Fill value 0 of the library, space taken early for what is written and late for what isn't.
        self.message(0x05, &[3, if place == UNDEFINED { 0x0a } else { 0x09 }])?;
        let mut layout = vec![3, 1];
        layout.extend(place.to_le_bytes());
        layout.extend(bytes.to_le_bytes());
        self.message(0x08, &layout)
    }

    fn attribute(&mut self, name: &str, (kind, sizes): (&[u8], &[u64]), value: &[u8]) -> io::Result<()> {
        let space = dataspace(sizes);
        let mut body = vec![3, 0];
        for length in [name.len() + 1, kind.len(), space.len()] {
            body.extend((length as u16).to_le_bytes());
        }
        body.push(0);
        body.extend(name.as_bytes());
        body.push(0);
        body.extend(kind);
        body.extend(space);
        body.extend(value);
        self.message(0x0c, &body)
    }

    fn texts(&mut self, texts: &[(&str, String)]) -> io::Result<()> {
        texts.iter().try_for_each(|(name, text)| self.text(name, text))
    }

    /// A text as netCDF-4 has it: of its own length, by its type ended with NUL, which has no room there. HDF5 has no
    /// text of length 0, so an empty one is a NUL.
    fn text(&mut self, name: &str, text: &str) -> io::Result<()> {
        let bytes = if text.is_empty() { b"\0" } else { text.as_bytes() };
        let size = u32::try_from(bytes.len()).map_err(io::Error::other)?;
        // ASCII, or UTF-8 where there is more.
        let mut kind = vec![0x13, if text.is_ascii() { 0x00 } else { 0x10 }, 0, 0];
        kind.extend(size.to_le_bytes());
        self.attribute(name, (&kind, &[]), bytes)
    }

    fn finish(self) -> io::Result<Vec<u8>> {
        let size = u32::try_from(self.0.len()).map_err(io::Error::other)?;
        let mut header = b"OHDR\x02\x02".to_vec();
        header.extend(size.to_le_bytes());
        header.extend(self.0);
        Ok(checked(header))
    }
}

/// No sizes: one value.
fn dataspace(sizes: &[u64]) -> Vec<u8> {
    let mut space = vec![2, sizes.len() as u8, 0, u8::from(!sizes.is_empty())];
    sizes.iter().for_each(|size| space.extend(size.to_le_bytes()));
    space
}

fn checked(mut bytes: Vec<u8>) -> Vec<u8> {
    let sum = checksum(&bytes);
    bytes.extend(sum.to_le_bytes());
    bytes
}

/// `hashlittle` of Bob Jenkins' lookup3 (2006, in the public domain), started from 0: the format's checksum.
fn checksum(bytes: &[u8]) -> u32 {
    let start = 0xdead_beef_u32.wrapping_add(bytes.len() as u32);
    let mut state = [start; 3];
    let mut blocks = bytes.chunks(12).peekable();
    while let Some(block) = blocks.next() {
        for (word, quarter) in state.iter_mut().zip(block.chunks(4)) {
            let mut four = [0; 4];
            four[..quarter.len()].copy_from_slice(quarter);
            *word = word.wrapping_add(u32::from_le_bytes(four));
        }
        if blocks.peek().is_some() {
            mix(&mut state);
        } else {
            last_mix(&mut state);
        }
    }
    state[2]
}

fn mix(state: &mut [u32; 3]) {
    for (turn, bits) in [4, 6, 8, 16, 19, 4].into_iter().enumerate() {
        let (a, b, c) = (turn % 3, (turn + 1) % 3, (turn + 2) % 3);
        state[a] = state[a].wrapping_sub(state[c]) ^ state[c].rotate_left(bits);
        state[c] = state[c].wrapping_add(state[b]);
    }
}

fn last_mix(state: &mut [u32; 3]) {
    for (turn, bits) in [14, 11, 25, 16, 4, 14, 24].into_iter().enumerate() {
        let (to, from) = ((turn + 2) % 3, (turn + 1) % 3);
        state[to] = (state[to] ^ state[from]).wrapping_sub(state[from].rotate_left(bits));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The values that lookup3.c's own self-test names (driver5).
    #[test]
    fn the_checksum_is_lookup3() {
        assert_eq!(checksum(b""), 0xdead_beef);
        assert_eq!(checksum(b"Four score and seven years ago"), 0x1777_0551);
    }
}
