//! Damage to a file: bits flipped, the end cut off, bytes zeroed, bytes of noise. All by a seed.
//!
//! Judges nothing.

use super::input::Files;

/// A seeded sequence (Vigna's splitmix64).
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// The kinds of files that are damaged about equally often, whatever their number and length.
fn kind(name: &str) -> &'static str {
    match name {
        "run.json" => "run.json",
        _ if name.ends_with(".zst") => "journal",
        _ if name.starts_with("journal/state") => "state",
        _ if name.starts_with("journal/") => "beside the journal",
        _ if name.starts_with("source-files/") => "source file",
        _ => "Parquet",
    }
}

/// Damage done.
pub struct Done {
    pub file: String,
    pub kind: &'static str,
    pub how: &'static str,
}

/// Damages one file; it differs from before.
pub fn one(files: &mut Files, noise: &mut Noise) -> Done {
    let mut kinds: Vec<&str> = files.keys().map(|name| kind(name)).collect();
    kinds.sort_unstable();
    kinds.dedup();
    // Parquet files are many, and each of their tables counts.
    if kinds.contains(&"Parquet") {
        kinds.extend(["Parquet"; 2]);
    }
    loop {
        let kind_wanted = kinds[noise.below(kinds.len())];
        let names: Vec<&String> = files.keys().filter(|name| kind(name) == kind_wanted).collect();
        let name = names[noise.below(names.len())].clone();
        let Some(bytes) = files.get_mut(&name) else { continue };
        let before = bytes.clone();
        let how = hurt(bytes, noise);
        if *bytes != before {
            return Done { kind: kind(&name), file: name, how };
        }
    }
}

fn hurt(bytes: &mut Vec<u8>, noise: &mut Noise) -> &'static str {
    if bytes.is_empty() {
        return "nothing";
    }
    let length = bytes.len();
    let range = |noise: &mut Noise| {
        let start = noise.below(length);
        let most = [4, 64, 4_096, length][noise.below(4)];
        start..(start + 1 + noise.below(most)).min(length)
    };
    match noise.below(8) {
        0..=2 => {
            let at = noise.below(length);
            bytes[at] ^= 1 << noise.below(8);
            "one bit flipped"
        }
        3 => {
            for _ in 0..2 + noise.below(30) {
                let at = noise.below(length);
                bytes[at] ^= 1 << noise.below(8);
            }
            "bits flipped"
        }
        4 | 5 => {
            // Often near the end, where footers and last blocks are.
            let keep = if noise.below(2) == 0 { noise.below(length) } else { length - 1 - noise.below(length.min(64)) };
            bytes.truncate(keep);
            "cut"
        }
        6 => {
            let range = range(noise);
            bytes[range].fill(0);
            "zeroed"
        }
        _ => {
            let range = range(noise);
            bytes[range].iter_mut().for_each(|byte| *byte = noise.next() as u8);
            "noise"
        }
    }
}
