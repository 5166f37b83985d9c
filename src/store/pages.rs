//! Pages out of a column chunk, unpacked: the header is read here, and memory and zstd context are kept from page to page.
//!
//! The Parquet crate makes a codec and two buffers for every chunk, which costs more than unpacking a short one. Reads the headers
//! of what this program writes (Apache Parquet format, `parquet.thrift`, data pages of version 1, in Thrift's compact protocol); does
//! not judge what a page holds. Total: any bytes give a page or `None`, never a panic.

use std::ops::Range;

use parquet::basic::Compression;
use parquet::file::metadata::ColumnChunkMetaData;
use zstd::zstd_safe::DParameter;

use super::leb128::{take, unzigzag};
use super::read_once::ReadOnce;

/// No page of numbers or names is longer once unpacked, bytes: a row group's rows of 8 bytes, and their levels. Byte strings, which may be, are
/// read by nobody here.
const PAGE_MAX: usize = 64 << 20;

/// Nor do the columns that are read of a row group take more together, bytes.
const GROUP_MAX: usize = PAGE_MAX;

/// What a page is, as far as this program writes them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    /// The distinct values.
    Dictionary,
    /// A data page.
    Data,
}

/// A page's header.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Header {
    /// What it is.
    pub kind: Kind,
    /// Values in it, nulls too.
    pub values: usize,
    /// How the values are laid out: the format's number of the encoding.
    pub encoding: i64,
    packed: usize,
    unpacked: usize,
}

/// The format's number of PLAIN.
pub(super) const PLAIN: i64 = 0;
/// The format's number of DELTA_BINARY_PACKED.
pub(super) const DELTA_BINARY_PACKED: i64 = 5;
/// The format's number of RLE_DICTIONARY.
pub(super) const RLE_DICTIONARY: i64 = 8;

/// Reads column chunks, one after another, into one stretch of memory that is used again when it is emptied.
pub(super) struct Pages {
    zstd: zstd::bulk::Decompressor<'static>,
    /// One stretch for all columns: freed, it is room for anything, where a piece for each column would leave gaps.
    unpacked: Vec<u8>,
    /// How much of it is taken.
    taken: usize,
}

/// A page, and where it stands unpacked.
type Place = (Header, Range<usize>);

/// A column chunk whose pages are unpacked.
#[derive(Clone)]
pub(super) struct Chunk {
    dictionary: Option<Place>,
    data: Place,
}

impl Pages {
    pub fn new() -> std::io::Result<Self> {
        let zstd = zstd::bulk::Decompressor::new()?;
        Ok(Self { zstd, unpacked: Vec::new(), taken: 0 })
    }

    /// Lets go of all that was unpacked.
    pub fn clear(&mut self) {
        self.taken = 0;
    }

    /// Makes room for columns that are to be unpacked side by side, in one go: growing piece by piece leaves gaps behind.
    pub fn expect<'c>(&mut self, columns: impl Iterator<Item = &'c ColumnChunkMetaData>) {
        let lengths = columns.map(|column| usize::try_from(column.uncompressed_size()).unwrap_or(0));
        // A footer that claims more is not believed: the room is only a help.
        let wanted = lengths.fold(0, usize::saturating_add).min(PAGE_MAX);
        self.unpacked.reserve_exact(wanted.saturating_sub(self.unpacked.len()));
    }

    /// Reads a chunk whose place in the file was found sound; the error is what is wrong with it, without the file's name.
    pub fn read(&mut self, file: &mut ReadOnce<'_>, column: &ColumnChunkMetaData) -> Result<Chunk, String> {
        if !matches!(column.compression(), Compression::ZSTD(_)) {
            return Err("a column is packed in a way that this program does not write".into());
        }
        let (start, length) = column.byte_range();
        // Each page ends with a checksum of its own, which would tell what the file's digest tells.
        let checks = DParameter::ForceIgnoreChecksum(file.is_told_of(start));
        self.zstd.set_parameter(checks).map_err(|error| error.to_string())?;
        let packed = file.read(start, length as usize).map_err(|error| error.to_string())?;
        self.unpack(packed)
    }

    fn unpack(&mut self, mut rest: &[u8]) -> Result<Chunk, String> {
        let mut page = next(&mut rest)?;
        let mut dictionary = None;
        if page.0.kind == Kind::Dictionary {
            dictionary = Some(self.unpack_page(page)?);
            page = next(&mut rest)?;
        }
        if page.0.kind != Kind::Data {
            return Err("a column has no values".into());
        }
        Ok(Chunk { dictionary, data: self.unpack_page(page)? })
    }

    fn unpack_page(&mut self, (header, packed): (Header, &[u8])) -> Result<Place, String> {
        let place = self.taken..self.taken.saturating_add(header.unpacked);
        if place.end > GROUP_MAX {
            return Err("a row group is longer than this program writes".into());
        }
        if self.unpacked.len() < place.end {
            self.unpacked.resize(place.end, 0);
        }
        let out = &mut self.unpacked[place.clone()];
        let length = self.zstd.decompress_to_buffer(packed, out);
        let length = length.map_err(|error| format!("a page cannot be unpacked: {error}"))?;
        if length != header.unpacked {
            return Err(format!("a page has {length} bytes, not {}", header.unpacked));
        }
        self.taken = place.end;
        Ok((header, place))
    }

    /// The page of distinct values of a chunk that was read since all was let go of, where it has one.
    pub fn dictionary(&self, chunk: &Chunk) -> Option<(Header, &[u8])> {
        let (header, place) = chunk.dictionary.clone()?;
        Some((header, self.unpacked.get(place)?))
    }

    /// The first data page of such a chunk.
    pub fn data(&self, chunk: &Chunk) -> (Header, &[u8]) {
        let (header, place) = chunk.data.clone();
        (header, self.unpacked.get(place).unwrap_or_default())
    }
}

/// The next page, still packed.
fn next<'a>(rest: &mut &'a [u8]) -> Result<(Header, &'a [u8]), String> {
    if rest.is_empty() {
        return Err("a column has no values".into());
    }
    let header = header(rest).ok_or("a page's header cannot be read")?;
    let (packed, after) = rest.split_at_checked(header.packed).ok_or("a page is longer than its column")?;
    *rest = after;
    Ok((header, packed))
}

/// A page's header off the front; `None` where it is none, or of a kind that this program does not write.
fn header(bytes: &mut &[u8]) -> Option<Header> {
    let (mut kind, mut packed, mut unpacked, mut inner) = (None, None, None, None);
    let mut field = 0;
    while let Some(code) = next_field(bytes, &mut field)? {
        match (field, code) {
            (1, I32) => {
                kind = match unzigzag(take(bytes)?) {
                    0 => Some(Kind::Data),
                    2 => Some(Kind::Dictionary),
                    _ => return None,
                }
            }
            (2, I32) => unpacked = usize::try_from(unzigzag(take(bytes)?)).ok().filter(|length| *length <= PAGE_MAX),
            (3, I32) => packed = usize::try_from(unzigzag(take(bytes)?)).ok(),
            (5 | 7, STRUCT) => inner = Some(of_kind(bytes)?),
            _ => skip(bytes, code, 0)?,
        }
    }
    let (values, encoding) = inner?;
    Some(Header { kind: kind?, values, encoding, packed: packed?, unpacked: unpacked? })
}

/// Of a data or a dictionary page's own header: how many values, and the encoding.
fn of_kind(bytes: &mut &[u8]) -> Option<(usize, i64)> {
    let (mut values, mut encoding, mut field) = (None, None, 0);
    while let Some(code) = next_field(bytes, &mut field)? {
        match (field, code) {
            (1, I32) => values = usize::try_from(unzigzag(take(bytes)?)).ok(),
            (2, I32) => encoding = Some(unzigzag(take(bytes)?)),
            _ => skip(bytes, code, 0)?,
        }
    }
    Some((values?, encoding?))
}

// Codes of Thrift's compact protocol (Apache Thrift, `doc/specs/thrift-compact-protocol.md`).
const BYTE: u8 = 3;
const I16: u8 = 4;
const I32: u8 = 5;
const I64: u8 = 6;
const DOUBLE: u8 = 7;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const SET: u8 = 10;
const STRUCT: u8 = 12;

/// The code of the next field, whose number goes to `field`; `Some(None)` at the struct's end.
fn next_field(bytes: &mut &[u8], field: &mut i64) -> Option<Option<u8>> {
    let (&first, rest) = bytes.split_first()?;
    *bytes = rest;
    if first == 0 {
        return Some(None);
    }
    match first >> 4 {
        0 => *field = unzigzag(take(bytes)?),
        step => *field = field.checked_add(i64::from(step))?,
    }
    Some(Some(first & 15))
}

/// Passes over a field of no interest.
fn skip(bytes: &mut &[u8], code: u8, depth: u8) -> Option<()> {
    match code {
        // Truth values stand in the code itself.
        1 | 2 => Some(()),
        BYTE => pass(bytes, 1),
        I16 | I32 | I64 => take(bytes).map(drop),
        DOUBLE => pass(bytes, 8),
        BINARY => {
            let length = usize::try_from(take(bytes)?).ok()?;
            pass(bytes, length)
        }
        LIST | SET if depth < 8 => {
            let (&first, rest) = bytes.split_first()?;
            *bytes = rest;
            let count = if first >> 4 == 15 { take(bytes)? } else { u64::from(first >> 4) };
            // Each element is at least a byte, so bytes that end early end this.
            (0..count).try_for_each(|_| match first & 15 {
                1 | 2 => pass(bytes, 1),
                code => skip(bytes, code, depth + 1),
            })
        }
        STRUCT if depth < 8 => {
            let mut field = 0;
            while let Some(code) = next_field(bytes, &mut field)? {
                skip(bytes, code, depth + 1)?;
            }
            Some(())
        }
        _ => None,
    }
}

fn pass(bytes: &mut &[u8], count: usize) -> Option<()> {
    *bytes = bytes.split_at_checked(count)?.1;
    Some(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = header(&mut &bytes[..]);
            // The same behind a beginning that is sound.
            let _ = header(&mut &[&[0x15, 0, 0x15, 4, 0x15, 4, 0x2c][..], &bytes].concat()[..]);
        }
    }

    #[test]
    fn a_header_is_read_as_the_format_says() {
        // By hand after `parquet.thrift` and the compact protocol: type 0, 300 and 20 bytes, data page of 7 values, PLAIN, levels
        // RLE (3) and BIT_PACKED (4), statistics with a null count of 2, which is passed over.
        let bytes =
            [0x15, 0, 0x15, 0xd8, 4, 0x15, 40, 0x2c, 0x15, 14, 0x15, 0, 0x15, 6, 0x15, 8, 0x1c, 0x36, 4, 0, 0, 0, 0xff];
        let mut rest = &bytes[..];
        let wanted = Header { kind: Kind::Data, values: 7, encoding: PLAIN, packed: 20, unpacked: 300 };
        assert_eq!(header(&mut rest), Some(wanted));
        assert_eq!(rest, [0xff]);
        for cut in 0..bytes.len() - 1 {
            assert_eq!(header(&mut &bytes[..cut]), None, "cut at {cut}");
        }
    }
}
