//! The daemon: configuration, life cycle, supervision.
//!
//! The only room beside cli and bin that prints, exits or reads the environment.
