//! What tells a file's bytes from any others: a digest, beside the algorithm that formed it.
//!
//! BLAKE3 is that of what is long, recordings and tables: it takes a quarter of the time of SHA-256 where a processor has instructions for that, and
//! less where it has none. What is short, and what people hold beside other papers, is told by SHA-256. Reads no file and decides no more than that.

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

/// A digest in lower-case hexadecimal digits.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(try_from = "Keys", into = "Keys")]
pub enum Digest {
    /// BLAKE3 of 32 bytes (O'Connor, Aumasson, Neves, Wilcox-O'Hearn, 2020).
    Blake3(String),
    /// SHA-256 (FIPS 180-4).
    Sha256(String),
}

impl Digest {
    /// Its digits.
    pub fn hex(&self) -> &str {
        match self {
            Self::Blake3(hex) | Self::Sha256(hex) => hex,
        }
    }

    /// The program that prints it of a file.
    pub fn printed_by(&self) -> &'static str {
        match self {
            Self::Blake3(_) => "b3sum",
            Self::Sha256(_) => "sha256sum",
        }
    }
}

/// A digest as files write it: under the key that names its algorithm.
#[derive(Default, Serialize, Deserialize)]
struct Keys {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    blake3: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sha256: Option<String>,
}

impl Keys {
    fn digest(self) -> Result<Option<Digest>, &'static str> {
        match (self.blake3, self.sha256) {
            (None, None) => Ok(None),
            (Some(hex), None) => Ok(Some(Digest::Blake3(hex))),
            (None, Some(hex)) => Ok(Some(Digest::Sha256(hex))),
            (Some(_), Some(_)) => Err("two digests of one thing"),
        }
    }
}

impl From<Digest> for Keys {
    fn from(digest: Digest) -> Self {
        match digest {
            Digest::Blake3(hex) => Self { blake3: Some(hex), sha256: None },
            Digest::Sha256(hex) => Self { blake3: None, sha256: Some(hex) },
        }
    }
}

impl TryFrom<Keys> for Digest {
    type Error = &'static str;

    fn try_from(keys: Keys) -> Result<Self, Self::Error> {
        keys.digest()?.ok_or("no digest, neither 'blake3' nor 'sha256'")
    }
}

/// A digest of what may have none, for `#[serde(with)]`: of an option, flattened, serde would take any fault for none.
pub mod optional {
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{Digest, Keys};

    /// Its key, if it has one.
    pub fn serialize<S: Serializer>(digest: &Option<Digest>, to: S) -> Result<S::Ok, S::Error> {
        digest.clone().map_or_else(Keys::default, Keys::from).serialize(to)
    }

    /// None where no key is there, or its value is null.
    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Digest>, D::Error> {
        Keys::deserialize(from)?.digest().map_err(D::Error::custom)
    }
}

/// A digest being formed.
#[derive(Clone)]
pub enum Hasher {
    /// See [`Digest::Blake3`].
    Blake3(Box<Blake3>),
    /// See [`Digest::Sha256`].
    Sha256(Sha256),
}

impl Hasher {
    /// That of recordings and tables.
    pub fn of_much() -> Self {
        Self::Blake3(Box::default())
    }

    /// That of what is short.
    pub fn sha256() -> Self {
        Self::Sha256(Sha256::new())
    }

    /// One whose result can be held against a digest.
    pub fn like(digest: &Digest) -> Self {
        match digest {
            Digest::Blake3(_) => Self::of_much(),
            Digest::Sha256(_) => Self::sha256(),
        }
    }

    /// Takes the bytes that follow.
    pub fn update(&mut self, bytes: &[u8]) {
        match self {
            Self::Blake3(hasher) => hasher.update(bytes),
            Self::Sha256(hasher) => hasher.update(bytes),
        }
    }

    /// The digest of the bytes so far.
    pub fn finish(&self) -> Digest {
        match self {
            Self::Blake3(hasher) => Digest::Blake3(hasher.finish()),
            Self::Sha256(hasher) => Digest::Sha256(hex(&hasher.clone().finalize())),
        }
    }
}

/// A processor that can takes so many bytes of BLAKE3 side by side (16 chunks of 1 KiB), if they begin at a multiple of that.
const STRIDE: usize = 16 << 10;

/// BLAKE3 that is given its bytes by strides, however they come.
#[derive(Clone, Default)]
pub struct Blake3 {
    hasher: blake3::Hasher,
    /// Bytes that are less than a stride.
    held: Vec<u8>,
}

impl Blake3 {
    fn update(&mut self, bytes: &[u8]) {
        let lacks = if self.held.is_empty() { 0 } else { (STRIDE - self.held.len()).min(bytes.len()) };
        let (first, rest) = bytes.split_at(lacks);
        self.held.extend_from_slice(first);
        if self.held.len() == STRIDE {
            self.hasher.update(&self.held);
            self.held.clear();
        }
        let (strides, left) = rest.split_at(rest.len() / STRIDE * STRIDE);
        self.hasher.update(strides);
        self.held.extend_from_slice(left);
    }

    fn finish(&self) -> String {
        self.hasher.clone().update(&self.held).finalize().to_hex().to_string()
    }
}

/// SHA-256 of bytes at hand, in lower-case hexadecimal digits.
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes as lower-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blake3_of(bytes: &[u8], piece: usize) -> String {
        let mut hasher = Hasher::of_much();
        bytes.chunks(piece).for_each(|piece| hasher.update(piece));
        hasher.finish().hex().to_owned()
    }

    /// The bytes of BLAKE3's published vectors: 0 to 250 again and again.
    fn vector(length: usize) -> Vec<u8> {
        (0..length).map(|at| (at % 251) as u8).collect()
    }

    #[test]
    fn published_examples() {
        // test_vectors.json of BLAKE3's own repository, release 1.8.7.
        for (length, hex) in [
            (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
            (1_024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
            (102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
        ] {
            for piece in [1, 999, STRIDE - 1, STRIDE, 3 * STRIDE + 5] {
                assert_eq!(blake3_of(&vector(length), piece), hex);
            }
        }
        // FIPS 180-2, B.1.
        let of_abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256(b"abc"), of_abc);
        let mut hasher = Hasher::like(&Digest::Sha256(String::new()));
        ["a", "bc"].iter().for_each(|piece| hasher.update(piece.as_bytes()));
        assert_eq!(hasher.finish(), Digest::Sha256(of_abc.into()));
    }

    #[test]
    fn run_json_names_the_algorithm() {
        for (digest, json) in
            [(Digest::Blake3("00".into()), r#"{"blake3":"00"}"#), (Digest::Sha256("11".into()), r#"{"sha256":"11"}"#)]
        {
            assert_eq!(serde_json::to_string(&digest).unwrap(), json);
            assert_eq!(serde_json::from_str::<Digest>(json).unwrap(), digest);
            assert_eq!(std::mem::discriminant(&Hasher::like(&digest).finish()), std::mem::discriminant(&digest));
        }
        for refused in [r#"{}"#, r#"{"sha256":null}"#, r#"{"sha256":5}"#, r#"{"blake3":"00","sha256":"11"}"#] {
            assert!(serde_json::from_str::<Digest>(refused).is_err(), "{refused}");
        }
    }
}
