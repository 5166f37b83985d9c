//! The commands that this program sends to an slcan adapter: bit rate, listen only, open, close, and a frame that may be sent.
//!
//! There is no command that sends any other frame than a [`TransmitFrame`], none that writes to the adapter's memory, and none
//! of free text.

use crate::diag::TransmitFrame;
use crate::observation::CanId;

/// Bit rates by their command (slcan manual page and kernel driver).
const RATES: [(u32, &[u8]); 9] = [
    (10, b"S0\r"),
    (20, b"S1\r"),
    (50, b"S2\r"),
    (100, b"S3\r"),
    (125, b"S4\r"),
    (250, b"S5\r"),
    (500, b"S6\r"),
    (800, b"S7\r"),
    (1_000, b"S8\r"),
];

/// A bit rate that the adapter knows by number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BitRate(usize);

impl BitRate {
    /// The rate of so many kbit/s; `None` if no command sets it.
    pub fn from_kbit_s(rate: u32) -> Option<Self> {
        RATES.iter().position(|(known, _)| *known == rate).map(Self)
    }

    /// In kbit/s.
    pub fn kbit_s(self) -> u32 {
        RATES[self.0].0
    }
}

/// A command to the adapter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Command {
    /// Close the channel.
    Close,
    /// Set the bit rate; the channel must be closed.
    SetBitRate(BitRate),
    /// Open the channel to listen only: the adapter acknowledges nothing and sends nothing.
    Listen,
    /// Open the channel as a member of the bus: frames are acknowledged. Only where polling is on.
    Open,
    /// Send a frame; the channel must be open.
    Send(TransmitFrame),
}

impl Command {
    /// As sent, with its end.
    pub fn text(self) -> Vec<u8> {
        match self {
            Self::Close => b"C\r".to_vec(),
            Self::SetBitRate(rate) => RATES[rate.0].1.to_vec(),
            Self::Listen => b"L\r".to_vec(),
            Self::Open => b"O\r".to_vec(),
            Self::Send(frame) => send(&frame),
        }
    }
}

/// `tIIILDD...` or `TIIIIIIIILDD...`, as the kernel's driver writes them.
fn send(frame: &TransmitFrame) -> Vec<u8> {
    let mut text = match frame.id() {
        CanId::Standard(id) => format!("t{id:03X}"),
        CanId::Extended(id) => format!("T{id:08X}"),
    };
    text += &frame.data().len().to_string();
    text.extend(frame.data().iter().map(|byte| format!("{byte:02X}")));
    text.push('\r');
    text.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::gate::{Gate, LISTENING};
    use crate::diag::permission::Permission;
    use crate::diag::target::{Heard, Rules, Target};
    use crate::diag::{Poll, Request, Session};
    use crate::observation::Bus;
    use crate::time::{Span, Steady};

    /// S0 to S8: slcan manual page (can-utils) and the kernel driver's comments.
    #[test]
    fn commands_as_documented() {
        let rates = [10, 20, 50, 100, 125, 250, 500, 800, 1_000];
        for (number, rate) in rates.into_iter().enumerate() {
            let set = BitRate::from_kbit_s(rate).unwrap();
            assert_eq!(set.kbit_s(), rate);
            assert_eq!(Command::SetBitRate(set).text(), format!("S{number}\r").as_bytes());
        }
        assert_eq!(BitRate::from_kbit_s(400), None);
        assert_eq!([Command::Close, Command::Listen, Command::Open].map(Command::text), [b"C\r", b"L\r", b"O\r"]);
    }

    /// SAE J1979's own request for speed, and the forms of the kernel driver's comments.
    #[test]
    fn frames_as_documented() {
        let sent = |asked, bytes: &[u8]| {
            let rules = Rules { other_identifiers: false, heard: &Heard::default() };
            let poll = Poll {
                name: "SPEED".into(),
                request: Request::from_bytes(bytes).unwrap(),
                target: Target::new(asked, None, &rules).unwrap(),
                period: Span::of_seconds(1),
                priority: 0,
            };
            let mut session = Session::new(Bus(0), vec![poll], Gate::new(true));
            session.gate().up(Steady(0));
            let frame = session.next(Steady(0) + LISTENING, Permission::Full).unwrap();
            String::from_utf8(Command::Send(frame).text()).unwrap()
        };
        assert_eq!(sent(CanId::Standard(0x7DF), &[0x01, 0x0D]), "t7DF802010D5555555555\r");
        assert_eq!(sent(CanId::Extended(0x18DA_10F1), &[0x22, 0xF1, 0x90]), "T18DA10F180322F19055555555\r");
    }
}
