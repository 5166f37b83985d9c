//! One zstd context: bytes into a frame, by zstd's own search for matches or by matches that are given to it.
//!
//! The safe crates around zstd have no call for given matches, so the few calls of the C library are here, and nothing
//! else is `unsafe` in the store. Knows no column and finds no match.

use std::ffi::{CStr, c_int, c_void};
use std::ptr::NonNull;

use bytes::Bytes;
use parquet::errors::{ParquetError, Result};
use zstd::zstd_safe::zstd_sys as sys;

/// A stretch of literals and the match that follows it: `matchLength` bytes that also stand `offset` bytes before. A
/// match of no length ends a block; `rep` is not used.
pub(super) use sys::ZSTD_Sequence as Sequence;

/// The most bytes that one block of a frame holds (RFC 8878, 3.1.1.2.4).
pub(super) const BLOCK_MAX: usize = 128 << 10;

/// The shortest match that a frame can hold (RFC 8878, 3.1.1.3.2.1.1), bytes.
const MATCH_MIN: i32 = 3;

/// Compresses; keeps its memory between frames.
pub(super) struct Context {
    zstd: NonNull<sys::ZSTD_CCtx>,
    /// Room for a frame.
    out: Vec<u8>,
}

// SAFETY: a context is plain memory without thread-bound parts (zstd.h, "Explicit context": one a thread at a time), and
// every call below takes `&mut self`.
unsafe impl Send for Context {}

impl Context {
    /// At this level; every frame ends with the checksum of its content.
    ///
    /// # Errors
    /// If there is no memory for it.
    pub fn new(level: i32) -> Result<Self> {
        // SAFETY: takes nothing; null is looked for.
        let made = NonNull::new(unsafe { sys::ZSTD_createCCtx() });
        let zstd = made.ok_or_else(|| ParquetError::General("no memory for a zstd context".into()))?;
        let mut context = Self { zstd, out: Vec::new() };
        use sys::ZSTD_cParameter as Set;
        context.set(Set::ZSTD_c_compressionLevel, level)?;
        context.set(Set::ZSTD_c_checksumFlag, 1)?;
        // Of given matches: blocks end where it is said, and a distance that repeats an earlier one is written as that. zstd's own look at them
        // does sums in 32 bits and stands beside ours.
        context
            .set(Set::ZSTD_c_experimentalParam11, sys::ZSTD_SequenceFormat_e::ZSTD_sf_explicitBlockDelimiters as i32)?;
        context.set(Set::ZSTD_c_experimentalParam12, 1)?;
        context.set(Set::ZSTD_c_experimentalParam19, sys::ZSTD_ParamSwitch_e::ZSTD_ps_enable as i32)?;
        Ok(context)
    }

    fn set(&mut self, parameter: sys::ZSTD_cParameter, value: c_int) -> Result<()> {
        // SAFETY: the context is alive; zstd refuses a parameter or value that it does not know.
        check(unsafe { sys::ZSTD_CCtx_setParameter(self.zstd.as_ptr(), parameter, value) }).map(|_| ())
    }

    /// The frame of `bytes`.
    ///
    /// # Errors
    /// If there is no memory for it.
    pub fn compress(&mut self, bytes: &[u8]) -> Result<Bytes> {
        self.set(sys::ZSTD_cParameter::ZSTD_c_minMatch, 0)?;
        self.frame(bytes, 0, |context, into, room| {
            // SAFETY: `into` has `room` bytes, `bytes` is alive and as long as said; they are different memory.
            unsafe { sys::ZSTD_compress2(context, into, room, bytes.as_ptr().cast(), bytes.len()) }
        })
    }

    /// The frame of `bytes` with the matches that `sequences` gives; they cover all of it and end each block, none of
    /// which is longer than [`BLOCK_MAX`].
    ///
    /// # Errors
    /// If the sequences do not fit the bytes.
    pub fn compress_matched(&mut self, bytes: &[u8], sequences: &[Sequence]) -> Result<Bytes> {
        if !fit(sequences, bytes.len()) {
            return Err(ParquetError::General("matches that do not fit what is to be compressed".into()));
        }
        self.set(sys::ZSTD_cParameter::ZSTD_c_minMatch, MATCH_MIN)?;
        let blocks = sequences.iter().filter(|sequence| sequence.matchLength == 0).count();
        self.frame(bytes, blocks, |context, into, room| {
            // SAFETY: as above; the sequences fit, so no offset or length leads outside `bytes`, and no block is longer than its buffers.
            unsafe {
                let (from, count) = (sequences.as_ptr(), sequences.len());
                sys::ZSTD_compressSequences(context, into, room, from, count, bytes.as_ptr().cast(), bytes.len())
            }
        })
    }

    /// Room for a frame of that many blocks, filled by `call`, which gives its length or an error code.
    fn frame(
        &mut self,
        bytes: &[u8],
        blocks: usize,
        call: impl FnOnce(*mut sys::ZSTD_CCtx, *mut c_void, usize) -> usize,
    ) -> Result<Bytes> {
        self.out.clear();
        // A block that is not worth it is stored: 3 bytes more. The bound knows of blocks of full length only.
        self.out.reserve(zstd::zstd_safe::compress_bound(bytes.len()) + 3 * blocks);
        let room = self.out.capacity();
        let length = check(call(self.zstd.as_ptr(), self.out.as_mut_ptr().cast(), room))?;
        // SAFETY: no error, so that many bytes of the capacity were written.
        unsafe { self.out.set_len(length) };
        Ok(Bytes::copy_from_slice(&self.out))
    }
}

impl Drop for Context {
    fn drop(&mut self) {
        // SAFETY: made by `ZSTD_createCCtx`, freed once.
        unsafe { sys::ZSTD_freeCCtx(self.zstd.as_ptr()) };
    }
}

/// Whether sequences cover so many bytes, each match lies behind what it repeats and is long enough, and each block ends and is not too long.
fn fit(sequences: &[Sequence], bytes: usize) -> bool {
    let (mut at, mut block) = (0u64, 0u64);
    let fits = sequences.iter().all(|sequence| {
        at += u64::from(sequence.litLength);
        let is_end = sequence.matchLength == 0;
        let reaches = (1..=at).contains(&u64::from(sequence.offset)) && sequence.matchLength >= MATCH_MIN as u32;
        at += u64::from(sequence.matchLength);
        let length = at - block;
        block = if is_end { at } else { block };
        (is_end || reaches) && length <= BLOCK_MAX as u64
    });
    fits && at == bytes as u64 && block == at
}

/// What zstd answered: a length, or an error by name.
fn check(answer: usize) -> Result<usize> {
    // SAFETY: both take any number; the name is a constant text that ends with a zero.
    unsafe {
        if sys::ZSTD_isError(answer) == 0 {
            return Ok(answer);
        }
        let name = CStr::from_ptr(sys::ZSTD_getErrorName(answer)).to_string_lossy();
        Err(ParquetError::General(format!("zstd: {name}")))
    }
}
