//! The only text that can be sent to an AT adapter: a fixed list of settings and questions, and requests that only read.
//!
//! A [`Command`] can't hold other text: the adapter's raw text passes the same gate as any request. Sends nothing itself.

use crate::diag::request::{Refused, Request};
use crate::diag::target::{Target, text};
use crate::observation::CanId;
use crate::time::Span;

/// The adapter's unit of its waiting time (ATST; common practice, no source).
const WAIT_UNIT_MS: i64 = 4;

/// A CAN protocol of the adapter, by the number of ATSP.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Protocol {
    /// 11-bit identifiers, 500 kbit/s.
    Can11At500,
    /// 29-bit identifiers, 500 kbit/s.
    Can29At500,
    /// 11-bit identifiers, 250 kbit/s.
    Can11At250,
    /// 29-bit identifiers, 250 kbit/s.
    Can29At250,
}

impl Protocol {
    /// Every protocol with its number.
    pub const ALL: [(Self, char); 4] =
        [(Self::Can11At500, '6'), (Self::Can29At500, '7'), (Self::Can11At250, '8'), (Self::Can29At250, '9')];

    /// The protocol that ATDPN names; a leading `A` says that a search found it.
    pub fn from_number(text: &str) -> Option<Self> {
        let number = text.strip_prefix('A').unwrap_or(text);
        Self::ALL.into_iter().find(|(_, known)| number == known.to_string()).map(|(protocol, _)| protocol)
    }

    /// Whether identifiers have 29 bits.
    pub fn is_29_bits(self) -> bool {
        matches!(self, Self::Can29At500 | Self::Can29At250)
    }

    fn number(self) -> char {
        match self {
            Self::Can11At500 => '6',
            Self::Can29At500 => '7',
            Self::Can11At250 => '8',
            Self::Can29At250 => '9',
        }
    }
}

/// The user's word that the car is parked: a protocol search tries wrong bit rates on the bus, which no moving car may see.
#[derive(Clone, Copy, Debug)]
pub struct Parked(());

impl Parked {
    /// To be made only where the user gave the command that says so.
    pub fn by_the_users_word() -> Self {
        Self(())
    }
}

/// What may be sent to an adapter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Command(Content);

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Content {
    Fixed(Fixed),
    Protocol(Protocol),
    SearchProtocol,
    /// Waiting time in [`WAIT_UNIT_MS`].
    Wait(u8),
    Header(CanId),
    /// Only this identifier is received.
    Receive(CanId),
    Request(Request),
}

macro_rules! fixed {
    ($($(#[$doc:meta])* $name:ident $text:literal;)*) => {
        /// A command without a parameter.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        pub enum Fixed {
            $($(#[$doc])* $name,)*
        }

        impl Fixed {
            /// Every command without a parameter, as sent.
            pub const ALL: &[(Self, &'static str)] = &[$((Self::$name, $text),)*];

            /// As sent, without its end.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$name => $text,)* }
            }
        }
    };
}

fixed! {
    /// Full reset; the adapter says who it is.
    Reset "ATZ";
    /// Reset without the lamp test.
    WarmReset "ATWS";
    /// All settings as from the maker.
    Defaults "ATD";
    /// No echo.
    EchoOff "ATE0";
    /// No line feeds.
    LinefeedsOff "ATL0";
    /// No blanks between bytes.
    SpacesOff "ATS0";
    /// Blanks between bytes, for clones that need them.
    SpacesOn "ATS1";
    /// Replies begin with their identifier.
    HeadersOn "ATH1";
    /// Replies without identifier, for clones that can't.
    HeadersOff "ATH0";
    /// The adapter frames requests and replies (ISO 15765-2) itself.
    FramingOn "ATCAF1";
    /// Frames as they are, for listening.
    FramingOff "ATCAF0";
    /// The adapter answers first frames with flow control.
    FlowControlOn "ATCFC1";
    /// Long messages are taken whole.
    LongMessages "ATAL";
    /// Waiting times adapt.
    AdaptiveTiming "ATAT1";
    /// Waiting times adapt, eagerly.
    AdaptiveTimingEager "ATAT2";
    /// Waiting times stay.
    AdaptiveTimingOff "ATAT0";
    /// The first byte of 29-bit identifiers that are asked: 18 in all that may be.
    Priority "ATCP18";
    /// Every identifier is received.
    ReceiveAll "ATAR";
    /// No acknowledgement while monitoring.
    SilentMonitoring "ATCSM1";
    /// Show every frame until a character comes; [`super::dialogue`] lets it out only once silent monitoring is on.
    MonitorAll "ATMA";
    /// Who are you?
    Identify "ATI";
    /// The supply voltage.
    SupplyVoltage "ATRV";
    /// The protocol in use, by number.
    ProtocolNumber "ATDPN";
    /// Let go of the bus.
    CloseProtocol "ATPC";
}

impl Command {
    /// A command without a parameter.
    pub const fn fixed(fixed: Fixed) -> Self {
        Self(Content::Fixed(fixed))
    }

    /// Use this protocol and no other.
    pub const fn protocol(protocol: Protocol) -> Self {
        Self(Content::Protocol(protocol))
    }

    /// Search for the protocol: tries wrong ones, so only in a parked car.
    pub const fn search_protocol(_parked: Parked) -> Self {
        Self(Content::SearchProtocol)
    }

    /// How long the adapter waits for a reply: 4 ms to 1.02 s.
    pub fn wait(wait: Span) -> Self {
        let units = (wait.0 / (WAIT_UNIT_MS * 1_000)).clamp(1, 0xFF);
        Self(Content::Wait(units as u8))
    }

    /// The identifier that requests go to.
    pub fn header(target: &Target) -> Self {
        Self(Content::Header(target.asked()))
    }

    /// Only the target's answers are received; `None` if several ECUs may answer.
    pub fn receive_from(target: &Target) -> Option<Self> {
        target.only_answer().map(|answer| Self(Content::Receive(answer)))
    }

    /// A request.
    pub fn request(request: Request) -> Self {
        Self(Content::Request(request))
    }

    /// The gate for text from a configuration: a listed command without a parameter, a protocol, or a request in
    /// hexadecimal digits. Identifiers go through [`Target`], and a protocol search has a command of its own.
    pub fn from_text(text: &str) -> Result<Self, Refused> {
        let tight: String = text.chars().filter(|char| *char != ' ').map(|char| char.to_ascii_uppercase()).collect();
        if let Some((fixed, _)) = Fixed::ALL.iter().find(|(_, known)| *known == tight) {
            return Ok(Self::fixed(*fixed));
        }
        match tight.strip_prefix("ATSP").map(|number| (number.starts_with('A'), Protocol::from_number(number))) {
            // `ATSPA6` would search when 6 fails.
            Some((false, Some(protocol))) => Ok(Self::protocol(protocol)),
            Some(_) => Err(Refused::Text(text.chars().take(40).collect())),
            None => Request::from_hex(&tight).map(Self::request),
        }
    }

    /// The request, if it is one.
    pub fn as_request(&self) -> Option<&Request> {
        match &self.0 {
            Content::Request(request) => Some(request),
            _ => None,
        }
    }

    /// The command without a parameter, if it is one.
    pub fn as_fixed(&self) -> Option<Fixed> {
        match self.0 {
            Content::Fixed(fixed) => Some(fixed),
            _ => None,
        }
    }

    /// Whether it searches for the protocol.
    pub fn is_search(&self) -> bool {
        self.0 == Content::SearchProtocol
    }

    /// Whether it names the protocol.
    pub fn is_protocol(&self) -> bool {
        matches!(self.0, Content::Protocol(_))
    }

    /// Whether it sets how long the adapter waits for a reply.
    pub fn is_wait(&self) -> bool {
        matches!(self.0, Content::Wait(_))
    }

    /// Whether the adapter may put something on the bus for it.
    pub fn may_transmit(&self) -> bool {
        matches!(self.0, Content::Request(_) | Content::SearchProtocol)
    }
}

/// The settings for requests, in order (common practice, no source). After it, the target's header and receive filter.
pub fn setup(protocol: Protocol) -> Vec<Command> {
    use Fixed as F;
    let before = [F::Reset, F::EchoOff, F::LinefeedsOff, F::SpacesOff, F::HeadersOn, F::FramingOn, F::FlowControlOn];
    let after = [F::LongMessages, F::AdaptiveTiming, F::Priority];
    let fixed = |list: &[Fixed]| list.iter().copied().map(Command::fixed).collect::<Vec<_>>();
    [fixed(&before), vec![Command::protocol(protocol)], fixed(&after)].concat()
}

/// The settings for listening, in order, ending with the command that starts it (common practice, no source).
pub fn listening_setup(protocol: Protocol) -> Vec<Command> {
    use Fixed as F;
    let before = [F::Reset, F::EchoOff, F::LinefeedsOff, F::SpacesOff, F::HeadersOn, F::FramingOff];
    let after = [F::ReceiveAll, F::SilentMonitoring, F::MonitorAll];
    let fixed = |list: &[Fixed]| list.iter().copied().map(Command::fixed).collect::<Vec<_>>();
    [fixed(&before), vec![Command::protocol(protocol)], fixed(&after)].concat()
}

impl std::fmt::Display for Command {
    /// As sent, without its end.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.0 {
            Content::Fixed(fixed) => f.write_str(fixed.text()),
            Content::Protocol(protocol) => write!(f, "ATSP{}", protocol.number()),
            Content::SearchProtocol => f.write_str("ATSP0"),
            Content::Wait(units) => write!(f, "ATST{units:02X}"),
            Content::Header(CanId::Standard(id)) => write!(f, "ATSH{id:03X}"),
            // Older adapters take 6 digits; the two before them are the priority, which `Fixed::Priority` sets.
            Content::Header(CanId::Extended(id)) => write!(f, "ATSH{:06X}", id & 0xFF_FFFF),
            Content::Receive(id) => write!(f, "ATCRA{}", text(*id)),
            Content::Request(request) => write!(f, "{request}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::diag::target::{Heard, Rules};

    #[test]
    fn commands_as_sent() {
        let heard = Heard::default();
        let rules = Rules { other_identifiers: false, heard: &heard };
        let one = Target::new(CanId::Extended(0x18DA_42F1), None, &rules).unwrap();
        let commands = [
            (Command::fixed(Fixed::EchoOff), "ATE0"),
            (Command::protocol(Protocol::Can29At250), "ATSP9"),
            (Command::search_protocol(Parked::by_the_users_word()), "ATSP0"),
            (Command::wait(Span::of_millis(200)), "ATST32"),
            (Command::wait(Span::of_seconds(60)), "ATSTFF"),
            (Command::wait(Span::of_seconds(-1)), "ATST01"),
            (Command::header(&Target::FUNCTIONAL), "ATSH7DF"),
            (Command::header(&one), "ATSHDA42F1"),
            (Command::receive_from(&one).unwrap(), "ATCRA18DAF142"),
            (Command::request(Request::current_data(0x0D)), "010D"),
        ];
        for (command, text) in commands {
            assert_eq!(command.to_string(), text);
        }
        assert_eq!(Command::receive_from(&Target::FUNCTIONAL), None);
        assert_eq!(Protocol::from_number("A6"), Some(Protocol::Can11At500));
    }

    #[test]
    fn settings_for_requests_and_for_listening() {
        let text = |commands: Vec<Command>| commands.iter().map(Command::to_string).collect::<Vec<_>>().join(" ");
        let requests = text(setup(Protocol::Can11At500));
        assert_eq!(requests, "ATZ ATE0 ATL0 ATS0 ATH1 ATCAF1 ATCFC1 ATSP6 ATAL ATAT1 ATCP18");
        // Silent before anything is shown.
        let listening = text(listening_setup(Protocol::Can29At250));
        assert_eq!(listening, "ATZ ATE0 ATL0 ATS0 ATH1 ATCAF0 ATSP9 ATAR ATCSM1 ATMA");
    }

    #[test]
    fn text_passes_a_gate() {
        for text in ["atz", "AT E0", "ATSP6", "0100", "01 0d", "22F190", "at rv"] {
            let command = Command::from_text(text).unwrap();
            assert_eq!(command.to_string(), text.replace(' ', "").to_uppercase());
        }
        for text in [
            "04",
            "14FFFFFF",
            "2701",
            "1003",
            "",
            "ATSP0",
            "ATSPA6",
            "ATSH7E0",
            "ATCSM0",
            "ATPP0CSVFF",
            "ATMA\r04",
            "0100\r04",
            "ATZ;04",
            "STPX",
            "3E",
            "08",
            "ATTP6",
            "ATFCSD300000",
            "ATCRA7E8",
            "AT",
        ] {
            Command::from_text(text).unwrap_err();
        }
    }

    /// What the list lets through, written out a second time.
    fn is_harmless(text: &str) -> bool {
        let settings = [
            "ATZ", "ATWS", "ATD", "ATE0", "ATL0", "ATS0", "ATS1", "ATH0", "ATH1", "ATCAF0", "ATCAF1", "ATCFC1", "ATAL",
            "ATAT0", "ATAT1", "ATAT2", "ATAR", "ATCP18", "ATCSM1", "ATMA", "ATI", "ATRV", "ATDPN", "ATPC", "ATSP6",
            "ATSP7", "ATSP8", "ATSP9",
        ];
        let reads = match text.get(..2) {
            Some("01" | "09") => text.len() == 4,
            Some("02") => text.len() == 6,
            Some("03" | "07" | "0A") => text.len() == 2,
            Some("22") => matches!(text.len(), 6 | 10 | 14),
            _ => false,
        };
        settings.contains(&text) || reads && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'A'..=b'F'))
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4_000))]
        #[test]
        fn no_other_text_can_come_out(
            text in prop_oneof![
                "(AT|at|ST)?[ A-Za-z0-9]{0,9}",
                "(01|02|03|04|07|09|0A|0a|22|2E|31)[0-9A-Fa-f \r]{0,12}",
                "\\PC{0,8}",
            ],
        ) {
            if let Ok(command) = Command::from_text(&text) {
                let sent = command.to_string();
                prop_assert!(is_harmless(&sent), "{text:?} gave {sent:?}");
            }
        }
    }
}
