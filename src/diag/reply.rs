//! What a message says about the request that is open: its answer, a refusal, a plea for time, or nothing of ours.
//!
//! Takes the message with its transport framing removed. Does not decode the data.

use super::refusal::NegativeCode;
use super::request::Request;

/// Added to a request's service in its positive reply (ISO 14229-1, clause 7; SAE J1979).
const POSITIVE: u8 = 0x40;
/// First byte of a negative response.
const NEGATIVE: u8 = 0x7F;

/// What a message is to a request.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Answer<'a> {
    /// Its positive reply: the bytes after the echoed service and identifier.
    Positive(&'a [u8]),
    /// The ECU needs more time (code 78).
    Pending,
    /// The ECU refuses.
    Negative(NegativeCode),
    /// Not an answer to this request: another service or identifier, such as a late reply to the one before.
    Other,
}

/// What `message` (service first) is to `request`.
pub fn answer<'a>(request: &Request, message: &'a [u8]) -> Answer<'a> {
    let asked = request.bytes();
    let (Some(&service), Some((&first, rest))) = (asked.first(), message.split_first()) else {
        return Answer::Other;
    };
    if first == NEGATIVE {
        return match *rest {
            [of, code, ..] if of == service && NegativeCode(code) == NegativeCode::PENDING => Answer::Pending,
            [of, code, ..] if of == service => Answer::Negative(NegativeCode(code)),
            _ => Answer::Other,
        };
    }
    match (asked.get(1..1 + request.echoed()), rest.split_at_checked(request.echoed())) {
        (Some(wanted), Some((echo, data))) if first == service + POSITIVE && echo == wanted => Answer::Positive(data),
        _ => Answer::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_matched_by_service_and_identifier() {
        let speed = Request::current_data(0x0D);
        assert_eq!(answer(&speed, &[0x41, 0x0D, 0x3C]), Answer::Positive(&[0x3C]));
        // A reply to the question before, arriving late, satisfies nothing.
        assert_eq!(answer(&speed, &[0x41, 0x46, 0x3C]), Answer::Other);
        assert_eq!(answer(&speed, &[0x42, 0x0D, 0x00]), Answer::Other);
        assert_eq!(answer(&speed, &[0x41]), Answer::Other);
        assert_eq!(answer(&speed, &[]), Answer::Other);
        let frozen = Request::freeze_frame(0x0D, 0);
        assert_eq!(answer(&frozen, &[0x42, 0x0D, 0x00, 0x3C]), Answer::Positive(&[0x3C]));
        assert_eq!(answer(&Request::stored_codes(), &[0x43, 0x00]), Answer::Positive(&[0x00]));
    }

    /// `22 F1 90`, then pending, then refused: as Wireshark's UDS dissector reads the two responses
    /// ("response is pending", "Request Out of Range").
    #[test]
    fn negative_responses() {
        let vin = Request::data_by_identifier(&[0xF190]).unwrap();
        assert_eq!(answer(&vin, &[0x7F, 0x22, 0x78]), Answer::Pending);
        assert_eq!(answer(&vin, &[0x7F, 0x22, 0x31]), Answer::Negative(NegativeCode(0x31)));
        assert_eq!(answer(&vin, &[0x7F, 0x01, 0x31]), Answer::Other);
        assert_eq!(answer(&vin, &[0x7F, 0x22]), Answer::Other);
        assert_eq!(answer(&vin, &[0x62, 0xF1, 0x90, 0x31]), Answer::Positive(&[0x31]));
        assert_eq!(answer(&vin, &[0x62, 0xF1]), Answer::Other);
    }
}
