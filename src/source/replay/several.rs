//! Several recordings read as one: files one after another, or side by side where they overlap in time.
//!
//! Opens the files, feeds one merge. Does not know any file's form.

use std::path::PathBuf;

use super::{Reading, Recording, open_with};
use crate::digest::Digest;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::{Batch, Bus, BusNames, Item};
use crate::source::{Damage, Merge, Progress};
use crate::time::Steady;

/// One of the files: what was read of it and not yet handed on.
struct File {
    name: String,
    /// Its place among the files as they were given.
    place: usize,
    recording: Box<dyn Recording>,
    /// Its own bus names, and what each is called among all files: given when its first frame is handed on, since how
    /// far a file is read ahead must not show.
    names: BusNames,
    buses: Vec<Bus>,
    /// In order of arrival; `frame` and `item` tell how far it was handed on.
    ahead: Batch,
    frame: usize,
    item: usize,
    more: bool,
    /// What made the rest of it unreadable.
    failure: Option<Fault>,
}

impl File {
    fn new(place: usize, name: String, recording: Box<dyn Recording>) -> Self {
        let (names, buses, ahead) = (BusNames::default(), Vec::new(), Batch::default());
        Self { name, place, recording, names, buses, ahead, frame: 0, item: 0, more: true, failure: None }
    }

    /// The stamp of the next observation, read from the file if need be; `None` at its end.
    fn head(&mut self) -> Option<Steady> {
        while self.next_stamp().is_none() && self.more {
            self.ahead.clear();
            (self.frame, self.item) = (0, 0);
            match self.recording.read(&mut self.ahead, &mut self.names) {
                Ok(more) => self.more = more,
                Err(fault) => {
                    self.more = false;
                    self.failure = Some(fault);
                }
            }
        }
        self.next_stamp()
    }

    /// Items stand behind the frames read with them.
    fn next_stamp(&self) -> Option<Steady> {
        let frame = self.ahead.frames.get(self.frame).map(|frame| frame.at);
        frame.or_else(|| self.ahead.rest.get(self.item).map(|item| item.at))
    }

    /// Moves out what comes next in this file, up to the first observation later than `until`.
    fn take(&mut self, until: Option<Steady>, out: &mut Batch, names: &mut BusNames) {
        self.move_out(until, out);
        // Where the file's names are those of all files, each bus is called what it is.
        if self.names == *names {
            return;
        }
        let mut bus_of = |bus: &mut Bus| {
            while self.buses.len() <= usize::from(bus.0) && self.buses.len() < self.names.names().len() {
                let name = self.names.name(Bus(self.buses.len() as u8));
                // Of more buses than can be told apart, the last stands for the rest.
                self.buses.push(names.intern(name).unwrap_or(Bus(BusNames::MAX as u8 - 1)));
            }
            *bus = self.buses.get(usize::from(bus.0)).copied().unwrap_or_default();
        };
        out.frames.iter_mut().for_each(|frame| bus_of(&mut frame.bus));
        for stamped in &mut out.rest {
            if let Item::Reply(reply) = &mut stamped.item {
                bus_of(&mut reply.bus);
            }
        }
    }

    /// Moves out what comes next, its buses still the file's own.
    fn move_out(&mut self, until: Option<Steady>, out: &mut Batch) {
        let on_time = |at: Steady| until.is_none_or(|until| at <= until);
        let frames = self.ahead.frames.get(self.frame..).unwrap_or_default();
        let items = self.ahead.rest.get(self.item..).unwrap_or_default();
        let frame_count = frames.iter().take_while(|frame| on_time(frame.at)).count();
        let all_frames = frame_count == frames.len();
        let item_count = if all_frames { items.iter().take_while(|item| on_time(item.at)).count() } else { 0 };
        if all_frames && item_count == items.len() && self.frame == 0 && self.item == 0 && out.is_empty() {
            std::mem::swap(&mut self.ahead, out);
            return;
        }
        for frame in &frames[..frame_count] {
            out.push_frame(frame, self.ahead.payload(frame));
        }
        out.rest.extend_from_slice(&items[..item_count]);
        self.frame += frame_count;
        self.item += item_count;
    }
}

/// Recordings read as one, in order and on one steady clock.
///
/// The files are put in the order of their first stamps, so each is read after the other; where two overlap (one file a
/// bus), they are read side by side.
pub struct Replay {
    files: Vec<File>,
    names: BusNames,
    merge: Merge,
    step: Batch,
    ended: bool,
}

impl Replay {
    /// Opens all files. `map` tells how a CSV of signals is laid out; without one none can be read. `batch_frames` is how
    /// many frames are read at a step; it changes where the output is cut and nothing else.
    ///
    /// # Errors
    /// If one of them cannot be opened, or holds nothing that is known.
    pub fn open(paths: &[PathBuf], map: Option<&Map>, batch_frames: usize) -> Result<Self, Fault> {
        Self::open_with(paths, map, batch_frames, &Reading::default())
    }

    /// The same, read as is said.
    ///
    /// # Errors
    /// As [`Replay::open`].
    pub fn open_with(
        paths: &[PathBuf],
        map: Option<&Map>,
        batch_frames: usize,
        reading: &Reading,
    ) -> Result<Self, Fault> {
        let mut files = Vec::with_capacity(paths.len());
        for (place, path) in paths.iter().enumerate() {
            let mut recording = open_with(path, map, reading)?;
            recording.set_batch(batch_frames);
            let name = path.display().to_string();
            let mut file = File::new(place, name, recording);
            let first = file.head();
            files.push((first, file));
        }
        // Stable: files of one first stamp stay as given, those that hold nothing come first.
        files.sort_by_key(|(first, _)| *first);
        let files = files.into_iter().map(|(_, file)| file).collect();
        Ok(Self { files, names: BusNames::default(), merge: Merge::default(), step: Batch::default(), ended: false })
    }

    /// Appends the next observations, in order; false, and nothing appended, at the end.
    ///
    /// # Errors
    /// None today: what cannot be read is damage.
    pub fn next(&mut self, out: &mut Batch) -> Result<bool, Fault> {
        let before = (out.frames.len(), out.rest.len());
        while !self.ended && (out.frames.len(), out.rest.len()) == before {
            if self.step() {
                self.merge.push(&mut self.step, &self.names);
                self.merge.ready(out);
            } else {
                self.merge.finish(out);
                self.ended = true;
            }
        }
        Ok((out.frames.len(), out.rest.len()) != before)
    }

    /// Reads from the file whose next observation is the earliest, as far as no other file has an earlier one.
    fn step(&mut self) -> bool {
        let mut first: Option<(Steady, usize)> = None;
        let mut second: Option<(Steady, usize)> = None;
        for (index, file) in self.files.iter_mut().enumerate() {
            let Some(head) = file.head() else { continue };
            let this = (head, index);
            if first.is_none_or(|first| this < first) {
                (first, second) = (Some(this), first);
            } else if second.is_none_or(|second| this < second) {
                second = Some(this);
            }
        }
        let Some((_, index)) = first else { return false };
        // Of two that are equally early, the file named first goes first.
        let until = second.map(|(at, other)| if index < other { at } else { Steady(at.0.saturating_sub(1)) });
        if let Some(file) = self.files.get_mut(index) {
            file.take(until, &mut self.step, &mut self.names);
        }
        true
    }

    /// The names of the buses seen so far.
    pub fn names(&self) -> &BusNames {
        &self.names
    }

    /// How far all files together have been read.
    pub fn progress(&self) -> Progress {
        let start = Progress { done: 0, total: Some(0) };
        self.files.iter().fold(start, |sum, file| sum.and(file.recording.progress()))
    }

    /// The digest of each file, in the order in which they were given; `None` where it was not asked for or the recording is no single file.
    ///
    /// # Errors
    /// If what was not read of a file can't be read now.
    pub fn digests(&self) -> Result<Vec<Option<Digest>>, Fault> {
        let mut files: Vec<&File> = self.files.iter().collect();
        files.sort_by_key(|file| file.place);
        files.into_iter().map(|file| file.recording.digest()).collect()
    }

    /// Of each file, in the order in which they are read: its name, how much of it could not be read, and the first faults.
    pub fn damage(&self) -> Vec<(String, u64, Vec<Fault>)> {
        let told = |file: &File| {
            let Damage { mut count, mut first } = file.recording.damage().clone();
            if let Some(fault) = &file.failure {
                count += 1;
                first.push(fault.clone());
            }
            (file.name.clone(), count, first)
        };
        self.files.iter().map(told).collect()
    }
}

#[cfg(test)]
mod tests;
