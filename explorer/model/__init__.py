"""The cornering model: pure physics on plain numbers, SI without suffix, compiled by numba.

Axes and signs (ISO 8855): x forward, y left, z up. A corner is a left turn, so `inner` is left, `outer` is right and
the lateral acceleration is positive; a right turn is the same car mirrored. Roll is positive when the left side rises
(the body leans out of the turn). `lean` is a wheel's inclination to the road, positive into the turn. Camber is
negative when the tops of both wheels lean inward. Longitudinal acceleration is positive when the car speeds up.

Rooms: `slots` (layout of the parameter vector), `parts` (bars, springs, wire), `car` (what follows from a parameter
vector before the car corners), `loads` (wheel loads and roll), `inclination`, `tyre`, `bumps`, `cornering` (limits and
margins), `response` (lag and bite), `clearance`, `metrics` (the catalogue), `kernel` (the loop over setups).

Assumed throughout: quasi-static but for `response`; each axle is a beam that stays square to the road, hinged to the
body at its roll centre; no tyre temperature; no driver.
"""
