//! Polls of the TOML form to drafts: written out, or a quantity of SAE J1979 by its name.
//!
//! Says beforehand what will never be asked; asks nothing itself.

use toml::Spanned;

use super::checked::{ByteOrder, Origin, PollRequest, RawKind, Sent};
use super::draft::{DraftMessage, DraftSignal};
use super::findings::At;
use super::from_written::Reader;
use super::written::PollForm;
use crate::diag::Request;
use crate::diag::j1979::{QUANTITIES, Quantity};
use crate::diag::target::{Extension, Heard, Rules, Target, standard_answer};
use crate::document::nearest;
use crate::observation::CanId;

/// The one signal of a poll for a quantity known by name.
const VALUE: &str = "value";
/// The tester's own address where a map gives none (common practice, no source; ISO 15765-4 has it in 29-bit identifiers).
const TESTER: u8 = 0xF1;
/// Names that people may try, and why they are no quantities.
const NO_QUANTITIES: [(&str, &str); 4] = [
    ("vehicle_number", NO_VEHICLE_NUMBER),
    ("vin", NO_VEHICLE_NUMBER),
    ("system_data", NO_SYSTEM_DATA),
    ("hybrid_system_data", NO_SYSTEM_DATA),
];
const NO_VEHICLE_NUMBER: &str = "it is personal: vehicle_number = true in the configuration asks for it, once a run";
const NO_SYSTEM_DATA: &str = "decoders disagree about it: write its signals out, as docs/only-reading.md shows";

impl Reader<'_> {
    /// A poll; `None` where something that it can't do without is missing or wrong.
    pub(super) fn poll(&mut self, form: &Spanned<PollForm>) -> Option<DraftMessage> {
        let (at, form) = (self.at(form), form.get_ref());
        let quantity = match &form.quantity {
            Some(written) => Some(self.quantity(written, form)?),
            None => None,
        };
        let name = match (quantity, &form.name) {
            (Some(quantity), None) => Some(quantity.key.to_owned()),
            (_, written) => self.name(at, "poll", written.as_ref()),
        };
        let request_id = match (quantity, &form.request_id) {
            (Some(_), None) => Some(everyone(form.extended).asked()),
            (_, written) => self.can_id(at, "request_id", written.as_ref(), form.extended),
        };
        let usual = usual_answer(form.request_id.as_ref().and(request_id), quantity, form.extended);
        let response_id = match (&form.response_id, usual) {
            (None, Some(usual)) => Some(usual),
            (written, _) => self.can_id(at, "response_id", written.as_ref(), form.extended),
        };
        let extension = self.extension(at, form);
        let request = match quantity {
            Some(quantity) => Some(quantity.request.bytes()),
            None => self.request(at, form),
        };
        let period_s = self.period(at, form, quantity);
        let name = name?;
        let signals = match quantity {
            Some(quantity) => vec![value_of(quantity, at)],
            None => self.signals(&name, &form.signal),
        };
        let poll = PollRequest {
            bus: form.bus.clone(),
            request_id: request_id?,
            response_id: response_id?,
            extension: extension?,
            request: request?,
            period_s: period_s?,
        };
        self.warn_of_never_asked(at, &name, &poll);
        Some(DraftMessage { at, name, origin: Origin::Poll(poll), sent: Sent::Cyclic, signals })
    }

    fn quantity(&mut self, written: &Spanned<String>, form: &PollForm) -> Option<&'static Quantity> {
        let (at, key) = (self.at(written), written.get_ref());
        let Some(quantity) = Quantity::named(key) else {
            let known = || QUANTITIES.iter().map(|quantity| quantity.key);
            let told = NO_QUANTITIES.iter().find(|(name, _)| name == key).map(|(_, why)| (*why).to_owned());
            let near = || nearest(key, known()).map(|near| format!("did you mean '{near}'?"));
            let remedy = told.or_else(near);
            let remedy = remedy.unwrap_or_else(|| format!("known are {}", known().collect::<Vec<_>>().join(", ")));
            self.findings.error(at, format!("'{key}' is no quantity known by name"), remedy);
            return None;
        };
        if form.service.is_some() || form.identifier.is_some() || !form.signal.is_empty() {
            let remedy = "keep the quantity, which says service, identifier and signal, or the others";
            self.findings.error(at, "a poll with a quantity and a service, identifier or signal of its own", remedy);
            return None;
        }
        Some(quantity)
    }

    fn period(&mut self, at: At, form: &PollForm, quantity: Option<&Quantity>) -> Option<f64> {
        match (&form.period_s, quantity) {
            (Some(period), _) if period.get_ref().is_finite() && *period.get_ref() > 0.0 => Some(*period.get_ref()),
            (Some(period), _) => {
                let at = self.at(period);
                self.findings.error(at, format!("a period of {} s", period.get_ref()), "write seconds above 0");
                None
            }
            (None, Some(quantity)) => Some(quantity.period_s),
            (None, None) => {
                let remedy = "add period_s = 10, or as many seconds as you want";
                self.findings.missing(at, "a poll without a period", remedy);
                None
            }
        }
    }

    /// The address bytes; `Some(None)` where there are none, `None` where they are wrong.
    fn extension(&mut self, at: At, form: &PollForm) -> Option<Option<Extension>> {
        let mut byte = |key: &str, written: &Spanned<u64>| {
            let fits = u8::try_from(*written.get_ref()).ok();
            if fits.is_none() {
                let at = self.at(written);
                self.findings.error(
                    at,
                    format!("{key} {:#X} is wider than a byte", written.get_ref()),
                    "write 0 to 0xFF",
                );
            }
            fits
        };
        match (&form.ecu_address, &form.tester_address) {
            (None, None) => Some(None),
            (None, Some(_)) => {
                let remedy = "add ecu_address = 0x..., the first byte of what the ECU is sent";
                self.findings.missing(at, "a tester_address without an ecu_address", remedy);
                None
            }
            (Some(ecu), None) => Some(Some(Extension { ecu: byte("ecu_address", ecu)?, tester: TESTER })),
            (Some(ecu), Some(tester)) => {
                let (ecu, tester) = (byte("ecu_address", ecu), byte("tester_address", tester));
                Some(Some(Extension { ecu: ecu?, tester: tester? }))
            }
        }
    }

    /// Says what the program will never send; such a poll still decodes what a recording holds.
    fn warn_of_never_asked(&mut self, at: At, name: &str, poll: &PollRequest) {
        let rules = Rules { other_identifiers: true, heard: &Heard::default() };
        let request = Request::from_bytes(&poll.request).map(|_| ());
        let target = Target::new(poll.request_id, Some(poll.response_id), &rules);
        let target = match poll.extension {
            Some(extension) => target.and_then(|target| target.extended(extension)),
            None => target,
        };
        if let Err(why) = request.and(target.map(|_| ())) {
            self.findings.warn(
                at,
                format!("poll {name} is never asked: {why}"),
                "its replies are read from recordings",
            );
        }
    }

    /// The request's bytes: a service, then one byte of identifier, or two in ISO 14229's service 22 (hex).
    fn request(&mut self, at: At, form: &PollForm) -> Option<Vec<u8>> {
        let Some(written) = &form.service else {
            let remedy = "add service = 0x01 or 0x22, or quantity = \"...\" of those known by name";
            self.findings.missing(at, "a poll without a service", remedy);
            return None;
        };
        let service = *written.get_ref();
        // A positive reply echoes the service plus 40 (hex) in one byte.
        if !(1..=0xBF).contains(&service) {
            let at = self.at(written);
            let remedy = "write a service such as 0x01 or 0x22";
            self.findings.error(at, format!("service {service:#04X} has no reply"), remedy);
            return None;
        }
        let mut request = vec![service as u8];
        let Some(written) = &form.identifier else {
            if !matches!(service, 0x03 | 0x07 | 0x0A) {
                let remedy = "add identifier = 0x46, or as the service has it";
                self.findings.missing(at, "a poll without an identifier", remedy);
                return None;
            }
            return Some(request);
        };
        let identifier = *written.get_ref();
        match (service, u16::try_from(identifier), u8::try_from(identifier)) {
            (0x22, Ok(two), _) => request.extend(two.to_be_bytes()),
            (1..0x22 | 0x23.., _, Ok(one)) => request.push(one),
            _ => {
                let at = self.at(written);
                let what = format!("identifier {identifier:#X} is too wide for service {service:#04X}");
                self.findings.error(at, what, "service 0x22 takes two bytes, every other one");
                return None;
            }
        }
        Some(request)
    }
}

/// A question to every ECU, by either width of identifier.
fn everyone(extended: bool) -> Target {
    if extended { Target::FUNCTIONAL_29 } else { Target::FUNCTIONAL }
}

/// Who answers where the map does not say: the ECU asked, or the first of all; with 29 bits there is no first.
fn usual_answer(asked: Option<CanId>, quantity: Option<&Quantity>, extended: bool) -> Option<CanId> {
    match asked {
        Some(asked) if asked != Target::FUNCTIONAL.asked() => standard_answer(asked),
        _ => quantity.filter(|_| !extended).map(|_| Target::FIRST_ANSWER),
    }
}

fn value_of(quantity: &Quantity, at: At) -> DraftSignal {
    DraftSignal {
        at,
        name: VALUE.to_owned(),
        start: 7,
        length: quantity.bytes as u64 * 8,
        order: ByteOrder::BigEndian,
        raw: RawKind::Unsigned,
        scale: quantity.scale.0 / quantity.scale.1,
        offset: quantity.offset,
        unit: quantity.unit.to_owned(),
        meaning: quantity.meaning.to_owned(),
        range: Some(quantity.range()),
        not_available: Vec::new(),
        values: quantity.values.iter().map(|(raw, name)| (*raw, (*name).to_owned())).collect(),
        switch: None,
    }
}
