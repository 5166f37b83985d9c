//! From the configuration's sources to what reads them: buses numbered, requests given to those that may ask.
//!
//! Opens nothing.

use std::sync::Arc;

use super::Config;
use super::config::LiveSource;
use crate::diag::Poll;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::{Bus, BusNames};
use crate::source::asking::{self, Allowed, Asking};
use crate::source::button::Button;
use crate::source::live::Live;
use crate::source::rehearsal::{self, InventedCar};
use crate::source::socketcan::round::Round;
use crate::source::{at_adapter, gpsd, nmea, slcan, socketcan};

/// Live sources by name.
pub type Named = Vec<(String, Box<dyn Live>)>;

/// The sources of a configuration, and the buses by the numbers that they were given.
///
/// # Errors
/// If there are more buses than can be told apart, or an invented car can't be driven.
pub fn build(config: &Config, map: &Map) -> Result<(Named, BusNames), Fault> {
    let mut names = BusNames::default();
    let mut sources = Named::new();
    let only = config.live().filter(|live| can_ask(live)).count() == 1;
    let plan = Plan { config, map, only, round: Arc::default() };
    for live in config.live() {
        let bus = match live.bus() {
            None => Bus::default(),
            Some(name) => names.intern(name).ok_or_else(|| {
                Fault::whole(&config.file.0, format!("more than {} buses can't be told apart", BusNames::MAX))
            })?,
        };
        sources.push((live.name(), plan.source(live, bus, &mut names)?));
    }
    plan.tell_of_unknown_buses(&names);
    Ok((sources, names))
}

fn can_ask(live: &LiveSource) -> bool {
    match live {
        LiveSource::SocketCan { .. } | LiveSource::Slcan { .. } => true,
        LiveSource::AtAdapter { listen, .. } => !listen,
        LiveSource::Nmea { .. } | LiveSource::Gpsd { .. } | LiveSource::Rehearsal { .. } | LiveSource::Button(_) => {
            false
        }
    }
}

struct Plan<'a> {
    config: &'a Config,
    map: &'a Map,
    /// Whether one bus alone can be asked, so that a poll need not name it.
    only: bool,
    /// In which interfaces are taken from together.
    round: Arc<Round>,
}

impl Plan<'_> {
    fn source(&self, live: &LiveSource, bus: Bus, names: &mut BusNames) -> Result<Box<dyn Live>, Fault> {
        Ok(match live.clone() {
            LiveSource::SocketCan { interface, bit_rate } => {
                let asking = self.asking(live, bus);
                let filters = (!self.config.record_frames).then(|| socketcan::filters(self.map, &interface));
                let settings = socketcan::Settings { interface, bit_rate, polling: asking.is_some() };
                Box::new(socketcan::SocketCan::new(settings, bus, filters, asking).in_round(&self.round))
            }
            LiveSource::Slcan { port, serial_rate, bit_rate, .. } => {
                let settings = slcan::port::Settings { port, serial_rate, bit_rate };
                Box::new(slcan::port::SlcanAdapter::new(settings, bus, self.asking(live, bus)))
            }
            LiveSource::AtAdapter { port, serial_rate, protocol, listen, supply_every, .. } => {
                let settings = at_adapter::driver::Settings { port, serial_rate, protocol, listen, supply_every };
                let adapter = at_adapter::port::AtAdapter::new(settings, bus, self.polls(live));
                Box::new(adapter.opening(self.config.polling.vehicle_number))
            }
            LiveSource::Nmea { port, serial_rate } => {
                Box::new(nmea::port::NmeaReceiver::new(nmea::port::Settings { port, serial_rate }))
            }
            LiveSource::Gpsd { host, port } => Box::new(gpsd::socket::Gpsd::new(gpsd::socket::Settings { host, port })),
            LiveSource::Button(contact) => Box::new(Button::new(contact)),
            LiveSource::Rehearsal { scenario, course, speed, truth } => {
                let (rehearsal, names) = super::invented::car(&scenario, course.as_deref(), self.map, names)?;
                Box::new(InventedCar::new(rehearsal::Settings { rehearsal, names, speed, truth }))
            }
        })
    }

    /// What is asked on a source's bus; `None` where nothing is, so that it only listens.
    fn asking(&self, live: &LiveSource, bus: Bus) -> Option<Asking> {
        let polls = self.polls(live);
        if polls.is_empty() {
            return None;
        }
        let asking = Asking::new(bus, polls, self.config.gateway.is_some());
        Some(if self.config.polling.vehicle_number { asking.with_vehicle_number() } else { asking })
    }

    fn polls(&self, live: &LiveSource) -> Vec<Poll> {
        let polling = &self.config.polling;
        let (Some(bus), true) = (live.bus().filter(|_| can_ask(live)), polling.rules.on) else { return Vec::new() };
        let allowed = Allowed { other_identifiers: polling.other_identifiers, vehicle_number: polling.vehicle_number };
        let (polls, refused) = asking::polls_allowed(self.map, bus, self.only, allowed);
        refused.iter().for_each(|text| tracing::warn!("{bus}: {text}"));
        polls
    }

    /// A bus that the map names and no source reads is most likely misspelt in one of them.
    fn tell_of_unknown_buses(&self, names: &BusNames) {
        for message in &self.map.messages {
            if let Some(bus) = message.origin.bus().filter(|bus| !names.names().iter().any(|name| name == bus)) {
                tracing::warn!("{}: {} is on bus '{bus}', which no source reads", self.map.name, message.name);
            }
        }
    }
}
