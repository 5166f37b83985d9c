//! The page from outside: its figures by the OpenMetrics parser of prometheus_client, the reference for the format.
//!
//! Does not judge the page in a browser; `tests/page` does.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use drawdown::live::page::{Settings, serve};
use drawdown::live::{Alarm, Hub, Moment, Recording, SourceNow};
use drawdown::plan::picture::{Displayed, PerMetre};
use drawdown::plan::{Guess, Picture};
use drawdown::quantity::ConsumptionUnit;
use drawdown::source::SystemClock;
use drawdown::time::{Span, Steady, WallClock};

use crate::support;

fn moment(sources: &[&str]) -> Moment {
    let source =
        |name: &&str| SourceNow { name: (*name).to_owned(), reads: true, per_second: 12.5, ..Default::default() };
    Moment {
        at: Steady(0),
        utc: WallClock(0),
        vehicle: "heron".into(),
        picture: Picture {
            soc: Some(Displayed { share: 0.42, marked: None }),
            to_zero: Some(Guess::new(72.72e6, 1.8e6)),
            speed: Some(33.25),
            per_metre: PerMetre { leg: Some(640.0), ..PerMetre::default() },
            ..Picture::default()
        },
        course: None,
        recording: Recording { sources: sources.iter().map(source).collect(), ..Recording::default() },
        alarms: vec![Alarm { key: "disk".into(), text: "full".into(), since: Span(0), acknowledged: true }],
        ready: Vec::new(),
        units: ConsumptionUnit::WhPerKm,
        rehearsal: false,
    }
}

fn get(address: SocketAddr, path: &str) -> (String, String) {
    let mut stream = TcpStream::connect(address).expect("the page listens");
    write!(stream, "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").expect("a request");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("an answer");
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
    (head.to_lowercase(), body.to_owned())
}

/// A family by the reference parser: name, type, unit, samples.
type Family = (String, String, String, Vec<(String, serde_json::Value, f64)>);

fn parsed(text: &str) -> Vec<Family> {
    let mut oracle = support::oracle("open_metrics.py");
    let mut child = oracle.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("the parser starts");
    child.stdin.take().expect("its input").write_all(text.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "not OpenMetrics:\n{text}");
    serde_json::from_slice(&output.stdout).expect("its answer")
}

#[test]
fn the_figures_are_open_metrics() {
    let (hub, stop) = (Arc::new(Hub::default()), Arc::new(AtomicBool::new(false)));
    let settings = Settings {
        listen: "127.0.0.1:0".parse().unwrap(),
        token: None,
        names: Vec::new(),
        clock: Arc::new(SystemClock::new()),
    };
    let page = serve(settings, &hub, &stop).unwrap();
    // Before anything is known: only what the page knows of itself.
    let (head, text) = get(page.address(), "/metrics");
    assert!(head.contains("content-type: application/openmetrics-text; version=1.0.0; charset=utf-8"), "{head}");
    assert_eq!(parsed(&text).len(), 4, "{text}");
    let odd = ["can0", "a \"quoted\" one", "back\\slash", "two\nlines"];
    hub.show(moment(&odd));
    let families = (0..50).find_map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(100));
        let families = parsed(&get(page.address(), "/metrics").1);
        families.iter().any(|family| family.0 == "drawdown_speed_meters_per_second").then_some(families)
    });
    let families = families.expect("the moment's figures");
    let value = |name: &str| {
        let samples = families.iter().flat_map(|family| &family.3);
        samples.clone().find(|sample| sample.0 == name).map(|sample| sample.2)
    };
    for (name, wanted) in [
        ("drawdown_state_of_charge_ratios", 0.42),
        ("drawdown_energy_left_joules", 72.72e6),
        ("drawdown_speed_meters_per_second", 33.25),
        ("drawdown_consumption_joules_per_meter", 640.0),
        ("drawdown_page_requests_refused_total", 0.0),
    ] {
        assert_eq!(value(name), Some(wanted), "{name}");
    }
    assert_eq!(value("drawdown_distance_left_meters"), None, "what is not known is left out");
    let documented = std::fs::read_to_string(support::root().join("docs/live-api.md")).unwrap();
    for (name, kind, unit, _) in &families {
        assert!(unit.is_empty() || name.ends_with(&format!("_{unit}")), "{name} is in {unit}");
        let written = if kind == "counter" { format!("`{name}_total`") } else { format!("`{name}`") };
        assert!(documented.contains(&written), "docs/live-api.md lacks {written}");
    }
    let sources = families.iter().find(|family| family.0 == "drawdown_source_reads").unwrap();
    let mut names: Vec<&str> = sources.3.iter().filter_map(|sample| sample.1["source"].as_str()).collect();
    names.sort_unstable();
    let mut wanted = odd;
    wanted.sort_unstable();
    assert_eq!(names, wanted);
    stop.store(true, Ordering::Relaxed);
    page.finish();
}
