//! Values to payload: the inverse of the decode room, for rehearsals and tests.
//!
//! Sends nothing.

use super::checked::{Message, Multiplex, Origin, RawKind, Signal};
use super::layout::Window;

/// Writes a frame's (or a poll reply's) signals and returns the payload's length in bytes; a table has none.
///
/// `values` stand in the signals' order, in the signals' own units. Each is rounded to the nearest raw value and clamped
/// to what the raw bits hold. NaN, or a value that is not given, writes the signal's first 'not available' pattern, else
/// all ones. A multiplexed signal is written only where its switch's value selects it. Bits of no signal are 0.
pub fn encode(message: &Message, values: &[f64], payload: &mut [u8; 64]) -> usize {
    *payload = [0; 64];
    let length = match &message.origin {
        Origin::Frame { length, .. } => usize::from(*length).min(64),
        Origin::Poll(_) => {
            message.signals.iter().filter_map(Window::of).map(|window| window.end()).max().unwrap_or(0).min(64)
        }
        Origin::Table(_) => return 0,
    };
    for (index, signal) in message.signals.iter().enumerate() {
        if is_selected(message, values, index)
            && let Some(window) = Window::of(signal)
        {
            window.write(&mut payload[..length], raw(signal, &window, value(values, index)));
        }
    }
    length
}

fn value(values: &[f64], index: usize) -> f64 {
    values.get(index).copied().unwrap_or(f64::NAN)
}

/// Whether a signal is in the frame; ends because a checked map's switches lead to one that is always there.
fn is_selected(message: &Message, values: &[f64], index: usize) -> bool {
    let Some(Multiplex::When { switch, values: selecting }) =
        message.signals.get(index).map(|signal| &signal.multiplex)
    else {
        return true;
    };
    let Some(signal) = message.signals.get(*switch) else { return false };
    let Some(window) = Window::of(signal) else { return false };
    let selected = raw(signal, &window, value(values, *switch));
    selecting.iter().any(|range| range.contains(&selected)) && is_selected(message, values, *switch)
}

/// The raw bits nearest to a value.
fn raw(signal: &Signal, window: &Window, value: f64) -> u64 {
    if value.is_nan() {
        return signal.not_available.first().copied().unwrap_or(window.capacity());
    }
    let unscaled = (value - signal.offset) / signal.scale;
    match signal.raw {
        // `as` saturates, and i128 holds every 64-bit raw value, so clamping there is exact.
        RawKind::Unsigned => (unscaled.round() as i128).clamp(0, window.capacity().into()) as u64,
        RawKind::Signed => {
            let top = i128::from(window.capacity() >> 1);
            (unscaled.round() as i128).clamp(-top - 1, top) as u64
        }
        RawKind::Float32 => u64::from((unscaled.clamp(f32::MIN.into(), f32::MAX.into()) as f32).to_bits()),
        RawKind::Float64 => unscaled.clamp(f64::MIN, f64::MAX).to_bits(),
    }
}
