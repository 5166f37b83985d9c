//! Serves the page over an invented drive, second by second, for the browser checks: `page LISTEN TOKEN_FILE`.
//!
//! Takes words from its standard input (`hold`, `go on`, `alarm`, `quiet`, `loud`, `calm`, `stand`, `drive`, `miles`, `fast`, `end`) and
//! writes what people asked for as JSON lines. Records nothing and is no daemon.

use std::io::{BufRead, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Duration;

use drawdown::course::{Course, Direction};
use drawdown::ledger::Phase;
use drawdown::live::page::{Settings, Token, serve};
use drawdown::live::{Alarm, Ask, Check, Hub, Moment, Recording, SourceNow};
use drawdown::plan::picture::{Cliff, Displayed, Driven, Hold, KnownBy, PerMetre, RestsOn, Whereabouts, Worth};
use drawdown::plan::turning::Rules;
use drawdown::plan::{Guess, Here, Limits, Outlook, Picture, advise, outlook};
use drawdown::quantity::{ConsumptionUnit, Metre};
use drawdown::source::{Clock, SystemClock};
use drawdown::time::Span;

const USABLE_J: f64 = 48.0 * 3.6e6;
const PER_METRE: f64 = 176.0 * 3.6;
const SPEED: f64 = 33.0;

/// What the checks want to see.
struct Wanted {
    hold: bool,
    alarm: bool,
    seen: bool,
    loud: bool,
    stand: bool,
    units: ConsumptionUnit,
    period: Duration,
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let (listen, token) = (arguments.next().expect("LISTEN"), arguments.next().expect("TOKEN_FILE"));
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
    let (hub, stop) = (Arc::new(Hub::default()), Arc::new(AtomicBool::new(false)));
    let settings = Settings {
        listen: listen.parse().expect("an address"),
        token: Some(Token::load_or_make(Path::new(&token)).expect("a token")),
        names: Vec::new(),
        clock: Arc::clone(&clock),
    };
    let page = serve(settings, &hub, &stop).expect("the page");
    say(&format!("{{\"address\": \"{}\"}}", page.address()));
    let (sender, words) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            let _ = sender.send(line);
        }
    });
    let (course, faults) = Course::load(Path::new("recordings/demo-course.toml"));
    let course = Arc::new(course.unwrap_or_else(|| panic!("{faults:?}")));
    let mut wanted = Wanted {
        hold: false,
        alarm: false,
        seen: false,
        loud: false,
        stand: false,
        units: ConsumptionUnit::WhPerKm,
        period: Duration::from_secs(1),
    };
    let (mut second, mut slowest) = (0, Duration::ZERO);
    loop {
        match words.recv_timeout(wanted.period) {
            Ok(word) if word == "end" => break,
            Ok(word) => hear(&mut wanted, &word),
            Err(mpsc::RecvTimeoutError::Timeout) => {}
            Err(mpsc::RecvTimeoutError::Disconnected) => break,
        }
        second += 1;
        if !wanted.hold {
            let began = clock.now();
            hub.show(moment(&wanted, second, &course, &*clock));
            slowest = slowest.max(Duration::from_micros((clock.now() - began).0.unsigned_abs()));
        }
        for (_, ask) in hub.take_asks() {
            wanted.seen |= matches!(ask, Ask::Acknowledge(_));
            say(&written(&ask));
        }
    }
    stop.store(true, Ordering::Relaxed);
    page.finish();
    say(&format!("{{\"slowest_show_ms\": {}}}", slowest.as_secs_f64() * 1e3));
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}").and_then(|()| out.flush()).expect("somebody listens");
}

fn hear(wanted: &mut Wanted, word: &str) {
    match word {
        "hold" => wanted.hold = true,
        "go on" => wanted.hold = false,
        "alarm" => (wanted.alarm, wanted.seen) = (true, false),
        "quiet" => wanted.alarm = false,
        "loud" => wanted.loud = true,
        "calm" => wanted.loud = false,
        "stand" => wanted.stand = true,
        "drive" => wanted.stand = false,
        "miles" => wanted.units = ConsumptionUnit::MiPerKwh,
        "fast" => wanted.period = Duration::from_millis(20),
        _ => panic!("no such word: {word}"),
    }
}

fn written(ask: &Ask) -> String {
    match ask {
        Ask::Mark(mark) => serde_json::json!({ "mark": mark.kind.key(), "value": mark.value, "text": mark.text }),
        Ask::Acknowledge(key) => serde_json::json!({ "acknowledge": key }),
        Ask::Taken(place) => serde_json::json!({ "taken": place }),
    }
    .to_string()
}

/// The invented drive at a second of it.
fn picture(wanted: &Wanted, second: u32, course: &Course) -> Picture {
    let driven = SPEED * f64::from(second);
    // Somewhere on the way out, with enough for one more turn far out; or nearly home.
    let (at, soc) = if wanted.loud { (16_000.0, 0.115) } else { (9_000.0 + driven % 30_000.0, 0.62) };
    let direction = if wanted.loud { Direction::Back } else { Direction::Out };
    let soc = soc - driven * PER_METRE / USABLE_J / 100.0;
    let read = outlook::Read {
        soc,
        usable: USABLE_J,
        usable_u: 0.015,
        out: PER_METRE,
        back: Some(0.95 * PER_METRE),
        reserve: Some(0.9 * 3.6e6),
    };
    let outlook = Outlook::from_readings(&read);
    let here = Here { at: Metre(at), direction };
    let advice = advise(course, here, &outlook, &Limits::known(0.0), &Rules::default(), None);
    let left = outlook.to_zero;
    let mean = outlook.mean_per_metre();
    Picture {
        phase: Some(Phase::Drive),
        soc: Some(Displayed { share: (soc * 100.0).round() / 100.0, marked: None }),
        to_zero: Some(left),
        distance_left: Some(Guess::new(left.mean / mean, (left.u / mean).hypot(0.03 * left.mean / mean))),
        dof: 12.0,
        rests_on: Some(RestsOn::Both),
        speed: Some(SPEED + 0.4 * f64::from(second).sin()),
        hold: Some(Hold { target: 120.0 / 3.6, last_minute: Some(33.2), share_of_leg: Some(0.964) }),
        per_metre: PerMetre {
            last_10_km: Some(PER_METRE * (1.0 + 0.01 * f64::from(second).cos())),
            leg: Some(1.02 * PER_METRE),
            test: Some(PER_METRE),
            ahead: Some(outlook.per_metre),
        },
        driven: Driven {
            distance: Some(62_000.0 + driven),
            leg: Some(driven),
            energy: Some((62_000.0 + driven) * PER_METRE),
            time: 1_900.0 + f64::from(second),
        },
        here: Some(Whereabouts { at: here.at, direction, u: 5.0, by: KnownBy::Fix }),
        advice: Some(advice),
        step: None,
        cliff: wanted.loud.then_some(Cliff {
            energy: Guess::new(0.9 * left.mean, left.u),
            display_ahead_by: 0.027,
            counts: true,
        }),
        worth: Some(Worth {
            pairs: 1,
            per_metre: Guess::new(PER_METRE, 0.01 * PER_METRE),
            range: Some(Guess::new(USABLE_J / PER_METRE, 5_000.0)),
            dof: 9.0,
            spoiled: Vec::new(),
        }),
    }
}

fn moment(wanted: &Wanted, second: u32, course: &Arc<Course>, clock: &dyn Clock) -> Moment {
    let mut picture = picture(wanted, second, course);
    if wanted.stand {
        let soc = Some(Displayed { share: 1.0, marked: None });
        picture = Picture { phase: Some(Phase::Stand), soc, ..Picture::default() };
    }
    let alarm = Alarm {
        key: "source.sky".into(),
        text: "No fix for 20 s: see that the receiver has a view of the sky.".into(),
        since: Span::of_seconds(20),
        acknowledged: wanted.seen,
    };
    let check = |name: &str, go: bool, found: &str, remedy: &str| Check {
        name: name.into(),
        go,
        found: found.into(),
        remedy: remedy.into(),
    };
    Moment {
        at: clock.now(),
        utc: clock.wall(),
        vehicle: "heron".into(),
        picture,
        course: Some(Arc::clone(course)),
        recording: Recording {
            run: Some("20270314T061502Z".into()),
            duration: Span::of_seconds(1_900 + i64::from(second)),
            waits: None,
            on_disk: Some(Span::of_millis(640)),
            free_bytes: Some(23_400_000_000),
            sources: vec![
                SourceNow { name: "can0".into(), reads: true, per_second: 1_240.0, ..SourceNow::default() },
                SourceNow { name: "sky".into(), reads: true, per_second: 10.0, ..SourceNow::default() },
            ],
        },
        alarms: if wanted.alarm { vec![alarm] } else { Vec::new() },
        ready: vec![
            check("Charge", true, "the car ended it itself", ""),
            check("Tyres", false, "not written down", "write their pressures into the test card"),
            check("Space", true, "23.4 GB free", ""),
        ],
        units: wanted.units,
        rehearsal: true,
    }
}
