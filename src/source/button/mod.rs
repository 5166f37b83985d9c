//! A button for marks as a live source: a short press notes the moment, a long one that the display shows 0 %.
//!
//! The times of a thumb are those of the world, whatever the pace of a rehearsal. Knows no device itself: [`contact`] opens
//! them, [`press`] tells presses from levels.

pub mod contact;
pub mod press;

use contact::{Contact, Settings};
use press::{Press, Presses};

use super::clock::{Clock, SystemClock};
use super::live::{Failure, Live, Outlet};
use crate::observation::{Batch, Item, Mark, MarkKind, Stamped};
use crate::time::Span;

/// How long a contact is waited for at most: what a source may be deaf for, and, while a press is under way, how late a long one
/// may be told.
const WAIT: Span = Span::of_millis(100);
const WAIT_BUSY: Span = Span::of_millis(10);

/// Opens a contact; a test brings its own.
type Open = Box<dyn FnMut() -> Result<Box<dyn Contact>, Failure> + Send>;

/// A button for marks.
pub struct Button {
    open: Open,
    settles: Span,
}

impl Button {
    /// The button that the settings name.
    pub fn new(settings: Settings) -> Self {
        Self { settles: settings.settles(), open: Box::new(move || settings.open()) }
    }

    fn read(&self, contact: &mut dyn Contact, outlet: &Outlet) -> Result<(), Failure> {
        // The clock of a rehearsal may run fast; a thumb does not.
        let (world, mut presses) = (SystemClock::new(), Presses::new(self.settles));
        let mut edges = Vec::new();
        while !outlet.stopping() {
            contact.wait(if presses.is_busy() { WAIT_BUSY } else { WAIT }, &mut edges)?;
            for down in edges.drain(..) {
                let press = presses.edge(world.now(), down);
                note(press, outlet);
            }
            note(presses.look(world.now()), outlet);
        }
        Ok(())
    }
}

impl Live for Button {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let mut contact = (self.open)()?;
        outlet.reading();
        self.read(&mut *contact, outlet)
    }
}

/// Hands a press on as a mark.
fn note(press: Option<Press>, outlet: &Outlet) {
    let (kind, text) = match press {
        None => return,
        Some(Press::Short) => (MarkKind::Note, "button"),
        Some(Press::Long) => (MarkKind::ShowsZero, "button, held for 1.5 s"),
    };
    let item = Item::Mark(Mark { kind, value: None, text: text.into() });
    outlet.send(&mut Batch { rest: vec![Stamped { at: outlet.now(), item }], ..Batch::default() });
}

#[cfg(test)]
mod tests;
