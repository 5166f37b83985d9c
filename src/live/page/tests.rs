//! The page from outside, over its socket: what it answers to whom, and that nobody holds it up.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::*;
use crate::live::Ask;
use crate::live::board::tests::sample;
use crate::observation::MarkKind;
use crate::source::SystemClock;

const TOKEN: &str = "a-token-for-this-test-alone";

struct Served {
    hub: Arc<Hub>,
    stop: Arc<AtomicBool>,
    page: Option<Page>,
}

impl Drop for Served {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.page.take().unwrap().finish();
    }
}

fn settings(listen: &str) -> Settings {
    Settings {
        listen: listen.parse().unwrap(),
        token: Token::new(TOKEN),
        names: Vec::new(),
        clock: Arc::new(SystemClock::new()),
    }
}

fn served_on(listen: &str) -> Served {
    let (hub, stop) = (Arc::new(Hub::default()), Arc::new(AtomicBool::new(false)));
    let patience = Patience { headers: Duration::from_secs(1), takes: Duration::from_secs(1) };
    let page = serve_with(settings(listen), &hub, &stop, patience).unwrap();
    hub.show(sample());
    Served { hub, stop, page: Some(page) }
}

impl Served {
    fn port(&self) -> u16 {
        self.page.as_ref().unwrap().address().port()
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port())).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(8))).unwrap();
        stream
    }

    /// The whole answer to bytes after which the connection is to be closed.
    fn raw(&self, request: &[u8]) -> String {
        let mut stream = self.connect();
        let _ = stream.write_all(request);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn get(&self, path: &str, more: &str) -> String {
        self.raw(format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n{more}Connection: close\r\n\r\n").as_bytes())
    }

    fn post(&self, path: &str, more: &str, body: &str) -> String {
        let head = format!("Host: localhost\r\nContent-Type: application/json\r\nContent-Length: {}\r\n", body.len());
        self.raw(format!("POST {path} HTTP/1.1\r\n{head}{more}Connection: close\r\n\r\n{body}").as_bytes())
    }
}

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or_else(|| panic!("no answer: {answer:?}"))
}

fn header<'a>(answer: &'a str, name: &str) -> Option<&'a str> {
    let head = answer.split("\r\n\r\n").next()?;
    let pairs = head.lines().skip(1).filter_map(|line| line.split_once(": "));
    pairs.into_iter().find(|(found, _)| found.eq_ignore_ascii_case(name)).map(|(_, value)| value)
}

/// The cookie's pair that the link gives.
fn pass(served: &Served) -> String {
    let answer = served.get(&format!("/?token={TOKEN}"), "");
    header(&answer, "set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

#[test]
fn reading_on_loopback_and_the_headers_of_every_answer() {
    let served = served_on("127.0.0.1:0");
    for (path, code) in [
        ("/", 200),
        ("/page.css", 200),
        ("/page.js", 200),
        ("/icon.svg", 200),
        ("/api/v1/state", 200),
        ("/metrics", 200),
        ("/nothing", 404),
        ("/api/v1/marks", 405),
        ("/?token=wrong", 401),
    ] {
        let answer = served.get(path, "");
        assert_eq!(status(&answer), code, "{path}");
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cache-control", "no-store"),
            ("x-frame-options", "DENY"),
        ] {
            assert_eq!(header(&answer, name), Some(value), "{path}");
        }
        let policy = header(&answer, "content-security-policy").unwrap();
        assert!(policy.starts_with("default-src 'none'; ") && policy.contains("frame-ancestors 'none'"));
        assert!(!policy.contains("unsafe") && !policy.contains('*'));
        // Positions of the course and the token are in no answer.
        assert!(!answer.contains("-122.") && !answer.contains("-47.9") && !answer.contains(TOKEN), "{path}");
    }
}

#[test]
fn the_link_is_swapped_for_a_pass_that_lets_one_ask() {
    let served = served_on("127.0.0.1:0");
    let answer = served.get(&format!("/?token={TOKEN}"), "");
    assert_eq!((status(&answer), header(&answer, "location")), (303, Some("/")));
    let cookie = header(&answer, "set-cookie").unwrap();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.split("; ").any(|found| found == part), "{cookie}");
    }
    assert!(!answer.contains(TOKEN));
    let pass = format!("Cookie: {}\r\nOrigin: http://localhost\r\n", pass(&served));
    let mark = r#"{"kind": "soc", "value": 41}"#;
    assert_eq!(status(&served.post("/api/v1/marks", "", mark)), 401);
    assert!(served.hub.take_asks().is_empty());
    assert_eq!(status(&served.post("/api/v1/marks", &pass, mark)), 202);
    assert_eq!(status(&served.post("/api/v1/acknowledge", &pass, r#"{"alarm": "source.gps"}"#)), 202);
    assert_eq!(status(&served.post("/api/v1/taken", &pass, r#"{"place": "Underfell"}"#)), 202);
    assert_eq!(status(&served.post("/api/v1/taken", &pass, r#"{"place": null}"#)), 202);
    let asks: Vec<Ask> = served.hub.take_asks().into_iter().map(|(_, ask)| ask).collect();
    let [Ask::Mark(mark), rest @ ..] = &asks[..] else { panic!("{asks:?}") };
    assert_eq!((mark.kind, mark.value), (MarkKind::Soc, Some(41.0)));
    let expected = [Ask::Acknowledge("source.gps".into()), Ask::Taken(Some("Underfell".into())), Ask::Taken(None)];
    assert_eq!(rest, expected);
    for (path, body, code) in [
        ("/api/v1/acknowledge", r#"{"alarm": "nothing"}"#, 404),
        ("/api/v1/taken", r#"{"place": "Orrindale"}"#, 404),
        ("/api/v1/marks", r#"{"kind": "nap"}"#, 422),
        ("/api/v1/marks", "", 422),
    ] {
        assert_eq!(status(&served.post(path, &pass, body)), code, "{path} {body}");
    }
    assert!(served.hub.take_asks().is_empty());
}

#[test]
fn elsewhere_everything_needs_the_token() {
    let served = served_on("0.0.0.0:0");
    for path in ["/", "/page.js", "/events", "/api/v1/state", "/metrics", "/nothing"] {
        assert_eq!(status(&served.get(path, "")), 401, "{path}");
        let bearer = format!("Authorization: Bearer {TOKEN}\r\n");
        let wanted = if path == "/nothing" { 404 } else { 200 };
        if path != "/events" {
            assert_eq!(status(&served.get(path, &bearer)), wanted, "{path}");
        }
    }
    let cookie = format!("Cookie: {}\r\n", pass(&served));
    assert_eq!(status(&served.get("/api/v1/state", &cookie)), 200);
    let codes: Vec<u16> = (0..7).map(|_| status(&served.get("/?token=guess", ""))).collect();
    assert_eq!(codes, [401, 401, 401, 401, 401, 429, 429]);
    assert_eq!(status(&served.get("/api/v1/state", &cookie)), 200, "who has a pass is not kept out");
    let (hub, stop) = (Arc::new(Hub::default()), Arc::new(AtomicBool::new(false)));
    let open = serve(Settings { token: None, ..settings("0.0.0.0:0") }, &hub, &stop);
    assert!(open.unwrap_err().to_string().contains("token_file"));
}

#[test]
fn odd_requests_are_refused() {
    let served = served_on("127.0.0.1:0");
    let pass = format!("Cookie: {}\r\n", pass(&served));
    for path in [
        "/../../etc/passwd",
        "/..%2f..%2fetc/passwd",
        "//etc/passwd",
        "/page.js/../../Cargo.toml",
        "/%00",
        "/page.css%00",
    ] {
        let answer = served.get(path, "");
        assert!(matches!(status(&answer), 400 | 404) && !answer.contains("root:"), "{path}: {answer}");
    }
    let host = |host: &str| {
        status(&served.raw(format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").as_bytes()))
    };
    assert_eq!((host("evil.example"), host("127.0.0.1:8460"), host("")), (421, 200, 400));
    assert_eq!(status(&served.raw(b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n")), 400);
    let foreign = format!("{pass}Origin: http://evil.example\r\n");
    assert_eq!(status(&served.post("/api/v1/marks", &foreign, r#"{"kind": "turned"}"#)), 403);
    let long = format!(r#"{{"kind": "note", "text": "{}"}}"#, "a".repeat(5_000));
    assert_eq!(status(&served.post("/api/v1/marks", &pass, &long)), 413);
    let form = format!("{pass}Content-Type: text/plain\r\n");
    let plain = format!(
        "POST /api/v1/marks HTTP/1.1\r\nHost: localhost\r\n{form}Content-Length: 2\r\nConnection: close\r\n\r\n{{}}"
    );
    assert_eq!(status(&served.raw(plain.as_bytes())), 415);
    let heavy = format!("X-Much: {}\r\n", "a".repeat(64 << 10));
    assert_eq!(status(&served.get("/", &heavy)), 431);
    let many: String = (0..200).map(|n| format!("X-{n}: 1\r\n")).collect();
    assert_eq!(status(&served.get("/", &many)), 431);
    assert_eq!(status(&served.raw(b"\x16\x03\x01 hello\r\n\r\n")), 400);
    assert!(served.hub.take_asks().is_empty());
    assert_eq!(status(&served.get("/", "")), 200);
}

#[test]
fn slow_clients_are_let_go_and_seats_are_counted() {
    let served = served_on("127.0.0.1:0");
    let mut slow = served.connect();
    slow.write_all(b"GET / HTTP/1.1\r\nHost: local").unwrap();
    let began = Instant::now();
    let mut answer = Vec::new();
    let _ = slow.read_to_end(&mut answer);
    let waited = began.elapsed();
    assert!((Duration::from_millis(800)..Duration::from_secs(5)).contains(&waited), "{waited:?}");
    // A hundred and more who say nothing take the seats, and lose them again.
    let idle: Vec<TcpStream> = (0..140).map(|_| served.connect()).collect();
    std::thread::sleep(Duration::from_millis(2_500));
    assert_eq!(status(&served.get("/", "")), 200);
    drop(idle);
}

#[test]
fn one_that_never_reads_holds_nobody_up_and_is_dropped() {
    let served = served_on("127.0.0.1:0");
    let mut lazy = served.connect();
    lazy.write_all(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    let mut reader = served.connect();
    reader.write_all(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    // Boards of a megabyte, so that what the kernel holds for the lazy one is full soon.
    let mut moment = sample();
    moment.picture.worth.as_mut().unwrap().spoiled = vec!["x".repeat(1 << 20)];
    let began = Instant::now();
    let mut seen = [0; 1 << 16];
    let (mut bytes, mut slowest) = (0, Duration::ZERO);
    while began.elapsed() < Duration::from_secs(7) {
        let showed = Instant::now();
        served.hub.show(moment.clone());
        slowest = slowest.max(showed.elapsed());
        let next = Instant::now() + Duration::from_millis(200);
        while Instant::now() < next {
            reader.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
            bytes += reader.read(&mut seen).unwrap_or(0);
        }
    }
    assert!(bytes > 6 << 20, "the one that reads got {bytes} bytes");
    assert!(slowest < Duration::from_millis(200), "showing took {slowest:?}");
    // The lazy one finds its connection broken once it has read what the kernel still held.
    let mut rest = 0;
    let broken = loop {
        match lazy.read(&mut seen) {
            Ok(0) => break true,
            Ok(more) => rest += more,
            Err(error) => break error.kind() == std::io::ErrorKind::ConnectionReset,
        }
        assert!(rest < 8 << 20, "it was still sent to");
    };
    assert!(broken);
}
