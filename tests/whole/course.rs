//! `drawdown course`: the demo's course as it is checked, and a course made from a track, which the program then reads.
//!
//! Plans nothing. Lengths of the track are GeographicLib's, as in the room's own tests.

use std::fs;

use crate::support::{companion, root, scratch, stdout};

#[test]
fn what_the_demos_course_allows() {
    let course = root().join("recordings/demo-course.toml");
    insta::assert_snapshot!(stdout(companion().args(["course", "check"]).arg(course)));
}

#[test]
fn a_track_makes_a_course_once_it_is_filled_in() {
    let folder = scratch();
    let (track, file) = (folder.path().join("lap.gpx"), folder.path().join("course.toml"));
    let points: String = (0..=20)
        .chain((0..20).rev())
        .map(|at| format!("<trkpt lat=\"0\" lon=\"{}\"/>", f64::from(at) / 100.0))
        .collect();
    let gpx = format!(
        "<gpx version=\"1.1\" creator=\"test\"><wpt lat=\"0\" lon=\"0\"><name>Home</name></wpt>\
         <trk><trkseg>{points}</trkseg></trk></gpx>"
    );
    fs::write(&track, gpx).expect("a track");
    let make = || companion().args(["course", "from-gpx"]).arg(&track).arg("-o").arg(&file).output().expect("to run");
    let made = make();
    assert!(made.status.success(), "{made:?}");
    assert!(String::from_utf8_lossy(&made.stderr).contains("the line comes back to its start"));
    let check = || companion().args(["course", "check"]).arg(&file).output().expect("to run");
    // As it is, it has no charger.
    assert_eq!(check().status.code(), Some(2));
    assert!(String::from_utf8_lossy(&check().stderr).contains("no place has a charger"));
    let text = fs::read_to_string(&file).expect("a course");
    fs::write(&file, text.replace("# charger = true", "charger = true").replace("# turn = true,", "turn = true #"))
        .expect("filled in");
    let checked = check();
    let said = String::from_utf8_lossy(&checked.stdout);
    // 0.2 degrees of longitude on the equator: 22.264 km.
    assert!(checked.status.success() && said.contains("22.3 km from Home to km 22.264"), "{said}");
    // What is there is not written over.
    assert_eq!(make().status.code(), Some(2));
    let none = companion().args(["course", "from-gpx"]).arg(&file).output().expect("to run");
    assert!(String::from_utf8_lossy(&none.stderr).contains("is no GPX that can be read"), "{none:?}");
}
