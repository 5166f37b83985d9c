//! What the trials need of the library, one program for all of them: it is linked once.
//!
//! `trials PART ARGUMENTS`; each part's own head says what its arguments are. Judges and measures nothing itself, and
//! shares nothing among the trials: it hands the arguments on.

#[path = "calibration.d/main.rs"]
mod calibration;
#[path = "corruption.d/main.rs"]
mod corruption;
#[path = "endure.d/main.rs"]
mod endure;
#[path = "kills.d/main.rs"]
mod kills;
#[path = "only-reading.d/main.rs"]
mod only_reading;
#[path = "speed.d/main.rs"]
mod speed;
#[path = "speed.d/standin/main.rs"]
mod standin;
#[path = "turning.d/main.rs"]
mod turning;

use std::error::Error;
use std::process::ExitCode;

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let (part, rest) = arguments.split_first().map_or(("", &[][..]), |(part, rest)| (*part, rest));
    match part {
        "calibration" => return Ok(calibration::run(rest)),
        "corruption" => corruption::run(rest)?,
        "endure" => return Ok(endure::run(rest)),
        "kills" => kills::run(rest)?,
        "only-reading" => only_reading::run(rest)?,
        "speed" => speed::run(rest)?,
        "standin" => standin::run(rest)?,
        "turning" => return Ok(turning::run(rest)),
        _ => {
            eprintln!("usage: trials calibration|corruption|endure|kills|only-reading|speed|standin|turning ARGUMENTS");
            return Ok(ExitCode::from(2));
        }
    }
    Ok(ExitCode::SUCCESS)
}
