//! The pilot on rehearsed drives, by hand, and on nonsense.

mod drive;
mod left;
mod nonsense;
mod place;
mod quick;
mod road;

use super::*;

fn known(drive: &drive::Drive) -> Known {
    Known {
        course: Some(drive.course.clone()),
        target: Some(MetrePerSecond::from_kmh(110.0)),
        usable: Some(Guess::new(47.0 * 3.6e6, 0.03 * 47.0 * 3.6e6)),
        ..Known::default()
    }
}

#[test]
fn a_drive_fills_the_picture() {
    let drive = drive::demo(&[], 5.0);
    let mut pilot = Pilot::new(known(&drive));
    let mut said = 0;
    for row in &drive.rows {
        pilot.see(0, row);
        if row.at.seconds() as u64 % 300 < 5 {
            said += usize::from(pilot.picture().advice.is_some());
        }
    }
    assert!(said > 30, "{said}");
    let picture = pilot.picture();
    assert_eq!(picture.worth.map(|worth| worth.pairs), Some(2));
    assert_eq!(picture.soc.map(|shown| shown.share), Some(0.0));
    let driven = picture.driven.distance.unwrap() / drive.truth.driven.distance_km / 1e3;
    assert!((driven - 1.0).abs() < 0.003, "{driven}");
}
