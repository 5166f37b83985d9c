//! A question to a car that only reads: the type holds the fixed list and nothing else.
//!
//! Says what is asked, not whom ([`super::target`]) nor when ([`super::schedule`]). There is no way to make a [`Request`]
//! of another service: its content is private, and the first byte that it gives is one of [`Service::ALL`].

use super::service::{self, Service};

/// Data identifiers in one request of service 22: as many as a single frame of 7 bytes holds.
pub const IDENTIFIERS_MAX: usize = 3;

/// A request of a read-only service; at most 7 bytes, so it always fits a single frame.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Request(Question);

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
enum Question {
    CurrentData(u8),
    FreezeFrame { quantity: u8, frame: u8 },
    StoredCodes,
    PendingCodes,
    VehicleInformation(u8),
    PermanentCodes,
    DataByIdentifier(Identifiers),
}

/// One to [`IDENTIFIERS_MAX`] identifiers; what is past `count` is 0, so that equal requests compare equal.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
struct Identifiers {
    count: u8,
    identifiers: [u16; IDENTIFIERS_MAX],
}

/// Why something will not be asked.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refused {
    /// No byte at all.
    #[error("an empty request")]
    Empty,
    /// A service outside the fixed list.
    #[error("service 0x{0:02X} ({name}) is not on the list of services that only read (01, 02, 03, 07, 09, 0A, 22)", name = service::name(*.0))]
    Service(u8),
    /// The service is on the list, but the bytes after it are not what it takes.
    #[error("service 0x{service:02X} takes {takes}, not {got} bytes after it", service = .service.byte())]
    Length {
        /// The service.
        service: Service,
        /// What it takes.
        takes: &'static str,
        /// The bytes after the service.
        got: usize,
    },
    /// Not pairs of hexadecimal digits.
    #[error("'{0}' is neither pairs of hexadecimal digits nor a command on the list")]
    Text(String),
    /// An identifier that is not open to requests.
    #[error(
        "identifier {0} may not be asked: only 7DF, 7E0 to 7E7, 18DB33F1 and 18DAxxF1 may, and 600 to 7FF where the configuration allows them by its own key"
    )]
    Identifier(String),
    /// An identifier that another sender uses.
    #[error("identifier {0} is heard on the bus: another sender uses it, so it is not asked")]
    Heard(String),
    /// A pair of identifiers that can't belong together.
    #[error("identifier {response} does not answer {request}")]
    Response {
        /// The identifier asked.
        request: String,
        /// The identifier said to answer.
        response: String,
    },
    /// The request with its address byte is longer than a single frame.
    #[error("a request of {0} bytes does not fit a single frame with an address byte (6)")]
    TooLongExtended(usize),
}

impl Request {
    /// The most bytes a request has.
    pub const BYTES_MAX: usize = 1 + 2 * IDENTIFIERS_MAX;

    /// Current data: one quantity (PID), SAE J1979 service 01.
    pub const fn current_data(quantity: u8) -> Self {
        Self(Question::CurrentData(quantity))
    }

    /// One quantity of a freeze frame, SAE J1979 service 02.
    pub const fn freeze_frame(quantity: u8, frame: u8) -> Self {
        Self(Question::FreezeFrame { quantity, frame })
    }

    /// Stored fault codes, SAE J1979 service 03.
    pub const fn stored_codes() -> Self {
        Self(Question::StoredCodes)
    }

    /// Pending fault codes, SAE J1979 service 07.
    pub const fn pending_codes() -> Self {
        Self(Question::PendingCodes)
    }

    /// Vehicle information of a kind (such as 02, the vehicle identification number), SAE J1979 service 09.
    pub const fn vehicle_information(kind: u8) -> Self {
        Self(Question::VehicleInformation(kind))
    }

    /// Permanent fault codes, SAE J1979 service 0A.
    pub const fn permanent_codes() -> Self {
        Self(Question::PermanentCodes)
    }

    /// Data by identifier, ISO 14229-1 service 22: 1 to [`IDENTIFIERS_MAX`] identifiers.
    pub fn data_by_identifier(identifiers: &[u16]) -> Result<Self, Refused> {
        let mut held = [0; IDENTIFIERS_MAX];
        match held.get_mut(..identifiers.len()) {
            Some(place) if !identifiers.is_empty() => {
                place.copy_from_slice(identifiers);
                Ok(Self(Question::DataByIdentifier(Identifiers { count: identifiers.len() as u8, identifiers: held })))
            }
            _ => Err(length(Service::DataByIdentifier, identifiers.len() * 2)),
        }
    }

    /// The one gate for bytes from a configuration, a map or an adapter's text: service first.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Refused> {
        let (&first, rest) = bytes.split_first().ok_or(Refused::Empty)?;
        let service = Service::from_byte(first).ok_or(Refused::Service(first))?;
        match (service, rest) {
            (Service::CurrentData, &[quantity]) => Ok(Self::current_data(quantity)),
            (Service::FreezeFrame, &[quantity, frame]) => Ok(Self::freeze_frame(quantity, frame)),
            (Service::StoredCodes, []) => Ok(Self::stored_codes()),
            (Service::PendingCodes, []) => Ok(Self::pending_codes()),
            (Service::VehicleInformation, &[kind]) => Ok(Self::vehicle_information(kind)),
            (Service::PermanentCodes, []) => Ok(Self::permanent_codes()),
            (Service::DataByIdentifier, pairs) if pairs.len() % 2 == 0 => {
                let words: Vec<u16> =
                    pairs.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
                Self::data_by_identifier(&words)
            }
            (service, rest) => Err(length(service, rest.len())),
        }
    }

    /// The same gate for text: pairs of hexadecimal digits, blanks between them ignored.
    pub fn from_hex(text: &str) -> Result<Self, Refused> {
        let refused = || Refused::Text(text.chars().take(40).collect());
        let digits: Vec<u8> = text
            .chars()
            .filter(|char| !char.is_ascii_whitespace())
            .map(|char| char.to_digit(16).map(|digit| digit as u8))
            .collect::<Option<_>>()
            .ok_or_else(refused)?;
        if !digits.len().is_multiple_of(2) {
            return Err(refused());
        }
        let bytes: Vec<u8> = digits.chunks_exact(2).map(|pair| pair[0] << 4 | pair[1]).collect();
        Self::from_bytes(&bytes)
    }

    /// The service asked for.
    pub const fn service(&self) -> Service {
        match self.0 {
            Question::CurrentData(_) => Service::CurrentData,
            Question::FreezeFrame { .. } => Service::FreezeFrame,
            Question::StoredCodes => Service::StoredCodes,
            Question::PendingCodes => Service::PendingCodes,
            Question::VehicleInformation(_) => Service::VehicleInformation,
            Question::PermanentCodes => Service::PermanentCodes,
            Question::DataByIdentifier(_) => Service::DataByIdentifier,
        }
    }

    /// The request's bytes, service first; 1 to [`Self::BYTES_MAX`].
    pub fn bytes(&self) -> Vec<u8> {
        let mut bytes = vec![self.service().byte()];
        match self.0 {
            Question::StoredCodes | Question::PendingCodes | Question::PermanentCodes => {}
            Question::CurrentData(byte) | Question::VehicleInformation(byte) => bytes.push(byte),
            Question::FreezeFrame { quantity, frame } => bytes.extend([quantity, frame]),
            Question::DataByIdentifier(Identifiers { count, identifiers }) => {
                bytes.extend(identifiers.iter().take(usize::from(count)).flat_map(|word| word.to_be_bytes()));
            }
        }
        bytes
    }

    /// How many bytes a positive reply repeats after its service: the data follow them. Of several identifiers, the first
    /// alone counts: each of the others stands between the data.
    pub const fn echoed(&self) -> usize {
        match self.0 {
            Question::StoredCodes | Question::PendingCodes | Question::PermanentCodes => 0,
            Question::CurrentData(_) | Question::VehicleInformation(_) => 1,
            Question::FreezeFrame { .. } | Question::DataByIdentifier(_) => 2,
        }
    }
}

impl std::fmt::Display for Request {
    /// Hexadecimal digits without blanks, as an adapter takes them.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.bytes().iter().try_for_each(|byte| write!(f, "{byte:02X}"))
    }
}

fn length(service: Service, got: usize) -> Refused {
    let takes = match service {
        Service::CurrentData => "1 byte (the quantity)",
        Service::FreezeFrame => "2 bytes (quantity and frame)",
        Service::VehicleInformation => "1 byte (the kind)",
        Service::DataByIdentifier => "1 to 3 identifiers of 2 bytes",
        Service::StoredCodes | Service::PendingCodes | Service::PermanentCodes => "none",
    };
    Refused::Length { service, takes, got }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_first_byte_outside_the_list_is_refused() {
        for first in 0..=u8::MAX {
            let allowed = [0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22].contains(&first);
            for rest in 0..=7 {
                let mut bytes = vec![first];
                bytes.resize(1 + rest, 0x11);
                match Request::from_bytes(&bytes) {
                    Ok(request) => assert!(allowed && request.bytes() == bytes, "{bytes:02X?}"),
                    Err(Refused::Service(byte)) => assert!(!allowed && byte == first, "{bytes:02X?}"),
                    Err(other) => assert!(allowed, "{bytes:02X?}: {other}"),
                }
            }
        }
        assert_eq!(Request::from_bytes(&[]), Err(Refused::Empty));
    }

    #[test]
    fn text_passes_the_same_gate() {
        for text in ["0100", "01 0d", "0902", "03", "22F190", "22 F1 90 01 02"] {
            let request = Request::from_hex(text).unwrap();
            assert_eq!(request.to_string(), text.replace(' ', "").to_uppercase());
        }
        for text in
            ["04", "14FFFFFF", "2701", "1003", "3E00", "2EF19000", "08", "", "1", "0100\r04", "01 0G", "0100;04", "é1"]
        {
            Request::from_hex(text).unwrap_err();
        }
        let refusal = Request::from_hex("2EF19001").unwrap_err().to_string();
        assert!(refusal.starts_with("service 0x2E (WriteDataByIdentifier) is not on the list"), "{refusal}");
    }

    #[test]
    fn lengths_are_held() {
        assert_eq!(Request::data_by_identifier(&[0xF190, 1, 2]).unwrap().bytes(), [0x22, 0xF1, 0x90, 0, 1, 0, 2]);
        assert!(Request::data_by_identifier(&[]).is_err());
        assert!(Request::data_by_identifier(&[1, 2, 3, 4]).is_err());
        let said = Request::from_bytes(&[0x01, 0x0D, 0x0D]).unwrap_err().to_string();
        assert_eq!(said, "service 0x01 takes 1 byte (the quantity), not 2 bytes after it");
    }
}
