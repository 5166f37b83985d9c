//! Tests of the map room that need more than one of its files.

use super::*;
use crate::document::Fault;
use crate::schema::Role;

fn load_text(text: &str) -> Loaded {
    from_text("map.toml", text, None)
}

fn load_with(text: &str, dbc: &str) -> Loaded {
    from_text("map.toml", text, Some(("example.dbc".into(), dbc.into())))
}

fn said(loaded: &Loaded) -> Vec<String> {
    loaded.faults.iter().map(Fault::to_string).collect()
}

const PACK: &str = r#"
[[message]]
name = "PACK_FAST"
id = 0x2B0
length = 8
[[message.signal]]
name = "PackVoltage"
start = 7
length = 16
byte_order = "big"
scale = 0.1
unit = "V"
range = [0, 600]
not_available = [0xFFFF]
[[message.signal]]
name = "PackCurrent"
start = 23
length = 16
byte_order = "big"
type = "signed"
scale = 0.02
unit = "A"

[[message]]
name = "MOTION"
id = 0x18FF1234
extended = true
bus = "can1"
length = 8
sent = "on change"
[[message.signal]]
name = "Speed"
start = 0
length = 16
scale = 0.01
unit = "km/h"
[[message.signal]]
name = "Soc"
start = 16
length = 8
scale = 0.5
unit = "%"

[roles.pack_voltage]
signal = "PACK_FAST.PackVoltage"
[roles.pack_current]
signal = "PACK_FAST.PackCurrent"
positive = "charge"
tolerance = { gain = 0.005, limit_offset = 0.5, basis = "data sheet" }
[roles.speed]
signal = "MOTION.Speed"
[roles.soc]
signal = "MOTION.Soc"
"#;

#[test]
fn a_sound_map_has_no_faults() {
    let loaded = load_text(PACK);
    assert_eq!(said(&loaded), [""; 0]);
    let map = loaded.map.unwrap();
    assert_eq!(map.messages.len(), 2);
    assert_eq!(map.messages[1].sent, Sent::OnChange);
    let roles: Vec<Role> = map.roles.iter().map(|binding| binding.slot.role).collect();
    assert_eq!(roles, [Role::Speed, Role::PackVoltage, Role::PackCurrent, Role::Soc]);
    let current = map.role(Role::PackCurrent).unwrap();
    assert_eq!((current.factor, current.sent), (-1.0, Sent::Cyclic));
    assert_eq!((current.tolerance.gain, current.tolerance.basis), (0.005, Basis::DataSheet));
    assert!((current.tolerance.offset - 0.5 / 3_f64.sqrt()).abs() < 1e-15);
    assert_eq!(map.role(Role::PackVoltage).unwrap().tolerance.basis, Basis::Assumed);
    assert!((map.role(Role::Speed).unwrap().factor - 1.0 / 3.6).abs() < 1e-15);
    assert_eq!(map.digest.len(), 64);
}

#[test]
fn roles_of_several_packs_are_written_either_way() {
    for second in ["[roles.pack_current.2]", "[roles.\"pack_current.2\"]"] {
        let text =
            PACK.replace("[roles.speed]", &format!("{second}\nsignal = \"PACK_FAST.PackCurrent\"\n[roles.speed]"));
        let loaded = load_text(&text);
        let map = loaded.map.unwrap_or_else(|| panic!("{second}: {:?}", loaded.faults));
        assert_eq!(map.packs(), 2);
        let keys: Vec<String> = map.roles.iter().map(|binding| binding.slot.key(map.packs())).collect();
        assert_eq!(keys, ["speed", "pack_voltage.1", "pack_current.1", "pack_current.2", "soc"]);
        assert_eq!(loaded.faults.len(), 1, "the second pack has no voltage: {:?}", loaded.faults);
    }
}

#[test]
fn multiplexing_of_a_dbc_is_kept() {
    let dbc = "BO_ 1 A: 8 X\n SG_ Page M : 0|4@1+ (1,0) [0|0] \"\" X\n SG_ One m1 : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ Inner m2M : 4|4@1+ (1,0) [0|0] \"\" X\n SG_ Deep m0 : 8|8@1+ (1,0) [0|0] \"\" X\nSG_MUL_VAL_ 1 Deep Inner 3-4, 9-9;\n";
    let loaded = load_with("dbc = 'example.dbc'", dbc);
    assert!(loaded.faults.iter().all(|fault| fault.file == "map.toml"), "{:?}", loaded.faults);
    let map = loaded.map.unwrap();
    let multiplex: Vec<Multiplex> = map.messages[0].signals.iter().map(|signal| signal.multiplex.clone()).collect();
    let when = |switch, values: &[std::ops::RangeInclusive<u64>]| Multiplex::When { switch, values: values.to_vec() };
    assert_eq!(multiplex, [Multiplex::Always, when(0, &[1..=1]), when(0, &[2..=2]), when(2, &[3..=4, 9..=9])]);
}

#[test]
fn the_files_and_their_digest_are_kept() {
    let loaded = load_with("dbc = 'folder/example.dbc'", "BO_ 1 A: 8 X\n");
    let map = loaded.map.unwrap();
    let names: Vec<&str> = map.files.iter().map(|(name, _)| &**name).collect();
    assert_eq!(names, ["map.toml", "example.dbc"]);
    // sha256sum (coreutils) of the two texts, one after the other.
    assert_eq!(map.digest, "b98860fc709225616828b02fa37c8c3a0929e3ad809ff76a9e737f1dc7280322");
}

#[test]
fn patterns_of_all_64_bits_can_be_written() {
    let map = load_text(
        "message = [{ name = 'M', id = 1, length = 8, signal = [{ name = 'S', start = 0, length = 64, not_available = [0xFFFFFFFFFFFFFFFF] }] }]",
    )
    .map
    .unwrap();
    assert_eq!(map.messages[0].signals[0].not_available, [u64::MAX]);
}

#[test]
fn polls_and_tables_are_read() {
    let loaded = load_text(
        "[[poll]]
         name = 'AMBIENT'
         request_id = 0x7DF
         response_id = 0x7E8
         service = 0x01
         identifier = 0x46
         period_s = 10
         [[poll]]
         name = 'PACK'
         bus = 'can1'
         request_id = 0x18DA10F1
         response_id = 0x18DAF110
         extended = true
         service = 0x22
         identifier = 0x1234
         period_s = 0.5
         [[table]]
         name = 'trip'
         delimiter = ';'
         decimal_comma = true
         time = { column = 'Time [s]', format = 'seconds', start = '2027-03-14T06:15:02Z' }
         signal = [{ name = 'Speed', column = 'Velocity [km/h]' }, { name = 'bus' }, { name = 'Volts' }]",
    );
    let map = loaded.map.unwrap();
    let Origin::Poll(ambient) = &map.messages[0].origin else { panic!() };
    assert_eq!((&ambient.request[..], ambient.period_s), (&[0x01, 0x46][..], 10.0));
    let Origin::Poll(pack) = &map.messages[1].origin else { panic!() };
    assert_eq!(
        (&pack.request[..], pack.response_id),
        (&[0x22, 0x12, 0x34][..], crate::observation::CanId::Extended(0x18DA_F110))
    );
    let Origin::Table(table) = &map.messages[2].origin else { panic!() };
    // The signal named like a column of every table is left out, and its column with it.
    assert_eq!(table.columns, ["Velocity [km/h]", "Volts"]);
    assert_eq!(map.messages[2].signals.len(), 2);
    assert_eq!((table.delimiter, table.decimal_comma, &*table.time_column), (b';', true, "Time [s]"));
    assert_eq!(table.time_format, TimeFormat::Seconds { start: crate::time::WallClock(1_805_004_902_000_000) });
}

#[test]
fn who_is_asked_and_answers_has_its_usual_identifiers() {
    use crate::observation::CanId::{Extended, Standard};
    let loaded = load_text(
        "[[poll]]
         quantity = 'speed'
         [[poll]]
         name = 'SECOND'
         quantity = 'speed'
         response_id = 0x7EC
         period_s = 0.25
         bus = 'can1'
         [[poll]]
         name = 'THIRD'
         quantity = 'speed'
         request_id = 0x7E2
         [[poll]]
         name = 'WIDE'
         quantity = 'odometer'
         extended = true
         response_id = 0x18DAF142
         [[poll]]
         name = 'WIDE_PHYSICAL'
         extended = true
         request_id = 0x18DA42F1
         service = 0x22
         identifier = 0x1234
         period_s = 1
         [[poll]]
         name = 'BODY'
         request_id = 0x6F1
         response_id = 0x607
         ecu_address = 0x07
         tester_address = 0xF2
         service = 0x22
         identifier = 0x1234
         period_s = 1",
    );
    let map = loaded.map.unwrap();
    let found: Vec<_> = map
        .messages
        .iter()
        .map(|message| {
            let Origin::Poll(poll) = &message.origin else { panic!() };
            let extension = poll.extension.map(|extension| (extension.ecu, extension.tester));
            (&*message.name, poll.request_id, poll.response_id, poll.period_s, extension)
        })
        .collect();
    assert_eq!(
        found,
        [
            ("speed", Standard(0x7DF), Standard(0x7E8), 1.0, None),
            ("SECOND", Standard(0x7DF), Standard(0x7EC), 0.25, None),
            ("THIRD", Standard(0x7E2), Standard(0x7EA), 1.0, None),
            ("WIDE", Extended(0x18DB_33F1), Extended(0x18DA_F142), 10.0, None),
            ("WIDE_PHYSICAL", Extended(0x18DA_42F1), Extended(0x18DA_F142), 1.0, None),
            ("BODY", Standard(0x6F1), Standard(0x607), 1.0, Some((0x07, 0xF2))),
        ]
    );
}

/// A text with a part of it cut out and another put in.
fn damaged(text: &str, at: usize, cut: usize, put: &str) -> String {
    let signs: Vec<char> = text.chars().collect();
    let at = at % (signs.len() + 1);
    let after = (at + cut).min(signs.len());
    signs[..at].iter().copied().chain(put.chars()).chain(signs[after..].iter().copied()).collect()
}

const DBC: &str = include_str!("../../tests/dbc/nested_pages.dbc");

proptest::proptest! {
    #[test]
    fn no_map_text_panics(
        at in 0usize..2000, cut in 0usize..40, put in "([a-z\\[\\]={}\"'#., \n0-9_-]|switch|when|1e999|nan|18446744073709551615|pack_current.2|é){0,12}",
    ) {
        let loaded = load_text(&damaged(PACK, at, cut, &put));
        proptest::prop_assert!(loaded.map.is_some() || !loaded.faults.is_empty());
    }

    #[test]
    fn no_dbc_text_panics(
        at in 0usize..4000, cut in 0usize..40, put in "([a-zA-Z_:|@()\\[\\]\"\\\\;, \n0-9.+-]|BO_ 1 A: 8 X\n|SG_ |SG_MUL_VAL_ |18446744073709551616|m0M |é){0,12}",
    ) {
        let loaded = load_with("dbc = 'example.dbc'", &damaged(DBC, at, cut, &put));
        proptest::prop_assert!(loaded.map.is_some() || loaded.faults.iter().any(|fault| fault.is_error()));
    }

    #[test]
    fn no_bytes_of_a_dbc_panic(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..200)) {
        let text = dbc::text_of(&bytes);
        load_with("dbc = 'example.dbc'", &text);
    }
}
