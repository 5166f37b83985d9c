//! Large pages for room that will be filled.
//!
//! A page of memory that is touched for the first time interrupts the program, and a table of some megabytes has a thousand of them. Nothing hangs on
//! whether the system does as it is asked: what is stored is the same. Allocates nothing.

use rustix::mm::{Advice, madvise};

/// The large pages of systems whose usual ones have 4 KiB, bytes. Where they are longer the advice comes to nothing.
const LARGE: usize = 2 << 20;

/// Asks for large pages behind what `room` holds, as far as they lie within it.
pub fn in_large_pages<T>(room: &mut Vec<T>) {
    let spare = room.spare_capacity_mut();
    let (start, length) = (spare.as_mut_ptr().cast::<u8>(), size_of_val(spare));
    let before = start.align_offset(LARGE);
    let length = length.saturating_sub(before) / LARGE * LARGE;
    if length > 0 {
        // SAFETY: the pages lie within the spare capacity, which `room` owns and nothing else refers to meanwhile; the advice leaves what is in
        // them and what may be done with them as it is (madvise(2), MADV_HUGEPAGE). Where it is refused, that is no harm.
        let _ = unsafe { madvise(start.wrapping_add(before).cast(), length, Advice::LinuxHugepage) };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_stored_stays() {
        for length in [0, 1, 700, 500_000] {
            let mut room: Vec<u64> = (0..length).collect();
            room.reserve_exact(1_000_000);
            in_large_pages(&mut room);
            room.extend(length..length + 1_000_000);
            assert!(room.iter().copied().eq(0..length + 1_000_000));
        }
    }
}
