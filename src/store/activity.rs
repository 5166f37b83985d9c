//! What tells that the car is awake: unsolicited frames and rows of a recording; behind a gateway that shows no frame until
//! asked, the supply voltage or fixes that move.
//!
//! Error frames, answers to requests and the requests themselves, resting fixes, marks and clock readings tell nothing of it.
//! Judges observations in time order and reads no clock.

use crate::map::{DiagnosticIds, Map};
use crate::observation::{Batch, BusNames, Fix, Frame, FrameFlags, Item, Stamped};
use crate::time::{Span, Steady};

/// A fix slower than this rests, m/s.
const MOVING_MPS: f64 = 2.0;
/// How long fixes must move before the car counts as awake, and how far apart they may come.
const MOVING_FOR: Span = Span::of_seconds(5);

/// What stands in for frames behind a gateway.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gateway {
    /// At this supply voltage or above the car is awake, V; `None` where only moving fixes tell.
    pub supply_awake_v: Option<f64>,
}

/// Judges activity.
#[derive(Clone, Debug)]
pub struct Activity {
    diagnostic: DiagnosticIds,
    gateway: Option<Gateway>,
    moving_since: Option<Steady>,
    last_fix: Option<Steady>,
}

impl Activity {
    /// For a map, which tells what is asked; `gateway` where the bus shows no frame until asked.
    pub fn new(map: &Map, gateway: Option<Gateway>) -> Self {
        Self { diagnostic: DiagnosticIds::of(map), gateway, moving_since: None, last_fix: None }
    }

    /// The moments of a batch's items that are activity; every batch must pass here once, in order.
    pub fn of_items(&mut self, batch: &Batch) -> Vec<Steady> {
        batch.rest.iter().filter(|stamped| self.judge(stamped)).map(|stamped| stamped.at).collect()
    }

    fn judge(&mut self, stamped: &Stamped) -> bool {
        match (&stamped.item, self.gateway) {
            (Item::Row(_), _) => true,
            (Item::Fix(fix), Some(_)) => self.moves(stamped.at, fix),
            (Item::Supply(volt), Some(gateway)) => gateway.supply_awake_v.is_some_and(|awake| *volt >= awake),
            _ => false,
        }
    }

    fn moves(&mut self, at: Steady, fix: &Fix) -> bool {
        let seen = self.last_fix.replace(at).is_some_and(|last| at - last <= MOVING_FOR);
        if fix.speed_mps.is_none_or(|speed| speed <= MOVING_MPS) {
            self.moving_since = None;
            return false;
        }
        let since = *self.moving_since.filter(|_| seen).get_or_insert(at);
        self.moving_since = Some(since);
        at - since >= MOVING_FOR
    }

    /// Whether a frame tells that the car is awake.
    fn is_unsolicited(&self, frame: &Frame, names: &BusNames) -> bool {
        !frame.flags.has(FrameFlags::ERROR) && !self.diagnostic.holds_frame(names, frame)
    }

    /// The latest activity of a batch in time order; `items` are those that [`Self::of_items`] gave for it.
    pub fn last(&self, batch: &Batch, items: &[Steady], names: &BusNames) -> Option<Steady> {
        let frame = batch.frames.iter().rev().find(|frame| self.is_unsolicited(frame, names)).map(|frame| frame.at);
        frame.max(items.last().copied())
    }

    /// The first activity of a batch after a silence of more than `quiet`, or at all if there was none before.
    pub fn first_after(
        &self,
        before: Option<Steady>,
        quiet: Span,
        (batch, items): (&Batch, &[Steady]),
        names: &BusNames,
    ) -> Option<Steady> {
        let mut frames =
            batch.frames.iter().filter(|frame| self.is_unsolicited(frame, names)).map(|frame| frame.at).peekable();
        let mut items = items.iter().copied().peekable();
        let mut next = || match (frames.peek(), items.peek()) {
            (Some(frame), Some(item)) if item <= frame => items.next(),
            (Some(_), _) => frames.next(),
            (None, _) => items.next(),
        };
        let mut before = before;
        std::iter::from_fn(&mut next).find(|at| before.replace(*at).is_none_or(|before| *at - before > quiet))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Bus, CanId, Reply};

    fn map() -> Map {
        let text = "[[poll]]\nname = 'SPEED'\nrequest_id = 0x7E4\nresponse_id = 0x7EC\nservice = 1\nidentifier = 0x0D\nperiod_s = 1\n\
            [[poll.signal]]\nname = 'Speed'\nstart = 7\nlength = 8\nbyte_order = 'big'\nunit = 'km/h'\n";
        crate::map::from_text("map.toml", text, None).map.expect("a map")
    }

    fn items(activity: &mut Activity, items: Vec<(i64, Item)>) -> Vec<i64> {
        let rest = items.into_iter().map(|(s, item)| Stamped { at: Steady(s * 1_000_000), item }).collect();
        activity.of_items(&Batch { rest, ..Batch::default() }).iter().map(|at| at.0 / 1_000_000).collect()
    }

    fn fix(speed: f64) -> Item {
        Item::Fix(Fix { speed_mps: Some(speed), mode: 3, ..Fix::default() })
    }

    #[test]
    fn answers_and_error_frames_wake_nothing() {
        let (activity, mut names) = (Activity::new(&map(), None), BusNames::default());
        let bus = names.intern("can0").expect("a bus");
        let mut batch = Batch::default();
        batch.push(Steady(1), bus, 0x123, FrameFlags::default(), &[]);
        for id in [0x7E4, 0x7EC] {
            batch.push(Steady(2), bus, id, FrameFlags::default(), &[]);
        }
        batch.push(Steady(3), bus, 0x40, FrameFlags(FrameFlags::ERROR), &[0; 8]);
        assert_eq!(activity.last(&batch, &[], &names), Some(Steady(1)));
        assert_eq!(activity.first_after(Some(Steady(0)), Span(5), (&batch, &[]), &names), None);
        assert_eq!(activity.first_after(None, Span(5), (&batch, &[]), &names), Some(Steady(1)));
        assert_eq!(activity.first_after(None, Span(5), (&batch, &[Steady(0)]), &names), Some(Steady(0)));
        batch.push(Steady(9), bus, 0x123, FrameFlags(FrameFlags::EXTENDED), &[]);
        assert_eq!(activity.first_after(Some(Steady(0)), Span(5), (&batch, &[]), &names), Some(Steady(9)));
    }

    #[test]
    fn behind_a_gateway_supply_and_motion_tell() {
        let reply =
            || Item::Reply(Reply { bus: Bus(0), from: CanId::Standard(0x7EC), request: vec![1], payload: vec![0x41] });
        let seen = vec![(0, Item::Supply(13.1)), (1, Item::Supply(13.2)), (2, reply()), (3, Item::Supply(f64::NAN))];
        assert_eq!(items(&mut Activity::new(&map(), None), seen.clone()), [0; 0]);
        let gateway = Some(Gateway { supply_awake_v: Some(13.2) });
        assert_eq!(items(&mut Activity::new(&map(), gateway), seen), [1]);

        let drive = |speeds: &[(i64, f64)]| speeds.iter().map(|(s, speed)| (*s, fix(*speed))).collect::<Vec<_>>();
        let steady: Vec<(i64, f64)> = (0..8).map(|s| (s, 2.5)).collect();
        assert_eq!(items(&mut Activity::new(&map(), None), drive(&steady)), [0; 0]);
        // Batches may end anywhere.
        let mut activity = Activity::new(&map(), gateway);
        assert_eq!(items(&mut activity, drive(&steady[..6])), [5]);
        assert_eq!(items(&mut activity, drive(&steady[6..])), [6, 7]);
        // A rest, and a silence of the receiver, start anew.
        let broken =
            [(20, 3.0), (24, 3.0), (25, 1.0), (26, 3.0), (30, 3.0), (31, 3.0), (40, 3.0), (44, 3.0), (45, 3.0)];
        assert_eq!(items(&mut activity, drive(&broken)), [31, 45]);
    }
}
