//! What is done beside the recording, on a thread of its own: finished files of runs that have ended, recovery of those that
//! were cut, room on the disk.
//!
//! Never holds the recording up: the thread may be slow, fail or panic, and what it did not do is done on the next start.
//! Records nothing itself.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};

use super::told::of_a_panic;
use crate::document::Fault;
use crate::source::Clock;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::session::Closing;
use crate::store::start::{self, Done};
use crate::store::{StoreError, recover, space};
use crate::time::{Span, WallClock};

/// Ended runs that wait with all they hold in memory; further ones wait as their journals alone.
const WAIT_IN_MEMORY: usize = 2;
/// How often those who wait for it look.
const LOOK_EVERY: Span = Span::of_millis(10);

enum Job {
    /// Make a run's final files.
    Finish(Box<Closing>),
    /// Put every run right that a cut left.
    PutRight(Vec<RunFolder>),
    /// Look at every finished run for damage that shows at once.
    LookAt(Vec<RunFolder>),
    /// Turn what a cut left into a proper run.
    Recover(PathBuf),
    /// The same, once the disk is well again.
    RecoverLater(PathBuf),
    /// Try again what failed.
    Again,
    /// See that there is room.
    Room,
}

/// What is known of the work beside, and of the room on the disk.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Known {
    /// Jobs not done yet.
    pub waiting: usize,
    /// Of these, ended runs with all that they hold in memory.
    pub in_memory: usize,
    /// Runs that a cut left are still to be put right.
    pub cut: bool,
    /// Runs whose final files could not be made.
    pub failed: usize,
    /// Runs finished or recovered since the daemon began.
    pub finished: u64,
    /// Free bytes when last looked.
    pub free: Option<u64>,
}

/// The thread beside.
pub struct Upkeep {
    jobs: Sender<Job>,
    known: Arc<Mutex<Known>>,
}

impl Upkeep {
    /// Starts it for a data set in which `floor` bytes are to stay free.
    ///
    /// # Errors
    /// If the machine gives no thread.
    pub fn start(data: &Path, floor: u64, clock: &Arc<dyn Clock>) -> Result<Self, Fault> {
        let (jobs, receiver) = channel();
        let known = Arc::<Mutex<Known>>::default();
        let mut worker = Worker {
            data: data.to_path_buf(),
            floor,
            clock: Arc::clone(clock),
            known: Arc::clone(&known),
            failed: Vec::new(),
            said_full: false,
        };
        std::thread::Builder::new()
            .name("upkeep".into())
            .spawn(move || worker.work(&receiver))
            .map_err(|error| Fault::whole("upkeep", format!("no thread for it: {error}")))?;
        Ok(Self { jobs, known })
    }

    /// Makes the final files of a run that has ended.
    pub fn finish(&self, closing: Closing) {
        let folder = closing.folder();
        if self.known().in_memory < WAIT_IN_MEMORY {
            hold(&self.known).in_memory += 1;
            self.give(Job::Finish(Box::new(closing)));
        } else {
            drop(closing);
            self.recover(folder);
        }
    }

    /// Puts runs right, those that need it: first what a cut left, then finished ones that are damaged, which nobody waits for.
    /// None of them may be recorded into now.
    pub fn put_right(&self, runs: Vec<RunFolder>) {
        let (cut, finished): (Vec<_>, Vec<_>) = runs.into_iter().partition(RunFolder::is_unfinished);
        if !cut.is_empty() {
            hold(&self.known).cut = true;
            self.give(Job::PutRight(cut));
        }
        if !finished.is_empty() {
            self.give(Job::LookAt(finished));
        }
    }

    /// Recovers a run that was cut.
    pub fn recover(&self, run: PathBuf) {
        self.give(Job::Recover(run));
    }

    /// Recovers a run that was cut, when [`Self::again`] is said.
    pub fn recover_later(&self, run: PathBuf) {
        self.give(Job::RecoverLater(run));
    }

    /// Tries again what failed, the disk being well again.
    pub fn again(&self) {
        self.give(Job::Again);
    }

    /// Looks for room on the disk, unless there is work to do already.
    pub fn look_for_room(&self) {
        if self.known().waiting == 0 {
            self.give(Job::Room);
        }
    }

    /// What is known.
    pub fn known(&self) -> Known {
        *hold(&self.known)
    }

    /// What tells, on whatever thread, whether all is done.
    pub fn is_idle(&self) -> impl Fn() -> bool + Send + use<> {
        let known = Arc::clone(&self.known);
        move || hold(&known).waiting == 0
    }

    /// Waits until all is done or `enough` says so; whether all was done.
    pub fn wait(&self, clock: &dyn Clock, enough: &dyn Fn() -> bool) -> bool {
        self.wait_until(clock, enough, |known| known.waiting == 0)
    }

    /// Waits until what a cut left is put right or `enough` says so.
    pub fn wait_for_cut_runs(&self, clock: &dyn Clock, enough: &dyn Fn() -> bool) {
        self.wait_until(clock, enough, |known| !known.cut);
    }

    fn wait_until(&self, clock: &dyn Clock, enough: &dyn Fn() -> bool, is_done: impl Fn(&Known) -> bool) -> bool {
        while !is_done(&self.known()) {
            if enough() {
                return false;
            }
            clock.wait(LOOK_EVERY);
        }
        true
    }

    fn give(&self, job: Job) {
        hold(&self.known).waiting += 1;
        if self.jobs.send(job).is_err() {
            let mut known = hold(&self.known);
            (known.waiting, known.cut) = (known.waiting - 1, false);
        }
    }
}

fn hold(known: &Mutex<Known>) -> std::sync::MutexGuard<'_, Known> {
    known.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Worker {
    data: PathBuf,
    floor: u64,
    clock: Arc<dyn Clock>,
    known: Arc<Mutex<Known>>,
    failed: Vec<PathBuf>,
    said_full: bool,
}

impl Worker {
    fn work(&mut self, jobs: &Receiver<Job>) {
        for job in jobs {
            match job {
                Job::Finish(closing) => {
                    let folder = closing.folder();
                    let doing = || closing.finish().map(|run| Some(format!("{} is complete", run.path.display())));
                    self.attempt(&folder, doing);
                    let mut known = hold(&self.known);
                    known.in_memory = known.in_memory.saturating_sub(1);
                }
                Job::PutRight(runs) => {
                    runs.iter().for_each(|run| self.recover(&run.path));
                    hold(&self.known).cut = false;
                }
                Job::LookAt(runs) => runs.iter().for_each(|run| self.recover(&run.path)),
                Job::Recover(folder) => self.recover(&folder),
                Job::RecoverLater(folder) => self.failed.push(folder),
                Job::Again => std::mem::take(&mut self.failed).iter().for_each(|folder| self.recover(folder)),
                Job::Room => self.room(),
            }
            give_back_memory();
            let failed = self.failed.len();
            let mut known = hold(&self.known);
            (known.waiting, known.failed) = (known.waiting.saturating_sub(1), failed);
        }
    }

    fn recover(&mut self, folder: &Path) {
        let now = self.clock.wall();
        self.attempt(folder, || recover_one(folder, now));
    }

    /// Does something that may fail or panic; the run is then left as it is.
    fn attempt(&mut self, folder: &Path, doing: impl FnOnce() -> Result<Option<String>, StoreError>) {
        // Sound: what a panic leaves half done is the folder, which is what recovery is for, and values dropped here.
        match catch_unwind(AssertUnwindSafe(doing)) {
            Ok(Ok(said)) => {
                if let Some(said) = said {
                    tracing::info!("{said}");
                    hold(&self.known).finished += 1;
                }
                return;
            }
            Ok(Err(error)) => tracing::error!("{}: not finished yet: {}", folder.display(), Fault::from(error)),
            Err(panic) => tracing::error!("{}: not finished yet: {}", folder.display(), of_a_panic(&*panic)),
        }
        // What is half made takes room that the recording may need.
        if let Err(error) = recover::tidy(folder) {
            tracing::warn!("{}", Fault::from(error));
        }
        self.failed.push(folder.to_path_buf());
    }

    fn room(&mut self) {
        let (data, now) = (self.data.clone(), self.clock.wall());
        let floor = self.floor;
        let looked = catch_unwind(|| {
            let set = DataSet::open(&data)?;
            let removed = space::make_room(&set, floor, now, &mut || space::free_bytes(&data))?;
            Ok::<_, StoreError>((removed, space::free_bytes(&data)?))
        });
        match looked {
            Ok(Ok((removed, free))) => {
                for (run, bytes) in &removed {
                    let mb = *bytes as f64 / 1e6;
                    tracing::warn!("{}: raw frames removed for room on the disk, {mb:.1} MB", run.path.display());
                }
                if free < floor && !self.said_full {
                    let (free, floor) = (free as f64 / 1e6, floor as f64 / 1e6);
                    tracing::error!(
                        "{free:.0} MB free, below the floor of {floor:.0} MB, and no raw frames are left that may go; make room"
                    );
                }
                self.said_full = free < floor;
                hold(&self.known).free = Some(free);
            }
            Ok(Err(error)) => tracing::error!("no look for room on the disk: {}", Fault::from(error)),
            Err(panic) => tracing::error!("no look for room on the disk: {}", of_a_panic(&*panic)),
        }
    }
}

/// Making a run's files takes memory that the recording never needs; without this it would stay with the process.
#[cfg(target_env = "gnu")]
fn give_back_memory() {
    // SAFETY: malloc_trim(3) takes a number, is thread-safe, and only returns pages of the heap that nothing is allocated in.
    unsafe {
        libc::malloc_trim(0);
    }
}

/// Other C libraries give back by themselves, or can't.
#[cfg(not(target_env = "gnu"))]
fn give_back_memory() {}

/// How long ago a run's last observation was; nothing where the computer's clock stands before it, as in a replay, or with a
/// clock that is not set yet.
fn ago(now: WallClock, last: WallClock) -> String {
    let ago = (now - last).seconds();
    if ago > 0.0 { format!("; its last observation was {ago:.1} s ago by the computer's clock") } else { String::new() }
}

/// Puts one run right; what to say of it, if it needed that. `now` is the computer's clock.
fn recover_one(folder: &Path, now: WallClock) -> Result<Option<String>, StoreError> {
    let place = folder.display();
    Ok(Some(match start::one(&RunFolder::open(folder)?)? {
        None => return Ok(None),
        Some(Done::Recovered(run)) => {
            let mut said = format!("{place}: recovered {:.1} s", run.duration_s);
            if let Some(begun) = run.start_utc.as_deref().and_then(WallClock::parse_iso) {
                said += &ago(now, begun + Span::from_seconds(run.duration_s));
            }
            said
        }
        Some(Done::NothingRecorded) => format!("{place}: was cut before anything of it was kept; removed"),
        Some(Done::SetAside(files)) => format!("{place}: {} damaged files were put aside", files.len()),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_since_a_run_is_said_only_where_the_clock_can_know_it() {
        let last = WallClock::parse_iso("2027-03-14T06:15:02Z").unwrap();
        let after = |seconds| ago(last + Span::from_seconds(seconds), last);
        assert_eq!(after(90.26), "; its last observation was 90.3 s ago by the computer's clock");
        assert_eq!((after(0.0), after(-1.8e9)), (String::new(), String::new()));
    }
}
