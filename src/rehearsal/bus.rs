//! What a recorder on the car's bus receives: every message of the map at its period, frames that no map knows, gaps, fixes.
//!
//! Puts the sensors' values into frames through the map's own encoder. Knows no physics.

mod feed;

use super::noise::{Noise, Stream, Wander};
use super::scenario::{NoiseFrame, Satellite, Scenario};
use super::senses::{Senses, Sensing};
use crate::course::Position;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::{Batch, Bus, BusNames, CanId, Fix, FrameFlags, Item, Stamped};
use crate::quantity::Metre;
use crate::time::{Span, Steady};

use feed::Feed;

/// Metres in a degree of latitude, near enough for noise.
const METRE_PER_DEGREE: f64 = 111_320.0;
/// Time constant of a position's wandering, s (common practice, no source).
const FIX_WANDER_S: f64 = 60.0;
/// Senders begin one after the other, not all at once, us.
const STAGGER_US: i64 = 1_370;

/// Everything that sends, and the recorder's clock.
pub(super) struct Receiver {
    senders: Vec<Sender>,
    /// Names of the buses that the senders index.
    buses: Vec<String>,
    sensing: Sensing,
    jitter: Noise,
    jitter_us: u32,
    bus_noise: Noise,
    frame_us: i64,
    gaps: Vec<(i64, i64)>,
    receiver: Option<SatelliteReceiver>,
    /// Stamp of the latest frame, us since the start.
    latest_us: i64,
    due: Vec<(i64, usize)>,
}

struct Sender {
    what: What,
    bus: usize,
    id: u32,
    flags: FrameFlags,
    period_us: f64,
    begins_us: i64,
    sent: u64,
    next_us: i64,
}

enum What {
    Message(Box<Feed>),
    Noise { length: usize, counter: bool },
}

impl Receiver {
    /// Sets the bus up, with what the scenario asks of the map that it does not have.
    pub fn new(scenario: &Scenario, map: &Map) -> (Self, Vec<Fault>) {
        let mut receiver = Self {
            senders: Vec::new(),
            buses: vec![scenario.bus.name.clone()],
            sensing: Sensing::new(scenario),
            jitter: Noise::new(scenario.seed, Stream::Jitter),
            jitter_us: scenario.bus.jitter_us,
            bus_noise: Noise::new(scenario.seed, Stream::BusNoise),
            frame_us: scenario.bus.frame_us.into(),
            gaps: scenario.gap.iter().map(|gap| (micros(gap.start_s), micros(gap.start_s + gap.duration_s))).collect(),
            receiver: scenario.satellite.as_ref().map(|satellite| SatelliteReceiver::new(satellite, scenario.seed)),
            latest_us: -1,
            due: Vec::new(),
        };
        let (feeds, faults) = feed::all(scenario, map);
        for feed in feeds {
            let bus = receiver.bus(feed.bus.clone());
            let long = feed.length > 8;
            let (id, period_us) = (feed.id, feed.period_ms * 1e3);
            receiver.add(What::Message(Box::new(feed)), bus, id, long, period_us);
        }
        for NoiseFrame { id, extended, length, period_ms, counter } in &scenario.noise {
            let id = if *extended { CanId::Extended(*id) } else { CanId::Standard(*id as u16) };
            let what = What::Noise { length: usize::from(*length).min(64), counter: *counter };
            receiver.add(what, 0, id, *length > 8, period_ms * 1e3);
        }
        (receiver, faults)
    }

    /// Names of the buses.
    pub fn buses(&self) -> &[String] {
        &self.buses
    }

    fn bus(&mut self, name: Option<String>) -> usize {
        let Some(name) = name else { return 0 };
        self.buses.iter().position(|known| *known == name).unwrap_or_else(|| {
            self.buses.push(name);
            self.buses.len() - 1
        })
    }

    fn add(&mut self, what: What, bus: usize, id: CanId, long: bool, period_us: f64) {
        let (id, extended) = match id {
            CanId::Standard(id) => (u32::from(id), 0),
            CanId::Extended(id) => (id, FrameFlags::EXTENDED),
        };
        let flags = FrameFlags(extended | if long { FrameFlags::FD } else { 0 });
        let begins_us = (self.senders.len() as i64 * STAGGER_US) % (period_us as i64).max(1);
        let mut sender = Sender { what, bus, id, flags, period_us, begins_us, sent: 0, next_us: 0 };
        sender.schedule(0);
        self.senders.push(sender);
    }

    /// Appends what is received up to the latest moment.
    pub fn receive(&mut self, now: &Senses<'_>, start: Steady, out: &mut Batch, names: &mut BusNames) {
        self.sensing.remember(now.moment);
        let until_us = micros(now.moment.time);
        self.due.clear();
        for (index, sender) in self.senders.iter().enumerate() {
            if sender.next_us <= until_us {
                self.due.push((sender.next_us, index));
            }
        }
        while let Some(first) = self.due.iter().copied().min() {
            let (at_us, index) = first;
            // On a bus one frame follows the other.
            let stamp_us = at_us.max(self.latest_us + self.frame_us);
            self.latest_us = stamp_us;
            self.send(index, stamp_us, now, start, out, names);
            let next_us = self.senders.get(index).map_or(i64::MAX, |sender| sender.next_us);
            self.due.retain_mut(|entry| {
                if *entry == first {
                    entry.0 = next_us;
                }
                entry.0 <= until_us
            });
        }
        if let Some(receiver) = &mut self.receiver {
            receiver.receive(now, self.sensing.true_speed(now.moment.time), start, out);
        }
    }

    fn send(
        &mut self,
        index: usize,
        stamp_us: i64,
        now: &Senses<'_>,
        start: Steady,
        out: &mut Batch,
        names: &mut BusNames,
    ) {
        let jitter_us = self.jitter.within(self.jitter_us);
        let Some(sender) = self.senders.get_mut(index) else { return };
        let mut payload = [0; 64];
        let length = match &mut sender.what {
            What::Message(feed) => {
                let time = stamp_us as f64 / 1e6;
                feed.write(time, sender.sent, &mut self.sensing, now, &mut payload)
            }
            What::Noise { length, counter } => {
                for bytes in payload[..*length].chunks_mut(8) {
                    bytes.copy_from_slice(&self.bus_noise.bits().to_le_bytes()[..bytes.len()]);
                }
                if let (true, Some(first)) = (*counter, payload[..*length].first_mut()) {
                    *first = sender.sent as u8;
                }
                *length
            }
        };
        sender.sent += 1;
        sender.schedule(jitter_us);
        let missing = self.gaps.iter().any(|(from, to)| (*from..*to).contains(&stamp_us));
        let bus = self.buses.get(sender.bus).and_then(|name| names.intern(name)).unwrap_or(Bus(0));
        if !missing {
            out.push(start + Span(stamp_us), bus, sender.id, sender.flags, &payload[..length]);
        }
    }
}

impl Sender {
    fn schedule(&mut self, jitter_us: i64) {
        self.next_us = (self.begins_us + (self.sent as f64 * self.period_us) as i64 + jitter_us).max(0);
    }
}

struct SatelliteReceiver {
    period_us: f64,
    fixes: u64,
    north: Wander,
    east: Wander,
    speed_deviation: f64,
    noise: Noise,
}

impl SatelliteReceiver {
    fn new(spec: &Satellite, seed: u64) -> Self {
        let wander = || Wander::new(spec.noise_m, FIX_WANDER_S, spec.period_ms / 1e3);
        Self {
            period_us: spec.period_ms * 1e3,
            fixes: 0,
            north: wander(),
            east: wander(),
            speed_deviation: spec.speed_noise_mps,
            noise: Noise::new(seed, Stream::Satellite),
        }
    }

    fn receive(&mut self, now: &Senses<'_>, speed: f64, start: Steady, out: &mut Batch) {
        let at_us = micros(now.moment.time);
        if (at_us as f64) < self.fixes as f64 * self.period_us {
            return;
        }
        self.fixes += 1;
        let (at, heading) = (now.moment.at, now.moment.heading);
        let course = now.car.driver.course();
        let Some(here) = course.position(Metre(at)) else { return };
        let east_scale = METRE_PER_DEGREE * libm::cos(here.latitude_deg.to_radians()).max(1e-3);
        let north = self.north.step(&mut self.noise) / METRE_PER_DEGREE;
        let east = self.east.step(&mut self.noise) / east_scale;
        let ahead = course.position(Metre(at + 10.0 * heading)).unwrap_or(here);
        let fix = Fix {
            latitude_deg: Some(here.latitude_deg + north),
            longitude_deg: Some(here.longitude_deg + east),
            altitude_m: course.elevation(Metre(at)).map(|height| height.0),
            speed_mps: Some((speed + self.noise.normal(self.speed_deviation)).max(0.0)),
            track_deg: (speed > 0.0).then(|| track(here, ahead)),
            mode: 3,
            satellites: Some(12),
            hdop: Some(0.8),
        };
        out.rest.push(Stamped { at: start + Span(at_us), item: Item::Fix(fix) });
    }
}

/// Direction from one position to another close by, degrees from north.
fn track(from: Position, to: Position) -> f64 {
    let north = to.latitude_deg - from.latitude_deg;
    let east = (to.longitude_deg - from.longitude_deg) * libm::cos(from.latitude_deg.to_radians());
    let degrees = libm::atan2(east, north).to_degrees();
    if degrees < 0.0 { degrees + 360.0 } else { degrees }
}

fn micros(seconds: f64) -> i64 {
    Span::from_seconds(seconds).0
}
