//! What a network interface is: asked of the kernel with one message (rtnetlink(7), linux/if_link.h, linux/can/netlink.h), and
//! the judgement whether it may be read and whether it may be asked through.
//!
//! Makes and reads the messages' bytes and judges; opens nothing, and never changes an interface.

use std::io;

use super::Settings;
use super::wire::{i32_at, u16_at, u32_at};
use crate::source::live::Failure;

/// The longest name of an interface, bytes (linux/if.h, `IFNAMSIZ` less its zero).
const NAME_MAX: usize = 15;
/// The type of a CAN interface (linux/if_arp.h, `ARPHRD_CAN`).
const CAN_TYPE: u16 = 280;
/// The flag of an interface that is up (linux/if.h, `IFF_UP`).
const UP: u32 = 1;
/// The control mode that never drives the bus (linux/can/netlink.h, `CAN_CTRLMODE_LISTENONLY`).
const LISTEN_ONLY: u32 = 2;
/// Bit rate that a driver does not know (linux/can/dev.h, `CAN_BITRATE_UNKNOWN`).
const BIT_RATE_UNKNOWN: u32 = u32::MAX;

// linux/rtnetlink.h, linux/netlink.h.
const GET_LINK: u16 = 18;
const NEW_LINK: u16 = 16;
const IS_ERROR: u16 = 2;
const IS_REQUEST: u16 = 1;
const MESSAGE_HEADER: usize = 16;
const LINK_HEADER: usize = 16;
const TYPE_MASK: u16 = 0x3FFF;

// linux/if_link.h, linux/can/netlink.h: attributes.
const NAME: u16 = 3;
const LINK_INFO: u16 = 18;
const INFO_KIND: u16 = 1;
const INFO_DATA: u16 = 2;
const CAN_BIT_TIMING: u16 = 1;
const CAN_CONTROL_MODE: u16 = 5;

/// A network interface as the kernel describes it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Link {
    /// Its number; another one when it was deleted and made again.
    pub index: u32,
    /// Whether it is CAN at all.
    pub is_can: bool,
    /// Whether it was brought up.
    pub up: bool,
    /// What kind of driver made it, where it says so: `can`, `vcan`, `vxcan`.
    pub kind: Option<String>,
    /// Whether it never drives the bus, where it says so.
    pub listen_only: Option<bool>,
    /// bit/s, where it says so.
    pub bit_rate: Option<u32>,
}

impl Link {
    /// Whether it is no bus of copper, so that nothing sent on it can reach a car.
    pub fn is_virtual(&self) -> bool {
        matches!(self.kind.as_deref(), Some("vcan" | "vxcan"))
    }

    /// Reads the kernel's answer to [`request`].
    ///
    /// # Errors
    /// The kernel's own error, or that the answer can't be read.
    pub fn read(reply: &[u8]) -> io::Result<Self> {
        let unreadable = || io::Error::new(io::ErrorKind::InvalidData, "the kernel's answer can't be read");
        let length = u32_at(reply, 0).and_then(|length| usize::try_from(length).ok()).ok_or_else(unreadable)?;
        let message = reply.get(MESSAGE_HEADER..length).ok_or_else(unreadable)?;
        match u16_at(reply, 4) {
            Some(IS_ERROR) => {
                let code = i32_at(message, 0).ok_or_else(unreadable)?;
                return Err(io::Error::from_raw_os_error(code.saturating_neg()));
            }
            Some(NEW_LINK) => {}
            _ => return Err(unreadable()),
        }
        let mut link = Self {
            is_can: u16_at(message, 2) == Some(CAN_TYPE),
            index: u32_at(message, 4).ok_or_else(unreadable)?,
            up: u32_at(message, 8).ok_or_else(unreadable)? & UP != 0,
            ..Self::default()
        };
        for (kind, data) in Attributes(message.get(LINK_HEADER..).unwrap_or_default()) {
            if kind == LINK_INFO {
                link.read_info(data);
            }
        }
        Ok(link)
    }

    fn read_info(&mut self, info: &[u8]) {
        for (kind, data) in Attributes(info) {
            match kind {
                INFO_KIND => {
                    let name = data.split(|byte| *byte == 0).next().unwrap_or_default();
                    self.kind = Some(String::from_utf8_lossy(name).into_owned());
                }
                INFO_DATA => self.read_can(data),
                _ => {}
            }
        }
    }

    fn read_can(&mut self, can: &[u8]) {
        for (kind, data) in Attributes(can) {
            match kind {
                CAN_BIT_TIMING => {
                    self.bit_rate = u32_at(data, 0).filter(|rate| *rate != 0 && *rate != BIT_RATE_UNKNOWN)
                }
                CAN_CONTROL_MODE => self.listen_only = u32_at(data, 4).map(|flags| flags & LISTEN_ONLY != 0),
                _ => {}
            }
        }
    }
}

/// Attributes behind each other: length, type, data, padded to four bytes (rtnetlink(7)).
struct Attributes<'a>(&'a [u8]);

impl<'a> Iterator for Attributes<'a> {
    type Item = (u16, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let length = usize::from(u16_at(self.0, 0)?);
        let (kind, data) = (u16_at(self.0, 2)? & TYPE_MASK, self.0.get(4..length)?);
        self.0 = self.0.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some((kind, data))
    }
}

/// The message that asks the kernel about the interface of this name.
///
/// # Errors
/// If no interface can have such a name.
pub fn request(name: &str) -> Result<Vec<u8>, Failure> {
    let bad = |byte: u8| byte == b'/' || byte == b':' || byte.is_ascii_whitespace() || byte == 0;
    if name.is_empty() || name.len() > NAME_MAX || matches!(name, "." | "..") || name.bytes().any(bad) {
        let remedy = format!("use 1 to {NAME_MAX} bytes without space, '/' and ':', as `ip link` shows it");
        return Err(Failure(format!("'{name}' can't name an interface; {remedy}")));
    }
    let mut attribute = Vec::from(((4 + name.len() + 1) as u16).to_ne_bytes());
    attribute.extend(NAME.to_ne_bytes());
    attribute.extend(name.bytes());
    attribute.resize((attribute.len() + 1).next_multiple_of(4), 0);
    let mut message = Vec::from(((MESSAGE_HEADER + LINK_HEADER + attribute.len()) as u32).to_ne_bytes());
    message.extend(GET_LINK.to_ne_bytes());
    message.extend(IS_REQUEST.to_ne_bytes());
    message.resize(MESSAGE_HEADER + LINK_HEADER, 0);
    message.extend(attribute);
    Ok(message)
}

/// What may be done with an interface.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Access {
    /// It may be read.
    Listen,
    /// It may be read and asked through.
    Ask,
}

/// What may be done with an interface under these settings.
///
/// One that drives the bus acknowledges frames and sends error flags: at a wrong bit rate it disturbs a moving car. So it is
/// taken only where the user said that it may ask, and at which bit rate.
///
/// # Errors
/// Why it may not even be read, and the remedy.
pub fn judge(link: &Link, settings: &Settings) -> Result<Access, Failure> {
    let name = &settings.interface;
    let refuse = |text: String| Err(Failure(text));
    if !link.is_can {
        return refuse(format!("{name} is not a CAN interface; `ip -details link` shows which are"));
    }
    if !link.up {
        return refuse(format!("{name} is down; bring it up with `ip link set {name} up`"));
    }
    if link.is_virtual() {
        return Ok(if settings.polling { Access::Ask } else { Access::Listen });
    }
    match (link.listen_only, settings.polling) {
        (Some(true), _) => return Ok(Access::Listen),
        (_, true) => {}
        (Some(false), false) => {
            return refuse(format!(
                "{name} is not in listen-only mode; set it down and `ip link set {name} type can bitrate BIT_PER_S \
                 listen-only on`, or turn polling on with its bit_rate"
            ));
        }
        (None, false) => {
            return refuse(format!(
                "{name} does not say whether it only listens; use a driver that does, or read a serial adapter with \
                 kind = \"slcan\""
            ));
        }
    }
    let Some(wanted) = settings.bit_rate else {
        return refuse(format!("{name} is not in listen-only mode and bit_rate is not given; give the bus's bit_rate"));
    };
    match link.bit_rate {
        Some(rate) if rate == wanted => Ok(Access::Ask),
        Some(rate) => refuse(format!("{name} runs at {rate} bit/s and bit_rate says {wanted}; make them equal")),
        None => refuse(format!(
            "{name} does not say its bit rate, so bit_rate = {wanted} can't be checked; set it with `ip link`"
        )),
    }
}

#[cfg(test)]
mod tests;
