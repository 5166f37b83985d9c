//! Observations, samples and ledger to durable files, and back: journal, Parquet, data set, recovery.
//!
//! Does not interpret a figure.
