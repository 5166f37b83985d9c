//! Fuzz target: what a browser or anybody else sends to the page: bodies, and the headers that the gate reads. Nothing of it may
//! panic, and nothing may be let in that brings no token. Judges no result beyond what it asserts.

#![no_main]

use drawdown::live::page::gate::{COOKIE, Caller, Gate, link_token};
use drawdown::live::page::{Token, asked};
use drawdown::time::Steady;
use http::{HeaderMap, HeaderValue, Method, Uri, header};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let _ = (asked::acknowledged(data), asked::taken(data));
    if let Ok(mark) = asked::mark(data) {
        assert!(mark.value.is_none_or(f64::is_finite) && mark.text.chars().count() <= 200);
    }
    // Lines: host, address, cookie, authorization, origin.
    let mut lines = data.split(|byte| *byte == b'\n');
    let mut headers = HeaderMap::new();
    let mut value = || lines.next().and_then(|line| HeaderValue::from_bytes(line).ok());
    let (host, uri, pass, bearer, origin) = (value(), value(), value(), value(), value());
    let uri: Uri = uri.and_then(|uri| uri.to_str().ok()?.parse().ok()).unwrap_or_default();
    for (name, value) in [
        (header::HOST, host),
        (header::COOKIE, pass),
        (header::AUTHORIZATION, bearer),
        (header::ORIGIN, origin),
    ] {
        value.map(|value| headers.append(name, value));
    }
    // Long enough that nobody finds it by chance.
    let token = Token::new("4f1c0a9e2b7d836550aa19cc7be4d201").expect("a token");
    assert!(!token.admits(&String::from_utf8_lossy(data)) && !token.is(COOKIE));
    let gate = Gate::new("192.168.4.1:8460".parse().expect("an address"), Some(token), Vec::new());
    let from = [192, 168, 4, 7].into();
    for method in [Method::GET, Method::POST] {
        let caller = Caller { from, method: &method, uri: &uri, headers: &headers };
        // A link is judged where it is swapped.
        assert!(gate.admit(&caller, Steady(0)).is_err() || link_token(&uri).is_some());
    }
    if let Some(text) = link_token(&uri) {
        assert!(gate.swap(text, from, Steady(0)).is_err());
    }
});
