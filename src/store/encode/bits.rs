//! Numbers packed at one width, as Parquet's bit-packed forms have them: least significant bit first, one behind another.
//!
//! Layout: Apache Parquet format, `Encodings.md`, "RLE/Bit-Packing Hybrid". Does not unpack (`decode_page` does).

/// Appends values of `width` bits, 64 at most, and zeros behind them up to `bytes` bytes in all.
pub(super) fn pack(values: impl Iterator<Item = u64>, width: u32, bytes: usize, out: &mut Vec<u8>) {
    let end = out.len() + bytes;
    // `held` has room for more, always.
    let (mut held, mut bits) = (0u64, 0);
    for value in values {
        held |= value << bits;
        let room = u64::BITS - bits;
        if width < room {
            bits += width;
        } else {
            out.extend_from_slice(&held.to_le_bytes());
            held = value.checked_shr(room).unwrap_or(0);
            bits = width - room;
        }
    }
    out.extend_from_slice(&held.to_le_bytes());
    out.resize(end, 0);
}
