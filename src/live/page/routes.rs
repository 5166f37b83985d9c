//! What is answered to which request.
//!
//! Every request goes through the gate first. Waits for nothing but a request's body, and that not for long; positions and
//! vehicle numbers are in no answer.

use std::sync::atomic::Ordering;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use bytes::Bytes;
use serde_json::{Value, json};
use tokio::sync::watch;

use super::asked::{self, BODY_MAX};
use super::connection::Peer;
use super::gate::{COOKIE, Caller, Gate, Refused, link_token};
use super::telling::{self, Told};
use crate::live::board::CAUTIONS;
use crate::live::metrics::{self, Counts};
use crate::live::{Ask, Hub, Moment, state};
use crate::source::Clock;

/// How long a request's body may take.
const BODY_WITHIN: Duration = Duration::from_secs(5);
/// How long a browser keeps its pass, s: a test's preparations and its repeats.
const PASS_KEPT_S: u32 = 30 * 86_400;

const PAGE: &str = include_str!("assets/page.html");
const STYLE: &str = include_str!("assets/page.css");
const SCRIPT: &str = include_str!("assets/page.js");
const ICON: &str = include_str!("assets/icon.svg");

/// Nothing but this page's own files, in no frame (Content Security Policy Level 3).
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// What the routes know.
pub struct Desk {
    pub hub: Arc<Hub>,
    pub gate: Gate,
    pub told: watch::Receiver<Told>,
    pub clock: Arc<dyn Clock>,
    pub counts: Counts,
}

type At = State<Arc<Desk>>;

/// Every route.
pub fn routes(desk: Arc<Desk>) -> Router {
    Router::new()
        .route("/", get(page))
        .route("/page.css", get(|| file("text/css; charset=utf-8", STYLE)))
        .route("/page.js", get(|| file("text/javascript; charset=utf-8", SCRIPT)))
        .route("/icon.svg", get(|| file("image/svg+xml", ICON)))
        .route("/events", get(events))
        .route("/metrics", get(in_numbers))
        .route("/api/v1/state", get(now))
        .route("/api/v1/marks", post(mark))
        .route("/api/v1/acknowledge", post(acknowledge))
        .route("/api/v1/taken", post(taken))
        .fallback(|| async { problem(StatusCode::NOT_FOUND, "nothing is at this address") })
        .method_not_allowed_fallback(|| async {
            problem(StatusCode::METHOD_NOT_ALLOWED, "this address does not take that method")
        })
        .layer(axum::middleware::from_fn_with_state(Arc::clone(&desk), guard))
        .with_state(desk)
}

/// The gate before every route, and the headers on every answer.
async fn guard(State(desk): At, request: Request, next: Next) -> Response {
    // No peer is no request of a connection.
    let Some(Peer(from)) = request.extensions().get::<Peer>().copied() else {
        return problem(StatusCode::BAD_REQUEST, "the request came from nowhere");
    };
    let caller = Caller { from, method: request.method(), uri: request.uri(), headers: request.headers() };
    let admitted = desk.gate.admit(&caller, desk.clock.now());
    let count = if admitted.is_ok() { &desk.counts.answered } else { &desk.counts.refused };
    count.fetch_add(1, Ordering::Relaxed);
    let mut answer = match admitted {
        Ok(()) => next.run(request).await,
        Err(why) => refusal(why, request.uri().path() == "/"),
    };
    let headers = answer.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_FRAME_OPTIONS, "DENY"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    for name in ["cross-origin-resource-policy", "cross-origin-opener-policy"] {
        headers.insert(name, HeaderValue::from_static("same-origin"));
    }
    answer
}

fn problem(status: StatusCode, text: &str) -> Response {
    (status, Json(json!({ "error": text }))).into_response()
}

/// Why one is not let in: a page for who opens the page, else JSON.
fn refusal(why: Refused, page: bool) -> Response {
    let mut answer = if page {
        let (text, again) = (why.text(), "<p><a href=\"/\">Try again</a></p>");
        let html = format!(
            "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><title>drawdown</title>\
             <meta name=\"viewport\" content=\"width=device-width\"></head><body><h1>Not let in</h1><p>{text}.</p>{again}"
        );
        (why.status(), axum::response::Html(html)).into_response()
    } else {
        problem(why.status(), why.text())
    };
    match why {
        Refused::NoPass => answer.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer")),
        Refused::TooMany => answer.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("10")),
        _ => None,
    };
    answer
}

/// The page with its cautions, which the terminal says too.
static WHOLE_PAGE: LazyLock<String> = LazyLock::new(|| {
    let cautions: String = CAUTIONS.iter().map(|caution| format!("<li>{caution}</li>")).collect();
    PAGE.replace("<!-- cautions -->", &cautions)
});

async fn file(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// The page; or a pass for the token of the link, and the page without it.
async fn page(State(desk): At, request: Request) -> Response {
    let Some(token) = link_token(request.uri()) else { return file("text/html; charset=utf-8", &WHOLE_PAGE).await };
    let Some(Peer(from)) = request.extensions().get::<Peer>().copied() else {
        return refusal(Refused::NoPass, true);
    };
    match desk.gate.swap(token, from, desk.clock.now()) {
        Ok(pass) => {
            let cookie = format!("{COOKIE}={pass}; Path=/; Max-Age={PASS_KEPT_S}; HttpOnly; SameSite=Strict");
            (StatusCode::SEE_OTHER, [(header::LOCATION, "/".to_owned()), (header::SET_COOKIE, cookie)]).into_response()
        }
        Err(why) => {
            desk.counts.refused.fetch_add(1, Ordering::Relaxed);
            refusal(why, true)
        }
    }
}

async fn events(State(desk): At) -> Response {
    telling::stream(desk.told.clone())
}

/// The newest moment, if it is not stale.
fn fresh(desk: &Desk) -> Option<Arc<Moment>> {
    let fresh = desk.told.borrow().fresh;
    desk.hub.newest().filter(|_| fresh)
}

async fn now(State(desk): At) -> Json<Value> {
    Json(state::state(fresh(&desk).as_deref()))
}

async fn in_numbers(State(desk): At) -> Response {
    match metrics::text(fresh(&desk).as_deref(), &desk.counts) {
        Ok(text) => ([(header::CONTENT_TYPE, metrics::CONTENT_TYPE)], text).into_response(),
        Err(_) => problem(StatusCode::INTERNAL_SERVER_ERROR, "the figures could not be written"),
    }
}

/// A request's body, which must be JSON: a form of a page elsewhere cannot send that unasked (Fetch standard, CORS-safelisted).
async fn body(headers: &HeaderMap, body: Body) -> Result<Bytes, Response> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
    if !kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json")) {
        return Err(problem(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "send JSON, and say so: content-type: application/json",
        ));
    }
    match tokio::time::timeout(BODY_WITHIN, axum::body::to_bytes(body, BODY_MAX)).await {
        Ok(Ok(bytes)) => Ok(bytes),
        Ok(Err(_)) => Err(problem(StatusCode::PAYLOAD_TOO_LARGE, "the body is longer than 4096 bytes, or broke off")),
        Err(_) => Err(problem(StatusCode::REQUEST_TIMEOUT, "the body took longer than 5 s")),
    }
}

/// No run is being recorded that a mark could belong to; while the disk is waited for, one goes on.
fn sleeps(desk: &Desk) -> bool {
    desk.hub.newest().is_some_and(|now| now.recording.run.is_none() && now.recording.waits.is_none())
}

/// Leaves what was asked for at the hub.
fn hand_on(desk: &Desk, ask: Ask) -> Response {
    if desk.hub.ask(desk.clock.now(), ask) {
        desk.counts.asked.fetch_add(1, Ordering::Relaxed);
        (StatusCode::ACCEPTED, Json(json!({ "at_utc": desk.clock.wall().second() }))).into_response()
    } else {
        problem(StatusCode::SERVICE_UNAVAILABLE, "the recorder has not taken what was asked before: not noted")
    }
}

fn unfit(text: &str) -> Response {
    problem(StatusCode::UNPROCESSABLE_ENTITY, text)
}

async fn mark(State(desk): At, headers: HeaderMap, content: Body) -> Response {
    match body(&headers, content).await {
        Ok(bytes) => match asked::mark(&bytes) {
            Ok(_) if sleeps(&desk) => {
                problem(StatusCode::CONFLICT, "no run is being recorded, the car sleeps: not noted")
            }
            Ok(mark) => hand_on(&desk, Ask::Mark(mark)),
            Err(text) => unfit(&text),
        },
        Err(answer) => answer,
    }
}

async fn acknowledge(State(desk): At, headers: HeaderMap, content: Body) -> Response {
    match body(&headers, content).await {
        Ok(bytes) => match asked::acknowledged(&bytes) {
            Ok(key) if desk.hub.newest().is_some_and(|now| now.alarms.iter().any(|alarm| alarm.key == key)) => {
                hand_on(&desk, Ask::Acknowledge(key))
            }
            Ok(_) => problem(StatusCode::NOT_FOUND, "there is no such alarm now"),
            Err(text) => unfit(&text),
        },
        Err(answer) => answer,
    }
}

async fn taken(State(desk): At, headers: HeaderMap, content: Body) -> Response {
    let charger = |name: &str| {
        let now = desk.hub.newest();
        let course = now.as_ref().and_then(|now| now.course.as_deref());
        course.and_then(|course| course.place(name)).is_some_and(|place| place.charger.is_some())
    };
    match body(&headers, content).await {
        Ok(bytes) => match asked::taken(&bytes) {
            Ok(Some(name)) if !charger(&name) => problem(StatusCode::NOT_FOUND, "the course has no charger there"),
            Ok(place) => hand_on(&desk, Ask::Taken(place)),
            Err(text) => unfit(&text),
        },
        Err(answer) => answer,
    }
}
