//! AT adapters against a played one that is not written from the driver (`support/adapter.rs`): values arrive, what is wrong
//! is named, and nothing is sent that may not be or while the adapter has the turn.
//!
//! On a pseudo-terminal with the real source on a thread (`cable`), and in simulated time (`simulated`). A car is not asked.

mod cable;
mod listening;
mod search;
mod simulated;

use drawdown::diag::target::{Heard, Rules};
use drawdown::diag::{Poll, Request, Target};
use drawdown::observation::CanId;
use drawdown::time::Span;

/// A poll of a request in hexadecimal digits; `answers`: the one that may answer.
fn poll(name: &str, request: &str, asked: CanId, answers: Option<CanId>, period_ms: i64, priority: u8) -> Poll {
    let heard = Heard::default();
    let target = Target::new(asked, answers, &Rules { other_identifiers: false, heard: &heard }).expect("a target");
    let request = Request::from_hex(request).expect("a request that reads");
    Poll { name: name.into(), request, target, period: Span::of_millis(period_ms), priority }
}

fn eleven(id: u16) -> CanId {
    CanId::Standard(id)
}

/// Speed, and a long reply of the pack, of the played car.
fn polls() -> Vec<Poll> {
    vec![
        poll("SPEED", "010D", eleven(0x7E0), None, 100, 0),
        poll("PACK", "220101", eleven(0x7E4), Some(eleven(0x7EC)), 500, 0),
    ]
}

/// The long reply, service first.
fn pack_payload() -> Vec<u8> {
    [0x62, 0x01, 0x01].into_iter().chain(0..40).collect()
}
