//! The road: places with distances along it, where one can turn, where the charger is; read from a TOML file.
//!
//! Does not plan (see the plan room).
