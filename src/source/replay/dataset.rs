//! A run of the data set as a recording: its frames, replies, fixes, supply voltages and marks, in time order.
//!
//! A row group at a time, so memory is bounded by one. Reads neither samples nor trace: they are made from the frames
//! again. Stamps are `start_utc` plus run time.
//!
//! Decodes nothing: samples and trace are not read.

mod columns;
mod items;
mod parts;

use std::collections::VecDeque;
use std::path::Path;

use serde::Deserialize;

use super::{BATCH, Recording};
use crate::document::Fault;
use crate::observation::{Batch, BusNames, Frame, Stamped};
use crate::source::{Damage, Progress};
use crate::time::{Span, WallClock};
use items::{ITEM_TABLES, ItemTable};
use parts::Parts;

/// What of `run.json` is needed here; the rest of it is the store's.
#[derive(Deserialize)]
struct RunFile {
    start_utc: Option<String>,
    #[serde(default)]
    set_aside: Vec<SetAside>,
}

/// A damaged file of the run that was put aside.
#[derive(Deserialize)]
struct SetAside {
    file: String,
    why: String,
}

/// A run being read back.
pub struct Run {
    /// Wall-clock time of run time 0.
    start: Span,
    frames: Parts,
    /// Frames of the row group at hand, in time order; `next` is the first not yet handed on.
    group: Batch,
    next: usize,
    items: Vec<(ItemTable, Parts, VecDeque<Stamped>)>,
    batch: usize,
    damage: Damage,
}

impl Run {
    /// Whether a folder is a run's.
    pub fn recognises(folder: &Path) -> bool {
        folder.join("run.json").is_file()
    }

    /// Opens a run's folder.
    ///
    /// # Errors
    /// If its `run.json` cannot be read, or the run holds neither frames nor anything else that was received.
    pub fn new(folder: &Path) -> Result<Self, Fault> {
        let path = folder.join("run.json");
        let text = std::fs::read_to_string(&path).map_err(|error| Fault::io(&path, "read", &error))?;
        let name = path.display().to_string();
        let run: RunFile = serde_json::from_str(&text).map_err(|error| Fault::whole(&name, error.to_string()))?;
        let start = match run.start_utc.as_deref() {
            // No clock said when: the run keeps its own time, from 1970 on.
            None => WallClock(0),
            Some(iso) => WallClock::parse_iso(iso)
                .ok_or_else(|| Fault::whole(&name, format!("start_utc '{iso}' is no ISO 8601 time with an offset")))?,
        };
        let frames = Parts::list(&folder.join("frames"))?;
        let mut items = Vec::new();
        for table in ITEM_TABLES {
            items.push((table, Parts::list(&folder.join(table.folder()))?, VecDeque::new()));
        }
        if frames.is_empty() && items.iter().all(|(_, parts, _)| parts.is_empty()) {
            return Err(Fault::whole(
                folder.display().to_string(),
                "a run without frames, fixes, polls, supply or marks",
            )
            .remedy("a run can be read again only if its frames were kept; read its recording instead"));
        }
        let (group, next, mut damage) = (Batch::default(), 0, Damage::default());
        for SetAside { file, why } in run.set_aside {
            damage.add(|| Fault::whole(folder.join(file).display().to_string(), format!("was put aside: {why}")));
        }
        Ok(Self { start: Span(start.0), frames, group, next, items, batch: BATCH, damage })
    }

    /// The next frame, its row group read if need be.
    fn next_frame(&mut self, names: &mut BusNames) -> Option<Frame> {
        while self.next >= self.group.frames.len() {
            self.group.clear();
            self.next = 0;
            let (group, start) = (&mut self.group, self.start);
            self.frames.next_group(&mut self.damage, |rows| columns::frames(rows, start, group, names))?;
            // Rows lie by bus, identifier and time; a stable sort keeps what is of one moment in that order.
            self.group.frames.sort_by_key(|frame| frame.at);
        }
        self.group.frames.get(self.next).copied()
    }

    /// The table with the earliest item, and that item's stamp; of equally early ones the first.
    fn next_item(&mut self, names: &mut BusNames) -> Option<(usize, Stamped)> {
        let mut earliest: Option<(usize, &Stamped)> = None;
        for (index, (table, parts, waiting)) in self.items.iter_mut().enumerate() {
            while waiting.is_empty() {
                let read = parts.next_group(&mut self.damage, |rows| items::read(*table, rows, self.start, names));
                let Some(mut read) = read else { break };
                read.sort_by_key(|stamped| stamped.at);
                waiting.extend(read);
            }
            let first = waiting.front();
            if let Some(first) = first.filter(|first| earliest.is_none_or(|(_, earliest)| first.at < earliest.at)) {
                earliest = Some((index, first));
            }
        }
        earliest.map(|(index, stamped)| (index, stamped.clone()))
    }
}

impl Recording for Run {
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault> {
        let until = into.frames.len() + self.batch;
        let item = self.next_item(names);
        while let Some(frame) = self.next_frame(names) {
            if item.as_ref().is_some_and(|(_, item)| item.at < frame.at) {
                break;
            }
            if into.frames.len() >= until {
                return Ok(true);
            }
            into.push(frame.at, frame.bus, frame.id, frame.flags, self.group.payload(&frame));
            if let Some(pushed) = into.frames.last_mut() {
                pushed.len = frame.len;
            }
            self.next += 1;
        }
        let Some((table, item)) = item else { return Ok(false) };
        // One item ends the batch: within one, items count as arrived behind the frames.
        into.rest.push(item);
        if let Some((_, _, waiting)) = self.items.get_mut(table) {
            waiting.pop_front();
        }
        Ok(true)
    }

    fn set_batch(&mut self, frames: usize) {
        self.batch = frames.max(1);
    }

    fn progress(&self) -> Progress {
        self.items.iter().fold(self.frames.progress(), |sum, (_, parts, _)| sum.and(parts.progress()))
    }

    fn damage(&self) -> &Damage {
        &self.damage
    }
}

#[cfg(test)]
mod tests;
