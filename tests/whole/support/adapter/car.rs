//! The ECUs behind a played adapter, and what may be wrong with the adapter.
//!
//! Says nothing by itself.

/// An ECU of the car.
#[derive(Clone, Debug)]
pub struct Ecu {
    /// The identifier by which it is asked alone.
    pub asked: u32,
    /// The identifier by which it answers.
    pub answers: u32,
    /// How long it takes.
    pub delay_us: i64,
    /// How often it asks for time before it answers, every 800 ms.
    pub pleas: u32,
    /// What it knows: requests, and the data after the echo.
    pub knows: Vec<(Vec<u8>, Vec<u8>)>,
}

impl Ecu {
    pub fn new(asked: u32, answers: u32, knows: &[(&[u8], &[u8])]) -> Self {
        let knows = knows.iter().map(|(request, data)| (request.to_vec(), data.to_vec())).collect();
        Self { asked, answers, delay_us: 20_000, pleas: 0, knows }
    }

    /// The whole messages that it answers to a request; `None`: silence.
    pub fn messages(&self, request: &[u8], functional: bool) -> Option<Vec<Vec<u8>>> {
        let service = *request.first()?;
        let Some((_, data)) = self.knows.iter().find(|(known, _)| known == request) else {
            return (!functional).then(|| vec![vec![0x7F, service, 0x31]]);
        };
        let mut positive = request.to_vec();
        positive[0] = service + 0x40;
        positive.extend(data);
        Some((0..self.pleas).map(|_| vec![0x7F, service, 0x78]).chain([positive]).collect())
    }
}

/// What is wrong with an adapter. The default: nothing.
#[derive(Clone, Debug)]
pub struct Faults {
    /// How long a setting takes.
    pub command_us: i64,
    /// What it answers to itself, whoever asks: `?`.
    pub refuses: Vec<&'static str>,
    /// It takes ATH1 and shows no identifiers.
    pub hides_headers: bool,
    /// What it says to ATDPN, whatever it uses.
    pub claims_protocol: Option<char>,
    /// A line nobody asked for, this often.
    pub chatters_every_us: Option<i64>,
    /// Every so many prompts one is not given.
    pub loses_prompts: Option<u32>,
    /// Every so many bytes one is garbled.
    pub garbles: Option<u32>,
    /// A zero byte after every so many.
    pub zeros: Option<u32>,
    /// At the request of this number: an error instead of a reply.
    pub error_at: Option<(u32, &'static str)>,
    /// Every so many requests an error instead of a reply.
    pub error_every: Option<(u32, &'static str)>,
    /// Before the request of this number it resets itself, saying what it says then.
    pub resets_at: Option<(u32, &'static str)>,
    /// It forgets the protocol that it was given and searches at the request of this number.
    pub searches_at: Option<u32>,
    /// Monitoring ends with BUFFER FULL after so many frames, and whether the prompt comes then.
    pub fills_after: Option<(u32, bool)>,
    /// Line feeds and echo stay on, whatever is set.
    pub stubborn: bool,
}

impl Default for Faults {
    fn default() -> Self {
        Self {
            command_us: 2_000,
            refuses: Vec::new(),
            hides_headers: false,
            claims_protocol: None,
            chatters_every_us: None,
            loses_prompts: None,
            garbles: None,
            zeros: None,
            error_at: None,
            error_every: None,
            resets_at: None,
            searches_at: None,
            fills_after: None,
            stubborn: false,
        }
    }
}
