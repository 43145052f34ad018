"""The cornering model: pure physics on plain numbers, SI without suffix, compiled by numba.

Axes and signs (ISO 8855): x forward, y left, z up. A corner is a left turn, so `inner` is left, `outer` is right and
the lateral acceleration is positive; a right turn is the same car mirrored. Roll is positive when the left side rises
(the body leans out of the turn). `lean` is a wheel's inclination to the road, positive into the turn. Camber is
negative when the tops of both wheels lean inward. Longitudinal acceleration is positive when the car speeds up.

Rooms: `slots` (layout of the parameter vector), `parts` (bars, springs, wire), `car` (what follows from a parameter
vector before the car corners), `loads` (wheel loads and roll), `path_axle` and `path` (the same statics with
derivatives, solved for an event), `inclination`, `tyre`, `grip` and `path_grip` (what each axle can give and must
give), `bumps`, `cornering` (limits of a corner, by the `direct` road or the `followed` one), `response` (lag and bite),
`clearance`, `metrics` (the catalogue), `fill` (one row of metrics), `lanes` and `lane_math` (several setups side by
side in one processor core), `block` (a handful of setups through all phases), `kernel` (the loop over blocks).

Assumed throughout: quasi-static but for `response`; each axle is a beam that stays square to the road, hinged to the
body at its roll centre; no tyre temperature; no driver.
"""

import hashlib
import os
import tempfile
from pathlib import Path

import numba


def _bind_compile_cache() -> None:
    """Keep compiled code in a folder named after these sources: numba alone does not notice a changed callee."""
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    root = os.environ.get("NUMBA_CACHE_DIR") or os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    folder = Path(root) / "setup-space-explorer" / digest.hexdigest()[:16]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK):
            raise OSError("not writable")
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"setup-space-explorer-{digest.hexdigest()[:16]}"
    numba.config.CACHE_DIR = str(folder)


_bind_compile_cache()
