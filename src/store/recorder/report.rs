//! What `run.json` says of a run, from its plan and its state.
//!
//! Computes no figure: it hands on what the ledger and the decoder hold.

use std::path::Path;
use std::sync::Arc;

use serde_json::{Value, json};

use super::Durability;
use super::state::State;
use crate::digest::Digest;
use crate::map::{Map, RoleBinding, RoleSignal, Sent};
use crate::schema::SCHEMA_VERSION;
use crate::store::run_file::{Anchor, Ended, FileDigest, MadeBy, RoleTolerance, RoleUsed, RunFile, Source, Trouble};
use crate::store::{StoreError, run_file, set_aside};
use crate::time::{RunTime, Span};
use crate::workers::Workers;

/// What a run is recorded with; the same for all runs of a session.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The signal map.
    pub map: Arc<Map>,
    /// Whether raw frames are kept.
    pub record_frames: bool,
    /// How the run survives a cut.
    pub durability: Durability,
    /// Files kept with the run beside the map's own: the configuration.
    pub files: Vec<(String, Vec<u8>)>,
    /// How often [`super::Recorder::sync`] is called, which bounds what a cut costs; `None` where nobody said.
    pub sync_every: Option<Span>,
    /// Who helps to decode what is taken and to pack what is written.
    pub workers: Workers,
    /// `run.json` as far as it is known from the start.
    pub run_file: RunFile,
}

impl Plan {
    /// A plan that keeps frames and no journal, with what `run.json` says from the start.
    pub fn new(map: Arc<Map>, vehicle: &str, made_by: MadeBy, sources: Vec<Source>) -> Self {
        let run_file = RunFile {
            schema: SCHEMA_VERSION,
            program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).to_owned(),
            vehicle: vehicle.to_owned(),
            run: String::new(),
            start_utc: None,
            duration_s: 0.0,
            ended: Ended::Recovered,
            made_by,
            map: FileDigest { name: map.name.clone(), digest: Digest::Sha256(map.digest.clone()) },
            soc_counts: map.soc_counts.key().to_owned(),
            sources,
            source_files: Vec::new(),
            anchors: Vec::new(),
            counts: Value::Null,
            gaps: Value::Null,
            roles: map.roles.iter().map(|role| role_used(&map, role)).collect(),
            buses: Vec::new(),
            troubles: Vec::new(),
            damage: Vec::new(),
            set_aside: Vec::new(),
            tables: Vec::new(),
            removed: Vec::new(),
            bundled: None,
            sums: Value::Null,
            by_phase: Value::Null,
        };
        Self {
            map,
            record_frames: true,
            durability: Durability::AtTheEnd,
            files: Vec::new(),
            sync_every: None,
            workers: Workers::alone(),
            run_file,
        }
    }
}

fn role_used(map: &Map, role: &RoleBinding) -> RoleUsed {
    let message = &map.messages[role.message];
    let name = |signal: usize| format!("{}.{}", message.name, message.signals[signal].name);
    RoleUsed {
        role: role.slot.key(map.packs()),
        signal: match role.signal {
            RoleSignal::One(signal) => name(signal),
            RoleSignal::Difference(first, second) => format!("{} - {}", name(first), name(second)),
        },
        unit: role.slot.role.dimension().base_unit().to_owned(),
        factor: role.factor,
        offset: role.offset,
        tolerance: RoleTolerance {
            gain: role.tolerance.gain,
            offset: role.tolerance.offset,
            basis: role.tolerance.basis.text().to_owned(),
        },
        sent: match role.sent {
            Sent::Cyclic => "cyclic",
            Sent::OnChange => "on change",
        }
        .to_owned(),
    }
}

/// `run.json` of a run that has ended, but for its tables.
pub fn told(folder: &Path, plan: &Plan, state: &State) -> Result<RunFile, StoreError> {
    let ledger = &state.ledger;
    let value = |value: Result<Value, serde_json::Error>| value.map_err(|error| StoreError::damaged(folder, error));
    let phases = ledger.by_phase();
    let mut troubles: Vec<Trouble> =
        state.troubles.iter().map(|(at, text)| Trouble { t_us: at.0, text: text.clone() }).collect();
    let last = RunTime((state.last - state.origin).0);
    if state.troubles_more > 0 {
        troubles.push(Trouble { t_us: last.0, text: format!("{} more troubles are not listed", state.troubles_more) });
    }
    Ok(RunFile {
        run: run_name(folder),
        start_utc: Some(state.started_by_last_anchor().iso()),
        duration_s: last.seconds(),
        ended: state.ended.unwrap_or(Ended::Recovered),
        anchors: state.anchors.iter().map(|(at, wall)| Anchor { t_us: at.0, utc: wall.iso() }).collect(),
        counts: json!({
            "frames": state.frames,
            "frames_no_map_knows": state.counts.unknown_frames,
            "messages": messages(plan, state),
            "roles": value(serde_json::to_value(ledger.observed()))?,
        }),
        gaps: value(serde_json::to_value(ledger.gaps()))?,
        source_files: run_file::source_digests(folder)?,
        buses: state.buses.names().to_vec(),
        troubles,
        set_aside: set_aside::list(folder)?,
        sums: value(serde_json::to_value(ledger.sums()))?,
        by_phase: json!({
            "drive": value(serde_json::to_value(phases[0]))?,
            "stand": value(serde_json::to_value(phases[1]))?,
            "charge": value(serde_json::to_value(phases[2]))?,
        }),
        ..plan.run_file.clone()
    })
}

/// The decoder's counts by name.
fn messages(plan: &Plan, state: &State) -> Value {
    let of_message = |(message, counts): (&crate::map::Message, &crate::decode::MessageCounts)| {
        let signals: serde_json::Map<String, Value> = message
            .signals
            .iter()
            .zip(&counts.signals)
            .map(|(signal, counts)| (signal.name.clone(), serde_json::to_value(counts).unwrap_or_default()))
            .collect();
        (message.name.clone(), json!({ "frames": counts.frames, "signals": signals }))
    };
    Value::Object(plan.map.messages.iter().zip(&state.counts.messages).map(of_message).collect())
}

/// A run's name, from its folder's.
pub fn run_name(folder: &Path) -> String {
    let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    name.strip_prefix("run=").unwrap_or(&name).to_owned()
}
