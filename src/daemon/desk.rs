//! Where requests over the status socket are answered: from the newest moment, and by leaving what people ask for with the loop.
//!
//! Waits for nothing and holds nothing up. Says what was noted, or why it was not.

use std::sync::Arc;

use serde_json::{Value, json};

use super::requests::{self, Refused, Request};
use crate::document::did_you_mean;
use crate::live::{Ask, Board, Hub, Moment, board};
use crate::observation::Mark;
use crate::plan::readiness::is_go;
use crate::source::Clock;
use crate::time::Span;

/// A moment older than this is no moment.
const AGE_MAX: Span = Span::of_seconds(5);

/// The same where the clock may run hundreds of times as fast.
const REHEARSED_AGE_MAX: Span = Span::of_seconds(1_000);

/// Answers requests.
pub struct Desk {
    hub: Arc<Hub>,
    clock: Arc<dyn Clock>,
}

impl Desk {
    /// On what those who watch meet the loop by.
    pub fn new(hub: &Arc<Hub>, clock: &Arc<dyn Clock>) -> Self {
        Self { hub: Arc::clone(hub), clock: Arc::clone(clock) }
    }

    /// The answer to a line, one JSON object; `status` is what the loop last said of itself.
    pub fn answer(&self, line: &[u8], status: &str) -> String {
        let in_miles = self.hub.newest().is_some_and(|moment| moment.units.in_miles());
        let answer = match requests::parse(line, in_miles) {
            Ok(Request::Status) => return status.to_owned(),
            Ok(Request::Moment) => self.moment().map(|moment| told(&board(&moment))),
            Ok(Request::Ready) => self.moment().map(|moment| {
                let ready = board(&moment).ready;
                json!({ "vehicle": moment.vehicle, "go": is_go(&moment.ready), "checks": told(&ready) })
            }),
            Ok(Request::Mark(mark)) => self.mark(mark, in_miles),
            Ok(Request::Acknowledge(key)) => self.acknowledge(key),
            Ok(Request::Taken(place)) => self.taken(place),
            Err(refused) => Err(refused),
        };
        let answer = answer.unwrap_or_else(|refused| json!({ "refused": refused.what, "remedy": refused.remedy }));
        format!("{answer}\n")
    }

    fn moment(&self) -> Result<Arc<Moment>, Refused> {
        let most = |moment: &Moment| if moment.rehearsal { REHEARSED_AGE_MAX } else { AGE_MAX };
        let newest = self.hub.newest().filter(|moment| self.clock.now() - moment.at <= most(moment));
        newest.ok_or_else(|| Refused::new("nothing is known of this moment", "ask again in a second"))
    }

    fn mark(&self, mark: Mark, in_miles: bool) -> Result<Value, Refused> {
        let moment = self.moment()?;
        if let Some(why) = &moment.recording.waits {
            return Err(Refused::new(format!("nothing is recorded now: {why}"), "note it on paper"));
        }
        let Some(run) = &moment.recording.run else {
            return Err(Refused::new("no run is being recorded: the car sleeps", "wake the car, then note it"));
        };
        let noted = requests::said(&mark, in_miles);
        self.leave(Ask::Mark(mark))?;
        Ok(json!({ "noted": noted, "run": run, "utc": self.clock.wall().second() }))
    }

    fn acknowledge(&self, key: String) -> Result<Value, Refused> {
        let moment = self.moment()?;
        let keys = moment.alarms.iter().map(|alarm| &*alarm.key);
        if !keys.clone().any(|known| known == key) {
            let remedy = match moment.alarms.is_empty() {
                true => "there is no alarm now".into(),
                false => did_you_mean(&key, keys),
            };
            return Err(Refused::new(format!("no alarm is called '{key}'"), remedy));
        }
        self.leave(Ask::Acknowledge(key.clone()))?;
        Ok(json!({ "acknowledged": key }))
    }

    fn taken(&self, place: Option<String>) -> Result<Value, Refused> {
        let moment = self.moment()?;
        if let Some(name) = &place {
            let Some(course) = &moment.course else {
                return Err(Refused::new("no course is loaded", "give the configuration a course"));
            };
            let chargers: Vec<&str> = course.chargers().map(|(place, _)| &*place.name).collect();
            if !chargers.contains(&&**name) {
                let remedy = did_you_mean(name, chargers.iter().copied());
                return Err(Refused::new(format!("the course has no charger at '{name}'"), remedy));
            }
        }
        self.leave(Ask::Taken(place.clone()))?;
        Ok(json!({ "taken": place }))
    }

    fn leave(&self, ask: Ask) -> Result<(), Refused> {
        match self.hub.ask(self.clock.now(), ask) {
            true => Ok(()),
            false => Err(Refused::new("too much is asked at once", "ask again in a second")),
        }
    }
}

/// Plain structs of texts and numbers: there is nothing in them that could fail to be written.
fn told(value: &impl serde::Serialize) -> Value {
    serde_json::to_value(value).unwrap_or_default()
}

/// What the companion reads of an answer.
#[derive(Clone, PartialEq, Debug, serde::Deserialize)]
#[serde(untagged)]
pub enum Answer<T> {
    /// It was not done.
    Refused {
        /// What is wrong.
        refused: String,
        /// What to do.
        remedy: String,
    },
    /// What was asked for.
    Told(T),
}

/// Whether the car is ready, as the daemon says it.
#[derive(Clone, PartialEq, Debug, serde::Deserialize)]
pub struct Ready {
    /// The car's name in the data set.
    pub vehicle: String,
    /// All is as it should be.
    pub go: bool,
    /// Every check.
    pub checks: Vec<crate::live::board::Readiness>,
}

/// What was noted, as the daemon says it.
#[derive(Clone, PartialEq, Debug, serde::Deserialize)]
pub struct Noted {
    /// What.
    pub noted: String,
    /// In which run.
    pub run: String,
    /// When, by the computer's clock.
    pub utc: String,
}

/// The board as the daemon says it.
pub type Watched = Answer<Board>;

#[cfg(test)]
mod tests;
