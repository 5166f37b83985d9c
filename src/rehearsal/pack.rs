//! The pack: open-circuit voltage over charge, resistance, a slower drop, heat, and the cell that ends the discharge.
//!
//! Discharge is positive. Knows no display.

use super::scenario::PackSpec;
use crate::quantity::COULOMB_PER_AH;

/// The pack's state.
pub(super) struct Pack {
    spec: PackSpec,
    /// True state of charge, %.
    pub soc: f64,
    /// The slower part of the voltage drop, V.
    pub polarisation: f64,
    /// degC.
    pub temperature: f64,
    /// What the pack's energy went into, J.
    pub books: PackBooks,
}

/// Where the energy of the cells went, J.
#[derive(Clone, Copy, Default, Debug)]
pub(super) struct PackBooks {
    /// Open-circuit voltage times current.
    pub cells: f64,
    /// At the terminals.
    pub terminals: f64,
    /// Heat in both resistances.
    pub heat: f64,
    /// Stored in the slower part.
    pub stored: f64,
}

/// What the pack gives at a moment.
#[derive(Clone, Copy, Default, Debug)]
pub(super) struct Flow {
    /// At the terminals, V.
    pub voltage: f64,
    /// Out of the pack, A.
    pub current: f64,
}

/// What a moment's voltage follows from.
struct Source {
    open_circuit: f64,
    resistance: f64,
}

impl Pack {
    pub fn new(spec: &PackSpec, soc: f64) -> Self {
        let temperature = spec.temperature_degc;
        Self { spec: spec.clone(), soc, polarisation: 0.0, temperature, books: PackBooks::default() }
    }

    fn cells(&self) -> f64 {
        f64::from(self.spec.cells_in_series)
    }

    fn source(&self) -> Source {
        let spec = &self.spec;
        let cold = libm::exp(spec.resistance.per_degc * (25.0 - self.temperature));
        let factor = spec.resistance.over_soc.as_ref().map_or(1.0, |curve| curve.at(self.soc));
        Source {
            open_circuit: spec.open_circuit_v.at(self.soc) * self.cells(),
            resistance: spec.resistance.ohm * cold * factor,
        }
    }

    /// Voltage and current at a power (W) at the terminals: the smaller root of `P = (E - R I) I`, that at the most power
    /// where there is none.
    pub fn flow(&self, power: f64) -> Flow {
        let Source { open_circuit, resistance } = self.source();
        let inner = open_circuit - self.polarisation;
        let current = (inner - (inner * inner - 4.0 * resistance * power).max(0.0).sqrt()) / (2.0 * resistance);
        Flow { voltage: inner - resistance * current, current }
    }

    /// Voltage without current.
    pub fn resting(&self) -> Flow {
        Flow { voltage: self.source().open_circuit - self.polarisation, current: 0.0 }
    }

    /// The most power (W) before the weakest cell reaches its cut-off; 0 when it is there at rest or empty.
    pub fn power_limit(&self) -> f64 {
        let Source { open_circuit, resistance } = self.source();
        let cell_resistance = self.weakest_resistance(resistance);
        if self.weakest_soc() <= 0.0 {
            return 0.0;
        }
        let room = self.weakest_open_circuit() - self.polarisation / self.cells() - self.spec.cell_cutoff_v;
        let current = (room / cell_resistance).max(0.0);
        let inner = open_circuit - self.polarisation;
        // The power falls again past half the open-circuit voltage.
        let current = current.min(inner / (2.0 * resistance));
        ((inner - resistance * current) * current).max(0.0)
    }

    fn weakest_soc(&self) -> f64 {
        let share = self.spec.weakest_cell.as_ref().map_or(1.0, |weakest| weakest.capacity_share);
        self.spec.full_percent - (self.spec.full_percent - self.soc) / share
    }

    fn weakest_open_circuit(&self) -> f64 {
        self.spec.open_circuit_v.at(self.weakest_soc())
    }

    fn weakest_resistance(&self, resistance: f64) -> f64 {
        resistance / self.cells() * self.spec.weakest_cell.as_ref().map_or(1.0, |weakest| weakest.resistance_factor)
    }

    /// Voltage of the lowest cell.
    pub fn lowest_cell(&self, flow: Flow) -> f64 {
        let drop = self.weakest_resistance(self.source().resistance) * flow.current;
        (self.weakest_open_circuit() - self.polarisation / self.cells() - drop).min(flow.voltage / self.cells())
    }

    /// Voltage of the highest cell: the others share what the lowest lacks.
    pub fn highest_cell(&self, flow: Flow) -> f64 {
        let mean = flow.voltage / self.cells();
        mean + (mean - self.lowest_cell(flow)) / (self.cells() - 1.0).max(1.0)
    }

    /// Open-circuit energy left, J: what ever slower discharge would still give.
    pub fn left(&self) -> f64 {
        let coulomb_per_percent = self.spec.capacity_ah * COULOMB_PER_AH / 100.0;
        self.spec.open_circuit_v.integral(self.soc) * self.cells() * coulomb_per_percent
    }

    /// Lets a current flow for a step (s) in air of a temperature (degC).
    pub fn step(&mut self, flow: Flow, step: f64, air: f64) {
        let Source { open_circuit, resistance } = self.source();
        let current = flow.current;
        let mut heat = resistance * current * current;
        if let Some(slow) = &self.spec.polarisation {
            let before = self.polarisation;
            let farad = slow.time_s / slow.ohm;
            self.polarisation += (current - before / slow.ohm) * step / farad;
            self.books.stored += farad * (self.polarisation * self.polarisation - before * before) / 2.0;
            heat += before * before / slow.ohm;
        }
        self.books.cells += open_circuit * current * step;
        self.books.terminals += flow.voltage * current * step;
        self.books.heat += heat * step;
        self.soc -= current * step / (self.spec.capacity_ah * COULOMB_PER_AH) * 100.0;
        let given_off = self.spec.cooling_w_per_degc * (self.temperature - air);
        self.temperature += (heat - given_off) * step / self.spec.heat_capacity_j_per_degc;
    }
}
