//! A drawn test driven and recorded: its readings through the ledger, the trace's rows kept in memory, no file.
//!
//! What `drawdown` would read from a run's folder is made here from those rows, for the whole drive or a part of it. Forms
//! no figure.

use drawdown::ledger::{self, GapOf, Ledger, LedgerRole, Phase, TraceRow};
use drawdown::map::{Basis, Sent};
use drawdown::reduce::fold::{Folder, ROLES, TraceChunk, WIDTH};
use drawdown::reduce::sampling::{Sampling, Thinner};
use drawdown::reduce::{Gap, Missing, RoleUse, RunInput};
use drawdown::rehearsal::{Asked, Readings, Truth};
use drawdown::schema::Role;
use drawdown::schema::role::RoleSlot;
use drawdown::time::{RunTime, WallClock};

use super::draw::{Declared, Drawn};

/// A drive as it was recorded, and what really happened.
pub struct Record {
    pub truth: Truth,
    declared: Declared,
    t_us: Vec<i64>,
    phase: Vec<Phase>,
    columns: Vec<Vec<f64>>,
    gaps: Vec<ledger::Gap>,
    /// Voltage and current as read, s, V, A.
    samples: Vec<(f64, f64, f64)>,
}

const SOC: usize = 3;

/// Drives a test to its end.
pub fn of(drawn: &Drawn) -> Record {
    let asked = |role: Role, period_s: f64, begins_s: f64| Asked { role, period_s, begins_s };
    let mut all = vec![
        asked(Role::PackVoltage, drawn.period_s, 0.0337),
        asked(Role::PackCurrent, drawn.period_s, 0.0337),
        asked(Role::Speed, 0.1, 0.0611),
        asked(Role::Soc, drawn.soc_period_s, 0.0813),
        asked(Role::Odometer, 1.0, 0.0907),
        asked(Role::Plug, 1.0, 0.0029),
    ];
    if drawn.contactor {
        all.push(asked(Role::Contactor, 1.0, 0.0031));
    }
    let slots: Vec<LedgerRole> = all
        .iter()
        .map(|asked| LedgerRole { slot: RoleSlot { role: asked.role, pack: 0 }, sent: Sent::Cyclic })
        .collect();
    let mut ledger = Ledger::new(&slots);
    let mut readings = Readings::new(&drawn.scenario, &drawn.course, &all)
        .unwrap_or_else(|faults| panic!("{}", faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")));
    let mut rows = Rows { t_us: Vec::new(), phase: Vec::new(), columns: vec![Vec::new(); WIDTH] };
    let (mut samples, mut volt, mut end) = (Vec::new(), 0.0, RunTime(0));
    while readings.step(|place, at, value| {
        // The odometer counts in steps of 100 m.
        let value = if all[place].role == Role::Odometer { (value / 100.0).floor() * 100.0 } else { value };
        match all[place].role {
            Role::PackVoltage => volt = value,
            Role::PackCurrent => samples.push((at.0 as f64 / 1e6, volt, value)),
            _ => {}
        }
        ledger.sample(place, at, value);
        end = at;
    }) {
        ledger.drain_trace(|row| rows.push(row));
    }
    ledger.finish(end);
    ledger.drain_trace(|row| rows.push(row));
    let Rows { t_us, phase, columns } = rows;
    let gaps = ledger.gaps().to_vec();
    Record { truth: readings.truth(), declared: drawn.declared, t_us, phase, columns, gaps, samples }
}

struct Rows {
    t_us: Vec<i64>,
    phase: Vec<Phase>,
    columns: Vec<Vec<f64>>,
}

impl Rows {
    fn push(&mut self, row: &TraceRow) {
        self.t_us.push(row.at.0);
        self.phase.push(row.phase);
        let roles = ROLES.iter().map(|role| row.roles[*role as usize]);
        let cells = row.sums.in_column_order().into_iter().chain(roles).chain([row.latitude_deg, row.longitude_deg]);
        self.columns.iter_mut().zip(cells).for_each(|(column, cell)| column.push(cell));
    }
}

impl Record {
    /// The rows from the moment the display first falls to `from` (from the start, for 100) until it falls to `to` (to
    /// the end, for 0).
    pub fn span(&self, from: f64, to: f64) -> std::ops::Range<usize> {
        let soc = &self.columns[8 + ROLES.iter().position(|role| *role == Role::Soc).unwrap_or(SOC)];
        let reached = |value: f64| soc.iter().position(|soc| *soc <= value).unwrap_or(soc.len());
        let start = if from >= 100.0 { 0 } else { reached(from) };
        start..if to <= 0.0 { soc.len() } else { reached(to).max(start) }
    }

    /// What reduction is given of some rows, recorded as a run of their own.
    pub fn run(&self, rows: std::ops::Range<usize>) -> RunInput {
        let (first, last) = (self.t_us[rows.start], self.t_us[rows.end - 1]);
        let t_us: Vec<i64> = self.t_us[rows.clone()].iter().map(|t| t - first).collect();
        let columns: Vec<&[f64]> = self.columns.iter().map(|column| &column[rows.clone()]).collect();
        let mut folder = Folder::default();
        folder.push(&TraceChunk { t_us: &t_us, phase: &self.phase[rows], columns: &columns });
        let role = |role: Role, gain: f64, offset: f64| RoleUse {
            role,
            gain: Some(gain),
            offset: Some(offset),
            basis: Basis::DataSheet,
            sent: Sent::Cyclic,
        };
        let Declared { current_gain, current_zero, voltage_gain, speed_scale } = self.declared;
        RunInput {
            name: "run=1".into(),
            vehicle: "heron".into(),
            start: WallClock::parse_iso("2027-03-14T06:15:02Z"),
            soc_counts: Role::Soc,
            roles: vec![
                role(Role::PackCurrent, current_gain, current_zero),
                role(Role::PackVoltage, voltage_gain, 0.0),
                role(Role::Speed, speed_scale, 0.0),
                role(Role::Odometer, speed_scale, 0.0),
            ],
            gaps: self.gaps_in(first, last),
            summary: folder.finish().into(),
            fixes: Vec::new(),
            unplaced: None,
            turned: Vec::new(),
            sampling: Some(self.sampling(first as f64 / 1e6, last as f64 / 1e6)),
            cut: false,
            problems: Vec::new(),
        }
    }

    fn gaps_in(&self, first: i64, last: i64) -> Vec<Gap> {
        let gap = |gap: &ledger::Gap| {
            let missing = if gap.what == GapOf::Speed { Missing::Speed } else { Missing::Power };
            let [from_s, to_s] = [gap.from, gap.to].map(|at| (at.0.clamp(first, last) - first) as f64 / 1e6);
            Gap { missing, from_s, to_s, part: 1.0 }
        };
        self.gaps.iter().map(gap).filter(|gap| gap.to_s > gap.from_s).collect()
    }

    /// Voltage and current come in one message: their product is thinned.
    fn sampling(&self, first: f64, last: f64) -> Sampling {
        let (mut power, mut charge) = (Thinner::default(), Thinner::default());
        let inside = || self.samples.iter().filter(|sample| (first..=last).contains(&sample.0));
        let times: Vec<f64> = inside().map(|(t, ..)| *t).collect();
        power.extend(&times, &inside().map(|(_, volt, current)| volt * current).collect::<Vec<_>>());
        charge.extend(&times, &inside().map(|(.., current)| *current).collect::<Vec<_>>());
        let power = power.finish();
        Sampling {
            energy: [power.net, power.positive, power.negative],
            charge: charge.finish().net,
            blocks: power.blocks,
        }
    }
}
