//! The commands that this program sends to an slcan adapter: bit rate, listen only, open, close.
//!
//! There is no command that sends a frame: what listens only can't ask.

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
}

impl Command {
    /// As sent, with its end.
    pub fn text(self) -> &'static [u8] {
        match self {
            Self::Close => b"C\r",
            Self::SetBitRate(rate) => RATES[rate.0].1,
            Self::Listen => b"L\r",
            Self::Open => b"O\r",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
