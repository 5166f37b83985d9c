"""PyBaMM's own discharge of a cell: times, voltages, currents, and the energy and charge that PyBaMM itself integrates.

battery.py constant|sine   prints JSON {"t": [s], "v": [V], "i": [A, discharge positive], "wh": .., "ah": ..}

DFN with the Chen2020 parameter set. The solver's tolerance is tight because at the default one PyBaMM's energy is not the
integral of its own voltage and current (up to 1.3e-3 off).
"""

import json
import sys

import numpy as np
import pybamm

kind = sys.argv[1]
model = pybamm.lithium_ion.DFN(options={"calculate discharge energy": "true"})
parameters = pybamm.ParameterValues("Chen2020")
if kind == "sine":
    parameters["Current function [A]"] = lambda t: 3 + 5 * pybamm.sin(2 * np.pi * t / 60)
    end, step = 1800.0, 0.1
else:
    parameters["Current function [A]"] = 5.0
    end, step = 4000.0, 1.0
solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
simulation = pybamm.Simulation(model, parameter_values=parameters, solver=solver)
solution = simulation.solve([0, end] if kind == "constant" else np.linspace(0, end, 1801))
stop = float(solution.t[-1])
t = np.append(np.arange(0, stop, step), stop)
print(json.dumps({
    "t": t.tolist(),
    "v": solution["Voltage [V]"](t).tolist(),
    "i": solution["Current [A]"](t).tolist(),
    "wh": float(solution["Discharge energy [W.h]"](stop)),
    "ah": float(solution["Discharge capacity [A.h]"](stop)),
}))
