//! Test cards through the program: written, checked, sealed, and by their word reduced.
//!
//! Digests are compared with those of the programs that wrote the data set; the rest is this project's own to say.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::Value;

use drawdown::card::Seal;
use drawdown::time::WallClock;

use crate::support::{companion, figure, root, scratch, stdout};

/// A scratch folder with the demo's map and the first ten minutes of its recording as a run.
struct Place {
    folder: tempfile::TempDir,
    run: PathBuf,
}

impl Place {
    fn new() -> Self {
        let folder = scratch();
        let recording = std::fs::File::open(root().join("recordings/demo.log.zst")).expect("the recording");
        let recording = BufReader::new(zstd::Decoder::new(recording).expect("a zstd stream"));
        let log = folder.path().join("drive.log");
        let mut out = std::io::BufWriter::new(std::fs::File::create(&log).expect("a scratch file"));
        for line in recording.lines().take(110_000) {
            writeln!(out, "{}", line.expect("a line")).expect("written");
        }
        out.into_inner().expect("written");
        let map = folder.path().join("demo.toml");
        for file in ["demo.toml", "demo.dbc"] {
            std::fs::copy(root().join("signal-maps").join(file), folder.path().join(file)).expect("a map");
        }
        let mut ingest = companion();
        ingest.arg("ingest").arg(&log).arg("--map").arg(&map).args(["--vehicle", "heron", "--into"]).arg(folder.path());
        let run = PathBuf::from(stdout(&mut ingest).trim_end());
        Self { folder, run }
    }

    fn card(&self, text: &str) -> PathBuf {
        let run = self.run.strip_prefix(self.folder.path()).expect("inside").display().to_string();
        write(self.folder.path(), &format!("vehicle = 'heron'\nmap = 'demo.toml'\nruns = ['{run}']\n{text}"))
    }
}

fn write(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("card.toml");
    std::fs::write(&path, text).expect("a card");
    path
}

fn card(arguments: &[&str], path: &Path) -> Output {
    companion().arg("card").args(arguments).arg(path).output().expect("started")
}

/// Exit status, standard output and standard error.
fn told(output: &Output) -> (i32, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("UTF-8");
    (output.status.code().expect("no signal"), text(&output.stdout), text(&output.stderr))
}

fn reduced(card: &Path) -> Value {
    serde_json::from_str(&stdout(companion().arg("reduce").arg(card).arg("--json"))).expect("JSON")
}

/// Seals as of a moment; the command itself knows no other moment than now.
fn seal_as_of(card: &Path, moment: &str) -> String {
    let seal = Seal::gather(card, WallClock::parse_iso(moment).expect("a moment"), None).expect("a seal");
    let text = seal.to_text();
    std::fs::write(card.with_extension("seal.toml"), &text).expect("written");
    text
}

#[test]
fn a_new_card_is_whole_and_never_replaces_one() {
    let folder = scratch();
    let path = folder.path().join("new.toml");
    let (status, said, _) = told(&card(&["new", "-o"], &path));
    assert_eq!((status, said.trim_end()), (0, &*path.display().to_string()));
    let written = std::fs::read_to_string(&path).expect("the card");
    assert_eq!(stdout(companion().args(["card", "new"])), written);
    let (status, report, faults) = told(&card(&["check"], &path));
    assert_eq!((status, &*faults), (0, ""), "{report}");
    assert!(report.starts_with(&format!("{:24}", "Test card")) && report.contains("nothing wrong"), "{report}");
    assert!(report.contains("  hold of the target speed: driving.target, driving.tolerance\n"), "{report}");
    std::fs::write(&path, "note = 'mine'\n").expect("written");
    let (status, _, said) = told(&card(&["new", "-o"], &path));
    assert_eq!((status, said), (2, format!("{}: is there already; name another file\n", path.display())));
    assert_eq!(std::fs::read_to_string(&path).expect("the card"), "note = 'mine'\n");
}

#[test]
fn a_check_says_everything_in_one_go() {
    let folder = scratch();
    let text = "map = 'no.toml'\nruns = ['no-run']\n[load]\nload_kg = -5\n[tires]\nset_bar = 2.5\n";
    let path = write(folder.path(), text);
    let name = path.display();
    let beside = |file: &str| folder.path().join(file).display().to_string();
    let (status, report, faults) = told(&card(&["check"], &path));
    let expected = [
        format!("{name}:4: a load of -5 kg is impossible; give 0 to 10000 kg"),
        format!("{name}:5: unknown key 'tires'; did you mean 'tyres'?"),
        format!("{}: cannot read: No such file or directory (os error 2); check the path", beside("no.toml")),
        format!(
            "{}: there is no run 'no-run'; name a run's folder, DATA/vehicle=NAME/run=NAME, as a path from the card's folder",
            beside("no-run")
        ),
    ];
    assert_eq!((status, faults.lines().collect::<Vec<_>>()), (1, expected.iter().map(|line| &**line).collect()));
    assert!(report.contains("4 things wrong, said above"), "{report}");
    let output = told(&card(&["check", "--json"], &path));
    let json: Value = serde_json::from_str(&output.1).expect("JSON");
    assert_eq!((output.0, &json["usable"], &json["seal"]["sealed"]), (1, &true.into(), &false.into()));
    assert_eq!(json["faults"][0]["line"], 4);
    assert_eq!(json["faults"][1]["remedy"], "did you mean 'tyres'?");
    assert_eq!(json["missing"][0], serde_json::json!({"key": "course", "limits": ["legs, pairs and height"]}));
    let (status, _, said) = told(&card(&["check"], &folder.path().join("none.toml")));
    assert!(status == 2 && said.ends_with("check the path\n"), "{said}");
}

#[test]
fn sealing_comes_before_counting_and_once() {
    let folder = scratch();
    let path = write(folder.path(), "[counting]\nstart = 2000-01-01T08:00:00Z\n");
    let (status, _, said) = told(&card(&["seal"], &path));
    assert_eq!(
        (status, said),
        (
            2,
            format!(
                "{}: counting started at 2000-01-01T08:00:00Z: a seal of now would prove nothing; seal the card of the next test before it starts\n",
                path.display()
            )
        )
    );
    write(folder.path(), "[driving]\ntolerance_kmh = 0\n");
    let (status, _, said) = told(&card(&["seal"], &path));
    assert!(
        status == 2 && said.ends_with("a card with errors is not sealed; put right what was said above\n"),
        "{said}"
    );

    // A run that is being recorded, and one whose own source file has the name of a seal.
    for run in ["recording", "taken/source-files", "elsewhere"] {
        std::fs::create_dir_all(folder.path().join(run)).expect("a folder");
    }
    std::fs::write(folder.path().join("taken/source-files/seal.toml"), "[roles]\n").expect("written");
    write(folder.path(), "runs = ['recording', 'taken']\n[counting]\nstart = 2999-01-01T08:00:00Z\n");
    let elsewhere = folder.path().join("elsewhere");
    let output = companion().args(["card", "seal"]).arg(&path).arg("--into").arg(&elsewhere).output().expect("started");
    let (status, said, faults) = told(&output);
    assert_eq!(status, 1, "{said}{faults}");
    assert!(faults.contains("taken/source-files/seal.toml: is there already and is no seal; it stays"), "{faults}");
    let seal = std::fs::read(folder.path().join("card.seal.toml")).expect("a seal");
    for run in ["recording", "elsewhere"] {
        assert_eq!(std::fs::read(folder.path().join(run).join("source-files/seal.toml")).expect("a copy"), seal);
    }
    let first = drawdown::card::code(&seal);
    assert!(said.contains(&first) && said.contains("the card names no map, so the map is not sealed"), "{said}");

    let (status, _, said) = told(&card(&["seal"], &path));
    assert!(status == 2 && said.contains(&format!("code {first}; add --again to replace that seal")), "{said}");
    write(folder.path(), "[counting]\nstart = 2999-01-01T08:00:00Z\n");
    assert_eq!(told(&card(&["seal", "--again"], &path)).0, 0);
    let again = std::fs::read_to_string(folder.path().join("card.seal.toml")).expect("a seal");
    assert!(again.contains(&format!("follows = \"{first}\"")), "{again}");
}

#[test]
fn a_result_says_whether_it_is_sealed_and_what_changed_since() {
    let place = Place::new();
    let path = place.card("[driving]\ntolerance_kmh = 3\n");
    let json = reduced(&path);
    assert_eq!(json["seal"]["sealed"], false);
    assert_eq!(json["seal"]["why"], "there is no seal beside the card or in its runs");

    // The demo's recording begins at 06:15:02 on that day.
    let text = seal_as_of(&path, "2027-03-14T06:00:00Z");
    let run: Value = serde_json::from_slice(&std::fs::read(place.run.join("run.json")).expect("a run")).expect("JSON");
    let of_map = run["map"]["sha256"].as_str().expect("a digest");
    assert!(text.contains(&format!("map_and_dbc_sha256 = \"{of_map}\"")), "the run names its map by the same digest");
    let json = reduced(&path);
    assert_eq!((&json["seal"]["sealed"], &json["seal"]["changes"]), (&true.into(), &serde_json::json!([])));
    assert_eq!(json["seal"]["why"], "sealed at 2027-03-14T06:00:00Z, 15 min before counting started");
    let code = json["seal"]["code"].as_str().expect("a code").to_owned();

    place.card("[driving]\ntolerance_kmh = 5\n[road]\ntraffic = 'light'\n");
    let json = reduced(&path);
    assert_eq!(json["seal"]["sealed"], true, "a changed card stays sealed, its changes beside it");
    let changes: Vec<&str> =
        json["seal"]["changes"].as_array().expect("changes").iter().filter_map(|c| c["text"].as_str()).collect();
    assert_eq!(
        changes,
        [
            "rules: what counts was changed after sealing",
            "card: driving.tolerance_kmh was changed from 3 to 5",
            "card: road.traffic was added, \"light\"",
        ]
    );
    let report = stdout(companion().arg("reduce").arg(&path));
    let sealed = format!(
        "Seal                    sealed at 2027-03-14T06:00:00Z, 15 min before counting\n{:24}started; code {code}\n",
        ""
    );
    assert!(report.contains(&sealed), "{report}");
    assert!(report.contains("  changed since         rules: what counts was changed after sealing\n"), "{report}");
    assert!(report.contains("Limited by what the card leaves open\n"), "{report}");
    assert!(report.lines().all(|line| line.chars().count() <= 80), "{report}");

    // Another map, sealed after the run had begun; the run's own copy is older.
    std::fs::write(place.run.join("source-files/seal.toml"), &text).expect("a copy");
    let map = place.folder.path().join("demo.toml");
    let other = std::fs::read_to_string(&map).expect("the map") + "\n# another\n";
    std::fs::write(&map, other).expect("written");
    seal_as_of(&path, "2027-03-14T06:20:00Z");
    let json = reduced(&path);
    assert_eq!(json["seal"]["sealed"], false);
    assert_eq!(
        json["seal"]["why"],
        "the seal is of 2027-03-14T06:20:00Z, and counting started at 2027-03-14T06:15:02Z"
    );
    let problems = json["problems"].to_string();
    assert!(problems.contains(&format!("20270314T061502Z holds the seal {code}, not ")), "{problems}");
    assert!(problems.contains("20270314T061502Z was recorded with another map than the sealed one"), "{problems}");
    std::fs::remove_file(path.with_extension("seal.toml")).expect("removed");
    assert_eq!(reduced(&path)["seal"]["sealed"], true, "the run's own copy is enough");
}

#[test]
fn counting_cuts_every_figure_and_the_parts_make_the_whole() {
    let place = Place::new();
    let whole = reduced(&place.card(""));
    assert_eq!(whole["counted"]["everything"], true);
    let net = |json: &Value| figure(&json["energy"]["net_kwh"]);
    let km = |json: &Value| figure(&json["distances"]["speed_km"]);
    let part = |counting: &str| {
        let json = reduced(&place.card(&format!("distance = 'speed'\n[counting]\n{counting}")));
        assert_eq!(json["counted"]["everything"], false, "{json}");
        json
    };
    let first = part("end = 2027-03-14T06:20:02Z\n");
    let second = part("start = 2027-03-14T06:20:02Z\n");
    for (of, name) in [(net as fn(&Value) -> f64, "energy"), (km, "distance")] {
        let (sum, all) = (of(&first) + of(&second), of(&whole));
        // Both parts end at the trace's row of that moment, so nothing is lost but rounding.
        assert!((sum / all - 1.0).abs() < 1e-9 && of(&first) > 0.0 && of(&second) > 0.0, "{name}: {sum} of {all}");
    }
    let moving = part("start = 'first movement'\nend = 'last movement'\n");
    assert!(km(&moving) / km(&whole) > 1.0 - 1e-9, "no way is made outside");
    assert!(net(&moving) < net(&whole) && moving["duration_s"].as_f64() < whole["duration_s"].as_f64());
    let report = stdout(companion().arg("reduce").arg(place.card("[counting]\nstart = 2027-03-14T06:20:02Z\n")));
    assert!(report.contains("Counted                 from 2027-03-14T06:20:02Z to "), "{report}");

    // The same card, its times and its car contradicted by the run.
    let path = place.card("[counting]\nstart = 2027-03-15T06:20:02Z\n");
    let text = std::fs::read_to_string(&path).expect("the card").replace("'heron'", "'egret'");
    std::fs::write(&path, text).expect("written");
    let (status, _, faults) = told(&card(&["check"], &path));
    let lines: Vec<&str> = faults.lines().collect();
    let name = path.display();
    assert_eq!((status, lines.len()), (1, 2), "{faults}");
    assert_eq!(
        lines[0],
        format!("{name}:3: 20270314T061502Z is of vehicle heron, not egret; name runs of one car, or correct vehicle")
    );
    let at = format!("{name}:5: the card's counting.start is 2027-03-15T06:20:02Z, after the last run ended at ");
    assert!(lines[1].starts_with(&at) && lines[1].ends_with("; it is not used; correct it"), "{faults}");
}
