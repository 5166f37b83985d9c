"""The regulated drive schedules as the package fastsim (2.x) carries them, second by second.

cycles.py udds|hwfet|us06   prints CSV: cycSecs (s), cycMps (m/s) and what else the file has

The package's own licence covers the files: they are read where pip has put them and are not copied into the project.
"""

import importlib.util
import pathlib
import sys

package = importlib.util.find_spec("fastsim")
if package is None:
    sys.exit("fastsim is missing: run `bash tests/run` once, it installs the reference libraries")
name = {"udds": "udds", "hwfet": "hwfet", "us06": "us06"}[sys.argv[1]]
folder = pathlib.Path(package.submodule_search_locations[0]) / "resources" / "cycles"
sys.stdout.write((folder / f"{name}.csv").read_text())
