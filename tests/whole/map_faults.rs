//! Everything wrong with a signal map in one go, each with file, line and remedy; and the examples of the map's document.
//!
//! No outside source: what is a fault is this project's own to say.

use drawdown::document::Severity;
use drawdown::map::{Loaded, from_text, load};

use crate::support::{root, scratch};

/// Whether the map can be used, and what was said, warnings about roles that it lacks left out.
fn said(map: &str, dbc: Option<&str>) -> (bool, Vec<String>) {
    let Loaded { map, faults } = from_text("map.toml", map, dbc.map(|text| ("car.dbc".into(), text.into())));
    let faults = faults.iter().map(ToString::to_string);
    (map.is_some(), faults.filter(|fault| !fault.starts_with("map.toml: warning: ")).collect())
}

#[test]
fn faulty_signals_are_left_out() {
    let map = r#"[[message]]
name = "SIGNALS"
id = 0x100
length = 8
signal = [
    { name = "Good", start = 0, length = 8, unit = "V" },
    { name = "Overlaps", start = 4, length = 8 },
    { name = "Overlong", start = 60, length = 8 },
    { name = "OverlongToo", start = 3, length = 62, byte_order = "big" },
    { name = "bad name", start = 0, length = 8 },
    { name = "GOOD", start = 0, length = 8 },
    { name = "ShortFloat", start = 16, length = 16, type = "float32" },
    { name = "Empty", start = 16, length = 0 },
    { name = "TooLong", start = 0, length = 65 },
    { name = "ScaleZero", start = 16, length = 8, scale = 0 },
    { name = "OffsetNan", start = 16, length = 8, offset = nan },
    { name = "Bounds", start = 16, length = 8, range = [10, 1], not_available = [0xFF, 0x1FF] },
    { name = "Names", start = 24, length = 8, values = { "on" = "1" } },
    { name = "NoBits" },
    { name = "BUS", start = 24, length = 8 },
]
[[message]]
name = "SWITCHES"
id = 0x101
length = 8
signal = [
    { name = "Page", start = 0, length = 2 },
    { name = "Sound", start = 8, length = 8, switch = "Page", when = [0, "1-2"] },
    { name = "OtherPage", start = 8, length = 8, switch = "Page", when = [3] },
    { name = "SamePage", start = 8, length = 8, switch = "Page", when = ["1-2"] },
    { name = "Missing", start = 16, length = 8, switch = "Pages", when = [1] },
    { name = "OfMissing", start = 24, length = 8, switch = "Missing", when = [1] },
    { name = "Beyond", start = 16, length = 8, switch = "Page", when = [4] },
    { name = "Circle", start = 16, length = 8, switch = "Round", when = [1] },
    { name = "Round", start = 24, length = 8, switch = "Circle", when = [1] },
    { name = "Backwards", start = 24, length = 8, switch = "Page", when = ["2-1"] },
    { name = "Half", start = 24, length = 8, switch = "Page" },
]
"#;
    let Loaded { map: usable, .. } = from_text("map.toml", map, None);
    let kept: Vec<Vec<String>> = usable
        .unwrap()
        .messages
        .iter()
        .map(|message| message.signals.iter().map(|signal| signal.name.clone()).collect())
        .collect();
    assert_eq!(kept, [&["Good", "Overlaps", "Bounds", "Names"][..], &["Page", "Sound", "OtherPage", "SamePage"][..]]);
    assert_eq!(
        said(map, None).1,
        [
            "map.toml:7: warning: signal SIGNALS.Overlaps shares bits with Good (line 6); correct start or length of one; both are decoded as written",
            "map.toml:8: warning: signal SIGNALS.Overlong ends in byte 9 of a message of 8 bytes; correct start, length, byte order or the message's length; it is left out",
            "map.toml:9: warning: signal SIGNALS.OverlongToo ends in byte 9 of a message of 8 bytes; correct start, length, byte order or the message's length; it is left out",
            "map.toml:10: 'bad name' can't be a signal's name; use 1 to 64 of A-Z a-z 0-9 _ and -, for it names a folder or a column",
            "map.toml:11: signal SIGNALS.GOOD differs from Good (line 6) in capitals alone; rename one; this one is left out",
            "map.toml:12: signal SIGNALS.ShortFloat is a float of 16 bits; this type has 32 bits; correct length or type",
            "map.toml:13: signal SIGNALS.Empty has 0 bits; a signal has 1 to 64 bits",
            "map.toml:14: signal SIGNALS.TooLong has 65 bits; a signal has 1 to 64 bits",
            "map.toml:15: signal SIGNALS.ScaleZero has the scale 0; write a finite number other than 0",
            "map.toml:16: signal SIGNALS.OffsetNan has the offset NaN; write a finite number",
            "map.toml:17: signal SIGNALS.Bounds has the range 10 to 1; write the smaller bound first; no range is used",
            "map.toml:17: signal SIGNALS.Bounds has 8 bits and can't be 0x1FF; write the raw bits as they stand in the frame; the pattern is left out",
            "map.toml:18: 'on' is not a raw value; write values = { \"0\" = \"off\", \"1\" = \"on\" }",
            "map.toml:19: signal NoBits does not say where its bits lie; add start and length, bits numbered as in DBC",
            "map.toml:20: signal SIGNALS.BUS has the name of a column that every table of samples has; rename it",
            "map.toml:30: warning: signal SWITCHES.SamePage shares bits with Sound (line 28); correct start or length of one; both are decoded as written",
            "map.toml:31: signal SWITCHES.Missing wants the switch Pages, which is not there; name a signal of the same message",
            "map.toml:32: signal SWITCHES.OfMissing wants the switch Missing, which is not there; name a signal of the same message",
            "map.toml:33: signal SWITCHES.Beyond wants 4 of the switch Page, which has 2 bits; write raw values that the switch can take, the smaller first",
            "map.toml:34: the switches of signal SWITCHES.Circle lead in a circle; name a switch that is always there",
            "map.toml:35: the switches of signal SWITCHES.Round lead in a circle; name a switch that is always there",
            "map.toml:36: a value of the switch that can't be read; write when = [1, \"4-7\"], the smaller value first",
            "map.toml:37: a switch without its values; add when = [1], the switch's raw values",
        ]
    );
}

#[test]
fn faulty_messages_are_left_out() {
    let map = r#"message = [
    { name = "WIDE", id = 0x800, length = 65 },
    { name = "WIDER", id = 0x20000000, extended = true, length = 8 },
    { name = "NO FOLDER", id = 1, length = 8 },
    { length = 8 },
    { name = "Kept", id = 2, length = 8 },
    { name = "KEPT", id = 3, length = 8 },
    { name = "LENGTHLESS", id = 4 },
]
poll = [
    { name = "WIDE_POLL", request_id = 0x7DF, response_id = 0x7E8, service = 1, identifier = 0x146, period_s = 0 },
    { name = "NO_REPLY", request_id = 0x7DF, response_id = 0x7E8, service = 0xC1, identifier = 1, period_s = nan },
    { name = "EMPTY_POLL" },
    { quantity = "vehicle_number" },
    { quantity = "odometr" },
    { quantity = "torque" },
    { quantity = "speed", service = 1 },
    { quantity = "odometer", extended = true },
    { name = "FAR", quantity = "odometer", ecu_address = 0x107, tester_address = 0x1F1 },
    { name = "HALF_ADDRESSED", quantity = "fuel_type", tester_address = 0xF1 },
    { name = "CLEARS", request_id = 0x7E4, service = 4, identifier = 0, period_s = 1 },
    { name = "ENGINE", request_id = 0x123, response_id = 0x124, service = 1, identifier = 0x0D, period_s = 1 },
]
table = [
    { name = "commas", decimal_comma = true },
    { name = "signs", delimiter = ";;", time = { column = "t", format = "seconds", start = "yesterday" } },
    { name = "halves", time = { column = "t" } },
]
"#;
    let (is_usable, faults) = said(map, None);
    assert!(is_usable);
    assert_eq!(
        faults,
        [
            "map.toml:2: id 0x800 does not fit 11 bits; 11 bits hold up to 0x7FF; for 29 bits add extended = true",
            "map.toml:2: a frame of 65 bytes; a frame holds 0 to 64 bytes",
            "map.toml:3: id 0x20000000 does not fit 29 bits; 29 bits hold up to 0x1FFFFFFF",
            "map.toml:4: 'NO FOLDER' can't be a message's name; use 1 to 64 of A-Z a-z 0-9 _ and -, for it names a folder or a column",
            "map.toml:5: a message without a name; add name = \"...\"",
            "map.toml:5: no id; add id = 0x..., the identifier",
            "map.toml:7: message KEPT differs from Kept (line 6) in capitals alone; rename one; this one is left out",
            "map.toml:8: a message without a length; add length = 8, or as many bytes as it holds",
            "map.toml:11: identifier 0x146 is too wide for service 0x01; service 0x22 takes two bytes, every other one",
            "map.toml:11: a period of 0 s; write seconds above 0",
            "map.toml:12: service 0xC1 has no reply; write a service such as 0x01 or 0x22",
            "map.toml:12: a period of NaN s; write seconds above 0",
            "map.toml:13: no request_id; add request_id = 0x..., the identifier",
            "map.toml:13: no response_id; add response_id = 0x..., the identifier",
            "map.toml:13: a poll without a service; add service = 0x01 or 0x22, or quantity = \"...\" of those known by name",
            "map.toml:13: a poll without a period; add period_s = 10, or as many seconds as you want",
            "map.toml:14: 'vehicle_number' is no quantity known by name; it is personal: vehicle_number = true in the configuration asks for it, once a run",
            "map.toml:15: 'odometr' is no quantity known by name; did you mean 'odometer'?",
            "map.toml:16: 'torque' is no quantity known by name; known are speed, barometric_pressure, control_module_voltage, ambient_temperature, fuel_type, pack_remaining_life, odometer",
            "map.toml:17: a poll with a quantity and a service, identifier or signal of its own; keep the quantity, which says service, identifier and signal, or the others",
            "map.toml:18: no response_id; add response_id = 0x..., the identifier",
            "map.toml:19: ecu_address 0x107 is wider than a byte; write 0 to 0xFF",
            "map.toml:19: tester_address 0x1F1 is wider than a byte; write 0 to 0xFF",
            "map.toml:20: a tester_address without an ecu_address; add ecu_address = 0x..., the first byte of what the ECU is sent",
            "map.toml:21: warning: poll CLEARS is never asked: service 0x04 (clear fault codes) is not on the list of services that only read (01, 02, 03, 07, 09, 0A, 22); its replies are read from recordings",
            "map.toml:22: warning: poll ENGINE is never asked: identifier 123 may not be asked: only 7DF, 7E0 to 7E7, 18DB33F1 and 18DAxxF1 may, and 600 to 7FF where the configuration allows them by its own key; its replies are read from recordings",
            "map.toml:25: both the delimiter and the decimals are a comma; add delimiter = \";\"",
            "map.toml:25: a table without a time column; add time = { column = \"...\", format = \"seconds\" } or format = \"iso8601\"",
            "map.toml:26: delimiter ';;'; write one sign such as \";\"",
            "map.toml:26: 'yesterday' is not a moment; write it like 2027-03-14T06:15:02Z",
            "map.toml:27: a time without its format; add format = \"seconds\" or \"iso8601\"",
        ]
    );
}

#[test]
fn faulty_roles_are_left_out() {
    let map = r#"[[message]]
name = "M"
id = 0x100
length = 8
signal = [
    { name = "Volts", start = 0, length = 16, unit = "V" },
    { name = "Amps", start = 16, length = 16, unit = "A" },
    { name = "MilliAmps", start = 32, length = 16, unit = "mA" },
    { name = "Odd", start = 48, length = 8, unit = "furlong" },
    { name = "Dropped", start = 64, length = 8 },
]
[[message]]
name = "N"
id = 0x101
length = 8
signal = [{ name = "Amps", start = 16, length = 16, unit = "A" }]
[roles]
pack_voltage = { signal = "M.Amps" }
pack_current = { discharge = "M.Amps", charge = "N.Amps" }
pack_power = { signal = "M.Power" }
speed = { signal = "MM.Speed" }
odometer = { signal = "Odometer" }
soc = { signal = "M.Odd" }
soc_internal = { signal = "M.Dropped" }
supply_voltage = { signal = "M.Volts", positive = "charge" }
cell_voltage_min = { signal = "M.Volts", tolerance = { gain = -0.1 } }
cell_voltage_max = { signal = "M.Volts", tolerance = { gain = 0.1, limit_gain = 0.1 } }
heater_power = { discharge = "M.Volts", charge = "M.Volts" }
"pack_current.2" = { discharge = "M.Amps", charge = "M.MilliAmps" }
"pack_current.3" = { discharge = "M.Amps" }
"pack_current.4" = {}
ambient_temperature = { signal = "M.Vlots", unit = "degC" }
plug = { signal = "M.Odd", unit = "state" }
"#;
    let Loaded { map: usable, .. } = from_text("map.toml", map, None);
    let bound: Vec<&str> = usable.unwrap().roles.iter().map(|binding| binding.slot.role.key()).collect();
    assert_eq!(bound, ["plug"]);
    assert_eq!(
        said(map, None).1,
        [
            "map.toml:10: warning: signal M.Dropped ends in byte 9 of a message of 8 bytes; correct start, length, byte order or the message's length; it is left out",
            "map.toml:18: the role pack_voltage can't have the unit 'A'; correct the signal's unit, or add unit to the role: V, mV, kV",
            "map.toml:19: M.Amps and N.Amps are of different messages; their difference needs both at one moment: name two signals of one message",
            "map.toml:20: message M has no signal Power; name a signal of the map or its DBC",
            "map.toml:21: there is no message MM; did you mean 'M'?",
            "map.toml:22: 'Odometer' names no signal; write it as MESSAGE.Signal",
            "map.toml:23: the role soc has the unknown unit 'furlong'; correct the signal's unit, or add unit to the role: %, percent, 1",
            "map.toml:24: M.Dropped was left out for a fault of its own; correct that first",
            "map.toml:25: the role supply_voltage has no direction; remove positive",
            "map.toml:26: a tolerance can't have the gain -0.1; write a finite number, 0 or above",
            "map.toml:27: both gain and limit_gain; keep one",
            "map.toml:28: the role heater_power has one direction; write signal = \"MESSAGE.Signal\"",
            "map.toml:29: M.Amps and M.MilliAmps differ in unit; correct the unit of one",
            "map.toml:30: the role pack_current needs either signal, or discharge and charge; keep one form",
            "map.toml:31: the role pack_current names no signal; add signal = \"MESSAGE.Signal\"",
            "map.toml:32: message M has no signal Vlots; did you mean 'Volts'?",
        ]
    );
}

#[test]
fn what_is_unknown_or_ambiguous_stops() {
    let message = "[[message]]\nname = 'M'\nid = 1\nlength = 8\nsignal = [{ name = 'S', start = 0, length = 8, unit = 'km/h' }]\n";
    for (rest, wanted) in [
        ("[roles.sped]\nsignal = 'M.S'", "map.toml:6: unknown role 'sped'; did you mean 'speed'?"),
        ("[roles.speed]\nsginal = 'M.S'", "map.toml:7: unknown key 'sginal'; did you mean 'signal'?"),
        (
            "[roles.speed]\nsignal = 'M.S'\npositive = 'chrage'",
            "map.toml:8: unknown value 'chrage'; did you mean 'charge'?",
        ),
        (
            "[roles.pack_power]\n[roles.'pack_power.1']",
            "map.toml:7: the role pack_power.1 is given twice (first: line 6); keep one",
        ),
        (
            "[roles.'speed.2']\nsignal = 'M.S'",
            "map.toml:6: the role speed is the car's, not a pack's; write [roles.speed]",
        ),
        (
            "[roles.'pack_power.5']\nsignal = 'M.S'",
            "map.toml:6: unknown role 'pack_power.5'; packs are numbered 1 to 4",
        ),
        (
            "[[message]]\nname = 'N'\nid = 1\nlength = 8",
            "map.toml:6: N has the identifier of M (line 1) on the same bus; remove one, or say on which bus each is",
        ),
        (
            "[[message]]\nname = 'M'\nid = 2\nlength = 8",
            "map.toml:6: a second message named M (the first: line 1); rename one",
        ),
        (
            "[[message]]\nname = 'N'\nid = 2\nlength = 8\nsignal = [{ name = 'S', start = 0, length = 1 },\n{ name = 'S', start = 1, length = 1 }]",
            "map.toml:11: a second signal N.S (the first: line 10); rename one",
        ),
        ("[roles.speed]\nsignal = 'M.S'\n[roles.speed]\nsignal = 'M.S'", "map.toml:8: duplicate key"),
        ("[roles.speed\nsignal = 'M.S'", "map.toml:6: unclosed table, expected `]`"),
    ] {
        let (is_usable, faults) = said(&format!("{message}{rest}"), None);
        assert!(!is_usable, "{rest}");
        assert!(faults.iter().any(|fault| fault == wanted), "{faults:#?} should hold {wanted}");
    }
}

#[test]
fn faults_of_a_dbc_name_its_lines() {
    let dbc = r#"VERSION ""
BO_ 1 A: 8 X
 SG_ Long : 60|8@1+ (1,0) [0|0] "" X
 SG_ Odd : 0|8@1 (1,0) [0|0] "" X
 SG_ One : 0|8@1+ (0,0) [0|0] "" X
 SG_ Two m1 : 8|8@1+ (1,0) [0|0] "" X
BO_ 2048 TOO_WIDE: 8 X
BO_ 2147483649 WIDE: 8 X
BO_ 3 HUGE: 65 X
BO_ 4 THIS_NAME_HAS_MORE_THAN_SIXTY_FOUR_SIGNS_AND_SO_IT_CAN_NOT_BE_A_FOLDER: 8 X
BO_ 5 B 8 X
 SG_ Lost : 0|8@1+ (1,0) [0|0] "" X
CM_ SG_ 1 One no quotes;
GIBBERISH 1 2 3;
SIG_VALTYPE_ 1 Nobody : 1;
SIG_VALTYPE_ 1 Long : 7;
BO_ 1 AGAIN: 8 X
 SG_ One : 0|8@1+ (1,0) [5|1] "" X
"#;
    let (is_usable, faults) = said("dbc = 'car.dbc'", Some(dbc));
    assert!(!is_usable);
    assert_eq!(
        faults,
        [
            "car.dbc:3: warning: signal A.Long ends in byte 9 of a message of 8 bytes; correct start, length, byte order or the message's length; it is left out",
            "car.dbc:4: can't read this SG_ line; write it as SG_ NAME : START|LENGTH@1+ (SCALE,OFFSET) [MIN|MAX] \"UNIT\" RECEIVER",
            "car.dbc:5: signal A.One has the scale 0; write a finite number other than 0",
            "car.dbc:6: signal A.Two wants the switch 'M' (one signal, and only one, must be it), which is not there; name a signal of the same message",
            "car.dbc:7: message TOO_WIDE has an identifier that no frame has; 11 bits hold up to 2047; for 29 bits add 2147483648",
            "car.dbc:9: warning: message HUGE has 65 bytes; a frame holds 0 to 64 bytes; the message is left out",
            "car.dbc:10: 'THIS_NAME_HAS_MORE_THAN_SIXTY_FOUR_SIGNS_AND_SO_IT_CAN_NOT_BE_A_FOLDER' can't be a message's name; use 1 to 64 of A-Z a-z 0-9 _ and -, for it names a folder or a column",
            "car.dbc:11: can't read this BO_ line; write it as BO_ ID NAME: LENGTH SENDER",
            "car.dbc:13: warning: can't read this CM_ statement; correct it, or leave it: what it says is not used",
            "car.dbc:14: 'GIBBERISH' begins no statement of a DBC; remove the line, or comment it out with //",
            "car.dbc:15: warning: this is about the signal Nobody, which that message does not have; remove it",
            "car.dbc:16: can't read this SIG_VALTYPE_ statement; write it as SIG_VALTYPE_ ID SIGNAL : 1; (or 2 for 64 bits)",
            "car.dbc:17: AGAIN has the identifier of A (line 2) on the same bus; remove one, or say on which bus each is",
            "car.dbc:18: signal AGAIN.One has the range 5 to 1; write the smaller bound first; no range is used",
        ]
    );
}

#[test]
fn a_missing_dbc_is_one_fault() {
    let folder = scratch();
    let path = folder.path().join("map.toml");
    std::fs::write(&path, "\ndbc = 'nowhere.dbc'\n[roles.speed]\nsignal = 'A.B'\n").unwrap();
    let loaded = load(&path);
    assert!(loaded.map.is_none());
    let faults: Vec<String> = loaded.faults.iter().map(ToString::to_string).collect();
    let (map, dbc) = (path.display(), folder.path().join("nowhere.dbc"));
    let wanted =
        format!("{map}:2: {}: cannot read: No such file or directory (os error 2); check the path", dbc.display());
    assert_eq!(faults, [wanted]);
}

#[test]
fn what_is_missing_is_said_with_what_it_costs() {
    let signals = "signal = [{ name = 'U', start = 0, length = 8, unit = 'V' }, { name = 'P', start = 8, length = 8, unit = 'kW' }]";
    let message = format!("[[message]]\nname = 'M'\nid = 1\nlength = 8\n{signals}\n");
    let warnings = |roles: &str| -> Vec<String> {
        let loaded = from_text("map.toml", &format!("{message}{roles}"), None);
        assert!(loaded.map.is_some() && loaded.faults.iter().all(|fault| fault.severity == Severity::Warning));
        loaded.faults.iter().map(|fault| fault.what.clone()).collect()
    };
    assert_eq!(
        warnings(""),
        [
            "neither pack_power nor pack_voltage with pack_current: no energy",
            "no pack_current: no charge, and no capacity in Ah",
            "neither speed nor odometer: no distance but by satellite",
            "neither soc nor soc_internal: no usable capacity but by marks",
        ]
    );
    assert_eq!(
        warnings("[roles.pack_power]\nsignal = 'M.P'"),
        [
            "no pack_current: no charge, and no capacity in Ah",
            "neither speed nor odometer: no distance but by satellite",
            "neither soc nor soc_internal: no usable capacity but by marks",
        ]
    );
    assert_eq!(warnings("[roles.pack_voltage]\nsignal = 'M.U'").len(), 4);
}

/// Every example of the document is a map by itself, or with the DBC that stands beside it.
#[test]
fn the_documents_examples_are_sound() {
    let text = std::fs::read_to_string(root().join("docs/signal-maps.md")).unwrap();
    let blocks = |language: &str| -> Vec<String> {
        let fence = format!("\n```{language}\n");
        text.split(&fence).skip(1).map(|part| part.split("\n```").next().unwrap_or_default().to_owned()).collect()
    };
    let (maps, dbcs) = (blocks("toml"), blocks("dbc"));
    assert!(maps.len() >= 5 && dbcs.len() == 1, "{} maps and {} DBC files", maps.len(), dbcs.len());
    for map in &maps {
        let loaded = from_text("map.toml", map, Some(("example.dbc".into(), dbcs[0].clone())));
        let told: Vec<String> =
            loaded.faults.iter().filter(|fault| !fault.what.starts_with("ne")).map(ToString::to_string).collect();
        let wrong: Vec<&String> = told.iter().filter(|fault| !fault.starts_with("map.toml: warning: no ")).collect();
        assert!(loaded.map.is_some() && wrong.is_empty(), "{wrong:#?} in\n{map}");
    }
    // What it says of roles and units is what the program has.
    for info in drawdown::schema::role::ROLES {
        assert!(text.contains(&format!("| `{}` |", info.key)), "the document lacks the role {}", info.key);
    }
    for (unit, _) in drawdown::quantity::UNITS.iter().filter(|(unit, _)| !unit.is_empty()) {
        assert!(text.contains(&format!("`{unit}`")), "the document lacks the unit {unit}");
    }
}
