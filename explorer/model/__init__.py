"""The cornering model: pure physics on plain numbers, SI without suffix, compiled by numba.

Axes and signs (ISO 8855): x forward, y left, z up. A corner is a left turn, so `inner` is left, `outer` is right and
the lateral acceleration is positive; a right turn is the same car mirrored. Roll is positive when the left side rises
(the body leans out of the turn). `lean` is a wheel's inclination to the road, positive into the turn. Camber is
negative when the tops of both wheels lean inward. Longitudinal acceleration is positive when the car speeds up.

Parts, lowest first: `machine` (lanes and how functions are compiled), `car` (layout of the parameter vector and what
follows from it before the car corners: parts, tyre, bumps, inclination, clearance), `corner` (wheel loads, grip, the
path to the limits of a corner, the response); `metrics` (the catalogue), `fill` (one row of metrics), `block` (a
handful of setups through all phases), `kernel` (the loop over blocks).

Assumed throughout: quasi-static but for `response`; wheels hang on two links each in the front view, or each axle is a
beam that stays square to the road, hinged to the body at its roll centre; no tyre temperature; no driver.
"""

import numba

from explorer.model.machine.compile_cache import cache_folder

CACHE_FOLDER = cache_folder()
"""Where compiled functions are kept; None where nowhere."""

if CACHE_FOLDER is not None:
    numba.config.CACHE_DIR = str(CACHE_FOLDER)
