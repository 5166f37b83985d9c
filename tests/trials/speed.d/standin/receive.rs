//! The receivers: one blocking call a frame, the kernel's side of ours alone, ours, and ours with the whole recording. Each prints
//! one JSON object.
//!
//! Processor time is this process's user and system time from before the first frame is sent until after the last was taken; the
//! sender is another process, and making the run's final files is told apart. Compares nothing.

use std::io::{BufRead, BufReader, Write};
use std::net::UdpSocket;
use std::os::fd::AsFd;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use drawdown::daemon::{Beside, Config, Drive, Notify, Prior, open_keeper};
use drawdown::decode::Decoder;
use drawdown::document::Document;
use drawdown::map::Map;
use drawdown::observation::{Batch, Bus, BusNames};
use drawdown::source::live::{Live, Outlet, Shared};
use drawdown::source::merge::WINDOW;
use drawdown::source::queue::Wanted;
use drawdown::source::socketcan::kernel::{Asks, Room};
use drawdown::source::socketcan::taking;
use drawdown::source::socketcan::wire::{self, Received};
use drawdown::source::{Clock, Merge, SystemClock};
use drawdown::store::data_set::DataSet;
use drawdown::store::run_file::Ended;
use drawdown::time::{Span, Steady};
use drawdown::workers::Workers;

use super::source::{Socket, StandIn};
use super::{BUSES, Outcome, send};
use crate::speed;
use crate::speed::books::{Books, net};

/// How often the reader of the queue looks, as the daemon does.
const LOOK_EVERY: Span = Span::of_millis(50);
/// After the last frame was sent, what still waits is taken within this.
const GRACE: Duration = Duration::from_millis(300);

/// The sockets, and the names of the buses.
struct Bench {
    sockets: Vec<UdpSocket>,
    names: BusNames,
    map: Arc<Map>,
}

/// Receives in a style for so many seconds.
pub fn receive(style: &str, log: &Path, map: &Path, seconds: &str, folder: &Path) -> Outcome<()> {
    let map = speed::load(map)?;
    let mut names = BusNames::default();
    for bus in 0..BUSES {
        names.intern(&format!("can{bus}"));
    }
    let sockets = (0..BUSES).map(|_| UdpSocket::bind("127.0.0.1:0")).collect::<Result<Vec<_>, _>>()?;
    let ports =
        sockets.iter().map(|socket| Ok(socket.local_addr()?.port().to_string())).collect::<Outcome<Vec<_>>>()?;
    let sender = Sender::start(log, seconds, &ports)?;
    let bench = Bench { sockets, names, map: Arc::new(map) };
    match style {
        "blocking" => blocking(bench, sender),
        "bare" => bare(bench, sender),
        "batch" => batch(bench, sender),
        "recording" => recording(bench, sender, folder),
        _ => Err(format!("no style '{style}'").into()),
    }
}

/// The other process.
struct Sender {
    process: Child,
    lines: std::io::Lines<BufReader<std::process::ChildStdout>>,
}

impl Sender {
    fn start(log: &Path, seconds: &str, ports: &[String]) -> Outcome<Self> {
        let mut command = Command::new("taskset");
        // On the last processor, whatever this process was given.
        let last = std::fs::read_to_string("/sys/devices/system/cpu/online")?;
        let last = last.trim().rsplit(['-', ',']).next().unwrap_or("0").to_owned();
        command
            .args(["-c", &last])
            .arg(std::env::current_exe()?)
            .args(["standin", "send"])
            .arg(log)
            .arg(seconds)
            .args(ports);
        let mut process = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
        let mut lines = BufReader::new(process.stdout.take().ok_or("no output")?).lines();
        let ready = lines.next().ok_or("the sender did not start")??;
        if ready != "ready" {
            return Err(ready.into());
        }
        Ok(Self { process, lines })
    }

    /// Has it send; returns what it says at the end.
    fn send(mut self) -> Outcome<String> {
        self.process.stdin.take().ok_or("no input")?.write_all(b"\n")?;
        let said = self.lines.next().ok_or("the sender broke off")??;
        self.process.wait()?;
        Ok(said)
    }
}

/// User and system time of this process so far, s.
pub fn processor_seconds() -> f64 {
    // SAFETY: `rusage` is plain data of the kernel's interface (integers); all zero is a value of it.
    let mut usage: libc::rusage = unsafe { std::mem::zeroed() };
    // SAFETY: `usage` is one rusage and outlives the call, which keeps no pointer.
    unsafe { libc::getrusage(libc::RUSAGE_SELF, &raw mut usage) };
    let seconds = |time: libc::timeval| time.tv_sec as f64 + time.tv_usec as f64 * 1e-6;
    seconds(usage.ru_utime) + seconds(usage.ru_stime)
}

fn report(style: &str, sent: &str, received: u64, decoded: u64, lost: u64, cpu: f64, rest: &str) {
    println!(
        "{{\"style\": \"{style}\", \"sender\": {sent}, \"received\": {received}, \"decoded\": {decoded}, \"told_lost\": {lost}, \"cpu_s\": {cpu:.6}{rest}}}"
    );
}

/// A thread a bus that waits for one frame at a time and decodes it: no stamps, no queue, no ledger.
fn blocking(bench: Bench, sender: Sender) -> Outcome<()> {
    let names = &bench.names;
    let threads: Vec<_> = bench
        .sockets
        .into_iter()
        .enumerate()
        .map(|(bus, socket)| {
            let mut decoder = Decoder::new(&bench.map);
            decoder.set_buses(names);
            std::thread::spawn(move || {
                let (mut bytes, mut batch) = ([0; wire::FD], Batch::default());
                let (mut received, mut decoded) = (0u64, 0u64);
                while let Ok(length) = socket.recv(&mut bytes) {
                    if &bytes[..length] == send::END {
                        break;
                    }
                    let Ok(frame) = Received::read(&bytes[..length], false) else { continue };
                    batch.clear();
                    frame.push(Steady(0), Bus(bus as u8), &mut batch);
                    received += 1;
                    decoded += u64::from(decoder.frame(&batch.frames[0], frame.payload).is_some());
                }
                (received, decoded)
            })
        })
        .collect();
    let began = processor_seconds();
    let sent = sender.send()?;
    let (mut received, mut decoded) = (0, 0);
    for thread in threads {
        let counted = thread.join().map_err(|_| "a receiver panicked")?;
        (received, decoded) = (received + counted.0, decoded + counted.1);
    }
    report("blocking", &sent, received, decoded, 0, processor_seconds() - began, "");
    Ok(())
}

/// What the kernel's side alone costs: one thread that sleeps until the tick, takes what came with stamps and throws it away.
fn bare(bench: Bench, sender: Sender) -> Outcome<()> {
    for socket in &bench.sockets {
        taking::prepare(&Socket(socket.try_clone()?)).map_err(|(what, error)| format!("can't {what}: {error}"))?;
    }
    let stop = Arc::new(AtomicBool::new(false));
    let began = processor_seconds();
    let telling = tell_when_sent(sender, &stop);
    let (mut room, mut asks, mut received) = (Room::default(), [Asks::default(); BUSES], 0);
    let (clock, tick) = (Instant::now(), taking::GATHER.0 as u64);
    while !stop.load(Ordering::Relaxed) {
        std::thread::sleep(Duration::from_micros(tick - clock.elapsed().as_micros() as u64 % tick));
        for (socket, asks) in bench.sockets.iter().zip(&mut asks) {
            while room.receive(socket.as_fd(), asks).is_ok_and(|(_, more)| more) {
                received += room.messages().filter(|message| message.bytes != send::END).count() as u64;
            }
            received += room.messages().filter(|message| message.bytes != send::END).count() as u64;
        }
    }
    let cpu = processor_seconds() - began;
    let sent = telling.join().map_err(|_| "the sender's thread panicked")?.map_err(|error| error.to_string())?;
    report("bare", &sent, received, 0, 0, cpu, "");
    Ok(())
}

/// What the outlets say was lost.
fn lost(outlets: &[Outlet]) -> u64 {
    let counts = |outlet: &Outlet| {
        let state = outlet.state();
        let lost = state.counts.iter().filter(|(name, _)| name.contains("dropped"));
        lost.map(|(_, count)| *count).sum::<u64>()
    };
    outlets.iter().map(counts).sum()
}

/// Ours up to the ledger: taken every 10 ms, queue, merge, decoder and ledger, which look every 50 ms.
fn batch(bench: Bench, sender: Sender) -> Outcome<()> {
    let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
    shared.queue.want(Wanted::of(&bench.map));
    let round = Arc::default();
    let mut outlets = Vec::new();
    let mut threads = Vec::new();
    for (bus, socket) in bench.sockets.into_iter().enumerate() {
        let outlet = Outlet::new(&format!("can{bus}"), &shared);
        outlets.push(outlet.clone());
        let mut source = StandIn::new(socket, Bus(bus as u8), &round)?;
        threads.push(std::thread::spawn(move || source.run(&outlet)));
    }
    let stop = Arc::new(AtomicBool::new(false));
    let began = processor_seconds();
    let telling = tell_when_sent(sender, &stop);
    let mut books = Books::new(&bench.map, &Workers::alone());
    let (mut merge, mut arrived, mut ready) = (Merge::live(), Batch::default(), Batch::default());
    while !stop.load(Ordering::Relaxed) {
        shared.queue.take(&mut arrived);
        merge.push(&mut arrived, &bench.names);
        merge.ready_before(shared.clock.now() - WINDOW, &mut ready);
        books.take(&mut ready, &bench.names);
        shared.clock.wait(LOOK_EVERY);
    }
    shared.stop();
    for thread in threads {
        thread.join().map_err(|_| "a receiver panicked")??;
    }
    shared.queue.take(&mut arrived);
    merge.push(&mut arrived, &bench.names);
    merge.finish(&mut ready);
    books.take(&mut ready, &bench.names);
    let net = net(&books.finish());
    let cpu = processor_seconds() - began;
    let sent = telling.join().map_err(|_| "the sender's thread panicked")?.map_err(|error| error.to_string())?;
    report("batch", &sent, books.frames, books.decoded, lost(&outlets), cpu, &format!(", \"net_j\": {net}"));
    Ok(())
}

/// Sets `stop` once all was sent and could be taken.
fn tell_when_sent(sender: Sender, stop: &Arc<AtomicBool>) -> std::thread::JoinHandle<Result<String, String>> {
    let stop = Arc::clone(stop);
    std::thread::spawn(move || {
        let sent = sender.send().map_err(|error| error.to_string());
        std::thread::sleep(GRACE);
        stop.store(true, Ordering::SeqCst);
        sent
    })
}

/// Ours whole: the daemon's own loop with journal, state for those who watch, and at the end the run's Parquet files.
fn recording(bench: Bench, sender: Sender, folder: &Path) -> Outcome<()> {
    let source = |bus: usize| format!("[[source]]\nkind = 'socketcan'\ninterface = 'can{bus}'\n");
    let head =
        "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\nfree_space_floor_mb = 0\nstatus_socket = 'status'\n";
    let text = [head.to_owned(), source(0), source(1), source(2)].concat();
    let (config, faults) = Config::from_document(&Document::from_text("standin.toml", &text), folder);
    let config = config.ok_or_else(|| format!("{faults:?}"))?;
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
    let keeper = open_keeper(&config, &bench.map, &clock)?;
    let beside = Beside::start(&config, Prior::default(), &bench.map, &clock, &keeper);
    let round = Arc::default();
    let mut sources: Vec<(String, Box<dyn Live>)> = Vec::new();
    for (bus, socket) in bench.sockets.into_iter().enumerate() {
        sources.push((format!("can{bus}"), Box::new(StandIn::new(socket, Bus(bus as u8), &round)?)));
    }
    let drive = Drive::begin(&config, &bench.map, keeper, (sources, bench.names), clock, Notify::default())?;
    let stop = Arc::new(AtomicBool::new(false));
    let began = processor_seconds();
    let telling = tell_when_sent(sender, &stop);
    let keeper = drive.with(beside).record(&stop);
    let recorded = processor_seconds() - began;
    keeper.finish(Ended::Stopped, None);
    let files = processor_seconds() - began - recorded;
    let sent = telling.join().map_err(|_| "the sender's thread panicked")??;
    let runs = DataSet::open(&config.data)?.runs()?;
    let file = runs.first().ok_or("no run was recorded")?.read_run_file()?;
    let number = |value: &serde_json::Value| value.as_u64().unwrap_or(0);
    let frames = number(&file.counts["frames"]);
    let decoded = frames - number(&file.counts["frames_no_map_knows"]);
    // The run says of itself what was lost, each loss a trouble.
    let troubles = file.troubles.len() as u64;
    report("recording", &sent, frames, decoded, troubles, recorded, &format!(", \"files_s\": {files:.6}"));
    Ok(())
}
