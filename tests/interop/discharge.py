#!/usr/bin/env python3
"""A 1C discharge of one simulated cell against an independent solver.

PyBaMM (BSD-3-Clause) solves an equivalent circuit of one resistance and one RC pair with its own integrator; it is given
the curve, the resistances and the capacity that the scenario gives to the simulator. So this checks the simulator's
integration and its path from current to voltage, not the truth of the curve.

Kind of all numbers put in: invented. Kind of the curve: published (see simulator/src/pack/cell.rs).
"""

import os
import re
import subprocess
import sys
import tempfile

import numpy as np
import pybamm

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.join(HERE, "..", "..")
CAPACITY, OHM, PAIR_OHM, PAIR_S, FULL = 50.0, 0.0012, 0.0008, 40.0, 95.0
# Largest difference that counts as the same, V.
SAME = 0.0002

SCENARIO = f"""
format = 3
name = "discharge"
title = "A 1C discharge of cells that are all alike"
profile = "generic-hv-stack"
look_at = "1s"
[stack]
modules = 2
soc = {FULL}
spread_mv = 0
capacity_ah = {CAPACITY}
suppress = ["cell-low", "cell-lost", "cells-apart", "charge-low"]
[cells]
resistance_mohm = {OHM * 1000}
polarisation_mohm = {PAIR_OHM * 1000}
polarisation_time = "{PAIR_S}s"
capacity_spread = 0
resistance_spread = 0
self_discharge = 0
[circuit]
load_ohm = 1e9
[inverter]
from = "10s"
every = "5s"
current = {-CAPACITY}
# The unit would allow less current towards the end.
[[map.point]]
id = "soc"
limits = {{ warn_below = 0.2, alarm_below = 0.1 }}
"""


def curve_of(chemistry):
    """The table as the simulator's source has it, so that both use the same."""
    source = open(os.path.join(ROOT, "simulator", "src", "pack", "cell.rs")).read()
    table = re.search(rf"const {chemistry}: Self = Self\(\[([^\]]*)\]", source).group(1)
    return np.array([float(x) for x in table.replace("\n", " ").split(",") if x.strip()])


def simulated():
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "discharge.toml")
        with open(path, "w") as file:
            file.write(SCENARIO)
        command = ["cargo", "run", "--quiet", "--release", "-p", "packside-simulator", "--example", "discharge", "--"]
        lines = subprocess.run(command + [path, "1", "3300"], cwd=ROOT, check=True, capture_output=True, text=True)
    return np.array([[float(x) for x in line.split()] for line in lines.stdout.splitlines()])


def reference(seconds):
    volts = curve_of("LFP")
    charge = np.linspace(0, 1, 11)
    parameters = pybamm.ParameterValues("ECM_Example")
    parameters.update(
        {
            "Cell capacity [A.h]": CAPACITY,
            "Nominal cell capacity [A.h]": CAPACITY,
            "Current function [A]": CAPACITY,
            "Initial SoC": FULL / 100,
            "Open-circuit voltage [V]": lambda soc: pybamm.Interpolant(charge, volts, soc, interpolator="linear"),
            "R0 [Ohm]": OHM,
            "R1 [Ohm]": PAIR_OHM,
            "C1 [F]": PAIR_S / PAIR_OHM,
            "Element-1 initial overpotential [V]": 0,
            "Entropic change [V/K]": 0,
            "Upper voltage cut-off [V]": 5,
            "Lower voltage cut-off [V]": 1,
        },
        check_already_exists=False,
    )
    model = pybamm.equivalent_circuit.Thevenin()
    simulation = pybamm.Simulation(model, parameter_values=parameters)
    # Seams of the curve are points of the grid, so that no step of the solver runs across one.
    solution = simulation.solve(np.unique(np.concatenate([[0], seconds])))
    return np.interp(seconds, solution["Time [s]"].entries, solution["Voltage [V]"].entries)


def main():
    found = simulated()
    # The current begins where the voltage first falls by its step.
    fall = found[:-1, 1] - found[1:, 1]
    begins = int(np.argmax(fall > 0.5 * CAPACITY * OHM))
    # Looked at once a second, and the current begins within one: its moment follows from the pair's first rise.
    after = found[begins + 2 :]
    best = min(
        (np.max(np.abs(reference(after[:, 0] - began) - after[:, 1])), began)
        for began in found[begins, 0] + np.arange(0.0, 1.01, 0.1)
    )
    print(f"1C discharge, {len(after)} s from {FULL} %, against PyBaMM {pybamm.__version__}:")
    print(f"  largest difference {best[0] * 1000:.3f} mV (current from {best[1]:.1f} s on), the same is {SAME * 1000:.1f} mV")
    print(f"  volts at the end: simulated {after[-1, 1]:.4f}")
    return 0 if best[0] <= SAME else 1


if __name__ == "__main__":
    sys.exit(main())
