//! Whole-program tests: each module says what it shows and against which outside source.
//!
//! Tests that ask a reference library run `.venv/bin/python`, which `bash tests/run` installs.

mod at_adapter;
mod along;
mod battery;
mod bundle;
mod bundle_edges;
mod cards;
mod compare;
mod course;
mod cycles;
mod data_set;
mod decode;
mod demo;
mod demo_frames;
mod identity;
mod isotp;
mod live;
mod manners;
mod map_faults;
mod page;
mod parts;
mod real_drives;
mod recordings;
mod recovery;
mod rehearsal;
mod rehearsed;
mod runs;
mod space;
mod support;
mod tidy;
mod trend;
mod turn;
mod verify;
mod watched;
