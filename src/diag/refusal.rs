//! Negative responses by name (ISO 14229-1, annex A.1: response codes).
//!
//! Does not decide what follows from them; the session does.

/// The response code of a negative response.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct NegativeCode(pub u8);

impl NegativeCode {
    /// The ECU has the request and needs more time.
    pub const PENDING: Self = Self(0x78);

    /// The standard's name, in plain words for the reserved and the makers' own ranges.
    pub fn name(self) -> &'static str {
        match self.0 {
            0x10 => "generalReject",
            0x11 => "serviceNotSupported",
            0x12 => "subFunctionNotSupported",
            0x13 => "incorrectMessageLengthOrInvalidFormat",
            0x14 => "responseTooLong",
            0x21 => "busyRepeatRequest",
            0x22 => "conditionsNotCorrect",
            0x24 => "requestSequenceError",
            0x25 => "noResponseFromSubnetComponent",
            0x26 => "failurePreventsExecutionOfRequestedAction",
            0x31 => "requestOutOfRange",
            0x33 => "securityAccessDenied",
            0x34 => "authenticationRequired",
            0x35 => "invalidKey",
            0x36 => "exceedNumberOfAttempts",
            0x37 => "requiredTimeDelayNotExpired",
            0x70 => "uploadDownloadNotAccepted",
            0x71 => "transferDataSuspended",
            0x72 => "generalProgrammingFailure",
            0x73 => "wrongBlockSequenceCounter",
            0x78 => "requestCorrectlyReceived-ResponsePending",
            0x7E => "subFunctionNotSupportedInActiveSession",
            0x7F => "serviceNotSupportedInActiveSession",
            0x81 => "rpmTooHigh",
            0x82 => "rpmTooLow",
            0x83 => "engineIsRunning",
            0x84 => "engineIsNotRunning",
            0x85 => "engineRunTimeTooLow",
            0x86 => "temperatureTooHigh",
            0x87 => "temperatureTooLow",
            0x88 => "vehicleSpeedTooHigh",
            0x89 => "vehicleSpeedTooLow",
            0x8A => "throttle/PedalTooHigh",
            0x8B => "throttle/PedalTooLow",
            0x8C => "transmissionRangeNotInNeutral",
            0x8D => "transmissionRangeNotInGear",
            0x8F => "brakeSwitch(es)NotClosed",
            0x90 => "shifterLeverNotInPark",
            0x91 => "torqueConverterClutchLocked",
            0x92 => "voltageTooHigh",
            0x93 => "voltageTooLow",
            0xF0..=0xFE => "conditionsNotCorrect, the maker's own",
            _ => "reserved",
        }
    }

    /// Whether asking again is useless: the ECU does not know the question, in this session at least.
    pub fn is_final(self) -> bool {
        matches!(self.0, 0x11 | 0x12 | 0x13 | 0x31 | 0x33 | 0x34 | 0x7E | 0x7F)
    }
}

impl std::fmt::Display for NegativeCode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "0x{:02X} ({})", self.0, self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers and names as udsoncan 1.26.1 lists them (its class ResponseCode), with the standard's spelling.
    #[test]
    fn names_of_the_codes_that_reads_meet() {
        let named = [
            (0x10, "generalReject"),
            (0x11, "serviceNotSupported"),
            (0x12, "subFunctionNotSupported"),
            (0x13, "incorrectMessageLengthOrInvalidFormat"),
            (0x14, "responseTooLong"),
            (0x21, "busyRepeatRequest"),
            (0x22, "conditionsNotCorrect"),
            (0x31, "requestOutOfRange"),
            (0x33, "securityAccessDenied"),
            (0x78, "requestCorrectlyReceived-ResponsePending"),
            (0x7E, "subFunctionNotSupportedInActiveSession"),
            (0x7F, "serviceNotSupportedInActiveSession"),
            (0x88, "vehicleSpeedTooHigh"),
            (0x89, "vehicleSpeedTooLow"),
            (0x92, "voltageTooHigh"),
            (0x93, "voltageTooLow"),
        ];
        for (code, name) in named {
            assert_eq!(NegativeCode(code).name(), name);
        }
        assert_eq!(NegativeCode(0x31).to_string(), "0x31 (requestOutOfRange)");
    }
}
