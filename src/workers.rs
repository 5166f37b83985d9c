//! Threads that share a program's heavy work: jobs are given out, their results taken in whatever order they are wanted.
//!
//! Whoever waits for a result that nobody is at does the job, or works off others meanwhile, so so many threads are busy and no more. Alone, a job is
//! done where it is given out: the same code, one thread. Decides nothing about what is worth giving out.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use rayon::{ThreadPool, ThreadPoolBuilder, Yield};

/// A thread's stack, bytes: that of a program's first, since its work goes on here.
const STACK: usize = 8 << 20;

/// The threads of one piece of work.
#[derive(Clone, Debug, Default)]
pub struct Workers(Option<Arc<ThreadPool>>);

impl Workers {
    /// Nobody but the one who asks.
    pub const fn alone() -> Self {
        Self(None)
    }

    /// Does `work` with so many threads, the one that does it included. Where the system gives no threads, alone.
    pub fn with<T: Send>(threads: usize, work: impl FnOnce(&Self) -> T + Send) -> T {
        let name = |number| format!("worker-{number}");
        let pool = (threads > 1)
            .then(|| ThreadPoolBuilder::new().num_threads(threads).stack_size(STACK).thread_name(name).build().ok())
            .flatten();
        match pool.map(Arc::new) {
            Some(pool) => pool.install(|| work(&Self(Some(Arc::clone(&pool))))),
            None => work(&Self::alone()),
        }
    }

    /// How many threads there are.
    pub fn threads(&self) -> usize {
        self.0.as_ref().map_or(1, |pool| pool.current_num_threads())
    }

    /// How many jobs keep everyone busy while one waits for the first: so many a thread; alone, that one.
    pub fn ahead(&self, a_thread: usize) -> usize {
        if self.0.is_some() { a_thread * self.threads() } else { 1 }
    }

    /// Gives out a job. Alone, it is done when this returns.
    pub fn start<T: Send + 'static>(&self, job: impl FnOnce() -> T + Send + 'static) -> Job<T> {
        let Some(pool) = &self.0 else { return Job::Done(job()) };
        let waiting = Waiting(Arc::new(Mutex::new(Some(Box::new(job) as Work<T>))));
        let (tell, told) = sync_channel(1);
        let taken = Waiting(Arc::clone(&waiting.0));
        pool.spawn_fifo(move || {
            if let Some(work) = taken.take() {
                // One that panics does so where its result is taken; nobody may want it any more, which is no error.
                drop(tell.send(catch_unwind(AssertUnwindSafe(work))));
            }
        });
        Job::GivenOut { waiting, told, pool: Arc::clone(pool) }
    }
}

type Work<T> = Box<dyn FnOnce() -> T + Send>;

/// Work that the first who comes does.
pub struct Waiting<T>(Arc<Mutex<Option<Work<T>>>>);

impl<T> Waiting<T> {
    fn take(&self) -> Option<Work<T>> {
        // Nothing is done while it is locked.
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// A job given out.
pub enum Job<T> {
    /// Its result.
    Done(T),
    /// Somebody does it.
    GivenOut {
        /// The work, until somebody is at it.
        waiting: Waiting<T>,
        /// Where the result comes from, if another does it.
        told: Receiver<thread::Result<T>>,
        /// Who does it.
        pool: Arc<ThreadPool>,
    },
}

impl<T> Job<T> {
    /// The result: of work done here and now if nobody is at it, else waited for by helping.
    ///
    /// # Panics
    /// If the job did.
    pub fn take(self) -> T {
        if let Self::GivenOut { waiting, .. } = &self
            && let Some(work) = waiting.take()
        {
            return work();
        }
        let mut job = self;
        loop {
            job = match job.if_done() {
                Ok(result) => return result,
                Err(job) => job,
            };
            if let Self::GivenOut { told, pool, .. } = &job
                && pool.yield_now() != Some(Yield::Executed)
            {
                // Nothing is left to help with: others are at it.
                return opened(told.recv().unwrap_or_else(|gone| Err(Box::new(gone))));
            }
        }
    }

    /// The result, if it is there; else the job as it was.
    ///
    /// # Panics
    /// If the job did.
    pub fn if_done(self) -> Result<T, Self> {
        match self {
            Self::Done(result) => Ok(result),
            Self::GivenOut { waiting, told, pool } => match told.try_recv() {
                Err(TryRecvError::Empty) => Err(Self::GivenOut { waiting, told, pool }),
                told => Ok(opened(told.unwrap_or_else(|gone| Err(Box::new(gone))))),
            },
        }
    }
}

/// Jobs whose results are wanted in the order in which they were given out.
pub struct InOrder<T> {
    workers: Workers,
    /// Jobs for each thread before one is waited for.
    ahead: usize,
    given_out: VecDeque<Job<T>>,
}

impl<T: Send + 'static> InOrder<T> {
    /// Lets fewer than so many jobs a thread be on their way when [`Self::due`] has nothing to give, which bounds the memory that they take.
    pub fn new(workers: Workers, ahead: usize) -> Self {
        Self { workers, ahead, given_out: VecDeque::new() }
    }

    /// Gives out a job. Alone, it is done when this returns.
    pub fn give_out(&mut self, job: impl FnOnce() -> T + Send + 'static) {
        self.given_out.push_back(self.workers.start(job));
    }

    /// The result of the first if it is there, or if there are so many jobs that it must be waited for: whoever gives out goes on with other
    /// things meanwhile.
    pub fn due(&mut self) -> Option<T> {
        let must = self.given_out.len() >= self.workers.ahead(self.ahead);
        match self.given_out.pop_front()?.if_done() {
            Ok(result) => Some(result),
            Err(job) if must => Some(job.take()),
            Err(job) => {
                self.given_out.push_front(job);
                None
            }
        }
    }

    /// The result of the first, waited for.
    pub fn take_first(&mut self) -> Option<T> {
        self.given_out.pop_front().map(Job::take)
    }

    /// Whether all were handed back.
    pub fn is_empty(&self) -> bool {
        self.given_out.is_empty()
    }
}

/// What a job came to; it panics here if it did there.
fn opened<T>(result: thread::Result<T>) -> T {
    result.unwrap_or_else(|panic| resume_unwind(panic))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::sync::mpsc::SyncSender;

    fn squares(workers: &Workers) -> Vec<u64> {
        let jobs: Vec<Job<u64>> = (0..100).map(|n: u64| workers.start(move || n * n)).collect();
        jobs.into_iter().map(Job::take).collect()
    }

    #[test]
    fn results_come_as_they_are_asked_for_however_many_work() {
        let expected: Vec<u64> = (0..100).map(|n| n * n).collect();
        assert_eq!(squares(&Workers::alone()), expected);
        for threads in 1..4 {
            assert_eq!(
                Workers::with(threads, |workers| (workers.threads(), squares(workers))),
                (threads, expected.clone())
            );
        }
    }

    /// A job that the other of two threads is at, until it is told a number.
    fn busy(workers: &Workers) -> (SyncSender<u8>, Job<u8>) {
        let (tell, told) = sync_channel(1);
        let (begin, begun) = sync_channel(1);
        let job = workers.start(move || {
            let _ = begin.send(());
            told.recv().unwrap_or_default()
        });
        begun.recv().expect("the other begins");
        (tell, job)
    }

    #[test]
    fn who_waits_helps() {
        let done = Workers::with(2, |workers| {
            let (tell, waits) = busy(workers);
            // Nobody is left to do this but who waits for the first, which ends only then.
            let tells = workers.start(move || tell.send(7));
            (waits.take(), tells.take())
        });
        assert_eq!(done, (7, Ok(())));
    }

    #[test]
    fn what_nobody_is_at_is_done_by_who_wants_it() {
        let (was_begun, wanted) = Workers::with(2, |workers| {
            let (tell, long) = busy(workers);
            let begun = Arc::new(AtomicBool::new(false));
            let begin = Arc::clone(&begun);
            let before = workers.start(move || begin.store(true, Ordering::Relaxed));
            let wanted = workers.start(|| 7).take();
            let was_begun = begun.load(Ordering::Relaxed);
            tell.send(0).expect("the other waits");
            long.take();
            before.take();
            (was_begun, wanted)
        });
        assert_eq!((was_begun, wanted), (false, 7), "that, and not what was given out before it");
    }

    #[test]
    fn results_come_in_order_and_only_so_many_are_on_their_way() {
        for threads in 1..4 {
            let (seen, most) = Workers::with(threads, |workers| {
                let mut jobs = InOrder::new(workers.clone(), 2);
                let (mut seen, mut most) = (Vec::new(), 0);
                for n in 0..50 {
                    jobs.give_out(move || n);
                    while let Some(n) = jobs.due() {
                        seen.push(n);
                    }
                    most = most.max(n + 1 - seen.len());
                }
                while let Some(n) = jobs.take_first() {
                    seen.push(n);
                }
                assert!(jobs.is_empty());
                (seen, most)
            });
            assert_eq!(seen, (0..50).collect::<Vec<_>>());
            assert!(most < if threads == 1 { 1 } else { 2 * threads }, "{most} on {threads}");
        }
        // With the other thread busy, none is done before it must be.
        let held = Workers::with(2, |workers| {
            let (tell, long) = busy(workers);
            let mut jobs = InOrder::new(workers.clone(), 2);
            (0..3).for_each(|n| jobs.give_out(move || n));
            let early = jobs.due();
            jobs.give_out(|| 3);
            let must = (jobs.due(), jobs.due());
            tell.send(0).expect("the other waits");
            long.take();
            (early, must)
        });
        assert_eq!(held, (None, (Some(0), None)));
    }

    #[test]
    fn a_result_is_there_or_the_job_is_as_it_was() {
        assert_eq!(Workers::alone().start(|| 7).if_done().ok(), Some(7));
        let seen = Workers::with(2, |workers| {
            let (tell, told) = sync_channel::<u8>(1);
            let Err(job) = workers.start(move || told.recv()).if_done() else { return Err("done too early") };
            tell.send(9).map_err(|_| "nobody waits")?;
            job.take().map_err(|_| "nothing told")
        });
        assert_eq!(seen, Ok(9));
    }

    #[test]
    fn a_panic_comes_out_where_the_result_is_taken() {
        let caught = Workers::with(2, |workers| {
            let job = workers.start(|| if std::hint::black_box(true) { panic!("as meant") } else { 1 });
            catch_unwind(AssertUnwindSafe(|| job.take())).is_err()
        });
        assert!(caught);
    }
}
