//! A checked map compiled to flat tables: frame in, samples out, no allocation.
//!
//! Does no input or output and integrates nothing.
