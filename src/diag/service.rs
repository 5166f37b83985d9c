//! The fixed list of services that only read, and the names of those that are refused.
//!
//! Sends nothing; [`super::request::Request`] is what can be sent.

/// A service that only reads: the whole list, there is no other variant.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Service {
    /// SAE J1979 service 01: current data.
    CurrentData,
    /// SAE J1979 service 02: data frozen when a fault code was stored.
    FreezeFrame,
    /// SAE J1979 service 03: stored fault codes.
    StoredCodes,
    /// SAE J1979 service 07: pending fault codes.
    PendingCodes,
    /// SAE J1979 service 09: vehicle information.
    VehicleInformation,
    /// SAE J1979 service 0A: permanent fault codes.
    PermanentCodes,
    /// ISO 14229-1 service 22: data by identifier, in the default session (no other session is ever asked for).
    DataByIdentifier,
}

impl Service {
    /// Every service that may be asked for.
    pub const ALL: [Self; 7] = [
        Self::CurrentData,
        Self::FreezeFrame,
        Self::StoredCodes,
        Self::PendingCodes,
        Self::VehicleInformation,
        Self::PermanentCodes,
        Self::DataByIdentifier,
    ];

    /// The service's first byte in a request.
    pub const fn byte(self) -> u8 {
        match self {
            Self::CurrentData => 0x01,
            Self::FreezeFrame => 0x02,
            Self::StoredCodes => 0x03,
            Self::PendingCodes => 0x07,
            Self::VehicleInformation => 0x09,
            Self::PermanentCodes => 0x0A,
            Self::DataByIdentifier => 0x22,
        }
    }

    /// The service of a request's first byte; `None` for every service outside the list.
    pub fn from_byte(byte: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|service| service.byte() == byte)
    }
}

/// What a service is called (SAE J1979; ISO 14229-1, table of service identifiers), so that a refusal can say it.
pub fn name(byte: u8) -> &'static str {
    match byte {
        0x01 => "current data",
        0x02 => "freeze frame",
        0x03 => "stored fault codes",
        0x04 => "clear fault codes",
        0x05 => "oxygen sensor tests",
        0x06 => "on-board monitoring tests",
        0x07 => "pending fault codes",
        0x08 => "control of on-board systems",
        0x09 => "vehicle information",
        0x0A => "permanent fault codes",
        0x10 => "DiagnosticSessionControl",
        0x11 => "ECUReset",
        0x14 => "ClearDiagnosticInformation",
        0x19 => "ReadDTCInformation",
        0x22 => "ReadDataByIdentifier",
        0x23 => "ReadMemoryByAddress",
        0x24 => "ReadScalingDataByIdentifier",
        0x27 => "SecurityAccess",
        0x28 => "CommunicationControl",
        0x29 => "Authentication",
        0x2A => "ReadDataByPeriodicIdentifier",
        0x2C => "DynamicallyDefineDataIdentifier",
        0x2E => "WriteDataByIdentifier",
        0x2F => "InputOutputControlByIdentifier",
        0x31 => "RoutineControl",
        0x34 => "RequestDownload",
        0x35 => "RequestUpload",
        0x36 => "TransferData",
        0x37 => "RequestTransferExit",
        0x38 => "RequestFileTransfer",
        0x3D => "WriteMemoryByAddress",
        0x3E => "TesterPresent",
        0x83 => "AccessTimingParameter",
        0x84 => "SecuredDataTransmission",
        0x85 => "ControlDTCSetting",
        0x86 => "ResponseOnEvent",
        0x87 => "LinkControl",
        _ => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_is_these_seven() {
        let bytes: Vec<u8> = (0..=u8::MAX).filter(|byte| Service::from_byte(*byte).is_some()).collect();
        assert_eq!(bytes, [0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22]);
    }
}
