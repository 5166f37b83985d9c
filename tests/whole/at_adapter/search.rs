//! `drawdown adapter-search` on a pseudo-terminal with a played adapter.
//!
//! Searches no car.

use crate::support::adapter::Adapter;
use crate::support::cable::Cable;
use crate::support::companion;

#[test]
fn without_the_users_word_nothing_is_opened() {
    let cable = Cable::new(Adapter::with_a_car());
    let output = companion().arg("adapter-search").arg(cable.path()).output().expect("the companion");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("--car-is-parked") && said.contains("wrong bit rates"), "{said}");
    assert_eq!(cable.adapter().sent, []);
}

#[test]
fn it_finds_the_protocol_and_says_what_to_write() {
    let cable = Cable::new(Adapter::with_a_car());
    let output = companion().arg("adapter-search").arg(cable.path()).arg("--car-is-parked").output().expect("it");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    for words in ["interpreter v1.5", "13.4 V", "protocol = \"11 bit 500 kbit/s\""] {
        assert!(said.contains(words), "{said}");
    }
    let adapter = cable.adapter();
    let sent: Vec<&str> = adapter.sent.iter().map(|sent| &*sent.text).collect();
    let searched = ["ATSP0", "0100", "ATDPN", "ATSP6", "ATPC"];
    assert!(sent.ends_with(&searched), "{sent:?}");
    assert_eq!(adapter.requests, 1);
}
