//! Where observations come from, one file each, and the merge that puts them in order.
//!
//! Does not decode.
