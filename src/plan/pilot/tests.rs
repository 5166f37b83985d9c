//! The pilot on rehearsed drives, on a car of plain arithmetic, and on nonsense.

mod drive;
mod left;
mod nonsense;
mod place;
mod quick;
mod rehearsed;
mod road;
mod watch;
