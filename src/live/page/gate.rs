//! Who may come in: hosts, origins, tokens and passes of a request, and how often one may try.
//!
//! Reading is free on loopback; asking for something, and everything on any other address, needs the token or a pass. Values
//! in, verdicts out: knows no connection, and reads the clock only as it is told.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Mutex, PoisonError};

use axum::http::{HeaderMap, Method, StatusCode, Uri, header};

use super::pass::Token;
use crate::time::{Span, Steady};

/// The pass's cookie.
pub const COOKIE: &str = "drawdown_pass";
/// Addresses whose wrong tokens are remembered, at most.
const ADDRESSES_MAX: usize = 256;
/// Wrong tokens at once, and the time in which one more may be tried.
const TRIES: Rate = Rate { most: 5.0, every: Span::of_seconds(10) };
/// Things asked for at once, and the time in which one more may be.
const ASKS: Rate = Rate { most: 20.0, every: Span::of_millis(500) };

/// Why a request is not let in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Refused {
    /// It names no host, or more than one.
    NoHost,
    /// It came under a name that is not this computer's: a page elsewhere may have sent the browser here.
    WrongHost,
    /// It was sent by a page of another origin.
    Foreign,
    /// It brings neither token nor pass, or wrong ones.
    NoPass,
    /// Nobody can ask for anything: no token was configured.
    NoToken,
    /// Too many wrong tokens came from its address, or too much was asked for.
    TooMany,
}

impl Refused {
    /// As HTTP says it (RFC 9110).
    pub fn status(self) -> StatusCode {
        match self {
            Self::NoHost => StatusCode::BAD_REQUEST,
            Self::WrongHost => StatusCode::MISDIRECTED_REQUEST,
            Self::Foreign | Self::NoToken => StatusCode::FORBIDDEN,
            Self::NoPass => StatusCode::UNAUTHORIZED,
            Self::TooMany => StatusCode::TOO_MANY_REQUESTS,
        }
    }

    /// What to do, for people.
    pub fn text(self) -> &'static str {
        match self {
            Self::NoHost => "the request names no host, or more than one",
            Self::WrongHost => {
                "this name is not known here: use the address that the daemon listens on, or add the name to [page] names"
            }
            Self::Foreign => "asked for by a page from elsewhere",
            Self::NoPass => {
                "open the link with the token once in this browser, or send the token as 'Authorization: Bearer'"
            }
            Self::NoToken => "nothing can be asked for without a token: give [page] a token_file",
            Self::TooMany => "too many at once: wait a while",
        }
    }
}

/// A request as the gate sees it.
#[derive(Clone, Copy)]
pub struct Caller<'a> {
    /// From where.
    pub from: IpAddr,
    /// How.
    pub method: &'a Method,
    /// What.
    pub uri: &'a Uri,
    /// With what.
    pub headers: &'a HeaderMap,
}

/// The gate.
#[derive(Debug)]
pub struct Gate {
    listen: SocketAddr,
    token: Option<Token>,
    names: Vec<String>,
    tries: Mutex<HashMap<IpAddr, Bucket>>,
    asks: Mutex<Bucket>,
}

impl Gate {
    /// For an address that is listened on, with further names under which this computer is known.
    pub fn new(listen: SocketAddr, token: Option<Token>, names: Vec<String>) -> Self {
        Self { listen, token, names, tries: Mutex::default(), asks: Mutex::default() }
    }

    /// Whether a request may come in at this moment.
    ///
    /// # Errors
    /// With why not.
    pub fn admit(&self, caller: &Caller<'_>, now: Steady) -> Result<(), Refused> {
        let host = host(caller)?;
        if !self.is_ours(host) {
            return Err(Refused::WrongHost);
        }
        let asks = !matches!(*caller.method, Method::GET | Method::HEAD);
        if asks && !is_from_here(caller.headers, host) {
            return Err(Refused::Foreign);
        }
        // Whoever brings the link is let in by it, or not at all.
        let link = !asks && link_token(caller.uri).is_some();
        if !link && (asks || !self.listen.ip().is_loopback()) {
            self.known(caller, now)?;
        }
        if asks && !self.asks.lock().unwrap_or_else(PoisonError::into_inner).take(ASKS, now) {
            return Err(Refused::TooMany);
        }
        Ok(())
    }

    /// Whether it brings the token or a pass.
    fn known(&self, caller: &Caller<'_>, now: Steady) -> Result<(), Refused> {
        let token = self.token.as_ref().ok_or(Refused::NoToken)?;
        if let Some(bearer) = bearer(caller.headers) {
            return self.tried(token, bearer, caller.from, now);
        }
        let admitted = cookies(caller.headers, COOKIE).take(8).any(|pass| token.admits(pass));
        if admitted { Ok(()) } else { Err(Refused::NoPass) }
    }

    /// A new pass for who opened the link with the token.
    ///
    /// # Errors
    /// If that is not the token, too many were wrong, or there is none.
    pub fn swap(&self, text: &str, from: IpAddr, now: Steady) -> Result<String, Refused> {
        let token = self.token.as_ref().ok_or(Refused::NoToken)?;
        self.tried(token, text, from, now)?;
        token.pass().map_err(|_| Refused::TooMany)
    }

    fn tried(&self, token: &Token, text: &str, from: IpAddr, now: Steady) -> Result<(), Refused> {
        let mut tries = self.tries.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(bucket) = tries.get_mut(&from)
            && !bucket.has(TRIES, now)
        {
            return Err(Refused::TooMany);
        }
        if token.is(text) {
            return Ok(());
        }
        if tries.len() >= ADDRESSES_MAX && !tries.contains_key(&from) {
            // Those that may try freely again need not be remembered.
            tries.retain(|_, bucket| !bucket.is_empty(TRIES, now));
        }
        if tries.len() >= ADDRESSES_MAX && !tries.contains_key(&from) {
            return Err(Refused::TooMany);
        }
        tries.entry(from).or_default().take(TRIES, now);
        Err(Refused::NoPass)
    }

    /// Whether a host's name is one of this computer: else a name that leads here may belong to a page elsewhere.
    fn is_ours(&self, host: &str) -> bool {
        let name = without_port(host);
        if name.eq_ignore_ascii_case("localhost") || self.names.iter().any(|known| known.eq_ignore_ascii_case(name)) {
            return true;
        }
        let number = match name.strip_prefix('[') {
            Some(inside) => inside.strip_suffix(']').and_then(|inside| inside.parse().ok().map(IpAddr::V6)),
            None => name.parse().ok().map(IpAddr::V4),
        };
        let Some(address) = number else { return false };
        // Numbers are looked up nowhere; where every address is listened on, each is ours.
        address.is_loopback() || address == self.listen.ip() || self.listen.ip().is_unspecified()
    }
}

/// The one host that a request names.
fn host<'a>(caller: &Caller<'a>) -> Result<&'a str, Refused> {
    let mut hosts = caller.headers.get_all(header::HOST).iter();
    let host = hosts.next().and_then(|host| host.to_str().ok()).filter(|_| hosts.next().is_none());
    host.filter(|host| !host.is_empty()).ok_or(Refused::NoHost)
}

/// A host without its port (RFC 3986, 3.2.2: an IPv6 address stands in brackets).
fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    }
}

/// Whether what is asked for was asked for by a page from here, or by no page at all.
fn is_from_here(headers: &HeaderMap, host: &str) -> bool {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    let origin = text("origin").is_none_or(|origin| {
        // With `https` where something before the daemon does the encrypting.
        let name = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://"));
        name.is_some_and(|name| name.eq_ignore_ascii_case(host))
    });
    origin && text("sec-fetch-site").is_none_or(|site| site == "same-origin")
}

/// What stands behind `Authorization: Bearer` (RFC 6750).
fn bearer(headers: &HeaderMap) -> Option<&str> {
    let text = headers.get(header::AUTHORIZATION)?.to_str().unwrap_or("");
    let (scheme, token) = text.split_once(' ').unwrap_or((text, ""));
    Some(if scheme.eq_ignore_ascii_case("bearer") { token.trim() } else { "" })
}

/// Values of a cookie, in order (RFC 6265, 4.2).
pub fn cookies<'a>(headers: &'a HeaderMap, name: &'a str) -> impl Iterator<Item = &'a str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    all.flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .filter(move |(found, _)| *found == name)
        .map(|(_, value)| value)
}

/// The token of a link, `/?token=...`, still as the link writes it.
pub fn link_token(uri: &Uri) -> Option<&str> {
    let query = uri.query().filter(|_| uri.path() == "/")?;
    query.split('&').find_map(|pair| pair.strip_prefix("token="))
}

/// How often something may be done.
#[derive(Clone, Copy)]
struct Rate {
    most: f64,
    every: Span,
}

/// What has been done lately; it empties with time.
#[derive(Clone, Copy, Debug, Default)]
struct Bucket {
    level: f64,
    at: Steady,
}

impl Bucket {
    fn settle(&mut self, rate: Rate, now: Steady) {
        let gone = (now - self.at).seconds().max(0.0) / rate.every.seconds();
        *self = Self { level: (self.level - gone).max(0.0), at: now };
    }

    /// Whether once more is allowed.
    fn has(&mut self, rate: Rate, now: Steady) -> bool {
        self.settle(rate, now);
        self.level + 1.0 <= rate.most
    }

    /// Does it once more if it is allowed.
    fn take(&mut self, rate: Rate, now: Steady) -> bool {
        let allowed = self.has(rate, now);
        if allowed {
            self.level += 1.0;
        }
        allowed
    }

    fn is_empty(&mut self, rate: Rate, now: Steady) -> bool {
        self.settle(rate, now);
        self.level == 0.0
    }
}

#[cfg(test)]
mod tests;
