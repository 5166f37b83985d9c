//! Quantities of SAE J1979 known by name: what is asked, where the bits lie, in which unit.
//!
//! Formulas of speed, control module voltage, ambient temperature, barometric pressure, fuel type, remaining life of the pack
//! and the bitmaps: Wireshark's packet-obd-ii.c; odometer: the public table of quantities (J1979-DA, second-hand).
//!
//! Hybrid/EV system data (9A) is not here: public decoders disagree about the coding and the sign of its current, so it takes
//! a map entry that says which. Decodes nothing that a car did not answer; asks nothing itself.

use super::request::Request;
use super::service::Service;

/// A quantity known by name, with where its value lies in the bytes after the echoed service and identifier.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Quantity {
    /// As maps and configurations name it.
    pub key: &'static str,
    /// What is asked.
    pub request: Request,
    /// Bytes of the value, most significant first.
    pub bytes: usize,
    /// `value = raw * scale + offset`, `scale` being a quotient so that it is exact.
    pub scale: (f64, f64),
    /// See `scale`.
    pub offset: f64,
    /// The unit of the value; `State` quantities have none.
    pub unit: &'static str,
    /// How often it is worth asking, s (common practice, no source).
    pub period_s: f64,
    /// Names of raw values.
    pub values: &'static [(i64, &'static str)],
    /// What it means.
    pub meaning: &'static str,
}

const fn quantity(key: &'static str, identifier: u8, bytes: usize, period_s: f64) -> Quantity {
    Quantity {
        key,
        request: Request::current_data(identifier),
        bytes,
        scale: (1.0, 1.0),
        offset: 0.0,
        unit: "",
        period_s,
        values: &[],
        meaning: "",
    }
}

/// Every quantity known by name, in the order of their identifiers.
pub const QUANTITIES: [Quantity; 7] = [
    Quantity { unit: "km/h", meaning: "speed of the vehicle", ..quantity("speed", 0x0D, 1, 1.0) },
    Quantity {
        unit: "kPa",
        meaning: "barometric pressure, absolute",
        ..quantity("barometric_pressure", 0x33, 1, 60.0)
    },
    Quantity {
        unit: "V",
        scale: (1.0, 1_000.0),
        meaning: "supply voltage at the control module",
        ..quantity("control_module_voltage", 0x42, 2, 10.0)
    },
    Quantity {
        unit: "degC",
        offset: -40.0,
        meaning: "temperature outside",
        ..quantity("ambient_temperature", 0x46, 1, 30.0)
    },
    Quantity {
        values: &[(0, "not available"), (8, "electric")],
        meaning: "kind of fuel, 8 is electric",
        ..quantity("fuel_type", 0x51, 1, 300.0)
    },
    Quantity {
        unit: "%",
        scale: (100.0, 255.0),
        meaning: "hybrid/EV battery pack remaining life; some cars give their state of charge here",
        ..quantity("pack_remaining_life", 0x5B, 1, 10.0)
    },
    Quantity { unit: "km", scale: (1.0, 10.0), meaning: "odometer", ..quantity("odometer", 0xA6, 4, 10.0) },
];

impl Quantity {
    /// The quantity of a name.
    pub fn named(key: &str) -> Option<&'static Self> {
        QUANTITIES.iter().find(|quantity| quantity.key == key)
    }

    /// The least and the greatest value that its bytes can say.
    pub fn range(&self) -> (f64, f64) {
        let full: u64 = (1 << (8 * self.bytes.min(4))) - 1;
        (self.offset, full as f64 * self.scale.0 / self.scale.1 + self.offset)
    }

    /// The value in [`Self::unit`], from the bytes after the echoed service and identifier; `None` when they are too few.
    pub fn value(&self, data: &[u8]) -> Option<f64> {
        let raw = data.get(..self.bytes)?.iter().fold(0_u32, |raw, byte| raw << 8 | u32::from(*byte));
        Some(f64::from(raw) * self.scale.0 / self.scale.1 + self.offset)
    }
}

/// Asks for the vehicle identification number (service 09, kind 02).
pub const VEHICLE_NUMBER: Request = Request::vehicle_information(0x02);

/// The data identifier of the same in service 22 (ISO 14229-1, table of data identifiers: F190).
const VEHICLE_NUMBER_IDENTIFIER: u16 = 0xF190;

/// Whether a request asks for the vehicle identification number, in whichever way.
pub fn asks_for_vehicle_number(request: &Request) -> bool {
    let bytes = request.bytes();
    let identifiers = match bytes.split_first() {
        Some((service, identifiers)) if *service == Service::DataByIdentifier.byte() => identifiers,
        _ => &[],
    };
    *request == VEHICLE_NUMBER
        || identifiers.chunks_exact(2).any(|pair| *pair == VEHICLE_NUMBER_IDENTIFIER.to_be_bytes())
}

/// The vehicle identification number from the bytes after the echoed service and kind: a count of 1, then 17 characters.
///
/// Older cars pad it in front with zeros. The check digit is not judged: most of the world's numbers have none, and the
/// adapter data sheet's own example has a wrong one.
pub fn vehicle_number(data: &[u8]) -> Option<String> {
    let (_count, text) = data.split_first()?;
    let start = text.iter().position(|byte| *byte != 0)?;
    let number = text.get(start..)?.get(..17)?;
    number.iter().all(u8::is_ascii_alphanumeric).then(|| String::from_utf8_lossy(number).into_owned())
}

/// The requests for the bitmaps of supported quantities: 00, 20 ... C0.
pub fn support_requests() -> impl Iterator<Item = Request> {
    (0x00..=0xC0).step_by(0x20).map(Request::current_data)
}

/// The quantities that a bitmap says are supported; `base` is the identifier asked (00, 20 ...), `data` what follows it.
///
/// The first bit is `base + 1`, the last `base + 32`, which is the next bitmap.
pub fn supported(base: u8, data: &[u8]) -> Option<Vec<u8>> {
    let bits = u32::from_be_bytes(data.get(..4)?.try_into().ok()?);
    Some((1..=32).filter(|place| bits >> (32 - place) & 1 == 1).filter_map(|place| base.checked_add(place)).collect())
}

/// What fuel type codes are called, as far as a battery is concerned; the others burn something.
pub fn fuel_type(code: u8) -> &'static str {
    match code {
        0 => "not available",
        8 => "electric",
        _ => "not purely electric",
    }
}

#[cfg(test)]
mod tests {
    use super::super::reply::{Answer, answer};
    use super::*;

    /// Replies and values decoded by Wireshark (tshark 4.0.17, `-d can.subdissector,iso15765 -d iso15765.subdissector,obd-ii`);
    /// the odometer by arithmetic from the public table's formula.
    #[test]
    fn values_of_known_replies() {
        let cases: [(&str, &[u8], f64); 8] = [
            ("speed", &[0x41, 0x0D, 0x3C], 60.0),
            ("speed", &[0x41, 0x0D, 0x64], 100.0),
            ("ambient_temperature", &[0x41, 0x46, 0x3E], 22.0),
            ("pack_remaining_life", &[0x41, 0x5B, 0xCC], 80.0),
            ("control_module_voltage", &[0x41, 0x42, 0x33, 0xC2], 13.25),
            ("odometer", &[0x41, 0xA6, 0x00, 0x0A, 0x2C, 0x2A], 66_666.6),
            ("barometric_pressure", &[0x41, 0x33, 0x65], 101.0),
            ("fuel_type", &[0x41, 0x51, 0x08], 8.0),
        ];
        for (key, reply, expected) in cases {
            let quantity = Quantity::named(key).unwrap();
            let Answer::Positive(data) = answer(&quantity.request, reply) else { panic!("{key}") };
            assert_eq!(quantity.value(data), Some(expected), "{key}");
            assert_eq!(quantity.value(&data[..data.len() - 1]), None, "{key}");
        }
        assert_eq!(fuel_type(8), "electric");
    }

    #[test]
    fn hybrid_system_data_is_never_built_in() {
        assert!(QUANTITIES.iter().all(|quantity| quantity.request != Request::current_data(0x9A)));
    }

    /// `4100BE1FA813` as Wireshark's dissector lists it.
    #[test]
    fn bitmaps() {
        let listed = [1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20];
        assert_eq!(supported(0, &[0xBE, 0x1F, 0xA8, 0x13]), Some(listed.to_vec()));
        assert_eq!(supported(0xE0, &[0, 0, 0, 3]), Some(vec![0xFF]));
        assert_eq!(supported(0, &[0xBE, 0x1F, 0xA8]), None);
        let asked: Vec<String> = support_requests().map(|request| request.to_string()).collect();
        assert_eq!(asked, ["0100", "0120", "0140", "0160", "0180", "01A0", "01C0"]);
    }

    /// The adapter data sheet's example; its check digit is wrong by 49 CFR 565.15, which must not matter.
    #[test]
    fn vehicle_numbers() {
        let mut reply = vec![0x49, 0x02, 0x01];
        reply.extend(b"1D4GP00R55B123456");
        let Answer::Positive(data) = answer(&VEHICLE_NUMBER, &reply) else { panic!("no answer") };
        assert_eq!(vehicle_number(data).as_deref(), Some("1D4GP00R55B123456"));
        assert_eq!(vehicle_number(&data[..17]), None);
        assert_eq!(vehicle_number(&[1, 0, 0, 0]), None);
        assert_eq!(vehicle_number(&[]), None);
        for (hex, asks) in [
            ("0902", true),
            ("22F190", true),
            ("220001F190", true),
            ("2201F19001", false),
            ("0904", false),
            ("0102", false),
        ] {
            assert_eq!(asks_for_vehicle_number(&Request::from_hex(hex).unwrap()), asks, "{hex}");
        }
    }
}
