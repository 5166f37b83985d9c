//! `drawdown compare` on a data set: one invented car rehearsed on two days and another on one, each with a small pack.
//!
//! The difference is formed anew here from what `drawdown reduce --json` says of each test, by its budget of every source:
//! arithmetic of this file alone, with Student's t from a table.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::Value;

use crate::support::{companion, figure, root, scratch, stdout};

/// Rehearses the demo's car, changed a little, reads it in as a vehicle's, and writes a card; gives the card.
fn test_of(folder: &Path, name: &str, vehicle: &str, day: &str, changed: &[(&str, &str)], card: &str) -> PathBuf {
    let mut scenario = fs::read_to_string(root().join("recordings/demo-scenario.toml")).expect("the scenario");
    let course = format!("course = \"{}\"", root().join("recordings/demo-course.toml").display());
    let start = format!("start = \"2027-{day}");
    let usual = [
        ("capacity_ah = 148", "capacity_ah = 6"),
        ("start = \"2027-03-14", start.as_str()),
        ("course = \"demo-course.toml\"", course.as_str()),
        ("start_s = 4321.7", "start_s = 300.0"),
    ];
    for (was, is) in usual.iter().chain(changed) {
        assert!(scenario.contains(was), "the scenario has no {was}");
        scenario = scenario.replace(was, is);
    }
    let (file, log) = (folder.join(format!("{name}.scenario.toml")), folder.join(format!("{name}.log.zst")));
    fs::write(&file, scenario).expect("a scenario");
    let map = root().join("signal-maps/demo.toml");
    stdout(companion().arg("rehearse").arg(&file).arg("--map").arg(&map).arg("-o").arg(&log));
    let mut ingest = companion();
    ingest.arg("ingest").arg(&log).arg("--map").arg(&map).args(["--vehicle", vehicle, "--into"]);
    let run = stdout(ingest.arg(folder.join("DATA")));
    let path = folder.join(format!("{name}.toml"));
    let text = format!("full_charge = 'ended by the car'\nruns = ['{}']\n{card}", run.trim());
    fs::write(&path, text).expect("a card");
    path
}

fn told(output: &Output) -> (i32, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("UTF-8");
    (output.status.code().expect("no signal"), text(&output.stdout), text(&output.stderr))
}

fn compare(arguments: &[&Path], options: &[&str]) -> (i32, String, String) {
    told(&companion().arg("compare").args(arguments).args(options).output().expect("started"))
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// A figure of a comparison by its name and conditions.
fn of<'a>(comparison: &'a Value, what: &str, at: &str) -> &'a Value {
    let all = comparison["figures"].as_array().expect("figures");
    all.iter().find(|figure| figure["figure"] == what && figure["at"] == at).expect("the figure")
}

/// Energy per distance of a test, Wh/km, and what each source adds to it: its name, signed, whether it stays from test to test.
struct Reduced {
    value: f64,
    lines: Vec<(String, f64, bool)>,
}

impl Reduced {
    fn of(card: &Path) -> Self {
        let json = json(&stdout(companion().arg("reduce").arg(card).arg("--json")));
        let lines = json["budgets"]["consumption_wh_per_km"].as_array().expect("a budget");
        let line = |line: &Value| {
            assert!(line["dof"].is_null(), "the arithmetic below knows no degrees of freedom of a test: {line}");
            let source = line["source"].as_str().expect("a source").to_owned();
            (source, line["u"].as_f64().expect("a number"), line["nature"] == "systematic")
        };
        Self { value: figure(&json["consumption_wh_per_km"]), lines: lines.iter().map(line).collect() }
    }

    /// Square of what is by chance, in parts.
    fn by_chance(&self) -> f64 {
        self.lines.iter().filter(|line| !line.2).map(|line| (line.1 / self.value).powi(2)).sum()
    }
}

/// What stays in a car's mean: each source's mean over its tests, in squares.
fn stays(tests: &[&Reduced]) -> f64 {
    let of = |source: &str| {
        let all = tests.iter().flat_map(|test| test.lines.iter().filter(|line| line.0 == source));
        (all.map(|line| line.1).sum::<f64>() / tests.len() as f64).powi(2)
    };
    tests[0].lines.iter().filter(|line| line.2).map(|line| of(&line.0)).sum()
}

/// By hand: the mean of a and b less c, its standard uncertainty and its degrees of freedom; no sensor is shared.
fn by_hand([a, b, c]: &[Reduced; 3]) -> (f64, f64, f64) {
    let mean = (a.value + b.value) / 2.0;
    let seen = ((a.value - mean).powi(2) + (b.value - mean).powi(2)) / mean.powi(2);
    let own = (a.by_chance() + b.by_chance()) / 2.0;
    // One degree of freedom of the repeats, five of what is assumed; both hold the tests' own chance.
    let spread = (seen + 5.0 * (0.02f64.powi(2) + own)) / 6.0;
    let days = spread * ((a.value.powi(2) + b.value.powi(2)) / 4.0 + c.value.powi(2));
    let left = |test: &Reduced| (test.by_chance() - own.min(spread)).max(0.0) * test.value.powi(2);
    let variance = days + stays(&[a, b]) + stays(&[c]) + (left(a) + left(b)) / 4.0 + left(c);
    (mean - c.value, variance.sqrt(), variance.powi(2) / (days.powi(2) / 6.0))
}

#[test]
fn cars_and_days_against_each_other() {
    let folder = scratch();
    let folder = folder.path();
    let label = "label = 'The heron'\n";
    let monday = test_of(folder, "monday", "heron", "03-15", &[], label);
    let tuesday = test_of(folder, "tuesday", "heron", "03-16", &[("seed = ", "seed = 1")], label);
    let wide = [("drag_area_m2 = 0.61", "drag_area_m2 = 0.78")];
    let wren = test_of(folder, "wednesday", "wren", "03-17", &wide, "[tolerances.speed]\nsensor = 'wheel'\n");
    let cards: [&Path; 3] = [&monday, &tuesday, &wren];

    // The pack is empty before the first turn: nothing of the road may be compared, what the pack gave may.
    let (status, text, said) = compare(&cards, &["--json"]);
    assert_eq!((status, &*said), (1, ""), "{text}");
    let refused = json(&text);
    assert_eq!(of(&refused, "consumption", "measured")["pairs"][0]["refused"][0]["reason"], "open-course");
    assert!(of(&refused, "usable_capacity", "measured")["pairs"][0]["difference"]["u95"].is_number());

    let (status, text, said) = compare(&cards, &["--json", "--despite", "open-course"]);
    assert_eq!((status, &*said), (0, ""), "{text}");
    let compared = json(&text);
    let names: Vec<&str> =
        compared["sides"].as_array().expect("sides").iter().filter_map(|s| s["name"].as_str()).collect();
    assert_eq!(names, ["The heron", "wren"]);
    let pair = &of(&compared, "consumption", "measured")["pairs"][0];
    assert_eq!(pair["despite"][0]["reason"], "open-course");

    let tests = cards.map(Reduced::of);
    let (difference, u, dof) = by_hand(&tests);
    let close = |found: &Value, wanted: f64| {
        let found = found.as_f64().expect("a number");
        assert!((found / wanted - 1.0).abs() < 1e-9, "{found} is not {wanted}");
    };
    close(&pair["difference"]["value"], difference);
    close(&pair["u"], u);
    close(&pair["dof"], dof);
    // GUM table G.2: t at 95 % is 2.45 at 6 and 1.96 at infinitely many degrees of freedom, falling between.
    let t = pair["difference"]["u95"].as_f64().expect("a number") / u;
    assert!((1.96..2.45).contains(&t), "{t}");
    let exceeds = difference.abs() > t * u;
    let verdict = if exceeds { "exceeds its uncertainty" } else { "does not exceed its uncertainty" };
    assert_eq!(pair["verdict"], verdict, "one pair: Holm's correction changes nothing");
    let repeats = &of(&compared, "consumption", "measured")["repeatability"][0];
    let of_two = (tests[0].value - tests[1].value).abs() / 2f64.sqrt();
    close(&repeats["s_r"], of_two);
    close(&repeats["limit"], 2.8 * of_two);

    let (_, table, _) = compare(&cards, &["--despite", "open-course"]);
    assert!(table.lines().all(|line| line.chars().count() <= 80), "{table}");
    let flat = table.split_whitespace().collect::<Vec<_>>().join(" ");
    let despite = "despite monday, tuesday, wednesday: not known whether the course closes: ";
    assert!(flat.contains("The heron used ") && flat.contains("; compared despite open-course"), "{table}");
    assert!(flat.contains(despite), "{table}");
    a_page(&cards);
    nothing_to_compare(&cards);
}

/// The page is written beside the table, replaces nothing unasked, and goes to standard output alone.
fn a_page(cards: &[&Path; 3]) {
    let path = cards[0].with_file_name("compare.html");
    let name = path.display().to_string();
    let (status, table, _) = compare(cards, &["-o", &name]);
    let page = fs::read_to_string(&path).expect("the page");
    assert!(status == 1 && table.starts_with("Compared ") && page.starts_with("<!DOCTYPE html>"), "{table}");
    assert!(page.contains("<h1>The heron and wren</h1>") && page.contains("are not compared"), "{page}");
    let (status, _, said) = compare(cards, &["-o", &name]);
    assert!(status == 2 && said.contains("is there already") && said.contains("--replace"), "{said}");
    let (_, again, _) = compare(cards, &["-o", "-"]);
    assert_eq!(again, page);
}

/// One test, one twice, none that can be read, and one that cannot beside two that can.
fn nothing_to_compare(cards: &[&Path; 3]) {
    let (status, _, said) = compare(&cards[..1], &[]);
    assert_eq!(
        (status, &*said),
        (2, "compare: there is nothing to compare: 1 test could be read; name at least two tests\n")
    );
    let (status, _, said) = compare(&[cards[0], cards[0]], &[]);
    assert_eq!((status, &*said), (2, "monday.toml: has a run in common with monday.toml; give each test once\n"));
    let none = cards[0].with_file_name("none.toml");
    let (status, text, said) = compare(&[cards[0], cards[1], &none], &[]);
    assert!(status == 1 && said.contains("none.toml: cannot read") && text.contains("Usable capacity"), "{said}{text}");
    let (status, _, said) = compare(&[cards[0], cards[2]], &["--despite", "rain"]);
    assert!(status == 2 && said.contains("wet-road"), "{said}");
}
