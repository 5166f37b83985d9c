//! From the configuration's sources to what reads them: buses numbered, requests given to those that may ask.
//!
//! Opens nothing.

use crate::document::Fault;
use crate::map::Map;
use crate::observation::BusNames;
use crate::source::live::Live;

use super::Config;

/// Live sources by name.
pub type Named = Vec<(String, Box<dyn Live>)>;

/// The sources of a configuration, and the buses by the numbers that they were given.
///
/// # Errors
/// If there are more buses than can be told apart.
pub fn build(config: &Config, map: &Map) -> Result<(Named, BusNames), Fault> {
    let _ = (config, map);
    Ok((Vec::new(), BusNames::default()))
}
