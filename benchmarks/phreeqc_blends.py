"""How far the blend rules stand from two Pitzer models run with PHREEQC.

Run in an environment of its own, from the project's root::

    pip install numpy && pip install --no-deps pyEQL phreeqpy
    PYTHONPATH=. python benchmarks/phreeqc_blends.py

pyEQL ships the two databases of cold brines: ColdChem.dat (Toner & Catling 2017) and
frezchem.dat (Marion's FREZCHEM); phreeqpy runs them. Prints the rule minus each model, and the
models' own disagreement, by mixture and range of temperature.
"""

import contextlib
import importlib.util
import itertools
import tempfile
from pathlib import Path

import numpy as np
from phreeqpy.iphreeqc.phreeqc_dll import IPhreeqc

from stormplan.liquids import brine

DATABASES = {"A": "ColdChem.dat", "B": "frezchem.dat"}
NACL_WT_PCT = (3, 6, 10, 14, 17, 20, 22, 23.3)
OTHERS = {"cacl2": (0, 1, 2, 4, 6, 8, 12), "mgcl2": (0, 1, 2, 4, 6, 8), "kcl": (0, 1, 2, 4)}
IONS = {"cacl2": "Ca", "mgcl2": "Mg", "kcl": "K"}
RANGES_C = ((-10, 0), (-20, -10), (-30, -20), (-45, -30))


class Model:
    """One database, asked for saturation and for what freezes."""

    def __init__(self, path):
        self.engine = IPhreeqc()
        self.engine.load_database(str(path))

    def run(self, molality, other, temp_c, phases=""):
        """Speciate one solution, with phases to precipitate if any; hand back its last row."""
        m_nacl, m_other = molality[0], molality[brine.CHLORIDES.index(other)]
        chloride = m_nacl + m_other * (1 if other == "kcl" else 2)
        self.engine.run_string(
            f"SOLUTION 1\n temp {temp_c}\n units mol/kgw\n Na {m_nacl}\n {IONS[other]} {m_other}\n"
            f" Cl {chloride}\n{phases}SELECTED_OUTPUT\n -reset false\n -high_precision true\n"
            " -water true\n -saturation_indices Ice(s) Hydrohalite\nEND\n"
        )
        rows = self.engine.get_selected_output_array()
        return dict(zip(rows[0], rows[-1], strict=True))

    def onset_c(self, molality, other, phase):
        """Temperature at which a phase is just saturated, as if nothing else formed."""
        cold, warm = -58.0, 5.0
        if self.run(molality, other, warm)[f"si_{phase}"] > 0:
            return np.nan
        for _ in range(22):
            middle = (cold + warm) / 2
            saturated = self.run(molality, other, middle)[f"si_{phase}"] > 0
            cold, warm = (middle, warm) if saturated else (cold, middle)
        return (cold + warm) / 2

    def unfrozen(self, molality, other, temp_c):
        """Share of the water left liquid beside ice and hydrohalite; NaN where none is."""
        phases = "EQUILIBRIUM_PHASES 1\n Ice(s) 0 0\n Hydrohalite 0 0\n"
        try:
            return self.run(molality, other, temp_c, phases)["mass_H2O"]
        except Exception as error:
            if "not converged" not in str(error):
                raise
            return np.nan  # nothing liquid left: below a eutectic the program finds no answer


def solution(nacl, other, wt_pct):
    shares = {"nacl": nacl / 100, other: wt_pct / 100}
    return brine.molality(np.array([shares.get(key, 0.0) for key in brine.CHLORIDES]))


def compare(title, found, in_a, in_b, at_c, unit):
    print(f"\n{title}")
    for low, high in RANGES_C:
        here = (at_c >= low) & (at_c < high) & np.isfinite(in_a + in_b + found)
        if not here.any():
            continue
        off_a, off_b = (found - in_a)[here], (found - in_b)[here]
        apart = np.sqrt(np.mean((in_a - in_b)[here] ** 2))
        print(
            f"  {high:4d}..{low:4d} °C  n={here.sum():3d}"
            f"  minus A {off_a.min():+.3f}..{off_a.max():+.3f}"
            f"  minus B {off_b.min():+.3f}..{off_b.max():+.3f}  A-B rms {apart:.3f} {unit}"
        )


def main():
    found = importlib.util.find_spec("pyEQL")
    folder = Path(found.submodule_search_locations[0]) / "phreeqc" / "database"
    models = {name: Model(folder / file) for name, file in DATABASES.items()}
    for other, percents in OTHERS.items():
        grid = [solution(n, other, p) for n, p in itertools.product(NACL_WT_PCT, percents)]
        for phase, rule in (
            ("Ice(s)", brine.ice_onset_c), ("Hydrohalite", brine.hydrohalite_saturation_temp_c),
        ):  # fmt: skip
            a, b = (np.array([models[k].onset_c(m, other, phase) for m in grid]) for k in "AB")
            ours = rule(np.array(grid).T)
            compare(f"NaCl-{other}, {phase} onset", ours, a, b, (a + b) / 2, "K")
        films = [(m, t) for m in grid[::2] for t in (-4.0, -8.0, -15.0, -22.5, -25.0, -30.0)]
        a, b = (np.array([models[k].unfrozen(m, other, t) for m, t in films]) for k in "AB")
        ours = np.array([float(brine.liquid_water_frac(m, t)) for m, t in films])
        at_c = np.array([temp_c for _, temp_c in films])
        compare(f"NaCl-{other}, liquid share of water", ours, a, b, at_c, "")


if __name__ == "__main__":
    # PHREEQC leaves a file behind where it finds no answer.
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        main()
