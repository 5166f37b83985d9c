//! How the live sources and the run fare, in the words of `run.json` and of the status socket.
//!
//! Only rewrites what others know.

use std::any::Any;

use super::beside::Rates;
use super::keep::Keeper;
use super::status::{Keeping, RunStatus, Status};
use crate::diag::permission::Permission;
use crate::diag::schedule::{PollReport, PollState};
use crate::live::SourceNow;
use crate::source::live::{Condition, State};
use crate::source::queue::Dropped;
use crate::store::recorder::Recorder;
use crate::store::run_file::{LivePoll, LiveSource, Source};
use crate::time::{Span, Steady};

/// What a stop leaves for later.
pub const FILES_NEXT_TIME: &str =
    "stopped before every run had its final files; the next start makes them, nothing is lost";

/// Why what was observed last is lost, and what helps.
pub const NO_ROOM_AT_END: &str = "the disk was full until the stop; make room, by moving finished runs elsewhere";

/// What a panic said.
pub fn panic_text(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given")
}

/// A panic, as people read it.
pub fn of_a_panic(panic: &(dyn Any + Send)) -> String {
    format!("a fault of this program ({}); please report it", panic_text(panic))
}

/// The live sources as `run.json` lists them: what came since `before`, the same sources when the run began.
pub fn sources(now: &[(String, LiveSource)], before: &[(String, LiveSource)]) -> Vec<Source> {
    let nothing = LiveSource::default();
    let since = |(name, live): &(String, LiveSource)| {
        let before = before.iter().find(|(known, _)| known == name).map_or(&nothing, |(_, before)| before);
        Source { name: name.clone(), digest: None, live: Some(since(live, before)) }
    };
    now.iter().map(since).collect()
}

fn since(now: &LiveSource, before: &LiveSource) -> LiveSource {
    let counts = now.counts.iter().map(|(what, count)| {
        let earlier = before.counts.get(what).copied().unwrap_or(0);
        (what.clone(), count.saturating_sub(earlier))
    });
    LiveSource {
        frames: now.frames.saturating_sub(before.frames),
        items: now.items.saturating_sub(before.items),
        lost: now.lost.saturating_sub(before.lost),
        counts: counts.filter(|(_, count)| *count > 0).collect(),
        ..now.clone()
    }
}

/// How a live source fares.
pub fn live_source(state: &State) -> LiveSource {
    LiveSource {
        condition: match &state.condition {
            Condition::Starting => "starting".into(),
            Condition::Reading => "reading".into(),
            Condition::Waiting(why) => why.clone(),
            Condition::Stopped => "stopped".into(),
        },
        frames: state.frames,
        items: state.items,
        lost: state.lost,
        counts: state.counts.clone(),
        polls: state.polls.iter().map(poll).collect(),
        closed: state.closed.map(|why| why.to_string()),
    }
}

/// A live source for those who watch.
pub fn source_now(name: &str, state: &State, now: Steady, rates: &mut Rates) -> SourceNow {
    SourceNow {
        name: name.to_owned(),
        reads: state.condition == Condition::Reading,
        trouble: match &state.condition {
            Condition::Waiting(why) => why.clone(),
            _ => String::new(),
        },
        per_second: rates.look(now, name, state.frames + state.items),
        quiet: state.heard.map(|heard| now - heard),
    }
}

fn poll(report: &PollReport) -> LivePoll {
    LivePoll {
        name: report.name.clone(),
        state: match report.state {
            PollState::OnTime => "on time",
            PollState::Stretched => "stretched",
            PollState::BackedOff => "backed off",
            PollState::Unsupported => "unsupported",
            PollState::Barred => "barred",
        }
        .into(),
        wanted_us: report.wanted.0,
        achieved_us: report.achieved.map(|span| span.0),
        round_trip_us: report.round_trip.map(|span| span.0),
        asked: report.asked,
        answered: report.answered,
        refused: report.refused,
        silent: report.silent,
    }
}

/// What may be asked of the car.
pub fn polling(permission: Permission) -> String {
    match permission {
        Permission::Full => "every poll at its own period".into(),
        Permission::Slow(period) => format!("every poll once in {} s, the car is charging", period.seconds()),
        Permission::Denied(why) => format!("nothing is asked: {why}"),
    }
}

/// The run being recorded.
pub fn run(recorder: &Recorder, quiet: Span) -> RunStatus {
    let latest = recorder.latest();
    let known = |value: f64| value.is_finite().then_some(value);
    RunStatus {
        name: recorder.name(),
        duration_s: recorder.duration().seconds(),
        phase: latest.map(|row| row.phase.key().to_owned()),
        net_energy_j: latest.and_then(|row| known(row.sums.energy_out - row.sums.energy_in)),
        distance_m: latest.and_then(|row| known(row.sums.distance)),
        time_unobserved_s: latest.and_then(|row| known(row.sums.time_unobserved)),
        quiet_s: quiet.seconds().max(0.0),
    }
}

/// What the queue had no room for since it was last said.
pub fn dropped(before: &Dropped, now: &Dropped) -> String {
    format!(
        "the queue was full: {} frames that the map does not decode, {} that it does and {} other observations were dropped",
        now.others - before.others,
        now.decoded - before.decoded,
        now.items - before.items,
    )
}

/// How keeping goes.
pub fn keeping(keeper: &Keeper, held: usize, dropped: &Dropped) -> Keeping {
    let known = keeper.known();
    Keeping {
        waits: keeper.waits().map(str::to_owned),
        free_bytes: known.free,
        runs_to_finish: known.waiting.saturating_add(known.failed) as u64,
        queue_frames: held as u64,
        dropped_undecoded: dropped.others,
        dropped_decoded: dropped.decoded,
        dropped_other: dropped.items,
    }
}

/// How it fares in one line, for the service manager.
pub fn in_a_line(status: &Status) -> String {
    match (&status.keeping.waits, &status.run) {
        (Some(why), _) => format!("not recording: {why}"),
        (None, Some(run)) => format!("recording {}", run.name),
        (None, None) => "the car sleeps".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_runs_counts_begin_with_the_run() {
        let live = |frames, dropped, odd| LiveSource {
            condition: "reading".into(),
            frames,
            counts: [("dropped".to_owned(), dropped), ("odd".to_owned(), odd)].into(),
            ..LiveSource::default()
        };
        let (before, now) = (vec![("can0".to_owned(), live(10, 3, 4))], vec![("can0".to_owned(), live(15, 3, 6))]);
        let told = sources(&now, &before);
        let expected = LiveSource { counts: [("odd".to_owned(), 2)].into(), ..live(5, 0, 0) };
        assert_eq!(told[0].live, Some(expected));
        assert_eq!(sources(&now, &[])[0].live, Some(live(15, 3, 6)));
    }
}
