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
side in one processor core), `block` (a handful of setups through all phases), `kernel` (the loop over blocks),
`compiled` and `compile_cache` (how functions are compiled, and where they are kept).

Assumed throughout: quasi-static but for `response`; each axle is a beam that stays square to the road, hinged to the
body at its roll centre; no tyre temperature; no driver.
"""

import numba

from explorer.model.compile_cache import cache_folder

CACHE_FOLDER = cache_folder()
"""Where compiled functions are kept; None where nowhere."""

if CACHE_FOLDER is not None:
    numba.config.CACHE_DIR = str(CACHE_FOLDER)
