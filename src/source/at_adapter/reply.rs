//! One line of an AT adapter by name: data, an error, a voltage, or words.
//!
//! Takes a line without its end. Puts nothing together ([`super::messages`] does) and decides nothing.

/// What a line is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Line {
    /// Hexadecimal digits, blanks removed: a frame, a part of one, a length, or a part of a message with its number (`0:`).
    Data(String),
    /// `OK`.
    Done,
    /// An error, with the data before it on the same line thrown away.
    Error(AdapterError),
    /// A protocol search is under way.
    Searching,
    /// Anything else: who the adapter is, an echo, a voltage.
    Words(String),
}

/// The errors of the command set, by name.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, thiserror::Error)]
pub enum AdapterError {
    /// No reply within the waiting time, or all filtered out.
    #[error("NO DATA: no reply within the adapter's waiting time")]
    NoData,
    /// A character came while it was busy.
    #[error("STOPPED: a character interrupted the request")]
    Stopped,
    /// It does not know the command.
    #[error("?: the adapter does not know the command")]
    NotUnderstood,
    /// Its buffer overran: data are lost.
    #[error("BUFFER FULL: the adapter's buffer overran; use a faster serial rate")]
    BufferFull,
    /// The bus was too busy to send.
    #[error("BUS BUSY: the bus was too busy to send")]
    BusBusy,
    /// A bus line was at a wrong level.
    #[error("BUS ERROR: the bus was at a wrong level")]
    BusError,
    /// Sending or receiving failed on the CAN bus.
    #[error("CAN ERROR: sending or receiving failed on the bus")]
    CanError,
    /// A frame with a wrong check or length.
    #[error("DATA ERROR: a frame with a wrong check or length")]
    DataError,
    /// A frame that could not be received whole.
    #[error("RX ERROR: a frame that could not be received whole")]
    ReceiveError,
    /// What was sent did not come back from the bus.
    #[error("FB ERROR: what was sent did not come back from the bus")]
    FeedbackError,
    /// No protocol was found.
    #[error("UNABLE TO CONNECT: no protocol was found")]
    UnableToConnect,
    /// The supply broke down and the adapter was reset: all settings are lost.
    #[error("LV RESET: the adapter's supply broke down, its settings are lost")]
    LowVoltageReset,
    /// It is about to sleep for want of activity.
    #[error("ACT ALERT: the adapter is about to sleep")]
    ActivityAlert,
    /// It is about to sleep to save power.
    #[error("LP ALERT: the adapter is about to save power")]
    LowPowerAlert,
    /// A fault of its own, by number.
    #[error("ERR{0:02}: a fault of the adapter itself")]
    Internal(u8),
}

impl AdapterError {
    /// Whether it speaks of the bus: then no request is sent for the rest of the run.
    pub fn is_of_the_bus(self) -> bool {
        use AdapterError as E;
        matches!(self, E::BusBusy | E::BusError | E::CanError | E::DataError | E::ReceiveError | E::FeedbackError)
    }

    /// Whether the adapter lost its settings, so that all of them must be made again.
    pub fn loses_settings(self) -> bool {
        matches!(self, Self::LowVoltageReset | Self::Internal(94))
    }
}

/// Errors by their text, blanks removed.
const ERRORS: [(&str, AdapterError); 13] = [
    ("UNABLETOCONNECT", AdapterError::UnableToConnect),
    ("BUFFERFULL", AdapterError::BufferFull),
    ("BUSBUSY", AdapterError::BusBusy),
    ("BUSERROR", AdapterError::BusError),
    ("CANERROR", AdapterError::CanError),
    ("DATAERROR", AdapterError::DataError),
    ("RXERROR", AdapterError::ReceiveError),
    ("FBERROR", AdapterError::FeedbackError),
    ("LVRESET", AdapterError::LowVoltageReset),
    ("ACTALERT", AdapterError::ActivityAlert),
    ("LPALERT", AdapterError::LowPowerAlert),
    ("STOPPED", AdapterError::Stopped),
    ("NODATA", AdapterError::NoData),
];

/// Reads a line: without its end, prompt and zero bytes. A search notice before data is taken off.
pub fn read(line: &str) -> Line {
    let tight: String =
        line.chars().filter(|char| !char.is_whitespace()).map(|char| char.to_ascii_uppercase()).collect();
    let (searched, rest) = match tight.strip_prefix("SEARCHING") {
        Some(rest) => (true, rest.trim_start_matches('.')),
        None => (false, &*tight),
    };
    if rest.is_empty() && searched {
        Line::Searching
    } else if rest == "OK" {
        Line::Done
    } else if let Some(error) = error_in(rest) {
        Line::Error(error)
    } else if is_data(rest) {
        Line::Data(rest.to_owned())
    } else {
        Line::Words(line.trim().to_owned())
    }
}

/// An error anywhere on the line: adapters append it to a data line, which is then not to be trusted.
fn error_in(tight: &str) -> Option<AdapterError> {
    if tight == "?" {
        return Some(AdapterError::NotUnderstood);
    }
    let numbered = |at: usize| tight.get(at + 3..at + 5)?.parse().ok().map(AdapterError::Internal);
    let known = ERRORS.iter().find(|(text, _)| tight.contains(text)).map(|(_, error)| *error);
    known.or_else(|| tight.match_indices("ERR").find_map(|(at, _)| numbered(at)))
}

fn is_data(tight: &str) -> bool {
    let digits = tight.split_once(':').map_or(tight, |(number, data)| if number.len() == 1 { data } else { "-" });
    !digits.is_empty() && tight.bytes().all(|byte| byte.is_ascii_hexdigit() || byte == b':') && digits != "-"
}

/// The voltage of a line such as `12.6V`; `None` if it is none or out of all reason.
pub fn voltage(line: &Line) -> Option<f64> {
    let Line::Words(words) = line else { return None };
    let volt: f64 = words.trim().strip_suffix(['V', 'v'])?.trim().parse().ok()?;
    (0.0..100.0).contains(&volt).then_some(volt)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Texts from a chip maker's data sheet and a command summary; clones differ.
    #[test]
    fn every_error_by_name() {
        use AdapterError as E;
        let cases = [
            ("NO DATA", E::NoData),
            ("STOPPED", E::Stopped),
            ("?", E::NotUnderstood),
            ("BUFFER FULL", E::BufferFull),
            ("BUS BUSY", E::BusBusy),
            ("BUS ERROR", E::BusError),
            ("CAN ERROR", E::CanError),
            ("DATA ERROR", E::DataError),
            ("41 0D <DATA ERROR", E::DataError),
            ("7E8 03 41 <RX ERROR", E::ReceiveError),
            ("FB ERROR", E::FeedbackError),
            ("UNABLE TO CONNECT", E::UnableToConnect),
            ("SEARCHING...UNABLE TO CONNECT", E::UnableToConnect),
            ("LV RESET", E::LowVoltageReset),
            ("!ACT ALERT", E::ActivityAlert),
            ("LP ALERT", E::LowPowerAlert),
            ("ERR94", E::Internal(94)),
            ("410D3CSTOPPED", E::Stopped),
            ("can error", E::CanError),
        ];
        for (text, error) in cases {
            assert_eq!(read(text), Line::Error(error), "{text}");
        }
        assert!(
            E::Internal(94).loses_settings()
                && !E::Internal(71).loses_settings()
                && E::LowVoltageReset.loses_settings()
        );
        assert!(E::CanError.is_of_the_bus() && !E::NoData.is_of_the_bus());
    }

    #[test]
    fn other_lines() {
        assert_eq!(read("OK"), Line::Done);
        assert_eq!(read(" 41 0d 3C "), Line::Data("410D3C".into()));
        assert_eq!(read("0: 49 02 01 31 44 34"), Line::Data("0:490201314434".into()));
        assert_eq!(read("014"), Line::Data("014".into()));
        assert_eq!(read("SEARCHING..."), Line::Searching);
        assert_eq!(read("SEARCHING...41 00 BE 1F A8 13"), Line::Data("4100BE1FA813".into()));
        assert_eq!(read("interpreter v1.5"), Line::Words("interpreter v1.5".into()));
        assert_eq!(read("00:11"), Line::Words("00:11".into()));
        assert_eq!(voltage(&read("12.6V")), Some(12.6));
        assert_eq!(voltage(&read("14.15 V")), Some(14.15));
        for text in ["-V", "NaNV", "1e9V", "12.6", "OK", "410D3C"] {
            assert_eq!(voltage(&read(text)), None, "{text}");
        }
    }
}
