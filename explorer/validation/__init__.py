"""Our numbers beside numbers that come from somewhere else: independent physics and independent statistics.

Each module imports one heavy checker, none of which the rest of the program needs (extra `proof`): `multibody` MuJoCo,
`bars` PyNite, `motion` python-control, `statistics` SALib and scipy. `results` holds what they return, `page` words it.
"""
