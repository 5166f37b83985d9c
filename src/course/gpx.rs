//! A GPX file (topografix.com/GPX/1/1) as a line: its longest track, else its longest route, and its waypoints as names.
//!
//! Reads what it is given; opens no file and makes no course.

use std::io::Read;

use ::gpx::{Gpx, Waypoint};

use super::Position;
use super::line::{Line, LinePoint};

/// Reads a GPX file; what is wrong with it in plain words.
pub fn read(from: impl Read) -> Result<Line, String> {
    let read: Gpx = ::gpx::read(from).map_err(|error| format!("is no GPX that can be read: {error}"))?;
    let tracks = read.tracks.iter().map(|track| {
        let points: Vec<&Waypoint> = track.segments.iter().flat_map(|segment| &segment.points).collect();
        (track.name.clone(), points)
    });
    let routes = read.routes.iter().map(|route| (route.name.clone(), route.points.iter().collect()));
    let longest = |lines: &mut dyn Iterator<Item = (Option<String>, Vec<&Waypoint>)>| {
        lines.filter(|(_, points)| points.len() >= 2).max_by_key(|(_, points)| points.len()).map(|(name, points)| {
            let points =
                points.into_iter().map(|point| LinePoint { position: place(point), elevation: point.elevation });
            (name, points.collect::<Vec<_>>())
        })
    };
    let found = longest(&mut tracks.into_iter()).or_else(|| longest(&mut routes.into_iter()));
    let (name, points) = found.ok_or("holds no track and no route of two points or more")?;
    let named = read.waypoints.iter().filter_map(|point| Some((point.name.clone()?, place(point)))).collect();
    Ok(Line { name, points, named })
}

fn place(point: &Waypoint) -> Position {
    Position { latitude_deg: point.point().y(), longitude_deg: point.point().x() }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const TRACK: &str = r#"<?xml version="1.0"?>
<gpx version="1.1" creator="by hand" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="-48.0" lon="-123.0"><name>Quay &amp; Moor</name></wpt>
<wpt lat="-48.1" lon="-123.0"></wpt>
<trk><name>To and fro</name><trkseg>
<trkpt lat="-48.0" lon="-123.0"><ele>14</ele></trkpt>
<trkpt lat="-48.0" lon="-122.9"><ele>20</ele></trkpt>
</trkseg><trkseg><trkpt lat="-48.0" lon="-122.8"/></trkseg></trk></gpx>"#;

    #[test]
    fn a_track_with_its_names() {
        let line = read(TRACK.as_bytes()).unwrap();
        assert_eq!((line.name.as_deref(), line.points.len()), (Some("To and fro"), 3));
        assert_eq!((line.points[1].elevation, line.points[2].elevation), (Some(20.0), None));
        assert_eq!((line.named.len(), &*line.named[0].0), (1, "Quay & Moor"));
        assert_eq!(line.named[0].1, Position { latitude_deg: -48.0, longitude_deg: -123.0 });
        let why = read("<gpx version=\"1.1\" creator=\"\"></gpx>".as_bytes()).unwrap_err();
        assert!(why.contains("holds no track"), "{why}");
        assert!(read("no XML".as_bytes()).unwrap_err().contains("no GPX that can be read"));
    }

    proptest! {
        #[test]
        fn no_damage_panics(cut in 0..TRACK.len(), at in 0..TRACK.len(), byte in any::<u8>()) {
            let mut bytes = TRACK.as_bytes()[..cut].to_vec();
            if let Some(one) = bytes.get_mut(at) {
                *one = byte;
            }
            let _ = read(&bytes[..]);
        }
    }
}
