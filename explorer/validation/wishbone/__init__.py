"""A car with independent double wishbones from front-view hardpoints: what the axle law is held against.

`cars` draws cars, `kinetics` has the linkage and the compiled equations of rest, `planar` follows a car to lift and
past it, `measured` reads off what a car file asks, `multibody` is the same car in MuJoCo and `agreement` holds the two
to each other, `ranking` ranks setups by grip, lift and lag (`grip` and `lag` are written apart from the model's).
Nothing here calls the axle law itself.
"""
