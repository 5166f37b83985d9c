//! A drive as a GPX 1.1 track (topografix.com/GPX/1/1), with energy, distance and state of charge beside each point.
//!
//! Writes what it is given; decides nothing about which places may be told. What is beside a point lies in a namespace of our
//! own, which every reader of GPX passes over.

use std::fmt::Write;

use crate::geodesy::Plane;
use crate::quantity::JOULE_PER_WH;
use crate::reduce::placed::Placed;

/// The namespace of what stands beside a point.
pub const NAMESPACE: &str = "urn:drawdown:drive:1";
/// A point is left out where the line between those kept passes it this near, m ...
const TOLERANCE_M: f64 = 2.0;
/// ... and they are no further apart than this, s.
const APART_S: f64 = 10.0;
/// Fixes further apart than this, s, are not joined by a line.
const GAP_S: f64 = 30.0;

/// The points that are kept, in lines of one run without a gap.
pub fn thinned(points: &[Placed]) -> Vec<Vec<Placed>> {
    let joined = |a: &Placed, b: &Placed| a.run == b.run && b.t - a.t <= GAP_S;
    points.chunk_by(joined).map(line).collect()
}

fn line(points: &[Placed]) -> Vec<Placed> {
    let Some(first) = points.first() else { return Vec::new() };
    let (mut kept, mut from) = (vec![*first], 0);
    for at in 2..points.len() {
        let (start, end) = (&points[from], &points[at]);
        let plane = Plane::at(start.position);
        let near = |point: &Placed| plane.nearest(point.position, start.position, end.position).0 <= TOLERANCE_M;
        if end.t - start.t > APART_S || !points[from + 1..at].iter().all(near) {
            from = at - 1;
            kept.push(points[from]);
        }
    }
    if points.len() > 1 {
        kept.push(points[points.len() - 1]);
    }
    kept
}

/// The file. `name` is the track's; lines are its segments.
///
/// Power and speed of a point are means since the point before it in its segment, so that their sums over time are the energy and
/// the distance whatever was thinned.
pub fn gpx(name: &str, about: &str, lines: &[Vec<Placed>]) -> String {
    let mut text = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"drawdown {}\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\" xmlns:drive=\"{NAMESPACE}\">\n<metadata><name>{}</name><desc>{}</desc>\
         </metadata>\n<trk><name>{}</name>\n",
        env!("CARGO_PKG_VERSION"),
        escaped(name),
        escaped(about),
        escaped(name)
    );
    for line in lines.iter().filter(|line| !line.is_empty()) {
        text += "<trkseg>\n";
        let mut before: Option<&Placed> = None;
        for point in line {
            write_point(&mut text, point, before);
            before = Some(point);
        }
        text += "</trkseg>\n";
    }
    text + "</trk>\n</gpx>\n"
}

fn write_point(text: &mut String, point: &Placed, before: Option<&Placed>) {
    // Seven digits are a centimetre. Writing to a string cannot fail.
    let (latitude, longitude) = point.position;
    // The schema has 180 degrees east as west.
    let longitude = if longitude >= 180.0 - 5e-8 { longitude - 360.0 } else { longitude };
    let _ = write!(text, "<trkpt lat=\"{latitude:.7}\" lon=\"{longitude:.7}\">");
    if point.altitude.is_finite() {
        let _ = write!(text, "<ele>{:.1}</ele>", point.altitude);
    }
    if let Some(utc) = point.utc {
        let _ = write!(text, "<time>{}</time>", utc.iso());
    }
    text.push_str("<extensions>");
    let mut one = |key: &str, value: f64, digits: usize| {
        if value.is_finite() {
            let _ = write!(text, "<drive:{key}>{value:.digits$}</drive:{key}>");
        }
    };
    one("elapsed_s", point.elapsed, 2);
    one("distance_m", point.distance, 1);
    one("energy_wh", point.energy / JOULE_PER_WH, 2);
    if let Some(before) = before {
        let dt = point.elapsed - before.elapsed;
        one("mean_speed_mps", (point.distance - before.distance) / dt, 3);
        one("mean_power_w", (point.energy - before.energy) / dt, 1);
    }
    one("soc_percent", point.soc, 2);
    text.push_str("</extensions></trkpt>\n");
}

/// A text as XML holds it; characters that XML 1.0 has no place for are left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\t' | '\n' | '\r' => out.push(' '),
            c if c < ' ' || matches!(c, '\u{fffe}' | '\u{ffff}') => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::WallClock;

    /// A drive along the equator at 20 m/s and 10 kW, a fix a second, with a bend after 100 s and a gap after 200 s.
    fn drive() -> Vec<Placed> {
        let second = |at: u32| {
            let (t, east) = (f64::from(at), 20.0 * f64::from(at) / 111_319.49);
            let bend = 20.0 / 111_319.49 * f64::from(at.saturating_sub(100));
            Placed {
                run: 0,
                t: if at > 200 { t + 60.0 } else { t },
                utc: WallClock::parse_iso("2027-03-14T06:15:02Z"),
                position: (bend, if at > 100 { 20.0 * 100.0 / 111_319.49 } else { east }),
                altitude: 14.25,
                elapsed: t,
                distance: 20.0 * t,
                energy: 1e4 * t,
                soc: f64::NAN,
            }
        };
        (0..=300).map(second).collect()
    }

    #[test]
    fn thinning_keeps_bends_ends_and_sums() {
        let points = drive();
        let lines = thinned(&points);
        assert_eq!(lines.len(), 2, "a gap is not joined");
        let kept: Vec<&Placed> = lines.iter().flatten().collect();
        assert!(kept.len() < 40, "{}", kept.len());
        assert!(kept.iter().any(|point| point.t == 100.0), "the bend stays");
        assert_eq!((kept[0].t, kept[kept.len() - 1].t), (0.0, 360.0));
        assert!(lines.iter().all(|line| line.windows(2).all(|pair| pair[1].t - pair[0].t <= APART_S)));
        // Every point that was left out lies near the line.
        for line in &lines {
            for pair in line.windows(2) {
                let plane = Plane::at(pair[0].position);
                for point in points.iter().filter(|point| pair[0].t < point.t && point.t < pair[1].t) {
                    assert!(plane.nearest(point.position, pair[0].position, pair[1].position).0 <= TOLERANCE_M);
                }
            }
        }
        assert!(thinned(&[]).is_empty());
    }

    #[test]
    fn a_reader_of_gpx_reads_it() {
        let text = gpx("a < b & \"c\"\u{1}", "d", &thinned(&drive()));
        let read = ::gpx::read(text.as_bytes()).unwrap();
        assert_eq!(read.tracks[0].name.as_deref(), Some("a < b & \"c\""));
        let points: Vec<_> = read.tracks[0].segments.iter().flat_map(|segment| &segment.points).collect();
        assert_eq!(read.tracks[0].segments.len(), 2);
        assert_eq!((points[0].point().x(), points[0].elevation), (0.0, Some(14.2)));
        assert!(text.contains("<drive:mean_power_w>10000.0</drive:mean_power_w>") && !text.contains("soc_percent"));
        assert!(text.contains("<time>2027-03-14T06:15:02"), "{text}");
    }
}
