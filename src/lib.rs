//! drawdown: the instrument of an independent tester of electric cars.
//!
//! Everything flows one way, and the modules below stand in that order:
//!
//! source -> observation -> decode -> ledger -> store -> reduce -> sheet, and beside it live state -> page.
//!
//! A *source* (a recording, or a bus while the car drives) yields stamped *observations*; a checked *map* is compiled by *decode*, which turns
//! frames into samples; the *ledger* integrates those that play a role; the *store* keeps all of it as Parquet; *reduce*
//! turns the files into figures with their uncertainty; the *sheet* prints them. Each room knows the ones before it in
//! this list and none after; `docs/architecture.md` walks through them.

pub mod quantity;
pub mod time;
pub mod workers;
pub mod memory;
pub mod digest;
pub mod document;
pub mod format;
pub mod geodesy;
pub mod course;
pub mod card;
pub mod observation;
pub mod schema;
pub mod diag;
pub mod map;
pub mod rehearsal;
pub mod source;
pub mod decode;
pub mod ledger;
pub mod store;
pub mod reduce;
pub mod plan;
pub mod live;
pub mod sheet;
pub mod daemon;
pub mod cli;
