//! The invented car: road load, pack, battery computer; its frames go through the map's own encoder.
//!
//! Makes observations and knows the truth; nothing downstream sees that truth.
