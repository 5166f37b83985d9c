//! `drawdown adapter-search`: which protocol a parked car speaks, found by an AT adapter's own search.
//!
//! Only calls the source room. Never used while driving: the daemon takes the protocol from its configuration.

use std::path::PathBuf;

use serde_json::json;

use super::{Outcome, say};
use crate::document::Fault;
use crate::source::SystemClock;
use crate::source::at_adapter::command::{Parked, Protocol};
use crate::source::at_adapter::port;
use crate::source::at_adapter::search::Found;

#[derive(clap::Args)]
#[command(
    after_help = "The search tries wrong bit rates on the car's bus, which can disturb it: park the car, switch it \
    on, and keep away from the pedals.\n\nExample:\n  drawdown adapter-search /dev/rfcomm0 --car-is-parked"
)]
pub struct Arguments {
    /// The adapter's serial port
    #[arg(value_name = "PORT")]
    port: PathBuf,
    /// The port's rate, baud
    #[arg(long, value_name = "RATE", default_value_t = 38_400)]
    serial_rate: u32,
    /// Your word that the car is parked
    #[arg(long)]
    car_is_parked: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    if !arguments.car_is_parked {
        let what = "not searched: a search tries wrong bit rates, which can disturb the bus of a moving car";
        let fault = Fault::whole(arguments.port.display().to_string(), what);
        return say::not_done(&fault.remedy("park the car, switch it on, and add --car-is-parked"));
    }
    eprintln!("searching with the adapter on {}; this takes up to a minute", arguments.port.display());
    let parked = Parked::by_the_users_word();
    match port::search(&arguments.port, arguments.serial_rate, parked, &SystemClock::new()) {
        Ok(found) => print(&found, arguments),
        // It names the port and the remedy.
        Err(failure) => {
            eprintln!("{failure}");
            Outcome::NotDone
        }
    }
}

fn print(found: &Found, arguments: &Arguments) -> Outcome {
    if arguments.json {
        say::json(&json!({
            "port": arguments.port.display().to_string(), "adapter": found.identity, "supply_v": found.supply_v,
            "protocol": found.protocol.map(words), "number": found.number, "answered": found.answered,
            "errors": found.errors.iter().map(ToString::to_string).collect::<Vec<_>>(),
        }));
        return if found.protocol.is_some() { Outcome::Done } else { Outcome::NotDone };
    }
    println!("adapter: {}", found.identity.as_deref().unwrap_or("does not say what it is"));
    match found.supply_v {
        Some(volt) => println!("supply: {volt:.1} V"),
        None => println!("supply: it does not measure it"),
    }
    for error in &found.errors {
        println!("it said: {error}");
    }
    match (found.protocol, &found.number) {
        (Some(protocol), _) => {
            println!("found: {}. In the daemon's configuration:\n", words(protocol));
            println!("[[source]]\nkind = \"at adapter\"\nbus = \"socket\"\nport = \"{}\"", arguments.port.display());
            println!("serial_rate = {}\nprotocol = \"{}\"", arguments.serial_rate, words(protocol));
            Outcome::Done
        }
        (None, Some(number)) if found.answered => {
            eprintln!(
                "{}: the car speaks the adapter's protocol {number}, none of CAN's that can be asked here; use another way in",
                arguments.port.display()
            );
            Outcome::NotDone
        }
        (None, _) => {
            eprintln!(
                "{}: no car answered; switch the car on (ready to drive, not only awake) and search again",
                arguments.port.display()
            );
            Outcome::NotDone
        }
    }
}

/// As the configuration writes it.
fn words(protocol: Protocol) -> &'static str {
    match protocol {
        Protocol::Can11At500 => "11 bit 500 kbit/s",
        Protocol::Can29At500 => "29 bit 500 kbit/s",
        Protocol::Can11At250 => "11 bit 250 kbit/s",
        Protocol::Can29At250 => "29 bit 250 kbit/s",
    }
}
