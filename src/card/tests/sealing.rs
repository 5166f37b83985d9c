//! Seals: what they hold, what changed since, and when they count.

use super::*;

const CARD: &str = "vehicle = 'heron'\nmap = 'car.toml'\n[driving]\ntarget_kmh = 110\ntolerance_kmh = 3\n";
const MAP: &str = "dbc = 'car.dbc'\n[[message]]\nname = 'PACK'\nid = 1\n[[message]]\nname = 'WHEELS'\nid = 2\n";

struct Files(tempfile::TempDir);

impl Files {
    fn new() -> Self {
        let files = Self(tempfile::tempdir().unwrap());
        files.write("card.toml", CARD).write("car.toml", MAP).write("car.dbc", "VERSION \"\"\n");
        files
    }

    fn write(&self, name: &str, text: &str) -> &Self {
        std::fs::write(self.0.path().join(name), text).unwrap();
        self
    }

    fn seal(&self) -> Seal {
        Seal::gather(&self.0.path().join("card.toml"), moment("06:00:00"), None).unwrap()
    }
}

fn moment(time: &str) -> WallClock {
    WallClock::parse_iso(&format!("2027-03-14T{time}Z")).unwrap()
}

fn told(changes: &[Change]) -> Vec<String> {
    changes.iter().map(Change::to_string).collect()
}

#[test]
fn a_seal_reads_what_it_wrote() {
    let files = Files::new();
    files.write("card.toml", &format!("note = \"a \\\"quoted\\\" line\\nand \\u0001 more\"\n{CARD}"));
    let seal = Seal { follows: Some("3f9a-1c02-77de-0b1e".into()), ..files.seal() };
    let text = seal.to_text();
    assert_eq!(Seal::parse(&Document::from_text("card.seal.toml", &text)).unwrap(), seal);
    // SHA-256 by coreutils: printf 'VERSION ""\n' | sha256sum
    assert_eq!(seal.dbc.unwrap().sha256, "a57466cbb3d4d94324e1ec30631be85cda39b8bdfa962ad5f96828fe6d1cb3fd");
}

#[test]
fn every_change_after_sealing_is_told() {
    let files = Files::new();
    let seal = files.seal();
    assert_eq!(told(&seal.changes(&files.seal())), [""; 0]);

    files.write("card.toml", &format!("# a thought\n{CARD}"));
    assert_eq!(told(&seal.changes(&files.seal())), ["card: comments or layout were changed, no key"]);

    files.write("card.toml", &CARD.replace("= 3", "= 5").replace("vehicle = 'heron'\n", "note = 'wet'\n"));
    files.write(
        "car.toml",
        &MAP.replace("name = 'WHEELS'\nid = 2", "name = 'DOORS'\nid = 9\n[[message]]\nname = 'WHEELS'\nid = 3"),
    );
    files.write("car.dbc", "VERSION \"2\"\n");
    assert_eq!(
        told(&seal.changes(&files.seal())),
        [
            "rules: what counts was changed after sealing",
            "card: driving.tolerance_kmh was changed from 3 to 5",
            "card: vehicle was removed, \"heron\"",
            "card: note was added, \"wet\"",
            "map: message[WHEELS].id was changed from 2 to 3",
            "map: message[DOORS].id was added, 9",
            "map: message[DOORS].name was added, \"DOORS\"",
            "DBC: the file was changed",
        ]
    );
    files.write("card.toml", "map = 'car.toml'\n").write("car.toml", "");
    let changes = told(&seal.changes(&files.seal()));
    assert!(changes.contains(&"DBC: car.dbc is no longer named".into()), "{changes:?}");
}

#[test]
fn a_seal_counts_when_it_is_older_than_the_counted_start() {
    let seal = Files::new().seal();
    let judged = |start: Option<&str>| {
        let verdict = judge(Some((&seal, "code".into())), Some(&seal), start.map(moment));
        (verdict.is_sealed, verdict.why)
    };
    assert_eq!(
        judged(Some("06:30:30")),
        (true, "sealed at 2027-03-14T06:00:00Z, 30 min before counting started".into())
    );
    assert_eq!(
        judged(Some("06:00:01")),
        (true, "sealed at 2027-03-14T06:00:00Z, less than a minute before counting started".into())
    );
    assert_eq!(
        judged(Some("06:00:00")),
        (false, "the seal is of 2027-03-14T06:00:00Z, and counting started at 2027-03-14T06:00:00Z".into())
    );
    assert_eq!(
        judged(None),
        (false, "the seal is of 2027-03-14T06:00:00Z, but when counting started is not known".into())
    );
    let none = judge(None, None, Some(moment("07:00:00")));
    assert_eq!((none.is_sealed, &*none.why), (false, "there is no seal beside the card or in its runs"));
}

#[test]
fn a_code_is_the_begin_of_the_digest() {
    // FIPS 180-4, the one-block example "abc": ba7816bf 8f01cfea ...
    assert_eq!(code(b"abc"), "ba78-16bf-8f01-cfea");
}

#[test]
fn what_is_no_seal_is_refused() {
    let refused = |text: &str| Seal::parse(&Document::from_text("card.seal.toml", text)).unwrap_err().to_string();
    assert!(
        refused("vehicle = 'heron'\n").starts_with("card.seal.toml:1: unknown key 'vehicle'; it is no seal"),
        "{}",
        refused("vehicle = 'heron'\n")
    );
    assert!(refused("").contains("is missing; it is no seal, or was edited"), "{}", refused(""));
    let text = Files::new().seal().to_text().replace("2027-03-14T06", "2027-03-14T99");
    assert!(refused(&text).contains(":2: '2027-03-14T99:00:00.000000Z' is no moment"), "{}", refused(&text));
}
