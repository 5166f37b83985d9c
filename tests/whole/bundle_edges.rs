//! Bundles and exports at their edges: names and columns that tell too much, folders named shortly, tables that lead outside, files
//! that are someone's, and Ctrl-C.
//!
//! What the columns say is read by pyarrow, from outside.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use drawdown::store::run_file::RunFile;

use crate::bundle::{NUMBER, drive, packed_again, reproduced, unpacked};
use crate::support::{companion, root, run, scratch, stdout};

const RUN: &str = "DATA/vehicle=heron/run=20270314T061502Z";

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").file_name());
    entries.map(|name| name.to_string_lossy().into_owned()).collect()
}

#[test]
fn columns_and_names_of_files_tell_no_more_than_words() {
    let folder = scratch();
    // A card named by the car's number, which names its map by a path of this computer.
    let card = drive().join(format!("{NUMBER}.toml"));
    let text = fs::read_to_string(drive().join("card.toml")).expect("a card");
    fs::write(&card, text.replace("maps/demo.toml", &drive().join("maps/demo.toml").display().to_string()))
        .expect("a card");
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    run(companion().arg("bundle").arg(&card).arg("-o").arg(&path));
    fs::remove_file(&card).expect("removed");
    let inside = unpacked(&path, &out);
    assert!(inside.iter().all(|name| !name.contains(NUMBER)), "{inside:?}");
    assert!(inside.iter().any(|name| name == "test/demo.toml"), "the map lies beside the card: {inside:?}");
    for name in ["manifest.json", "figures.json", "read-me.txt"] {
        let text = fs::read_to_string(out.join(name)).expect("a text");
        assert!(!text.contains(NUMBER), "{name}");
    }
    let words = "import pyarrow.parquet as q, sys, pathlib\n\
        for p in pathlib.Path(sys.argv[1]).rglob('*.parquet'):\n    s = q.read_schema(p)\n    print(p, s.metadata, [(f.name, f.metadata) for f in s])";
    let told = stdout(Command::new(root().join(".venv/bin/python")).args(["-c", words]).arg(&out));
    assert!(told.contains("lifetime counter"), "the demo's DBC says so of a signal");
    assert!(!told.contains("47.99") && !told.contains(NUMBER), "{told}");
    let (status, json) = reproduced(&path);
    assert_eq!(status, 0, "{}", json["verdict"]);
}

#[test]
fn a_run_may_be_named_as_shortly_as_one_likes() {
    let folder = scratch();
    let path = folder.path().join("test.tar.zst");
    run(companion().args(["bundle", ".", "-o"]).arg(&path).current_dir(drive().join(RUN)));
    let (status, json) = reproduced(&path);
    assert_eq!(status, 0, "{}", json["verdict"]);
    let figures = json["figures"].as_array().expect("a list");
    let start = figures.iter().find(|line| line["figure"] == "run_details.0.start_utc").expect("a start");
    assert!(start["published"].as_str().is_some_and(|start| start.starts_with("2027-03-14T06:15:02")), "{start}");
}

#[test]
fn a_table_that_leads_outside_is_not_opened() {
    let folder = scratch();
    let (path, out) = (folder.path().join("test.tar.zst"), folder.path().join("out"));
    run(companion().arg("bundle").arg(drive().join("card.toml")).arg("-o").arg(&path));
    unpacked(&path, &out);
    let inside = out.join("data/vehicle=heron/run=20270314T061502Z");
    let sound = RunFile::load(&inside).expect("a run");
    for name in ["/dev/zero", "../../../../../../../../dev/zero"] {
        let mut file = sound.clone();
        file.tables[0].files[0].name = name.into();
        file.save(&inside).expect("saved");
        let changed = folder.path().join("changed.tar.zst");
        packed_again(&out, &changed, true);
        let output = companion().arg("reproduce").arg(&changed).output().expect("it ends");
        assert_eq!(output.status.code(), Some(2));
    }
}

#[test]
fn what_lies_beside_a_file_stays() {
    let folder = scratch();
    let (mine, figures) = (folder.path().join("f.csv.tmp"), folder.path().join("f.csv"));
    fs::write(&mine, "mine").expect("written");
    run(companion().arg("export").arg(drive().join("card.toml")).arg("--figures").arg(&figures));
    assert_eq!(fs::read_to_string(&mine).expect("it is there"), "mine");
    assert_eq!(names(folder.path()).len(), 2);
    let mut nowhere = companion();
    nowhere.arg("export").arg(drive().join("card.toml")).arg("--figures").arg(folder.path().join("none/f.csv"));
    let said = String::from_utf8(nowhere.output().expect("runs").stderr).expect("UTF-8");
    assert!(said.contains("none/f.csv: there is no folder") && said.contains("make it first"), "{said}");
}

#[test]
fn ctrl_c_ends_a_bundle_though_nobody_listens() {
    for delay in [0, 40, 120] {
        let folder = scratch();
        let mut bundle = companion();
        bundle.arg("bundle").arg(drive().join("card.toml")).arg("-o").arg(folder.path().join("test.tar.zst"));
        let mut child = bundle.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("it starts");
        drop(child.stderr.take());
        let start = Instant::now();
        while names(folder.path()).is_empty() && start.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(2));
        }
        std::thread::sleep(Duration::from_millis(delay));
        run(Command::new("kill").args(["-INT", &child.id().to_string()]));
        assert_eq!(child.wait().expect("a child").code(), Some(130));
        assert!(names(folder.path()).is_empty(), "{:?}", names(folder.path()));
    }
}
