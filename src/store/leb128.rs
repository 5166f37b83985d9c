//! Whole numbers in as few bytes as they need: LEB128, and zigzag for those that may be negative.
//!
//! The form that Parquet's pages (Apache Parquet format, `Encodings.md`) and the journal's blocks share; it does not know either.

/// Appends a number, seven bits a byte, the lowest first.
pub(super) fn put(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Takes a number from the front; `None` where the bytes end before it does, or it would be longer than 64 bits.
pub(super) fn take(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        value |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

/// Small numbers of either sign to small ones without: 0, -1, 1, -2 ... to 0, 1, 2, 3 ...
pub(super) fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The inverse of [`zigzag`].
pub(super) fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn numbers_come_back(value in proptest::prelude::any::<i64>()) {
            let mut out = Vec::new();
            put(&mut out, zigzag(value));
            let mut bytes = &out[..];
            proptest::prop_assert_eq!(take(&mut bytes).map(unzigzag), Some(value));
            proptest::prop_assert!(bytes.is_empty());
            proptest::prop_assert_eq!(take(&mut &out[..out.len() - 1]), None, "cut short");
        }
    }

    #[test]
    fn small_numbers_are_one_byte() {
        assert_eq!([0, -1, 1, -2].map(zigzag), [0, 1, 2, 3]);
        let mut out = Vec::new();
        put(&mut out, 127);
        put(&mut out, 128);
        assert_eq!(out, [0x7f, 0x80, 1]);
    }
}
