//! What comes out of the driver: bytes to send, observations, counts and troubles.
//!
//! Sends and prints nothing; the port's owner does, and empties it.

use std::collections::BTreeSet;

use crate::observation::Batch;

/// What came of bytes or time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Out {
    /// Bytes to send.
    pub send: Vec<u8>,
    /// What was observed.
    pub batch: Batch,
    /// Counts by name.
    pub counts: Vec<(String, u64)>,
    /// What a person should know.
    pub troubles: Vec<String>,
    /// Why it can't go on: close the port.
    pub failed: Option<String>,
    /// What was said in this run: keep the value from call to call.
    pub(super) said: BTreeSet<String>,
}

impl Out {
    /// Counts.
    pub(super) fn count(&mut self, what: &str, times: u64) {
        if times > 0 {
            self.counts.push((what.to_owned(), times));
        }
    }

    /// Counts once a run.
    pub(super) fn count_once(&mut self, what: String) {
        if self.said.insert(what.clone()) {
            self.counts.push((what, 1));
        }
    }

    /// Says once a run.
    pub(super) fn trouble_once(&mut self, what: String) {
        if self.said.insert(what.clone()) {
            self.troubles.push(what);
        }
    }
}
