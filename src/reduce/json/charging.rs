//! Charging sessions, what the plug gave, and the balance at the charger, as JSON.
//!
//! Rounds nothing.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure, some};
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH};
use crate::reduce::balance::{self, Balance};
use crate::reduce::charging::{Point, Session, Taper, Window};
use crate::reduce::plug::{Metered, Plug};
use crate::reduce::reduction::Reduction;
use crate::reduce::rises::Rise;

/// Watts in a kilowatt.
const KW: f64 = 1e3;
/// A share as per cent.
const PERCENT: f64 = 0.01;

#[derive(Serialize)]
pub(super) struct SessionJson<'a> {
    run: &'a str,
    start_utc: Option<String>,
    from_s: f64,
    to_s: f64,
    duration_s: f64,
    unobserved_s: f64,
    first_percent: Option<f64>,
    last_percent: Option<f64>,
    dc_in_kwh: Option<Figure>,
    dc_in_ah: Option<Figure>,
    mean_kw: Option<Figure>,
    peak_kw: Option<Figure>,
    peak_at_s: Option<f64>,
    peak_at_percent: Option<f64>,
    best_ten_minutes_kw: Option<Figure>,
    km_per_ten_minutes: Option<Figure>,
    km_in_best_ten_minutes: Option<Figure>,
    windows: Vec<WindowJson<'a>>,
    taper: Vec<TaperJson>,
    pack_start_degc: Option<f64>,
    pack_end_degc: Option<f64>,
    pack_max_degc: Option<f64>,
    by_time: Vec<PointJson>,
    by_percent: Vec<PointJson>,
}

#[derive(Serialize)]
struct WindowJson<'a> {
    from_percent: f64,
    to_percent: f64,
    time_s: Option<Figure>,
    dc_in_kwh: Option<Figure>,
    mean_kw: Option<Figure>,
    why: &'a str,
}

#[derive(Serialize)]
struct TaperJson {
    share_of_peak: f64,
    at_s: f64,
    percent: Option<f64>,
}

#[derive(Serialize)]
struct PointJson {
    at_s: f64,
    percent: Option<f64>,
    kw: f64,
    pack_degc: Option<f64>,
}

#[derive(Serialize)]
pub(super) struct RiseJson<'a> {
    run: &'a str,
    at_s: f64,
    percent: f64,
    charging: bool,
}

#[derive(Serialize)]
pub(super) struct PlugJson<'a> {
    charges: Vec<MeteredJson<'a>>,
    dc_out_by_dc_in_percent: Option<Figure>,
    metered_wh_per_km: Option<Figure>,
    metered_driving_wh_per_km: Option<Figure>,
    metered_at: Option<&'static str>,
    why: &'a str,
}

#[derive(Serialize)]
struct MeteredJson<'a> {
    charge: &'static str,
    sessions: &'a [usize],
    dc_in_kwh: Option<Figure>,
    metered_kwh: Option<Figure>,
    metered_at: Option<&'static str>,
    dc_in_by_metered_percent: Option<Figure>,
    why: &'a str,
}

#[derive(Serialize)]
pub(super) struct BalanceJson<'a> {
    charge: &'static str,
    sensor_gain_percent: Option<Figure>,
    between_kwh: Option<Figure>,
    gain_known_to: f64,
    tolerance: Option<f64>,
    tolerance_corrected: Option<f64>,
    toml: Option<String>,
    why: &'a str,
}

pub(super) fn sessions(sessions: &[Session]) -> Vec<SessionJson<'_>> {
    sessions.iter().map(session).collect()
}

fn session(session: &Session) -> SessionJson<'_> {
    let peak = session.peak.as_ref();
    SessionJson {
        run: &session.run.0,
        start_utc: session.start.map(|start| start.iso()),
        from_s: session.time.0,
        to_s: session.time.1,
        duration_s: session.duration(),
        unobserved_s: session.unobserved,
        first_percent: session.soc.0,
        last_percent: session.soc.1,
        dc_in_kwh: some(&session.energy, JOULE_PER_KWH),
        dc_in_ah: some(&session.charge, COULOMB_PER_AH),
        mean_kw: some(&session.mean_power, KW),
        peak_kw: peak.map(|peak| figure(&peak.power, KW)),
        peak_at_s: peak.map(|peak| peak.t),
        peak_at_percent: peak.and_then(|peak| peak.soc),
        best_ten_minutes_kw: some(&session.best_ten_minutes, KW),
        km_per_ten_minutes: some(&session.gained.0, 1e3),
        km_in_best_ten_minutes: some(&session.gained.1, 1e3),
        windows: session.windows.iter().map(window).collect(),
        taper: session.taper.iter().map(taper).collect(),
        pack_start_degc: session.pack_degc[0],
        pack_end_degc: session.pack_degc[1],
        pack_max_degc: session.pack_degc[2],
        by_time: session.by_time.iter().map(point).collect(),
        by_percent: session.by_percent.iter().map(point).collect(),
    }
}

fn window(window: &Window) -> WindowJson<'_> {
    WindowJson {
        from_percent: window.soc.0,
        to_percent: window.soc.1,
        time_s: some(&window.time, 1.0),
        dc_in_kwh: some(&window.energy, JOULE_PER_KWH),
        mean_kw: some(&window.mean_power, KW),
        why: &window.why,
    }
}

fn taper(taper: &Taper) -> TaperJson {
    TaperJson { share_of_peak: taper.share, at_s: taper.t, percent: taper.soc }
}

fn point(point: &Point) -> PointJson {
    PointJson { at_s: point.t, percent: point.soc, kw: point.power / KW, pack_degc: point.pack_degc }
}

pub(super) fn rise(rise: &Rise) -> RiseJson<'_> {
    RiseJson { run: &rise.run, at_s: rise.at, percent: rise.percent, charging: rise.charging }
}

pub(super) fn plug(plug: &Plug) -> PlugJson<'_> {
    let per_metre = plug.metered_per_metre.as_ref();
    PlugJson {
        charges: plug.charges.iter().map(metered).collect(),
        dc_out_by_dc_in_percent: some(&plug.out_by_in, PERCENT),
        metered_wh_per_km: per_metre.map(|(figured, _)| figure(figured, JOULE_PER_METRE_IN_WH_PER_KM)),
        metered_driving_wh_per_km: some(&plug.metered_driving, JOULE_PER_METRE_IN_WH_PER_KM),
        metered_at: per_metre.map(|(_, at)| at.written()),
        why: &plug.why,
    }
}

fn metered(charge: &Metered) -> MeteredJson<'_> {
    MeteredJson {
        charge: charge.which.key(),
        sessions: &charge.sessions,
        dc_in_kwh: some(&charge.into_pack, JOULE_PER_KWH),
        metered_kwh: some(&charge.metered, JOULE_PER_KWH),
        metered_at: charge.at.map(|at| at.written()),
        dc_in_by_metered_percent: some(&charge.efficiency, PERCENT),
        why: &charge.why,
    }
}

pub(super) fn balances(reduction: &Reduction) -> Vec<BalanceJson<'_>> {
    let power_alone = reduction.has_power_alone;
    reduction.balances.iter().map(|one| balance(one, power_alone)).collect()
}

fn balance(balance: &Balance, power_alone: bool) -> BalanceJson<'_> {
    BalanceJson {
        charge: balance.which.key(),
        sensor_gain_percent: some(&balance.gain, PERCENT),
        between_kwh: some(&balance.between, JOULE_PER_KWH),
        gain_known_to: balance.known_to,
        tolerance: balance.tolerance(),
        tolerance_corrected: balance.tolerance_corrected(),
        toml: balance::toml(balance, power_alone),
        why: &balance.why,
    }
}
