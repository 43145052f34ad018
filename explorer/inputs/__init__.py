"""The only reader of study, car, surface and practice files: from TOML to a `Space`, every fault with its line.

`load` is the door. A key is named in `tables` and `fields` and given its meaning in one builder; keys and units are
public, and configs/schema follows them. `typical` says what such cars have where nobody measured. `starter` holds the
files of `setup-space new`.
"""
