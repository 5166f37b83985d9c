//! Threads that share a program's heavy work: jobs are given out, their results taken in whatever order they are wanted.
//!
//! Whoever waits for a result works off other jobs meanwhile, so so many threads are busy and no more. Alone, a job is done where
//! it is given out: the same code, one thread. Decides nothing about what is worth giving out, and orders nothing.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
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

    /// Gives out a job. Alone, it is done when this returns.
    pub fn start<T: Send + 'static>(&self, job: impl FnOnce() -> T + Send + 'static) -> Job<T> {
        let Some(pool) = &self.0 else { return Job::Done(job()) };
        let (tell, told) = sync_channel(1);
        // One that panics does so where its result is taken; nobody may want it any more, which is no error.
        pool.spawn_fifo(move || drop(tell.send(catch_unwind(AssertUnwindSafe(job)))));
        Job::GivenOut { told, pool: Arc::clone(pool) }
    }
}

/// A job given out.
pub enum Job<T> {
    /// Its result.
    Done(T),
    /// Somebody does it.
    GivenOut {
        /// Where the result comes from.
        told: Receiver<thread::Result<T>>,
        /// Who does it.
        pool: Arc<ThreadPool>,
    },
}

impl<T> Job<T> {
    /// The result, waited for by helping.
    ///
    /// # Panics
    /// If the job did.
    pub fn take(self) -> T {
        let mut job = self;
        loop {
            job = match job.if_done() {
                Ok(result) => return result,
                Err(job) => job,
            };
            if let Self::GivenOut { told, pool } = &job
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
        let (told, pool) = match self {
            Self::Done(result) => return Ok(result),
            Self::GivenOut { told, pool } => (told, pool),
        };
        match told.try_recv() {
            Err(TryRecvError::Empty) => Err(Self::GivenOut { told, pool }),
            told => Ok(opened(told.unwrap_or_else(|gone| Err(Box::new(gone))))),
        }
    }
}

/// What a job came to; it panics here if it did there.
fn opened<T>(result: thread::Result<T>) -> T {
    result.unwrap_or_else(|panic| resume_unwind(panic))
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn who_waits_helps() {
        // A second job that only ends once the first was done: on the one thread that waits for the second.
        let done = Workers::with(2, |workers| {
            let (tell, told) = sync_channel::<u8>(1);
            let waits = workers.start(move || told.recv());
            let tells = workers.start(move || tell.send(7));
            (waits.take(), tells.take())
        });
        assert_eq!(done, (Ok(7), Ok(())));
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
