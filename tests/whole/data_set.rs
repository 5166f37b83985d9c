//! The data set's files opened by others: pyarrow, DuckDB and polars read the values that were written, units and
//! meanings stand in the fields' metadata, and the folders are Hive partitions.

use drawdown::ledger::{Phase, Sums, TraceRow};
use drawdown::observation::{Batch, Bus, BusNames, CanId, Fix, FrameFlags, Mark, MarkKind, Reply};
use drawdown::schema::{Role, Table, tables};
use drawdown::store::data_set::DataSet;
use drawdown::store::writer::RunWriter;
use drawdown::time::{RunTime, Steady};
use serde_json::{Map, Value, json};

use crate::support;

/// The tables as rows of JSON, gathered while they are written.
struct Written {
    tables: Map<String, Value>,
}

impl Written {
    fn table(&mut self, table: &Table) {
        let columns: Vec<&str> = table.columns.iter().map(|column| &*column.name).collect();
        let fields: Vec<[&str; 2]> = table.columns.iter().map(|column| [&*column.unit, &*column.meaning]).collect();
        self.tables.insert(table.folder.clone(), json!({"columns": columns, "fields": fields, "rows": []}));
    }

    fn row(&mut self, table: &str, row: Value) {
        self.tables[table]["rows"].as_array_mut().expect("rows").push(row);
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn number(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { Value::Null }
}

/// A sequence of numbers that looks random and is the same everywhere (Numerical Recipes' 64-bit congruential generator).
struct Sequence(u64);

impl Sequence {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
    fn value(&mut self) -> f64 {
        match self.next() % 12 {
            0 => f64::NAN,
            1 => f64::INFINITY,
            2 => -0.0,
            3 => f64::MIN_POSITIVE / 3.0,
            _ => (self.next() as f64 - 1e9) / 7.0,
        }
    }
}

const NAMES: [&str; 3] = ["vcan1", "vcan0", "trailer"];

fn write_second(writer: &mut RunWriter, written: &mut Written, random: &mut Sequence, second: i64) {
    let mut names = BusNames::default();
    NAMES.iter().for_each(|name| {
        names.intern(name);
    });
    writer.set_buses(&names);
    for n in 0..50 {
        let at = second * 1_000_000 + n * 20_000;
        let bus = (random.next() % 3) as usize;
        let flags = [0, FrameFlags::EXTENDED, FrameFlags::FD | FrameFlags::BRS, FrameFlags::REMOTE, FrameFlags::ERROR]
            [(random.next() % 5) as usize];
        let most = if flags & FrameFlags::FD != 0 { 65 } else { 9 };
        let len = if flags & FrameFlags::REMOTE != 0 { 0 } else { random.next() % most };
        let payload: Vec<u8> = (0..len).map(|_| random.next() as u8).collect();
        let id = 0x100 + (random.next() % 7) as u32 * 0x1000 * u32::from(flags & FrameFlags::EXTENDED);
        let mut batch = Batch::default();
        batch.push(Steady(at), Bus(bus as u8), id, FrameFlags(flags), &payload);
        writer.frame(RunTime(at), &batch.frames[0], batch.payload(&batch.frames[0])).expect("written");
        let mut data = payload.clone();
        data.resize(data.len().max(8), 0);
        let tail = if data.len() > 8 { json!(hex(&data[8..])) } else { Value::Null };
        let first = hex(&data[..8]);
        written.row("frames", json!([at, NAMES[bus], id, flags, len, first, tail]));

        let values = [random.value(), random.value()];
        writer.sample(0, RunTime(at), Bus(bus as u8), &values).expect("written");
        written.row("samples/message=PACK_FAST", json!([at, NAMES[bus], number(values[0]), number(values[1])]));
    }
    let at = second * 1_000_000 + 7;
    writer.sample(1, RunTime(at), drawdown::store::writer::NO_BUS, &[f64::NAN]).expect("written");
    written.row("samples/message=OTHER-1", json!([at, "", null]));
    write_rare(writer, written, random, second);
}

fn write_rare(writer: &mut RunWriter, written: &mut Written, random: &mut Sequence, second: i64) {
    let at = second * 1_000_000 + 9;
    let phase = [Phase::Drive, Phase::Stand, Phase::Charge][(random.next() % 3) as usize];
    let sums = Sums {
        energy_out: random.value(),
        energy_in: random.value(),
        energy_charged: random.value(),
        charge_out: random.value(),
        charge_in: random.value(),
        charge_charged: random.value(),
        distance: random.value(),
        time_unobserved: random.value(),
    };
    // Every other role has few values, which come again.
    let few = [f64::NAN, 0.0, -0.0, 1.0 / 3.0, 1e300];
    let roles: [f64; Role::COUNT] = std::array::from_fn(|at| match at % 2 {
        0 => few[(random.next() % 5) as usize],
        _ => random.value(),
    });
    let row = TraceRow { at: RunTime(at), phase, sums, roles, latitude_deg: f64::NAN, longitude_deg: 1.5 };
    writer.trace(&row).expect("written");
    let mut cells = vec![json!(at), json!(phase.key())];
    cells.extend(sums.in_column_order().iter().chain(&roles).map(|value| number(*value)));
    cells.extend([Value::Null, json!(1.5)]);
    written.row("trace", Value::Array(cells));

    let satellites = (second % 2 == 0).then_some(9u8);
    let fix = Fix { latitude_deg: Some(1.25), track_deg: Some(-0.0), mode: 2, satellites, ..Fix::default() };
    writer.fix(RunTime(at), &fix).expect("written");
    written.row("fixes", json!([at, 1.25, null, null, null, -0.0, 2, satellites, null]));
    let reply = Reply { bus: Bus(0), from: CanId::Extended(0x18da_f110), request: vec![0x22, 1], payload: vec![] };
    writer.reply(RunTime(at), &reply).expect("written");
    written.row("polls", json!([at, NAMES[0], 0x18da_f110, 1, "2201", ""]));
    writer.supply(RunTime(at), 12.5).expect("written");
    written.row("supply", json!([at, 12.5]));
    let (kind, key) = MarkKind::ALL[second as usize % 8];
    let mark = Mark { kind, value: (second % 3 > 0).then_some(second as f64), text: format!("é {second}") };
    writer.mark(RunTime(at), &mark).expect("written");
    written.row("marks", json!([at, key, mark.value, mark.text]));
}

#[test]
fn pyarrow_duckdb_and_polars_read_what_was_written() {
    let folder = support::scratch();
    let (vehicle, run) = ("blue-car", "20270314T061502Z");
    let data = DataSet::create(&folder.path().join("data")).expect("a data set");
    let staged = data.stage(vehicle, run).expect("room for the run");
    let samples = vec![
        tables::samples("PACK_FAST", [("Voltage", "V", "pack voltage"), ("Current", "A", "")]),
        tables::samples("OTHER-1", [("Temp", "degC", "outside, °C")]),
    ];
    let mut written = Written { tables: Map::new() };
    let others =
        [tables::frames(), tables::trace(), tables::fixes(), tables::polls(), tables::supply(), tables::marks()];
    for table in others.iter().chain(&samples) {
        written.table(table);
    }
    let mut writer = RunWriter::create(staged.folder(), samples, true).expect("a run");
    let mut random = Sequence(7);
    for second in 0..100 {
        if second % 40 == 39 {
            writer.close_parts().expect("a part boundary");
        }
        write_second(&mut writer, &mut written, &mut random, second);
    }
    let tables = writer.finish().expect("finished");
    assert_eq!(tables.len(), 8);
    staged.publish().expect("in its place");

    let expected = folder.path().join("expected.json");
    let expectation = json!({"vehicle": vehicle, "run": run, "tables": written.tables, "listed": tables});
    std::fs::write(&expected, expectation.to_string()).expect("written");
    let said = support::stdout(support::oracle("data_set.py").arg(data.root()).arg(&expected));
    assert_eq!(said.lines().count(), 8, "{said}");
}
