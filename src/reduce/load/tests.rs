//! Runs written by the store and read back: what went in by the ledger comes out as figures.

use super::*;
use crate::ledger::{Ledger, LedgerRole};
use crate::observation::Bus;
use crate::reduce::{Options, reduce};
use crate::schema::role::RoleSlot;
use crate::schema::tables::samples;
use crate::store::run_file::{FileDigest, MadeBy, RoleTolerance};
use crate::store::writer::RunWriter;
use crate::time::RunTime;

const ROLES: [(Role, &str, &str, f64); 4] = [
    (Role::PackVoltage, "PACK.Voltage", "V", 1.0),
    (Role::PackCurrent, "PACK.Discharge - PACK.Charge", "A", 1.0),
    (Role::Speed, "MOTION.Speed", "m/s", 1.0 / 3.6),
    (Role::Soc, "MOTION.Soc", "%", 1.0),
];

/// A run of so many seconds: 10 Hz, 400 V falling by 1 V a minute, 50 A swinging by 80 A, 108 km/h, a per cent a minute.
///
/// The pack's message is silent in `silent`.
fn written(folder: &Path, seconds: i64, silent: std::ops::Range<i64>) {
    let slots = ROLES.map(|(role, ..)| LedgerRole { slot: RoleSlot { role, pack: 0 }, sent: Sent::Cyclic });
    let mut ledger = Ledger::new(&slots);
    let tables = vec![
        samples("PACK", [("Voltage", "V", ""), ("Discharge", "A", ""), ("Charge", "A", "")]),
        samples("MOTION", [("Speed", "km/h", ""), ("Soc", "%", "")]),
    ];
    let mut writer = RunWriter::create(folder, tables, false).unwrap();
    for tick in 0..=seconds * 10 {
        let (at, t) = (RunTime(tick * 100_000), tick as f64 / 10.0);
        let (volt, ampere) = (400.0 - t / 60.0, 50.0 + 80.0 * (t / 5.0).sin());
        let soc = 90.0 - (t / 60.0).floor();
        if !silent.contains(&(tick / 10)) {
            ledger.sample(0, at, volt);
            ledger.sample(1, at, ampere);
            writer.sample(0, at, Bus(0), &[volt, ampere.max(0.0), (-ampere).max(0.0)]).unwrap();
        }
        ledger.sample(2, at, 30.0);
        ledger.sample(3, at, soc);
        writer.sample(1, at, Bus(0), &[108.0, soc]).unwrap();
        ledger.drain_trace(|row| writer.trace(row).unwrap());
    }
    ledger.finish(RunTime(seconds * 1_000_000));
    ledger.drain_trace(|row| writer.trace(row).unwrap());
    let gaps = serde_json::to_value(ledger.gaps()).unwrap();
    file(gaps, writer.finish().unwrap()).save(folder).unwrap();
}

fn file(gaps: serde_json::Value, tables: Vec<crate::store::table_files::TableFiles>) -> RunFile {
    let roles = ROLES.map(|(role, signal, unit, factor)| RoleUsed {
        role: role.key().into(),
        signal: signal.into(),
        unit: unit.into(),
        factor,
        offset: 0.0,
        tolerance: match role {
            Role::PackCurrent => RoleTolerance { gain: 0.005, offset: 0.1, basis: "data sheet".into() },
            _ => RoleTolerance { gain: 0.0, offset: 0.0, basis: "assumed".into() },
        },
        sent: "cyclic".into(),
    });
    RunFile {
        schema: 1,
        program: "drawdown".into(),
        vehicle: "invented".into(),
        run: "20270314T061502Z".into(),
        start_utc: Some("2027-03-14T06:15:02.000000Z".into()),
        duration_s: 0.0,
        ended: Ended::EndOfRecording,
        made_by: MadeBy::Ingest,
        map: FileDigest { name: "invented.toml".into(), digest: crate::digest::Digest::Sha256(String::new()) },
        soc_counts: "soc".into(),
        sources: vec![],
        source_files: vec![],
        set_aside: vec![],
        anchors: vec![],
        counts: serde_json::Value::Null,
        gaps,
        roles: roles.into(),
        buses: vec!["vcan0".into()],
        troubles: vec![],
        damage: vec![],
        tables,
        removed: vec![],
        bundled: None,
        sums: serde_json::Value::Null,
        by_phase: serde_json::Value::Null,
    }
}

#[test]
fn a_written_run_is_reduced() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 1_800, 900..905);
    let loaded = runs(&[folder.path()]);
    assert!(loaded.faults.is_empty(), "{:?}", loaded.faults);
    let run = &loaded.runs[0];
    assert!(run.problems.is_empty(), "{:?}", run.problems);
    assert_eq!((run.name.as_str(), run.vehicle.as_str()), ("20270314T061502Z", "invented"));
    assert_eq!(run.gaps.iter().filter(|gap| gap.to_s - gap.from_s > 1.0).count(), 1);
    let current = run.role(Role::PackCurrent).unwrap();
    assert_eq!((current.gain, current.offset, current.basis), (Some(0.005), Some(0.1), Basis::DataSheet));
    assert_eq!(run.role(Role::PackVoltage).unwrap().gain, None, "assumed to be perfect is no statement");
    // 10 samples a second of a swing of 31 s lose next to nothing.
    let sampling = run.sampling.unwrap();
    assert_eq!(sampling.blocks, 6);
    assert!(sampling.energy[0] > 0.0 && sampling.energy[0] < 2e3, "{sampling:?}");

    let reduction = reduce(&loaded.runs, None, &Options::default());
    // By the antiderivative of (400 - t/60) (50 + 80 sin(t/5)) from 0 to 1800 s.
    let swing = |t: f64| -5.0 * 80.0 * (400.0 - t / 60.0) * (t / 5.0).cos() - 25.0 * 80.0 / 60.0 * (t / 5.0).sin();
    let truth = 50.0 * (400.0 * 1_800.0 - 1_800.0f64.powi(2) / 120.0) + swing(1_800.0) - swing(0.0);
    let net = reduction.energy.net.unwrap();
    let by_gaps = net.contribution(&crate::reduce::sources::GAPS);
    assert!((net.value - truth).abs() < 2.0 * by_gaps, "{} {truth} {by_gaps}", net.value);
    assert!((net.value / truth - 1.0).abs() < 0.01 && reduction.unobserved > 4.0 && reduction.unobserved < 6.0);
    let way = reduction.way.counting().unwrap();
    assert!((way.value - 54_000.0).abs() < 1.0, "{}", way.value);
    assert_eq!((reduction.soc.first, reduction.soc.last), (Some(90.0), Some(60.0)));
    assert_eq!(reduction.usable.method, crate::reduce::usable::Method::Partial, "{}", reduction.usable.why);
    assert!(reduction.stated.iter().any(|text| text == "current gain 0.50 % (data sheet)"), "{:?}", reduction.stated);
}

#[test]
fn gaps_that_no_list_holds_are_still_estimated() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 600, 300..310);
    let mut file = RunFile::load(folder.path()).unwrap();
    file.gaps = serde_json::json!("lost");
    file.save(folder.path()).unwrap();
    let run = run(folder.path()).unwrap();
    assert!(run.problems[0].contains("gaps in run.json"), "{:?}", run.problems);
    let net = reduce(&[run], None, &Options::default()).energy.net.unwrap();
    assert!(net.contribution(&crate::reduce::sources::GAPS) > 0.01 * net.value);
}

#[test]
fn what_is_no_run_is_a_fault_and_the_rest_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 60, 0..0);
    let empty = tempfile::tempdir().unwrap();
    let missing = empty.path().join("nothing-here");
    let damaged = tempfile::tempdir().unwrap();
    std::fs::write(damaged.path().join("run.json"), "{").unwrap();
    let loaded = runs(&[folder.path(), empty.path(), &missing, damaged.path()]);
    assert_eq!((loaded.runs.len(), loaded.faults.len()), (1, 3));
    assert!(loaded.faults[0].what.contains("holds no run.json"), "{}", loaded.faults[0]);
    assert!(loaded.faults[1].what.contains("no such folder"), "{}", loaded.faults[1]);
    assert!(loaded.faults.iter().all(|fault| fault.remedy.is_some()), "{:?}", loaded.faults);
}

#[test]
fn a_changed_trace_gives_no_figure_and_changed_samples_no_sampling() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 60, 0..0);
    let flip = |table: &str| {
        let path = crate::store::parts::list(&folder.path().join(table)).unwrap().0[0].path.clone();
        let mut bytes = std::fs::read(&path).unwrap();
        let at = bytes.len() - 12;
        bytes[at] ^= 1;
        std::fs::write(path, bytes).unwrap();
    };
    assert!(run(folder.path()).unwrap().problems.is_empty());
    flip("samples/message=PACK");
    let found = run(folder.path()).unwrap();
    assert!(found.sampling.is_none() && found.problems[0].contains("message=PACK"), "{:?}", found.problems);
    flip("trace");
    assert!(run(folder.path()).unwrap_err().to_string().contains("trace/part-00000.parquet: damaged"));
}
