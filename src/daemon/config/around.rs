//! The tables `[car]`, `[page]` and `[speech]` of the configuration: what is known of the car before the drive, and how people
//! are told during it.
//!
//! Checks what can be checked without opening anything, and opens nothing: [`super::super::prior`] reads the files named here.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::Checks;
use crate::plan::pilot::CutOff;
use crate::quantity::{ConsumptionUnit, Joule};

/// Where the page is served where the configuration says nothing else.
const LISTEN: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8460);
/// Where its token lies where the configuration says nothing else.
const TOKEN_FILE: &str = "page-token";
/// Standard uncertainty of a usable energy that is claimed, percent: common practice, no source.
const USABLE_U_PERCENT: f64 = 3.0;

/// What the configuration says of the car.
#[derive(Clone, PartialEq, Debug)]
pub struct CarSaid {
    /// Usable energy from full to displayed 0, J.
    pub usable: Option<f64>,
    /// Standard uncertainty of it, or of the card's claim, in parts.
    pub usable_u: f64,
    /// Energy below displayed 0 that the car is known to have, J.
    pub reserve: Option<f64>,
    /// Energy per distance at the target speed, J/m.
    pub per_metre: Option<f64>,
    /// Voltages at which the car gives up.
    pub cut_off: CutOff,
    /// A floor of the tester's own, as a share of the usable energy.
    pub floor_share: Option<f64>,
    /// What is left on arrival need not do for another charger or a safe stop.
    pub no_spare: bool,
    /// What `drawdown reduce --json` said of an earlier test of this car.
    pub earlier: Option<PathBuf>,
}

impl Default for CarSaid {
    fn default() -> Self {
        Self {
            usable: None,
            usable_u: USABLE_U_PERCENT / 100.0,
            reserve: None,
            per_metre: None,
            cut_off: CutOff::default(),
            floor_share: None,
            no_spare: false,
            earlier: None,
        }
    }
}

/// The page that browsers are shown.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Page {
    /// Where it is served.
    pub listen: SocketAddr,
    /// The file that holds its token.
    pub token_file: PathBuf,
    /// Names by which browsers may reach it, beside its address.
    pub names: Vec<String>,
}

/// What says things aloud.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Speech {
    /// The program and its arguments; each text goes to its standard input.
    pub command: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenCar {
    usable_kwh: Option<Spanned<f64>>,
    usable_u_percent: Option<Spanned<f64>>,
    reserve_kwh: Option<Spanned<f64>>,
    wh_per_km: Option<Spanned<f64>>,
    cell_cut_off_v: Option<Spanned<f64>>,
    pack_cut_off_v: Option<Spanned<f64>>,
    floor_percent: Option<Spanned<f64>>,
    #[serde(default)]
    no_spare: bool,
    earlier: Option<PathBuf>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenPage {
    listen: Option<Spanned<String>>,
    token_file: Option<PathBuf>,
    #[serde(default)]
    names: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenSpeech {
    command: Spanned<Vec<String>>,
}

impl Checks<'_> {
    pub(super) fn car(&mut self, written: Option<WrittenCar>, folder: &Path) -> CarSaid {
        let Some(written) = written else { return CarSaid::default() };
        let percent = self.number(written.usable_u_percent, 0.1..=30.0, "%").unwrap_or(USABLE_U_PERCENT);
        CarSaid {
            usable: self.number(written.usable_kwh, 1.0..=1_000.0, "kWh").map(|kwh| Joule::from_kwh(kwh).0),
            usable_u: percent / 100.0,
            reserve: self.number(written.reserve_kwh, 0.0..=100.0, "kWh").map(|kwh| Joule::from_kwh(kwh).0),
            per_metre: self
                .number(written.wh_per_km, 20.0..=3_000.0, "Wh/km")
                .map(|value| ConsumptionUnit::WhPerKm.to_joule_per_metre(value)),
            cut_off: CutOff {
                cell: self.number(written.cell_cut_off_v, 1.0..=4.2, "V"),
                pack: self.number(written.pack_cut_off_v, 20.0..=1_500.0, "V"),
            },
            floor_share: self.number(written.floor_percent, 0.0..=50.0, "%").map(|percent| percent / 100.0),
            no_spare: written.no_spare,
            earlier: written.earlier.map(|path| folder.join(path)),
        }
    }

    pub(super) fn page(&mut self, written: Option<WrittenPage>, folder: &Path) -> Option<Page> {
        let written = written?;
        let listen = written.listen.map_or(LISTEN, |text| self.listen(&text));
        let names = written.names.into_iter().map(|name| self.host_name(name)).collect();
        let token_file = folder.join(written.token_file.unwrap_or(TOKEN_FILE.into()));
        Some(Page { listen, token_file, names })
    }

    fn listen(&mut self, written: &Spanned<String>) -> SocketAddr {
        let at = written.span().start;
        let Ok(address) = written.get_ref().parse::<SocketAddr>() else {
            let what = format!("'{}' is no address with a port", written.get_ref());
            self.faults.push(self.document.fault(at, what).remedy(format!("write it like '{LISTEN}'")));
            return LISTEN;
        };
        if !address.ip().is_loopback() {
            let what = format!(
                "other computers can reach the page at {address}: whoever has its token sees where the car is and may leave \
                 marks, and nothing is encrypted"
            );
            let remedy = format!("use a network that you trust, or listen on '{LISTEN}'");
            self.faults.push(self.document.fault(at, what).remedy(remedy).warning());
        }
        address
    }

    /// Names of hosts: letters, digits, hyphens and dots (RFC 1123, section 2.1).
    fn host_name(&mut self, written: Spanned<String>) -> String {
        let at = written.span().start;
        let name = written.into_inner();
        let sound = (1..=253).contains(&name.len())
            && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.'));
        if !sound {
            let fault = self.document.fault(at, format!("'{name}' can't name a computer"));
            self.faults.push(fault.remedy("use its name alone, like 'car.local', without port or slashes"));
        }
        name
    }

    pub(super) fn speech(&mut self, written: Option<WrittenSpeech>) -> Option<Speech> {
        let written = written?.command;
        let at = written.span().start;
        let command = written.into_inner();
        let what = match command.first().map(|program| program.trim()) {
            None | Some("") => "the command names no program",
            Some(program) if program.contains(' ') => "no shell takes the command apart",
            Some(_) => return Some(Speech { command }),
        };
        let remedy = "write the program and each argument as a text of its own, like [\"espeak-ng\", \"-s\", \"150\"]";
        self.faults.push(self.document.fault(at, what).remedy(remedy));
        None
    }
}
