//! Configurations sound and faulty, each with what is said.

use super::*;

fn load(text: &str) -> (Option<Config>, Vec<String>) {
    let document = Document::from_text("car.toml", text);
    let (config, faults) = Config::from_document(&document, Path::new("etc"));
    (config, faults.iter().map(Fault::to_string).collect())
}

const SOUND: &str = "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\n[[source]]\nkind = 'replay'\nrecordings = ['a.log']\npace = 'fast'\n";

const HEAD: &str = "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\n";

#[test]
fn paths_are_relative_to_the_file_and_defaults_stand() {
    let (config, faults) = load(SOUND);
    let config = config.unwrap();
    assert_eq!((faults.len(), config.quiet, config.sync_every), (0, Span::of_seconds(60), Span::of_seconds(1)));
    assert_eq!(config.data, Path::new("etc/DATA"));
    assert_eq!(config.free_space_floor, 200_000_000);
    let recordings = vec![PathBuf::from("etc/a.log")];
    assert_eq!(config.sources, [Source::Replay { recordings, pace: Pace::Fast }]);
    // Nothing is asked unless the configuration says so.
    assert_eq!((config.polling, config.gateway, config.status_socket), (Polling::default(), None, None));
    assert!(!config.polling.rules.on);
}

#[test]
fn everything_wrong_is_said_with_its_line() {
    let text = SOUND.replace("heron", "my heron").replace("[[source]]", "quiet_s = 0\nsync_evry_s = 1\n[[source]]");
    assert_eq!(
        load(&text).1,
        [
            "car.toml:5: unknown key 'sync_evry_s'; did you mean 'sync_every_s'?",
            "car.toml:1: 'my heron' can't name a vehicle; use 1 to 64 of A-Z a-z 0-9 _ -",
            "car.toml:4: 0 s is out of range; use 1 to 86400 s",
        ]
    );
    assert_eq!(load(HEAD).1, ["car.toml: no source is given; add a [[source]] with its kind"]);
}

#[test]
fn live_sources_of_every_kind() {
    let text = HEAD.to_owned()
        + "gateway = true\nsupply_awake_v = 13.0\nstatus_socket = '/run/drawdown/status'\n\
           [polling]\non = true\nsupply_min_v = 12.2\ncharging_period_s = 300\n\
           [[source]]\nkind = 'socketcan'\ninterface = 'can0'\nbit_rate = 500000\n\
           [[source]]\nkind = 'slcan'\nbus = 'body'\nport = '/dev/ttyACM0'\nserial_rate = 115200\nbit_rate = 125000\n\
           [[source]]\nkind = 'at adapter'\nbus = 'socket'\nport = '/dev/rfcomm0'\nserial_rate = 38400\nprotocol = '29 bit 500 kbit/s'\n\
           [[source]]\nkind = 'nmea'\nport = '/dev/ttyUSB0'\n\
           [[source]]\nkind = 'gpsd'\n";
    let (config, faults) = load(&text);
    let config = config.unwrap();
    assert_eq!(faults, [""; 0]);
    assert_eq!(config.source_names(), ["can0", "body", "socket", "/dev/ttyUSB0", "gpsd at 127.0.0.1:2947"]);
    let buses: Vec<_> = config.live().filter_map(LiveSource::bus).collect();
    assert_eq!(buses, ["can0", "body", "socket"]);
    assert_eq!(config.gateway, Some(Gateway { supply_awake_v: Some(13.0) }));
    assert_eq!(config.polling.rules.charging_period, Some(Span::of_seconds(300)));
    assert_eq!(config.status_socket.unwrap(), Path::new("/run/drawdown/status"));
}

#[test]
fn what_is_wrong_with_a_source_is_said_at_its_table() {
    let cases = [
        (
            "kind = 'slcan'\nbus = 'a'\nport = 'p'\nserial_rate = 9600\nbit_rate = 499999",
            "an slcan adapter has no bit rate of 499999 bit/s",
        ),
        ("kind = 'slcan'\nbus = 'a b'\nport = 'p'\nserial_rate = 9600\nbit_rate = 500000", "'a b' can't name a bus"),
        ("kind = 'socketcan'\ninterface = 'a/b'", "'a/b' can't name an interface"),
        (
            "kind = 'at adapter'\nbus = 'a'\nport = 'p'\nserial_rate = 1\nprotocol = 'auto'",
            "unknown protocol 'auto'; use '11 bit 500 kbit/s', '29 bit 500 kbit/s', '11 bit 250 kbit/s', '29 bit 250 kbit/s'",
        ),
        (
            "kind = 'socketcan'\ninterface = 'can0'\n[[source]]\nkind = 'socketcan'\ninterface = 'CAN0'",
            "'CAN0' is read twice",
        ),
        (
            "kind = 'gpsd'\n[[source]]\nkind = 'replay'\nrecordings = []\npace = 'fast'",
            "recordings can't be replayed beside",
        ),
        ("kind = 'socketcan'\ninterfase = 'can0'", "unknown key 'interfase'; did you mean 'interface'?"),
    ];
    for (source, said) in cases {
        let faults = load(&format!("{HEAD}[[source]]\n{source}\n")).1;
        assert!(faults.first().is_some_and(|fault| fault.contains(said)), "{source}: {faults:?}");
        assert!(faults[0].starts_with("car.toml:"), "{faults:?}");
    }
    let faults = load(&format!("{HEAD}supply_awake_v = 13\n[[source]]\nkind = 'gpsd'\n")).1;
    assert!(faults[0].contains("add 'gateway = true'"), "{faults:?}");
    let faults = load(&format!("{HEAD}[polling]\non = true\nsupply_min_v = 120\n[[source]]\nkind = 'gpsd'\n")).1;
    assert_eq!(faults, ["car.toml:6: 120 V is out of range; use 6 to 32 V"]);
}

#[test]
fn what_people_are_told_by_and_what_is_known_of_the_car() {
    let text = format!(
        "{HEAD}course = 'road.toml'\ncard = 'test.toml'\n[car]\nusable_kwh = 48\nearlier = 'earlier.json'\n[page]\n\
         names = ['car.local']\n[speech]\ncommand = ['espeak-ng', '-s', '150']\n[[source]]\nkind = 'gpsd'\n"
    );
    let (config, faults) = load(&text);
    let config = config.unwrap();
    assert_eq!(faults, [""; 0]);
    assert_eq!((config.course, config.card), (Some("etc/road.toml".into()), Some("etc/test.toml".into())));
    assert_eq!((config.car.usable, config.car.usable_u), (Some(48.0 * 3.6e6), 0.03));
    assert_eq!(config.car.earlier, Some("etc/earlier.json".into()));
    let page = config.page.unwrap();
    assert_eq!((page.listen.to_string(), page.token_file), ("127.0.0.1:8460".into(), "etc/page-token".into()));
    assert_eq!(page.names, ["car.local"]);
    assert_eq!(config.speech.unwrap().command, ["espeak-ng", "-s", "150"]);
    // Without the tables there is no page and no speech.
    let config = load(SOUND).0.unwrap();
    assert_eq!((config.page, config.speech, config.car), (None, None, CarSaid::default()));
}

#[test]
fn what_is_wrong_with_car_page_and_speech_is_said_at_its_line() {
    let cases = [
        ("[car]\nusable_kwh = 48000", "car.toml:5: 48000 kWh is out of range; use 1 to 1000 kWh"),
        ("[car]\nfloor_percent = 60", "car.toml:5: 60 % is out of range; use 0 to 50 %"),
        ("[car]\ncell_cut_off_v = 280", "car.toml:5: 280 V is out of range; use 1 to 4.2 V"),
        ("[car]\nwh_per_km = 17.5", "car.toml:5: 17.5 Wh/km is out of range; use 20 to 3000 Wh/km"),
        ("[car]\nusable_kw = 48", "car.toml:5: unknown key 'usable_kw'; did you mean 'usable_kwh'?"),
        (
            "[page]\nlisten = 'localhost'",
            "car.toml:5: 'localhost' is no address with a port; write it like '127.0.0.1:8460'",
        ),
        ("[page]\nnames = ['http://car.local/']", "car.toml:5: 'http://car.local/' can't name a computer"),
        ("[speech]\ncommand = []", "car.toml:5: the command names no program; write the program and each argument"),
        ("[speech]\ncommand = ['espeak-ng -s 150']", "car.toml:5: no shell takes the command apart; write the program"),
    ];
    for (table, said) in cases {
        let faults = load(&format!("{HEAD}{table}\n[[source]]\nkind = 'gpsd'\n")).1;
        assert!(faults.len() == 1 && faults[0].starts_with(said), "{table}: {faults:?}");
    }
    let (config, faults) = load(&format!("{HEAD}[page]\nlisten = '0.0.0.0:8460'\n[[source]]\nkind = 'gpsd'\n"));
    assert!(config.is_some_and(|config| config.page.is_some()));
    assert!(
        faults[0].starts_with(
            "car.toml:5: warning: other computers can reach the page at 0.0.0.0:8460: whoever has its token"
        ),
        "{faults:?}"
    );
    assert!(load(&format!("{HEAD}[page]\nlisten = '[::1]:80'\n[[source]]\nkind = 'gpsd'\n")).1.is_empty());
}
