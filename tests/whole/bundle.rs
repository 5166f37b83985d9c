//! A test packed, looked into from outside, formed again, and tampered with: an invented drive with satellite fixes on its course, in
//! which places and a vehicle number are hidden wherever a bundle could let them slip.
//!
//! pyarrow opens what is packed (`tests/oracles/bundle.py`). Places lie in the open ocean, as the demo's; the number is made up.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, OnceLock};

use drawdown::course::Course;
use drawdown::digest::{Digest, sha256};
use drawdown::document::Document;
use drawdown::geodesy::geodesic;
use drawdown::observation::{Batch, BusNames, CanId, FrameFlags, Item, Mark, MarkKind, Reply, Stamped};
use drawdown::rehearsal::{Rehearsal, Scenario};
use drawdown::store::bundle::{Manifest, archive};
use drawdown::store::recorder::{Durability, Plan, Recorder};
use drawdown::store::run_file::{Ended, MadeBy};
use drawdown::time::Steady;
use serde_json::Value;

use crate::rehearsed::small_car;
use crate::support::{companion, oracle, root, run, scratch, stdout};

/// The shape of a vehicle identification number (ISO 3779); nobody's.
pub const NUMBER: &str = "ZZZAB12CD3E456789";
/// Bands around the demo's course.
const BANDS: [[f64; 2]; 2] = [[-48.1, -47.8], [-123.1, -122.2]];
/// A message that tells where the car is beside a voltage that a role reads.
const PLACE: &str = "
[[message]]
name = 'PLACE'
id = 0x2F0
length = 12
[[message.signal]]
name = 'North'
start = 0
length = 32
type = 'float32'
unit = 'deg'
[[message.signal]]
name = 'East'
start = 32
length = 32
type = 'float32'
unit = 'deg'
[[message.signal]]
name = 'Volts'
start = 64
length = 8
scale = 0.1
unit = 'V'
[roles.supply_voltage]
signal = 'PLACE.Volts'
# made near -47.98765, -122.87654 for ZZZAB12CD3E456789
";

/// A folder with `card.toml`, its map, its course and the run that it names; made once.
pub fn drive() -> &'static Path {
    static DRIVE: OnceLock<tempfile::TempDir> = OnceLock::new();
    DRIVE
        .get_or_init(|| {
            let folder = scratch();
            record(folder.path());
            folder
        })
        .path()
}

fn record(folder: &Path) {
    fs::create_dir_all(folder.join("maps")).expect("a folder");
    let map_text = fs::read_to_string(root().join("signal-maps/demo.toml")).expect("a map") + PLACE;
    fs::write(folder.join("maps/demo.toml"), &map_text).expect("a map");
    let dbc = fs::read_to_string(root().join("signal-maps/demo.dbc")).expect("a DBC");
    let dbc = dbc.replace("lifetime counter", "lifetime counter, read at -47.99111, -122.99222");
    fs::write(folder.join("maps/demo.dbc"), dbc).expect("a DBC");
    fs::copy(root().join("recordings/demo-course.toml"), folder.join("course.toml")).expect("a course");
    let map = Arc::new(drawdown::map::load(&folder.join("maps/demo.toml")).map.expect("a map that loads"));
    let (course, faults) = Course::load(&folder.join("course.toml"));
    assert_eq!(faults, []);
    let (scenario, faults) = Scenario::parse(Document::from_text("scenario.toml", small_car()));
    assert_eq!(faults, []);
    let scenario = scenario.expect("a scenario");
    let demo = drawdown::map::load(&root().join("signal-maps/demo.toml")).map.expect("the demo's map");
    let course = course.expect("a course");
    let mut car = Rehearsal::new(&scenario, &course, &demo).unwrap_or_else(|faults| panic!("{faults:?}"));

    let mut plan = Plan::new(map, "heron", MadeBy::Daemon, Vec::new());
    plan.durability = Durability::AtTheEnd;
    plan.files.push(("car.toml".into(), b"token = 'secret'\n# home: -47.98765, -122.87654".to_vec()));
    let data = folder.join("DATA/vehicle=heron/run=20270314T061502Z");
    let origin = Steady(scenario.start.0);
    let mut recorder = Recorder::begin(&data, &Arc::new(plan), origin, scenario.start).expect("a run");
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    let mut told = 0;
    while car.step(&mut batch, &mut names) {
        let place = batch.rest.iter().find_map(|stamped| match &stamped.item {
            Item::Fix(fix) => Some((stamped.at, fix.latitude_deg? as f32, fix.longitude_deg? as f32)),
            _ => None,
        });
        if let Some((at, north, east)) = place {
            let bus = names.intern("can0").expect("a bus");
            // After all of this step, as frames come in the order of their stamps.
            let last = batch.frames.iter().map(|frame| frame.at).max().map_or(at, |last| last.max(at));
            let at = last + drawdown::time::Span(1);
            let payload = [&north.to_le_bytes()[..], &east.to_le_bytes(), &[130, 0, 0, 0]].concat();
            batch.push(at, bus, 0x2F0, FrameFlags(FrameFlags::FD), &payload);
            told += 1;
            if told == 300 {
                batch.push(at, bus, 0x7F0, FrameFlags(0), &NUMBER.as_bytes()[..8]);
                let text = format!("left {NUMBER} at -47.98765, -122.87654");
                let mark = Mark { kind: MarkKind::Note, value: None, text };
                batch.rest.push(Stamped { at, item: Item::Mark(mark) });
                let (request, payload) = (vec![0x09, 0x02], [&[0x49, 0x02, 0x01][..], NUMBER.as_bytes()].concat());
                let reply = Reply { bus, from: CanId::Standard(0x7E8), request, payload };
                batch.rest.push(Stamped { at, item: Item::Reply(reply) });
                batch.rest.push(Stamped { at, item: Item::Trouble(format!("{NUMBER} answers no more")) });
            }
        }
        recorder.take(&mut batch, &names).expect("taken");
    }
    assert!(told > 600, "{told} fixes");
    recorder.finish(Ended::Quiet, None).expect("a finished run");
    let card = format!(
        "vehicle = 'heron'\nlabel = 'Heron {NUMBER}'\nmap = 'maps/demo.toml'\ncourse = 'course.toml'\n\
         runs = ['DATA/vehicle=heron/run=20270314T061502Z']\ndistance = 'fixes'\n# begins at -47.98765, -122.87654\n\
         [driving]\ntarget_kmh = 100\n[load]\ncar_kg = 1700\nload_kg = 100\n[weather]\ntemperature_degc = 18\n\
         pressure_hpa = 1000\npressure_of = 'the place'\nwind_mps = 3\nwind_from_deg = 250\n[road_load]\n\
         rolling_resistance = 0.009\ndrag_area_m2 = 0.6\n"
    );
    fs::write(folder.join("card.toml"), card).expect("a card");
}

/// Packs the drive; gives what the command said.
fn bundle(to: &Path, more: &[&str]) -> String {
    stdout(companion().arg("bundle").arg(drive().join("card.toml")).arg("-o").arg(to).args(more))
}

pub fn unpacked(bundle: &Path, to: &Path) -> Vec<String> {
    fs::create_dir_all(to).expect("a folder");
    archive::unpack(fs::File::open(bundle).expect("a bundle"), to, archive::Limits::default()).expect("a sound archive")
}

/// Packs a folder again; with digests made anew if asked.
pub fn packed_again(folder: &Path, to: &Path, digests: bool) {
    if digests {
        let path = folder.join("manifest.json");
        let mut manifest: Manifest = serde_json::from_slice(&fs::read(path).expect("a manifest")).expect("JSON");
        manifest.list(folder).expect("listed");
        manifest.save(folder).expect("saved");
    }
    let files = archive::files(folder).expect("files");
    archive::pack(&files, "card", fs::File::create(to).expect("a file")).expect("packed");
}

/// Exit status, and the JSON of `reproduce`.
pub fn reproduced(bundle: &Path) -> (i32, Value) {
    let output = companion().arg("reproduce").arg(bundle).arg("--json").output().expect("started");
    let json = serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{output:?}"));
    (output.status.code().expect("no signal"), json)
}

/// What tells a place or the number in the Parquet files of a folder: file, column, how many cells.
fn places(folder: &Path) -> Vec<(String, String, u64)> {
    let mut command = oracle("bundle.py");
    let mut child =
        command.arg("places").arg(folder).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("started");
    let asked = serde_json::json!([BANDS, [NUMBER, "47.98765", "122.87654", "47.99111"]]);
    child.stdin.take().expect("a pipe").write_all(asked.to_string().as_bytes()).expect("written");
    let output = child.wait_with_output().expect("ended");
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).expect("a list")
}

/// The columns in which it found something.
fn columns(found: &[(String, String, u64)]) -> Vec<&str> {
    let mut columns: Vec<&str> = found.iter().map(|(_, column, _)| &**column).collect();
    columns.sort_unstable();
    columns.dedup();
    columns
}

/// Texts of a folder that hold a place or the number.
fn texts(folder: &Path) -> Vec<PathBuf> {
    let words = [NUMBER, "-47.9", "-48.0", "-123.0", "-122.", "47.98765", "secret"];
    let tells = |(name, path): &(String, PathBuf)| {
        let bytes = fs::read(path).expect("a file");
        let text = String::from_utf8_lossy(&bytes);
        !name.ends_with(".parquet") && words.iter().any(|word| text.contains(word)) || text.contains(NUMBER)
    };
    archive::files(folder).expect("files").into_iter().filter(tells).map(|(_, path)| path).collect()
}

#[test]
fn without_being_asked_no_place_and_no_vehicle_number_leaves() {
    let folder = scratch();
    let (one, other) = (folder.path().join("one.tar.zst"), folder.path().join("other.tar.zst"));
    let said = bundle(&one, &[]);
    assert!(said.contains("figures came out equal from what was packed"), "{said}");
    bundle(&other, &[]);
    assert!(fs::read(&one).expect("bytes") == fs::read(&other).expect("bytes"), "the same test gives the same bytes");
    // What is looked for is there: the check finds it in the original.
    let found = places(drive());
    let expected = ["East", "North", "data", "latitude", "longitude", "reply", "text"];
    assert!(expected.iter().filter(|name| **name != "data").all(|name| columns(&found).contains(name)), "{found:?}");
    assert!(texts(drive()).len() >= 6, "{:?}", texts(drive()));

    let out = folder.path().join("out");
    unpacked(&one, &out);
    assert_eq!(places(&out), []);
    assert_eq!(texts(&out), Vec::<PathBuf>::new());
    let tar = zstd::decode_all(fs::File::open(&one).expect("a bundle")).expect("zstd");
    assert!(!tar.windows(NUMBER.len()).any(|window| window == NUMBER.as_bytes()));
    // Any tar and zstd unpack it, and it is a data set like any other.
    let plain = folder.path().join("plain");
    tar::Archive::new(&tar[..]).unpack(&plain).expect("unpacked");
    let verified = stdout(companion().arg("verify").arg(plain.join("card/data")));
    assert!(
        verified.contains("1 sound, 0 not sound") && verified.contains("out of a bundle: positions were left out"),
        "{verified}"
    );
    assert!(!verified.contains("sums were not computed again"), "trace and sums follow from the samples: {verified}");
    let count = "import sys, pyarrow.dataset as ds; print(ds.dataset(sys.argv[1], format='parquet').count_rows())";
    let trace = plain.join("card/data/vehicle=heron/run=20270314T061502Z/trace");
    let rows = stdout(std::process::Command::new(root().join(".venv/bin/python")).args(["-c", count]).arg(trace));
    assert!(rows.trim().parse::<u64>().expect("a count") > 10_000);
    // `reduce` forms the same from what was unpacked.
    let run = plain.join("card/data/vehicle=heron/run=20270314T061502Z");
    let again =
        stdout(companion().args(["reduce", "--json", "--card"]).arg(plain.join("card/test/card.toml")).arg(run));
    let again: Value = serde_json::from_str(&again).expect("JSON");
    let published: Value = serde_json::from_slice(&fs::read(out.join("figures.json")).expect("figures")).expect("JSON");
    assert_eq!(again["consumption_wh_per_km"], published["consumption_wh_per_km"]);
    let original = stdout(companion().args(["reduce", "--json"]).arg(drive().join("card.toml")));
    let original: Value = serde_json::from_str(&original).expect("JSON");
    assert_eq!(original["distance_km"], published["distance_km"]);
    assert_eq!((&original["distances"]["counts"], &original["legs"]["by"]), (&"fixes".into(), &"the course".into()));
    assert!(original["conditions"]["restated_wh_per_km"].is_object(), "{}", original["conditions"]);
}

#[test]
fn every_figure_comes_out_again() {
    let folder = scratch();
    let path = folder.path().join("test.tar.zst");
    bundle(&path, &["--at", "80,60", "--charge-window", "20-60"]);
    let (status, json) = reproduced(&path);
    let unequal: Vec<&Value> =
        json["figures"].as_array().expect("figures").iter().filter(|f| f["verdict"] != "equal").collect();
    assert_eq!((status, &json["equal"], unequal.len()), (0, &true.into(), 0), "{unequal:?}");
    assert!(json["figures_in_all"].as_u64().expect("a count") > 200, "{json}");
    let said = stdout(companion().arg("reproduce").arg(&path));
    assert!(said.starts_with("Equal: all ") && said.contains("figures came out again, to the last digit\n"), "{said}");
    let all = stdout(companion().arg("reproduce").arg(&path).arg("--all"));
    assert!(
        all.contains("\n  consumption_wh_per_km: equal, ")
            && all.contains("checkpoints.reached.0.percent: equal, 80.0"),
        "{all}"
    );
    // What is there is not written over unless asked for.
    let again =
        companion().arg("bundle").arg(drive().join("card.toml")).arg("-o").arg(&path).output().expect("started");
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("is there already; name another file, or add --replace"));
    bundle(&path, &["--replace"]);
    let left: Vec<_> =
        fs::read_dir(folder.path()).expect("a folder").map(|entry| entry.expect("an entry").file_name()).collect();
    assert_eq!(left, ["test.tar.zst"], "nothing is left beside it");
}

#[test]
fn what_was_tampered_with_is_found() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    bundle(&path, &[]);
    unpacked(&path, &out);
    let changed = folder.path().join("changed.tar.zst");
    let run = "data/vehicle=heron/run=20270314T061502Z";
    let verdicts = |json: &Value| -> Vec<(String, String)> {
        let figures = json["figures"].as_array().expect("figures").iter().filter(|figure| figure["equal"] == false);
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        figures.map(|figure| (text(&figure["figure"]), text(&figure["verdict"]))).collect()
    };

    // A byte of a file, at an end of the table that no figure reads, where only the digest tells.
    let marks = out.join(run).join("samples/message=COMFORT");
    let part = fs::read_dir(&marks).expect("a table").next().expect("a part").expect("its entry").path();
    let sound = fs::read(&part).expect("bytes");
    let mut bytes = sound.clone();
    bytes[40] ^= 1;
    fs::write(&part, &bytes).expect("written");
    packed_again(&out, &changed, false);
    let (status, json) = reproduced(&changed);
    assert_eq!((status, &json["equal"]), (1, &false.into()));
    let faults = json["files_not_as_packed"].as_array().expect("a list");
    assert!(
        faults.len() == 1 && faults[0].as_str().is_some_and(|fault| fault.contains("message=COMFORT")),
        "{faults:?}"
    );
    let said = companion().arg("reproduce").arg(&changed).output().expect("started");
    assert!(String::from_utf8_lossy(&said.stdout).starts_with("NOT equal: 1 file is not as packed; all "), "{said:?}");
    fs::write(&part, &sound).expect("written");

    // A published figure, with its digest made anew.
    let figures = out.join("figures.json");
    let text = fs::read_to_string(&figures).expect("figures");
    let mut json: Value = serde_json::from_str(&text).expect("JSON");
    let value = json["usable_capacity"]["kwh"]["value"].as_f64().expect("a capacity");
    json["usable_capacity"]["kwh"]["value"] = (value * 1.01).into();
    fs::write(&figures, json.to_string()).expect("written");
    packed_again(&out, &changed, true);
    let (status, json) = reproduced(&changed);
    assert_eq!((status, verdicts(&json)), (1, vec![("usable_capacity.kwh".into(), "differs".into())]));
    let figure =
        json["figures"].as_array().expect("a list").iter().find(|figure| figure["equal"] == false).expect("one");
    let off = figure["relative_difference"].as_f64().expect("a number");
    assert!((off - 0.01 / 1.01).abs() < 1e-9, "{off}");
    fs::write(&figures, &text).expect("written");

    // A value of the trace, with every digest made anew: in run.json, its seal, and the manifest.
    tamper_with_the_trace(&out.join(run));
    packed_again(&out, &changed, true);
    let (status, json) = reproduced(&changed);
    let found = verdicts(&json);
    assert!(status == 1 && found.iter().any(|(figure, _)| figure == "energy.net_kwh"), "{found:?}");
    assert_eq!(json["files_not_as_packed"], serde_json::json!([]));
    // With every figure made anew too, the samples still do not give that trace.
    assert!(json["tables_not_sound"].to_string().contains("the samples give"), "{}", json["tables_not_sound"]);
    let mut reduce = companion();
    reduce.args(["reduce", "--json", "--card"]).arg(out.join("test/card.toml")).arg(out.join(run));
    fs::write(&figures, reduce.output().expect("runs").stdout).expect("written");
    packed_again(&out, &changed, true);
    let (status, json) = reproduced(&changed);
    assert!(status == 1 && json["figures_not_equal"] == 0, "{}", json["verdict"]);
    assert!(json["verdict"].as_str().is_some_and(|verdict| verdict.contains("do not follow from each other")));
    let verified = companion().arg("verify").arg(out.join("data")).output().expect("started");
    assert_eq!(verified.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&verified.stdout).contains("the samples give"), "{verified:?}");
}

/// Takes 1 % off the energy of the trace from its middle on.
fn tamper_with_the_trace(run: &Path) {
    use drawdown::digest::Hasher;
    use drawdown::ledger::{Phase, Sums, TraceRow};
    use drawdown::schema::role::ROLES;
    use drawdown::schema::{Role, tables};
    use drawdown::store::{digest, reader, run_file::RunFile, writer::RunWriter};
    let mut file = RunFile::load(run).expect("run.json");
    let aside = scratch();
    let mut writer = RunWriter::create(aside.path(), Vec::new(), false).expect("a writer");
    let sums = tables::TRACE_SUMS.iter().map(|(name, ..)| *name);
    let columns: Vec<&str> = std::iter::once("phase").chain(sums).chain(ROLES.iter().map(|role| role.key)).collect();
    let half = (file.duration_s * 5e5) as i64;
    reader::read_floats(run, "trace", &columns, |chunk| {
        for (row, at) in chunk.t_us.iter().enumerate() {
            let cell = |column: usize| chunk.columns[column][row];
            let mut sums = Sums::from_column_order(std::array::from_fn(|at| cell(1 + at)));
            if *at > half {
                sums.energy_out *= 0.99;
            }
            let row = TraceRow {
                at: drawdown::time::RunTime(*at),
                phase: Phase::from_key(&chunk.names[0][cell(0) as usize]).expect("a phase"),
                sums,
                roles: std::array::from_fn::<f64, { Role::COUNT }, _>(|at| cell(9 + at)),
                latitude_deg: f64::NAN,
                longitude_deg: f64::NAN,
            };
            writer.trace(&row).expect("a row");
        }
    })
    .expect("a trace");
    let mut made = writer.finish().expect("a table").remove(0);
    let table = file.tables.iter_mut().find(|table| table.folder == "trace").expect("a trace");
    let from = aside.path().join("trace").join(&made.files[0].name);
    made.files[0].name = table.files[0].name.clone();
    made.files[0].digest = digest(&from, Hasher::of_much()).expect("a digest").1;
    fs::copy(from, run.join("trace").join(&made.files[0].name)).expect("copied");
    *table = made;
    file.save(run).expect("sealed again");
}

#[test]
fn with_positions_the_ends_are_trimmed_and_figures_stay() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    let said = bundle(&path, &["--positions", "--trim-km", "1.5"]);
    assert!(said.contains("figures came out equal from what was packed"), "{said}");
    let (status, json) = reproduced(&path);
    assert_eq!((status, &json["equal"], &json["trimmed_km"]), (0, &true.into(), &1.5.into()), "{json}");
    let (all, equal) = (&json["steps_from_positions"], &json["steps_equal"]);
    assert!(all == equal && all.as_u64().is_some_and(|all| all > 500), "{all} {equal}");
    unpacked(&path, &out);
    assert_eq!(columns(&places(&out)), ["latitude", "longitude"], "positions alone, and where they belong");
    let fixes = |run: &Path| {
        let mut fixes = Vec::new();
        drawdown::store::reader::read_fixes(run, |_, fix| fixes.push((fix.latitude, fix.longitude))).expect("fixes");
        fixes
    };
    let inside = "vehicle=heron/run=20270314T061502Z";
    let (all, told) = (fixes(&drive().join("DATA").join(inside)), fixes(&out.join("data").join(inside)));
    assert!(told.len() > 500 && told.len() < all.len());
    // The road is nearly straight there, so that the way is hardly longer than the line.
    for end in [all[0], all[all.len() - 1]] {
        let nearest = told.iter().map(|at| geodesic(end, *at)).fold(f64::INFINITY, f64::min);
        assert!((1_350.0..1_700.0).contains(&nearest), "{nearest}");
    }
    let verified = stdout(companion().arg("verify").arg(out.join("data")));
    assert!(verified.contains("1 sound, 0 not sound"), "{verified}");
}

#[test]
fn with_frames_what_they_hold_is_in_it_and_samples_follow_from_them() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    bundle(&path, &["--frames"]);
    assert_eq!(reproduced(&path).0, 0);
    unpacked(&path, &out);
    let verified = stdout(companion().arg("verify").arg(out.join("data")));
    assert!(verified.contains("1 sound, 0 not sound") && !verified.contains("not decoded again"), "{verified}");
    assert_eq!(columns(&places(&out)), ["East", "North", "reply"], "as the option says");
}

#[test]
fn a_bundle_is_not_believed() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    bundle(&path, &[]);
    unpacked(&path, &out);
    let changed = folder.path().join("changed.tar.zst");
    // A card with a seal whose map never ends, and one that leads outside: neither is opened.
    fs::write(out.join("test/card.seal.toml"), "").expect("written");
    let card = out.join("test/card.toml");
    let text = fs::read_to_string(&card).expect("a card");
    for map in ["/dev/zero", "../../../../../../../dev/zero"] {
        fs::write(&card, text.replace("maps/demo.toml", map)).expect("written");
        packed_again(&out, &changed, true);
        let (status, json) = reproduced(&changed);
        let why = json["figures"].as_array().expect("a list").iter().find(|figure| figure["verdict"] == "not possible");
        assert!(status == 1 && why.expect("one")["why"].as_str().expect("why").contains("not in the bundle"), "{json}");
    }
    fs::write(&card, &text).expect("written");
    fs::remove_file(out.join("test/card.seal.toml")).expect("removed");
    // Names of the manifest that it does not list.
    let manifest = out.join("manifest.json");
    let whole = fs::read_to_string(&manifest).expect("a manifest");
    for (from, to) in [("\"test/card.toml\"", "\"/etc/passwd\""), ("\"test/course.toml\"", "\"../x.toml\"")] {
        let key = if from.contains("card") { "card" } else { "course" };
        let text = whole.replacen(&format!("\"{key}\": {from}"), &format!("\"{key}\": {to}"), 1);
        assert_ne!(text, whole);
        fs::write(&manifest, text).expect("written");
        packed_again(&out, &changed, false);
        let output = companion().arg("reproduce").arg(&changed).output().expect("started");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(2) && said.contains("which it does not list"), "{said}");
    }
    // What is no bundle at all.
    fs::write(&changed, "hello").expect("written");
    let output = companion().arg("reproduce").arg(&changed).output().expect("started");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && said.contains("cannot be read as tar in zstd"), "{said}");
}

/// A sealed card in a folder of its own, with a map and a DBC in which nothing has to be left out, but for what is given.
fn sealed(name: &str, note: &str) -> PathBuf {
    let folder = drive();
    for (from, to) in [("demo.toml", "plain.toml"), ("demo.dbc", "plain.dbc")] {
        let text = fs::read_to_string(root().join("signal-maps").join(from)).expect("a map");
        fs::create_dir_all(folder.join("plain")).expect("a folder");
        fs::write(folder.join("plain").join(to), text.replace("demo.dbc", "plain.dbc")).expect("a map");
    }
    let card = folder.join("plain").join(name);
    let text = format!(
        "vehicle = 'heron'\nmap = '../plain/plain.toml'\ncourse = '../course.toml'\nnote = '{note}'\n\
         runs = ['../DATA/vehicle=heron/run=20270314T061502Z']\n[counting]\nstart = 'first movement'\n"
    );
    fs::write(&card, text).expect("a card");
    let before = drawdown::time::WallClock::parse_iso("2020-01-01T00:00:00Z").expect("a moment");
    let seal = drawdown::card::Seal::gather(&card, before, None).expect("a seal").to_text();
    fs::write(card.with_extension("seal.toml"), seal).expect("written");
    card
}

#[test]
fn a_seal_is_judged_again_unless_words_had_to_go() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    let pack = |card: &Path| {
        companion().arg("bundle").arg(card).args(["--replace", "--json", "-o"]).arg(&path).output().expect("started")
    };
    let packed = pack(&sealed("open.toml", "dry road"));
    assert!(packed.status.success(), "{packed:?}");
    let (status, json) = reproduced(&path);
    assert_eq!((status, &json["equal"]), (0, &true.into()));
    let of = |json: &Value, figure: &str| {
        json["figures"].as_array().expect("a list").iter().find(|f| f["figure"] == figure).expect(figure).clone()
    };
    assert_eq!(of(&json, "seal.sealed")["again"], true);
    assert_eq!(of(&json, "counted.everything")["again"], false, "what is cut by the card is cut again");

    let packed = pack(&sealed("told.toml", &format!("number {NUMBER}")));
    let said: Value = serde_json::from_slice(&packed.stdout).expect("JSON");
    assert_eq!(packed.status.code(), Some(1), "{said}");
    assert!(
        said["not_equal"].as_array().is_some_and(|lines| {
            !lines.is_empty() && lines.iter().all(|line| line.as_str().is_some_and(|line| line.starts_with("seal.")))
        }),
        "{said}"
    );
    let (status, json) = reproduced(&path);
    assert_eq!((status, &json["figures_not_equal"]), (1, &0.into()));
    unpacked(&path, &out);
    assert_eq!(texts(&out), Vec::<PathBuf>::new());
    let manifest: Manifest =
        serde_json::from_slice(&fs::read(out.join("manifest.json")).expect("a manifest")).expect("JSON");
    let card = manifest.originals.iter().find(|original| original.name.ends_with("/told.toml")).expect("the card");
    let digest = Digest::Sha256(sha256(&fs::read(drive().join("plain/told.toml")).expect("the card")));
    assert!(card.changed && card.digest == digest, "the original can be shown to be the one");
}

#[test]
fn figures_and_track_are_exported() {
    let folder = scratch();
    let place = |name: &str| folder.path().join(name);
    let export = |more: &[&str]| {
        companion()
            .arg("export")
            .arg(drive().join("card.toml"))
            .args(more)
            .current_dir(folder.path())
            .output()
            .expect("started")
    };
    let output = export(&["--figures", "f.csv", "--gpx", "drive.gpx"]);
    assert!(output.status.success() && output.stdout == b"drive.gpx\nf.csv\n", "{output:?}");
    assert!(export(&["--figures", "f.parquet"]).status.success());
    let same = stdout(oracle("bundle.py").arg("figures").arg(place("f.csv")).arg(place("f.parquet")));
    assert!(same.trim().parse::<u32>().expect("a count") > 300);
    let csv = fs::read_to_string(place("f.csv")).expect("figures");
    assert!(!csv.contains(NUMBER) && !csv.contains("47.98765"), "notes are scrubbed");
    let reduced: Value =
        serde_json::from_str(&stdout(companion().args(["reduce", "--json"]).arg(drive().join("card.toml"))))
            .expect("JSON");
    let figure = &reduced["consumption_wh_per_km"];
    assert!(
        csv.contains(&format!("\nconsumption_wh_per_km,{},{},Wh/km,\n", figure["value"], figure["u95"])),
        "{figure}"
    );
    assert!(export(&["--figures", "-"]).stdout == csv.as_bytes());

    let checked = stdout(oracle("bundle.py").arg("gpx").arg(place("drive.gpx")));
    let (segments, points, first, last): (u64, u64, (f64, f64), (f64, f64)) =
        serde_json::from_str(&checked).expect("a list");
    assert!(segments == 1 && points > 100, "{checked}");
    let start = (-48.0, -123.0);
    assert!(geodesic(start, first) > 900.0 && geodesic(start, last) > 900.0, "{checked}");
    assert!(!fs::read_to_string(place("drive.gpx")).expect("a track").contains(NUMBER));
    assert!(export(&["--gpx", "whole.gpx", "--trim-km", "0"]).status.success());
    let whole = stdout(oracle("bundle.py").arg("gpx").arg(place("whole.gpx")));
    let (_, _, first, _): (u64, u64, (f64, f64), (f64, f64)) = serde_json::from_str(&whole).expect("a list");
    assert!(geodesic(start, first) < 20.0, "{whole}");

    let refused = export(&["--figures", "f.csv"]);
    assert!(
        refused.status.code() == Some(2) && fs::read_to_string(place("f.csv")).expect("kept") == csv,
        "{refused:?}"
    );
    assert!(export(&["--figures", "f.csv", "--replace"]).status.success());
    let refused = export(&["--gpx", "none.gpx", "--trim-km", "40"]);
    assert!(refused.status.code() == Some(2) && !place("none.gpx").exists(), "{refused:?}");
    run(&mut companion_in(folder.path(), &["export", "--help"]));
}

fn companion_in(folder: &Path, arguments: &[&str]) -> std::process::Command {
    let mut command = companion();
    command.args(arguments).current_dir(folder);
    command
}
