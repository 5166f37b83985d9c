//! Roles: which signal plays which, in which unit and sign, how well it is known, and what can't be computed without.
//!
//! A role that can't be bound is left out; an unknown one or one given twice stops the work.

use std::collections::BTreeMap;

use toml::Spanned;

use super::checked::{Basis, Message, RoleBinding, RoleSignal, Sent, Tolerance};
use super::findings::{At, File, Findings};
use super::from_written::sent;
use super::written::{BasisForm, MapForm, PositiveForm, RoleForm, SocForm, ToleranceForm};
use crate::document::{Document, did_you_mean};
use crate::quantity::{UNITS, Unit};
use crate::schema::Role;
use crate::schema::role::{ROLES, RoleSlot};

/// The roles that could be bound, sorted by slot.
pub(super) fn bind(
    form: &MapForm,
    document: &Document,
    messages: &[Message],
    findings: &mut Findings,
) -> Vec<RoleBinding> {
    let mut binder = Binder { document, messages, findings, given: BTreeMap::new(), bound: Vec::new() };
    let mut written: Vec<_> = form.roles.iter().collect();
    written.sort_by_key(|(key, _)| key.span().start);
    for (key, role) in written {
        binder.entry(key, role);
    }
    let mut bound = binder.bound;
    bound.sort_by_key(|binding| binding.slot);
    bound
}

/// Which state of charge counts where no card says.
pub(super) fn soc_counts(form: &MapForm, roles: &[RoleBinding], document: &Document, findings: &mut Findings) -> Role {
    let has = |role: Role| roles.iter().any(|binding| binding.slot.role == role);
    let fallback = if has(Role::Soc) || !has(Role::SocInternal) { Role::Soc } else { Role::SocInternal };
    let Some(written) = &form.state_of_charge else { return fallback };
    let wanted = match written.get_ref() {
        SocForm::Displayed => Role::Soc,
        SocForm::Internal => Role::SocInternal,
    };
    if has(wanted) {
        return wanted;
    }
    let at = At { file: File::Map, line: document.line_of(written.span().start) };
    let what = format!("state_of_charge wants the role {}, which no signal plays", wanted.key());
    findings.warn(at, what, "give the role or remove the line");
    fallback
}

/// Says what can't be computed with these roles.
pub(super) fn warn_of_missing(roles: &[RoleBinding], findings: &mut Findings) {
    let at = At { file: File::Map, line: 0 };
    let has = |role: Role, pack: u8| roles.iter().any(|binding| binding.slot == RoleSlot { role, pack });
    let packs = roles.iter().map(|binding| binding.slot.pack + 1).max().unwrap_or(1);
    for pack in 0..packs {
        let key = |role: Role| RoleSlot { role, pack }.key(packs);
        let [voltage, current, power] = [Role::PackVoltage, Role::PackCurrent, Role::PackPower].map(key);
        let current_given = has(Role::PackCurrent, pack);
        if !(has(Role::PackPower, pack) || current_given && has(Role::PackVoltage, pack)) {
            let what = format!("neither {power} nor {voltage} with {current}: no energy");
            findings.warn(at, what, "give those roles if the car sends them");
        }
        if !current_given {
            findings.warn(
                at,
                format!("no {current}: no charge, and no capacity in Ah"),
                "give the role if the car sends it",
            );
        }
    }
    if !has(Role::Speed, 0) && !has(Role::Odometer, 0) {
        let what = "neither speed nor odometer: no distance but by satellite";
        findings.warn(at, what, "give one of the roles if the car sends it");
    }
    if !has(Role::Soc, 0) && !has(Role::SocInternal, 0) {
        let what = "neither soc nor soc_internal: no usable capacity but by marks";
        findings.warn(at, what, "give one of the roles if the car sends it");
    }
}

struct Binder<'a> {
    document: &'a Document,
    messages: &'a [Message],
    findings: &'a mut Findings,
    given: BTreeMap<RoleSlot, At>,
    bound: Vec<RoleBinding>,
}

impl Binder<'_> {
    fn at<T>(&self, spanned: &Spanned<T>) -> At {
        At { file: File::Map, line: self.document.line_of(spanned.span().start) }
    }

    fn entry(&mut self, key: &Spanned<String>, form: &Spanned<RoleForm>) {
        let at = self.at(key);
        let (name, pack) = match key.get_ref().split_once('.') {
            Some((name, pack)) => (name, Some(pack)),
            None => (key.get_ref().as_str(), None),
        };
        let Some(role) = Role::from_key(name) else {
            let remedy = did_you_mean(name, ROLES.iter().map(|info| info.key));
            self.findings.stop(at, format!("unknown role '{name}'"), remedy);
            return;
        };
        let form = form.get_ref();
        let packs = [&form.pack_1, &form.pack_2, &form.pack_3, &form.pack_4];
        let is_plain = packs.iter().all(|pack| pack.is_none()) || says_anything(form);
        match pack.map(str::parse::<u8>) {
            None if is_plain => self.role(at, role, None, form),
            None => {}
            Some(Ok(number @ 1..=RoleSlot::PACKS_MAX)) => self.role(at, role, Some(number), form),
            Some(_) => {
                let remedy = format!("packs are numbered 1 to {}", RoleSlot::PACKS_MAX);
                self.findings.stop(at, format!("unknown role '{}'", key.get_ref()), remedy);
            }
        }
        for (number, inner) in (1..).zip(packs) {
            let Some(inner) = inner else { continue };
            let inner_at = self.at(inner);
            let nested =
                [&inner.get_ref().pack_1, &inner.get_ref().pack_2, &inner.get_ref().pack_3, &inner.get_ref().pack_4];
            if pack.is_some() || nested.iter().any(|pack| pack.is_some()) {
                self.findings.stop(inner_at, "a pack inside a pack", "write [roles.pack_current.2]");
            } else {
                self.role(inner_at, role, Some(number), inner.get_ref());
            }
        }
    }

    fn role(&mut self, at: At, role: Role, pack: Option<u8>, form: &RoleForm) {
        if pack.is_some() && !role.per_pack() {
            let what = format!("the role {} is the car's, not a pack's", role.key());
            self.findings.stop(at, what, format!("write [roles.{}]", role.key()));
            return;
        }
        let slot = RoleSlot { role, pack: pack.map_or(0, |number| number.saturating_sub(1)) };
        if let Some(earlier) = self.given.insert(slot, at) {
            let place = self.findings.name_of(earlier, at);
            let key = slot.key(if pack.is_some() { 2 } else { 1 });
            self.findings.stop(at, format!("the role {key} is given twice (first: {place})"), "keep one");
            return;
        }
        if let Some(binding) = self.binding(at, slot, form) {
            self.bound.push(binding);
        }
    }

    fn binding(&mut self, at: At, slot: RoleSlot, form: &RoleForm) -> Option<RoleBinding> {
        let role = slot.role;
        let (message, signal) = match (&form.signal, &form.discharge, &form.charge) {
            (Some(one), None, None) => {
                let (message, signal) = self.locate(one)?;
                (message, RoleSignal::One(signal))
            }
            (None, Some(discharge), Some(charge)) => self.pair(at, role, form, discharge, charge)?,
            (None, None, None) => {
                self.findings.missing(
                    at,
                    format!("the role {} names no signal", role.key()),
                    "add signal = \"MESSAGE.Signal\"",
                );
                return None;
            }
            _ => {
                let what = format!("the role {} needs either signal, or discharge and charge", role.key());
                self.findings.error(at, what, "keep one form");
                return None;
            }
        };
        let unit = self.unit(at, role, form, message, signal)?;
        let sign = self.sign(role, form)?;
        let tolerance = self.tolerance(role, form.tolerance.as_ref(), unit.factor)?;
        let sent = form
            .sent
            .map_or(self.messages.get(message).map_or(Sent::Cyclic, |message| message.sent), |form| sent(Some(form)));
        let offset = if matches!(signal, RoleSignal::One(_)) { unit.offset } else { 0.0 };
        Some(RoleBinding { slot, message, signal, factor: sign * unit.factor, offset: sign * offset, tolerance, sent })
    }

    /// A current (or power) that the car sends as two signals, one for each direction.
    fn pair(
        &mut self,
        at: At,
        role: Role,
        form: &RoleForm,
        discharge: &Spanned<String>,
        charge: &Spanned<String>,
    ) -> Option<(usize, RoleSignal)> {
        if !is_signed(role) || role == Role::ChargeCounter {
            let what = format!("the role {} has one direction", role.key());
            self.findings.error(at, what, "write signal = \"MESSAGE.Signal\"");
            return None;
        }
        if form.positive.is_some() {
            let what = "positive beside discharge and charge means nothing";
            self.findings.error(at, what, "remove it");
            return None;
        }
        // Both are looked up before either is refused: everything wrong in one go.
        let (out, back) = (self.locate(discharge), self.locate(charge));
        let ((message, out), (other, back)) = (out?, back?);
        if message != other {
            let what = format!("{} and {} are of different messages", discharge.get_ref(), charge.get_ref());
            self.findings.error(at, what, "their difference needs both at one moment: name two signals of one message");
            return None;
        }
        let signals = &self.messages.get(message)?.signals;
        if signals.get(out)?.unit != signals.get(back)?.unit {
            let what = format!("{} and {} differ in unit", discharge.get_ref(), charge.get_ref());
            self.findings.error(at, what, "correct the unit of one");
            return None;
        }
        Some((message, RoleSignal::Difference(out, back)))
    }

    fn locate(&mut self, written: &Spanned<String>) -> Option<(usize, usize)> {
        let (at, text) = (self.at(written), written.get_ref());
        let Some((message_name, signal_name)) = text.split_once('.') else {
            self.findings.error(at, format!("'{text}' names no signal"), "write it as MESSAGE.Signal");
            return None;
        };
        if self.findings.is_left_out(text) || self.findings.is_left_out(message_name) {
            self.findings.error(at, format!("{text} was left out for a fault of its own"), "correct that first");
            return None;
        }
        let Some(message) = self.messages.iter().position(|message| message.name == message_name) else {
            let remedy = suggest(message_name, self.messages.iter().map(|message| &*message.name), "message");
            self.findings.error(at, format!("there is no message {message_name}"), remedy);
            return None;
        };
        let signals = &self.messages.get(message)?.signals;
        let Some(signal) = signals.iter().position(|signal| signal.name == signal_name) else {
            let remedy = suggest(signal_name, signals.iter().map(|signal| &*signal.name), "signal");
            self.findings.error(at, format!("message {message_name} has no signal {signal_name}"), remedy);
            return None;
        };
        Some((message, signal))
    }

    fn unit(&mut self, at: At, role: Role, form: &RoleForm, message: usize, signal: RoleSignal) -> Option<Unit> {
        let (RoleSignal::One(index) | RoleSignal::Difference(index, _)) = signal;
        let (at, text) = match &form.unit {
            Some(written) => (self.at(written), written.get_ref().clone()),
            None => (at, self.messages.get(message)?.signals.get(index)?.unit.clone()),
        };
        let dimension = role.dimension();
        let known: Vec<&str> = UNITS
            .iter()
            .filter(|(_, unit)| unit.dimension == dimension)
            .map(|(name, _)| *name)
            .filter(|name| !name.is_empty())
            .collect();
        let correct = format!("correct the signal's unit, or add unit to the role: {}", known.join(", "));
        let Some(unit) = Unit::parse(&text) else {
            let what = format!("the role {} has the unknown unit '{text}'", role.key());
            self.findings.error(at, what, correct);
            return None;
        };
        if unit.dimension != dimension {
            let what = format!("the role {} can't have the unit '{text}'", role.key());
            self.findings.error(at, what, correct);
            return None;
        }
        Some(unit)
    }

    /// 1, or -1 where the car counts what goes into the pack as positive.
    fn sign(&mut self, role: Role, form: &RoleForm) -> Option<f64> {
        let Some(written) = &form.positive else { return Some(1.0) };
        if !is_signed(role) {
            let at = self.at(written);
            let what = format!("the role {} has no direction", role.key());
            self.findings.error(at, what, "remove positive");
            return None;
        }
        Some(if *written.get_ref() == PositiveForm::Charge { -1.0 } else { 1.0 })
    }

    fn tolerance(&mut self, role: Role, form: Option<&Spanned<ToleranceForm>>, factor: f64) -> Option<Tolerance> {
        let Some(written) = form else { return Some(assumed(role)) };
        let (at, form) = (self.at(written), written.get_ref());
        let gain = self.one_of(at, "gain", form.gain, form.limit_gain)?;
        let offset = self.one_of(at, "offset", form.offset, form.limit_offset)?;
        let basis = match form.basis {
            None | Some(BasisForm::Assumed) => Basis::Assumed,
            Some(BasisForm::DataSheet) => Basis::DataSheet,
            Some(BasisForm::BalancedAgainstMeter) => Basis::BalancedAgainstMeter,
        };
        Some(Tolerance { gain, offset: offset * factor.abs(), basis })
    }

    /// A standard uncertainty: as given, or a limit over the root of 3 (a rectangle, JCGM 100:2008, 4.3.7); else 0.
    fn one_of(&mut self, at: At, key: &str, standard: Option<f64>, limit: Option<f64>) -> Option<f64> {
        let value = match (standard, limit) {
            (None, None) => 0.0,
            (Some(standard), None) => standard,
            (None, Some(limit)) => limit / 3_f64.sqrt(),
            (Some(_), Some(_)) => {
                self.findings.error(at, format!("both {key} and limit_{key}"), "keep one");
                return None;
            }
        };
        if value.is_finite() && value >= 0.0 {
            return Some(value);
        }
        self.findings.error(
            at,
            format!("a tolerance can't have the {key} {value}"),
            "write a finite number, 0 or above",
        );
        None
    }
}

fn says_anything(form: &RoleForm) -> bool {
    form.signal.is_some()
        || form.discharge.is_some()
        || form.charge.is_some()
        || form.unit.is_some()
        || form.positive.is_some()
        || form.sent.is_some()
        || form.tolerance.is_some()
}

/// Whether the role has a direction that a car may count the other way round.
fn is_signed(role: Role) -> bool {
    matches!(role, Role::PackCurrent | Role::PackPower | Role::ChargeCounter)
}

/// What is assumed where a role has no tolerance (common practice, no source).
fn assumed(role: Role) -> Tolerance {
    let (gain, offset) = match role {
        Role::PackCurrent => (0.02, 1.0),
        Role::PackVoltage => (0.005, 0.0),
        Role::PackPower => (0.02, 0.0),
        _ => (0.0, 0.0),
    };
    Tolerance { gain, offset, basis: Basis::Assumed }
}

/// The nearest name; not all of them, a DBC has thousands.
fn suggest<'a>(word: &str, known: impl Iterator<Item = &'a str>, kind: &str) -> String {
    match crate::document::nearest(word, known) {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("name a {kind} of the map or its DBC"),
    }
}
