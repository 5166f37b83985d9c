//! Runs written here with the crate `parquet` as the schema says, read back; damage; noise.

use std::path::PathBuf;
use std::sync::Arc;

use parquet::data_type::{
    ByteArray, ByteArrayType, DoubleType, FixedLenByteArray, FixedLenByteArrayType, Int32Type, Int64Type,
};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

use super::*;
use crate::observation::{CanId, Fix, FrameFlags as F, Item, Mark, MarkKind, Reply};
use crate::source::replay::test_support::{Everything, everything};
use crate::time::Steady;
use proptest::prelude::*;

type Group<'a> = SerializedRowGroupWriter<'a, std::fs::File>;
/// Time, bus, identifier, flags, length, payload.
type Row<'a> = (i64, &'a str, i32, u8, i32, Vec<u8>);

const START: i64 = 1_900_000_000_000_000;

fn write(path: PathBuf, schema: &str, groups: impl Fn(&mut SerializedFileWriter<std::fs::File>)) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    let schema = Arc::new(parse_message_type(schema).unwrap());
    let properties = Arc::new(WriterProperties::builder().build());
    let mut writer = SerializedFileWriter::new(std::fs::File::create(path).unwrap(), schema, properties).unwrap();
    groups(&mut writer);
    writer.close().unwrap();
}

fn put<T: parquet::data_type::DataType>(group: &mut Group<'_>, values: &[T::T], levels: Option<&[i16]>) {
    let mut column = group.next_column().unwrap().unwrap();
    column.typed::<T>().write_batch(values, levels, None).unwrap();
    column.close().unwrap();
}

fn bytes(text: &str) -> ByteArray {
    ByteArray::from(text.as_bytes().to_vec())
}

fn write_frames(path: PathBuf, groups: &[Vec<Row<'_>>]) {
    let schema = "message frames { required int64 t_us; required binary bus (UTF8); required int32 id; \
                  required int32 flags; required int32 len; required fixed_len_byte_array(8) data; optional binary data_fd; }";
    write(path, schema, |writer| {
        for rows in groups {
            let mut group = writer.next_row_group().unwrap();
            let column = |pick: fn(&Row<'_>) -> i32| rows.iter().map(pick).collect::<Vec<i32>>();
            put::<Int64Type>(&mut group, &rows.iter().map(|row| row.0).collect::<Vec<_>>(), None);
            put::<ByteArrayType>(&mut group, &rows.iter().map(|row| bytes(row.1)).collect::<Vec<_>>(), None);
            put::<Int32Type>(&mut group, &column(|row| row.2), None);
            put::<Int32Type>(&mut group, &column(|row| i32::from(row.3)), None);
            put::<Int32Type>(&mut group, &column(|row| row.4), None);
            let head = |row: &Row<'_>| {
                let mut head: Vec<u8> = row.5.iter().copied().take(8).collect();
                head.resize(8, 0);
                FixedLenByteArray::from(ByteArray::from(head))
            };
            put::<FixedLenByteArrayType>(&mut group, &rows.iter().map(head).collect::<Vec<_>>(), None);
            let long: Vec<&Row<'_>> = rows.iter().filter(|row| row.5.len() > 8).collect();
            let tails: Vec<ByteArray> = long.iter().map(|row| ByteArray::from(row.5[8..].to_vec())).collect();
            let levels: Vec<i16> = rows.iter().map(|row| i16::from(row.5.len() > 8)).collect();
            put::<ByteArrayType>(&mut group, &tails, Some(&levels));
            group.close().unwrap();
        }
    });
}

fn run() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("run.json"), r#"{"start_utc": "2030-03-17T17:46:40Z", "more": 1}"#).unwrap();
    folder
}

fn read(folder: &Path) -> Everything {
    everything(&mut Run::new(folder).unwrap(), 2)
}

fn rows() -> [Vec<Row<'static>>; 2] {
    let long: Vec<u8> = (0..20).collect();
    [
        vec![
            (10, "can0", 1, 0, 2, vec![1, 2]),
            (30, "can0", 1, 0, 0, vec![]),
            (0, "can0", 2, F::FD, 20, long),
            (10, "can1", 1, F::EXTENDED, 8, vec![9; 8]),
        ],
        vec![(40, "can1", 1, F::REMOTE, 5, vec![])],
    ]
}

#[test]
fn frames_come_back_in_time_order() {
    let folder = run();
    let [one, two] = rows();
    write_frames(folder.path().join("frames/part-00000-00001.parquet"), &[one, two]);
    write_frames(folder.path().join("frames/part-00001.parquet"), &[vec![(0, "left_over", 1, 0, 0, vec![])]]);
    write_frames(folder.path().join("frames/part-00002.parquet"), &[vec![(50, "can0", 3, 0, 0, vec![])]]);
    let all = read(folder.path());
    let seen: Vec<_> = all
        .batch
        .frames
        .iter()
        .map(|frame| (frame.at.0 - START, all.names.name(frame.bus), frame.id, frame.flags.0, frame.len))
        .collect();
    assert_eq!(
        seen,
        [
            (0, "can0", 2, F::FD, 20),
            (10, "can0", 1, 0, 2),
            (10, "can1", 1, F::EXTENDED, 8),
            (30, "can0", 1, 0, 0),
            (40, "can1", 1, F::REMOTE, 5),
            (50, "can0", 3, 0, 0),
        ]
    );
    assert_eq!(all.batch.payload(&all.batch.frames[0]), (0..20).collect::<Vec<u8>>());
    assert_eq!(all.damage, Damage::default());
}

fn write_items(folder: &Path) {
    let fixes = "message fixes { required int64 t_us; optional double latitude; optional double longitude; \
                 optional double altitude; optional double speed; optional double track; required int32 mode; \
                 optional int32 satellites; optional double hdop; }";
    write(folder.join("fixes/part-00000.parquet"), fixes, |writer| {
        let mut group = writer.next_row_group().unwrap();
        put::<Int64Type>(&mut group, &[20, 60], None);
        put::<DoubleType>(&mut group, &[1.5], Some(&[1, 0]));
        (0..4).for_each(|_| put::<DoubleType>(&mut group, &[], Some(&[0, 0])));
        put::<Int32Type>(&mut group, &[3, 1], None);
        put::<Int32Type>(&mut group, &[9], Some(&[1, 0]));
        put::<DoubleType>(&mut group, &[0.5, 0.75], Some(&[1, 1]));
        group.close().unwrap();
    });
    let polls = "message polls { required int64 t_us; required binary bus (UTF8); required int32 id; required int32 extended; \
                 required binary request; required binary reply; }";
    write(folder.join("polls/part-00000.parquet"), polls, |writer| {
        let mut group = writer.next_row_group().unwrap();
        put::<Int64Type>(&mut group, &[5], None);
        put::<ByteArrayType>(&mut group, &[bytes("can1")], None);
        put::<Int32Type>(&mut group, &[0x7E8], None);
        put::<Int32Type>(&mut group, &[0], None);
        put::<ByteArrayType>(&mut group, &[ByteArray::from(vec![1, 0x46])], None);
        put::<ByteArrayType>(&mut group, &[ByteArray::from(vec![0x41, 0x46, 0x3E])], None);
        group.close().unwrap();
    });
    write(
        folder.join("supply/part-00000.parquet"),
        "message s { required int64 t_us; required double voltage; }",
        |writer| {
            let mut group = writer.next_row_group().unwrap();
            put::<Int64Type>(&mut group, &[10], None);
            put::<DoubleType>(&mut group, &[12.5], None);
            group.close().unwrap();
        },
    );
    let marks = "message m { required int64 t_us; required binary kind (UTF8); optional double value; required binary text (UTF8); }";
    write(folder.join("marks/part-00000.parquet"), marks, |writer| {
        let mut group = writer.next_row_group().unwrap();
        put::<Int64Type>(&mut group, &[45], None);
        put::<ByteArrayType>(&mut group, &[bytes("soc")], None);
        put::<DoubleType>(&mut group, &[71.0], Some(&[1]));
        put::<ByteArrayType>(&mut group, &[bytes("by hand")], None);
        group.close().unwrap();
    });
}

#[test]
fn items_come_back_between_the_frames() {
    let folder = run();
    write_frames(folder.path().join("frames/part-00000.parquet"), &rows());
    write_items(folder.path());
    let all = read(folder.path());
    let can1 = all.names.clone().intern("can1").unwrap();
    let fix = Fix { latitude_deg: Some(1.5), mode: 3, satellites: Some(9), hdop: Some(0.5), ..Fix::default() };
    let poor = Fix { mode: 1, hdop: Some(0.75), ..Fix::default() };
    let reply =
        Reply { bus: can1, from: CanId::Standard(0x7E8), request: vec![1, 0x46], payload: vec![0x41, 0x46, 0x3E] };
    let mark = Mark { kind: MarkKind::Soc, value: Some(71.0), text: "by hand".into() };
    let expected = [
        (5, Item::Reply(reply)),
        (10, Item::Supply(12.5)),
        (20, Item::Fix(fix)),
        (45, Item::Mark(mark)),
        (60, Item::Fix(poor)),
    ];
    let expected = expected.map(|(at, item)| Stamped { at: Steady(START + at), item });
    assert_eq!(all.batch.rest, expected);
    assert_eq!((all.batch.frames.len(), all.damage.count), (5, 0));
}

#[test]
fn what_cannot_be_read_is_damage_and_the_rest_is_read() {
    let folder = run();
    let [one, two] = rows();
    let bad = vec![(0, "can0", 1, 0, 9, vec![1])];
    write_frames(folder.path().join("frames/part-00000.parquet"), &[one, bad, two]);
    std::fs::write(folder.path().join("frames/part-00001.parquet"), "rubbish").unwrap();
    write(folder.path().join("supply/part-00000.parquet"), "message s { required int64 other; }", |writer| {
        let mut group = writer.next_row_group().unwrap();
        put::<Int64Type>(&mut group, &[10], None);
        group.close().unwrap();
    });
    let all = read(folder.path());
    assert_eq!((all.batch.frames.len(), all.damage.count), (5, 3), "{:?}", all.damage);
    let told: Vec<String> = all.damage.first.iter().map(Fault::to_string).collect();
    for words in ["row group 1 cannot be read", "part-00001.parquet: warning: cannot be read", "'t_us' is missing"] {
        assert!(told.iter().any(|told| told.contains(words)), "{told:?}");
    }
}

#[test]
fn folders_that_are_no_run_are_told() {
    let folder = run();
    assert!(Run::new(folder.path()).err().unwrap().to_string().contains("a run without frames"));
    std::fs::write(folder.path().join("run.json"), r#"{"start_utc": "noon"}"#).unwrap();
    assert!(Run::new(folder.path()).err().unwrap().to_string().contains("'noon' is no ISO 8601"));
    std::fs::write(folder.path().join("run.json"), "{").unwrap();
    assert!(Run::new(folder.path()).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn no_bytes_panic(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8), cut in any::<prop::sample::Index>(), table in 0usize..3,
    ) {
        let folder = run();
        write_frames(folder.path().join("frames/part-00000.parquet"), &rows());
        write_items(folder.path());
        let path = folder.path().join(["frames", "fixes", "polls"][table]).join("part-00000.parquet");
        let mut bytes = std::fs::read(&path).unwrap();
        for (place, byte) in changes {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        std::fs::write(&path, &bytes).unwrap();
        read(folder.path());
        bytes.truncate(cut.index(bytes.len()));
        std::fs::write(&path, &bytes).unwrap();
        read(folder.path());
    }
}
